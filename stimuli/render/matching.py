"""Which loudness model stages are matched in, by name, and the gains that do it.

BS.1770 is the default. The other two work on long-term power spectra; the gain that makes
stages equally loud in them is found by repeated correction, since loudness summed over bands
does not grow evenly with level.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy.fft as fft
from numpy.typing import NDArray

from stimuli.filters.stages import StageFilters, StageSpec, gain_setters
from stimuli.levels.weighting import (
    LISTENING_LEVEL_DB,
    a_weighted_level_db,
    erb_sum_loudness,
    loudness_difference_db,
    model_names,
)
from stimuli.render.filter_bank import LongTermSpectrum
from stimuli.render.pipeline import FilteredPass

__all__ = [
    "BS1770",
    "MODELS",
    "HeardLevels",
    "LevelMatch",
    "Levels",
    "describe_models",
    "matching_loudness",
    "relative_levels_db",
]

Floats = NDArray[np.float64]

BS1770 = "bs1770"
MODELS = (BS1770, "a_weighted", "erb_sum")
_SETTLED_DB = 1e-6
_MOST_ROUNDS = 50


def describe_models(listening_level_db: float = LISTENING_LEVEL_DB) -> dict[str, str]:
    """Describe every model in words, by the name it is chosen and stored under."""
    return {
        BS1770: "ITU-R BS.1770-5 integrated loudness",
        **model_names(listening_level_db),
    }


def relative_levels_db(
    model: str, f_hz: Floats, spectra: Sequence[Floats], *, among: Sequence[int] | None = None
) -> Floats:
    """Levels of some spectra in a model, as differences from their mean.

    Parameters
    ----------
    model : str
        ``"a_weighted"`` or ``"erb_sum"``.
    f_hz : ndarray, shape (n,)
        Equally spaced line frequencies in Hz.
    spectra : sequence of ndarray, shape (n,)
        Power of each line re (20 uPa)^2.
    among : sequence of int, optional
        Which spectra the mean is over; all unless given.

    Returns
    -------
    ndarray, shape (len(spectra),)
        In dB.
    """
    chosen = list(range(len(spectra)) if among is None else among)
    if model == "a_weighted":
        levels = [a_weighted_level_db(f_hz, power) for power in spectra]
    else:
        common = float(np.mean([erb_sum_loudness(f_hz, spectra[i]) for i in chosen]))
        levels = [loudness_difference_db(f_hz, power, common) for power in spectra]
    return np.asarray(levels) - np.mean([levels[i] for i in chosen])


def matching_loudness(
    model: str,
    loudness_lufs: Sequence[float],
    f_hz: Floats,
    spectra: Sequence[Floats],
    *,
    listening_level_db: float = LISTENING_LEVEL_DB,
) -> Floats:
    """Loudness of each stage as the gain has to see it, so that stages match in a model.

    A gain of (common loudness - this loudness) makes the stages equally loud in the model; the
    mean over stages is that of BS.1770, so the set as a whole plays at the same level whichever
    model is chosen.

    Parameters
    ----------
    model : str
        One of :data:`MODELS`.
    loudness_lufs : sequence of float
        BS.1770 loudness of each stage before any gain.
    f_hz : ndarray, shape (n,)
        Equally spaced line frequencies in Hz.
    spectra : sequence of ndarray, shape (n,)
        Long-term power spectrum of each stage before any gain.
    listening_level_db : float
        Sound pressure level in dB at which the common loudness is assumed to play.

    Returns
    -------
    ndarray, shape (len(spectra),)
        In LUFS; for BS.1770 the loudness itself.
    """
    gains_db = -np.asarray(loudness_lufs, dtype=float)
    if model == BS1770:
        return -gains_db
    for _ in range(_MOST_ROUNDS):
        played = [
            power * 10 ** ((gain + listening_level_db) / 10)
            for power, gain in zip(spectra, gains_db, strict=True)
        ]
        off_db = relative_levels_db(model, f_hz, played)
        gains_db = gains_db - off_db
        if np.max(np.abs(off_db)) < _SETTLED_DB:
            break
    return -gains_db


@dataclass(frozen=True, slots=True)
class HeardLevels:
    """One programme through all stages, as the loudness models see it before any gain.

    Attributes
    ----------
    f_hz : ndarray, shape (n,)
        Line frequencies in Hz.
    spectra : list of ndarray, shape (n,)
        Long-term power spectrum of each stage.
    loudness_lufs : ndarray, shape (n_stages,)
        Loudness that sets each stage's gain.
    """

    f_hz: Floats
    spectra: list[Floats]
    loudness_lufs: Floats


@dataclass(frozen=True, slots=True)
class Levels:
    """What the models say of one stimulus.

    Attributes
    ----------
    loudness_lufs : float
        BS.1770 loudness after the gain.
    residual_lu : float
        Off the common loudness in the declared model.
    others_db : dict of str to float
        Off the mean over stages in each further model.
    """

    loudness_lufs: float
    residual_lu: float
    others_db: dict[str, float]


class LevelMatch:
    """The declared loudness model at work, and the others beside it.

    Parameters
    ----------
    stages : sequence of StageSpec
        Rating anchors among them take the gain of their parent and count in no mean.
    made : sequence of StageFilters
        Their filters.
    model : str
        Declared model, one of :data:`MODELS`.
    listening_level_db : float
        Sound pressure level in dB at which the common loudness is assumed to play.
    """

    def __init__(
        self,
        stages: Sequence[StageSpec],
        made: Sequence[StageFilters],
        model: str,
        listening_level_db: float,
    ) -> None:
        self._made, self._model, self._level_db = made, model, listening_level_db
        self._setters = gain_setters(stages)
        self._matched = [i for i, stage in enumerate(stages) if not stage.anchor]

    def loudness(self, takes: Sequence[FilteredPass], spectrum: LongTermSpectrum) -> HeardLevels:
        """Work out the loudness that sets each stage's gain."""
        power = spectrum.power()
        spectra = [power * _power_response(m.taps, len(power)) for m in self._made]
        found = matching_loudness(
            self._model,
            [takes[i].loudness_lufs for i in self._matched],
            spectrum.f_hz,
            [spectra[i] for i in self._matched],
            listening_level_db=self._level_db,
        )
        by_stage = dict(zip(self._matched, found.tolist(), strict=True))
        return HeardLevels(spectrum.f_hz, spectra, np.array([by_stage[i] for i in self._setters]))

    def levels(
        self,
        takes: Sequence[FilteredPass],
        gains_db: Floats,
        heard: HeardLevels,
        target_lufs: float,
    ) -> list[Levels]:
        """Say what every model makes of the stimuli after their gains."""
        after = [t.meter.integrated(gain_db=g) for t, g in zip(takes, gains_db, strict=True)]
        to_spl_db = self._level_db - target_lufs
        played = [
            power * 10 ** ((gain + to_spl_db) / 10)
            for power, gain in zip(heard.spectra, gains_db, strict=True)
        ]
        off: dict[str, Floats] = {BS1770: np.array(after) - target_lufs}
        for model in MODELS[1:]:
            off[model] = relative_levels_db(model, heard.f_hz, played, among=self._matched)
        declared = off.pop(self._model)
        if BS1770 in off:
            off[BS1770] = off[BS1770] - np.mean(off[BS1770][self._matched])
        return [
            Levels(float(loudness), float(declared[i]), {m: float(v[i]) for m, v in off.items()})
            for i, loudness in enumerate(after)
        ]


def _power_response(taps: Floats, n_lines: int) -> Floats:
    n_fft = 2 * (n_lines - 1)
    fold = -(-len(taps) // n_fft)
    power = np.abs(fft.rfft(taps, fold * n_fft, axis=0)[::fold]) ** 2
    return np.asarray(power if power.ndim == 1 else power.mean(axis=1))
