"""The manifest of a stimulus set: what each opaque file is, how it was made, and its hash.

The manifest is for staff and reviewers. It tells which file is which stage, so it is never
served to listeners.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from stimuli.files.errors import InputError

__all__ = [
    "MANIFEST_NAME",
    "PINK_NOISE",
    "Disagreement",
    "Manifest",
    "ProgrammeRecord",
    "StageRecord",
    "StimulusRecord",
    "levels_by_model",
    "model_disagreements",
    "read_manifest",
    "write_manifest",
]

MANIFEST_NAME = "manifest.json"
PINK_NOISE = "pink-noise"
"""Programme id of the pink noise that every set carries."""

FORMAT = 1


@dataclass(frozen=True, slots=True)
class StimulusRecord:
    """One rendered file.

    Attributes
    ----------
    stage, programme : str
        Ids of the study.
    file_name : str
        Random name that says nothing about either.
    sample_rate, frames, channels : int
        Format of the file.
    gain_db : float
        Gain applied after the filter to reach the common loudness.
    loudness_before_lufs, loudness_after_lufs : float
        Integrated loudness of the filtered signal before and after that gain.
    residual_lu : float
        How far from the common loudness in the model that the set is matched in.
    true_peak_dbtp : float
        True peak after the gain.
    filter_taps : int
        Length of the stage's filter.
    valid_low_hz, valid_high_hz : float
        Band inside which the stimulus stands for the measured stage.
    other_models_db : dict of str to float
        Level under each further loudness model minus the mean over the programme's stages.
    sha256 : str
        Hash of the file.
    """

    stage: str
    programme: str
    file_name: str
    sample_rate: int
    frames: int
    channels: int
    gain_db: float
    loudness_before_lufs: float
    loudness_after_lufs: float
    residual_lu: float
    true_peak_dbtp: float
    filter_taps: int
    valid_low_hz: float
    valid_high_hz: float
    other_models_db: dict[str, float]
    sha256: str


@dataclass(frozen=True, slots=True)
class StageRecord:
    """What a stage's filter was made from.

    Attributes
    ----------
    id, label : str
        As in the study.
    band_hz, band_level_db : tuple of float
        1/3-octave bands inside the valid band and the stage's measured level there, relative
        to its mean of 200 Hz to 5 kHz; with a playback response, that was divided out.
    achieved_db : tuple of float
        Band levels that the finished filter gives pink noise.
    capped_hz : tuple of float
        Bands where the boost cap took effect.
    valid_low_hz, valid_high_hz : float
        Valid band.
    filter_taps : int
        Filter length.
    phase : str
        ``"minimum"``, ``"linear"``, ``"measured"``, or ``"mixed"`` for an anchor.
    n_positions : int
        Microphone positions averaged.
    synthetic : str
        For a stage that was never built: how it was made. Empty for a measured stage.
    anchor : str
        ``"low"`` or ``"mid"`` for a rating anchor, which is not matched in loudness.
    right_band_level_db : tuple of float or None
        Levels of the right side where it has a filter of its own; the others are then the left.
    sources, sha256 : tuple of str
        Response tables and their hashes.
    """

    id: str
    label: str
    band_hz: tuple[float, ...]
    band_level_db: tuple[float, ...]
    achieved_db: tuple[float, ...]
    capped_hz: tuple[float, ...]
    valid_low_hz: float
    valid_high_hz: float
    filter_taps: int
    phase: str
    n_positions: int
    synthetic: str
    anchor: str
    right_band_level_db: tuple[float, ...] | None
    sources: tuple[str, ...]
    sha256: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class ProgrammeRecord:
    """Where a programme came from.

    Attributes
    ----------
    id : str
        Programme id.
    path : str or None
        File, relative to the set's folder where possible; None for pink noise.
    start_s, length_s : float
        Excerpt; for pink noise length of one period.
    source_rate : int
        Sample rate of the file.
    sha256 : str
        Hash of the whole file, empty for pink noise.
    notes : tuple of str
        What was done to it.
    seed : int or None
        Seed of pink noise.
    """

    id: str
    path: str | None
    start_s: float
    length_s: float
    source_rate: int
    sha256: str
    notes: tuple[str, ...]
    seed: int | None = None


@dataclass(frozen=True, slots=True)
class Manifest:
    """A whole stimulus set.

    Attributes
    ----------
    loudness_model : str
        Model in which stimuli match.
    target_lufs : float
        Common loudness of all stimuli.
    headroom_db : float
        How far the common loudness was lowered from :data:`stimuli.render.sets.LOUDEST_LUFS` to
        keep the true peak limit without a limiter.
    true_peak_limit_dbtp, boost_cap_db : float
        Limits used.
    other_models : dict of str to str
        Further loudness models by name, in words.
    listening_level_db : float
        Sound pressure level assumed by models that depend on it.
    software : dict of str to str
        Versions of what made the set.
    playback_sources, playback_sha256 : tuple of str
        Playback response divided out, if any.
    stages, programmes, stimuli : tuple of records
        Contents.
    matched_in : str
        Short name of the model in which stimuli match, see :data:`stimuli.render.matching.MODELS`.
    filter_choices : dict
        How filters were made: the fields of :class:`stimuli.filters.design.FilterChoices`.
    """

    loudness_model: str
    target_lufs: float
    headroom_db: float
    true_peak_limit_dbtp: float
    boost_cap_db: float
    other_models: dict[str, str]
    listening_level_db: float
    software: dict[str, str]
    playback_sources: tuple[str, ...]
    playback_sha256: tuple[str, ...]
    stages: tuple[StageRecord, ...]
    programmes: tuple[ProgrammeRecord, ...]
    stimuli: tuple[StimulusRecord, ...]
    matched_in: str = "bs1770"
    filter_choices: dict[str, Any] = field(default_factory=dict)

    def stimulus(self, stage: str, programme: str) -> StimulusRecord:
        """Find the stimulus of a stage and a programme.

        Raises
        ------
        KeyError
            If the set has none.
        """
        for record in self.stimuli:
            if record.stage == stage and record.programme == programme:
                return record
        raise KeyError(f"no stimulus for stage {stage!r} and programme {programme!r}")

    def stage(self, stage: str) -> StageRecord:
        """Find a stage's record; ``KeyError`` if the set has none.

        Raises
        ------
        KeyError
            If there is no such stage.
        """
        for record in self.stages:
            if record.id == stage:
                return record
        raise KeyError(f"no stage {stage!r}")


@dataclass(frozen=True, slots=True)
class Disagreement:
    """A programme whose stages are equally loud in the declared model but not in another.

    Attributes
    ----------
    programme, model : str
        Which programme, under which further model.
    louder, softer : str
        The stages furthest apart.
    spread_db : float
        How far.
    words : str
        The finding as a sentence.
    """

    programme: str
    model: str
    louder: str
    softer: str
    spread_db: float
    words: str


_MODEL_WORDS = {
    "bs1770": "BS.1770 model",
    "a_weighted": "a weighted model",
    "erb_sum": "erb sum model",
}


MODELS_AGREE_DB = 0.5
"""Loudness models that set two stages no further apart agree that these are equally loud."""


def levels_by_model(manifest: Manifest) -> Iterator[tuple[str, str, dict[str, float]]]:
    """Give what each further loudness model says of every programme: level by stage, in dB.

    Yields
    ------
    programme, model : str
    levels : dict of str to float
        By stage, anchors left out.
    """
    anchors = {stage.id for stage in manifest.stages if stage.anchor}
    for programme in manifest.programmes:
        for model in manifest.other_models:
            yield (
                programme.id,
                model,
                {
                    s.stage: s.other_models_db[model]
                    for s in manifest.stimuli
                    if s.programme == programme.id and s.stage not in anchors
                },
            )


def model_disagreements(
    manifest: Manifest, *, limit_db: float = MODELS_AGREE_DB
) -> tuple[Disagreement, ...]:
    """Find programmes where a further loudness model puts stages apart by more than a limit.

    Parameters
    ----------
    manifest : Manifest
        The set.
    limit_db : float
        Spread between the loudest and the softest stage from which on to warn.

    Returns
    -------
    tuple of Disagreement
        Largest spread first.
    """
    found = []
    for programme, model, values in levels_by_model(manifest):
        louder = max(values, key=lambda k: values[k])
        softer = min(values, key=lambda k: values[k])
        spread = values[louder] - values[softer]
        if spread > limit_db:
            words = (
                f"{programme}: equally loud by {manifest.loudness_model}, but by the "
                f"{_MODEL_WORDS.get(model, model)} {louder} is {spread:.1f} dB louder than "
                f"{softer}"
            )
            found.append(Disagreement(programme, model, louder, softer, spread, words))
    return tuple(sorted(found, key=lambda d: -d.spread_db))


def write_manifest(manifest: Manifest, folder: Path) -> Path:
    """Write ``manifest.json`` into a folder."""
    path = folder / MANIFEST_NAME
    content = {"format": FORMAT, **asdict(manifest)}
    path.write_text(json.dumps(content, indent=1, allow_nan=False) + "\n", encoding="utf-8")
    return path


def read_manifest(path: str | Path) -> Manifest:
    """Read a manifest from its file or its set's folder.

    Raises
    ------
    InputError
        If it is missing, not JSON, of another format version, or lacks a field.
    """
    path = Path(path)
    if path.is_dir():
        path = path / MANIFEST_NAME
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise InputError(
            source=str(path),
            problem="there is no stimulus manifest here",
            remedy="Render the stimuli first",
        ) from None
    except (ValueError, RecursionError) as error:  # no text, no JSON, nested without end
        raise InputError(
            source=path.name,
            problem=f"the manifest is damaged ({error})",
            remedy="Render the stimuli again",
        ) from error
    try:
        return _from_json(content)
    except (KeyError, TypeError, AttributeError) as error:
        raise InputError(
            source=path.name,
            problem=f"the manifest does not have the expected fields ({error})",
            remedy="Render the stimuli again with this version",
        ) from error


def _from_json(content: Mapping[str, Any]) -> Manifest:
    if content["format"] != FORMAT:
        raise KeyError(f"format {content['format']!r}, {FORMAT} expected")
    values = {k: v for k, v in content.items() if k != "format"}
    values["stages"] = tuple(StageRecord(**_tuples(r)) for r in values["stages"])
    values["programmes"] = tuple(ProgrammeRecord(**_tuples(r)) for r in values["programmes"])
    values["stimuli"] = tuple(StimulusRecord(**_tuples(r)) for r in values["stimuli"])
    return Manifest(**_tuples(values))


def _tuples(record: Mapping[str, Any]) -> dict[str, Any]:
    return {k: tuple(v) if isinstance(v, list) else v for k, v in record.items()}
