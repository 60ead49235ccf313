"""How much sound a listener takes, where somebody measured the level.

The program knows digital levels only. When the operator has measured the level step's sound at
the listening position, with the step at its top, ``level_dba`` in the study file makes the
exposure of a sitting known, by the recommended limit of NIOSH (*Criteria for a recommended
standard: occupational noise exposure*, 1998): 85 dBA for 8 hours, and half the time for each
3 dB more.

It is a limit for work, for a whole day with everything else that is heard in it. Local rules
that are stricter count.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from abx.study.model import Study
    from stimuli.render.manifest import Manifest

__all__ = [
    "REL_DBA",
    "Exposure",
    "allowed_hours",
    "dose_percent",
    "exposure_lines",
    "level_cap_db",
    "level_source",
    "louder_than_level_step",
    "sitting_exposure",
]

REL_DBA = 85.0
"""Recommended limit of NIOSH (1998) for 8 hours, in dBA."""

_HOURS = 8.0
_EXCHANGE_DB = 3.0
_CAUTION_PERCENT = 10.0
"""From this part of a day's allowance on a sitting carries a caution (our choice)."""


@dataclass(frozen=True, slots=True)
class Exposure:
    """Exposure of one sitting at the highest level the player reaches.

    Attributes
    ----------
    level_dba : float
        Highest level at the listening position, the cap of the level step included.
    minutes : float
        Length of the sitting.
    percent : float
        Part of a day's allowance.
    capped : bool
        Whether the level step was lowered to stay at the recommended limit.
    """

    level_dba: float
    minutes: float
    percent: float
    capped: bool


def allowed_hours(level_dba: float) -> float:
    """Return how long a day a level may be heard by the NIOSH limit.

    Parameters
    ----------
    level_dba : float
        A-weighted level in dB.

    Returns
    -------
    float
        Hours: ``8 / 2**((L - 85) / 3)``.

    Examples
    --------
    >>> [allowed_hours(level) for level in (85, 88, 94)]
    [8.0, 4.0, 1.0]
    """
    return float(_HOURS / 2.0 ** ((level_dba - REL_DBA) / _EXCHANGE_DB))


def dose_percent(level_dba: float, minutes: float) -> float:
    """Return the part of a day's allowance that a time at a level takes, in per cent."""
    return 100.0 * (minutes / 60.0) / allowed_hours(level_dba)


def level_cap_db(study: Study, *, louder_db: float = 0.0) -> float:
    """Return how far below its top the level step has to stop, 0 dB or less.

    Parameters
    ----------
    study : Study
        The checked study file.
    louder_db : float, optional
        How much louder than the level step the loudest programme is.
    """
    if study.playback_level_dba is None:
        return 0.0
    # The limit is for 8 hours; no sitting is that long, so at or below it no dose passes 100 %.
    return min(0.0, REL_DBA - study.playback_level_dba - louder_db)


def level_source(study: Study, manifest: Manifest) -> tuple[str, str]:
    """Return stage and programme of the level step's sound.

    It is the pink noise, or the first programme, always through the first stage.
    """
    stage = study.stages[0].id
    known = {record.programme for record in manifest.stimuli if record.stage == stage}
    return stage, "pink-noise" if "pink-noise" in known else study.programmes[0].id


def louder_than_level_step(manifest: Manifest, stage: str, programme: str) -> float:
    """Return how much louder than the level step's sound the loudest stimulus is, in LU."""
    level = manifest.stimulus(stage, programme).loudness_after_lufs
    return max(0.0, max(one.loudness_after_lufs for one in manifest.stimuli) - level)


def sitting_exposure(study: Study, minutes: float, *, louder_db: float = 0.0) -> Exposure | None:
    """Estimate the exposure of a sitting, or nothing where no level is known.

    Every minute is taken as sounding, at the highest level that can be set: nobody takes more.

    Parameters
    ----------
    study : Study
        The checked study file.
    minutes : float
        Length of the sitting.
    louder_db : float, optional
        How much louder than the level step the loudest programme is.
    """
    if study.playback_level_dba is None:
        return None
    cap_db = level_cap_db(study, louder_db=louder_db)
    level_dba = study.playback_level_dba + louder_db + cap_db
    return Exposure(level_dba, minutes, dose_percent(level_dba, minutes), capped=cap_db < 0.0)


def exposure_lines(study: Study, minutes: float, *, louder_db: float = 0.0) -> list[str]:
    """Say what a sitting means for the ears, in sentences for the person in charge."""
    found = sitting_exposure(study, minutes, louder_db=louder_db)
    if found is None:
        return ["level at the ear: not known; measure it once, level_dba in [playback]"]
    lines = [
        f"exposure: at most {found.level_dba:.0f} dBA for {found.minutes:.0f} min, "
        f"{found.percent:.2g} % of a day's allowance "
        f"(NIOSH: {REL_DBA:.0f} dBA for 8 h, 3 dB exchange)"
    ]
    if found.capped:
        lines.append(
            f"caution: {study.playback_level_dba:.0f} dBA was measured; the level step stops at "
            f"{REL_DBA:.0f} dBA instead. Turn the amplifier down"
        )
    elif found.percent >= _CAUTION_PERCENT:
        lines.append("caution: that is much for one sitting. Turn the amplifier down")
    return lines
