"""What a manifest says of each stimulus and each stage, and by which software."""

from __future__ import annotations

from collections.abc import Sequence
from importlib import metadata

import numpy as np
import soundfile
from numpy.typing import NDArray

from stimuli.filters.stages import StageFilters, StageSpec
from stimuli.render.manifest import StageRecord, StimulusRecord
from stimuli.render.matching import Levels
from stimuli.render.pipeline import FilteredPass

__all__ = ["software_versions", "stage_record", "stimulus_records"]

Floats = NDArray[np.float64]


def stimulus_records(
    programme: str,
    stages: Sequence[StageSpec],
    made: Sequence[StageFilters],
    takes: Sequence[FilteredPass],
    gains_db: Floats,
    levels: Sequence[Levels],
    files: Sequence[tuple[str, str]],
    *,
    rate: int,
) -> list[StimulusRecord]:
    """Return what the manifest says of one programme's stimuli, a record a stage.

    Parameters
    ----------
    programme : str
        Programme id.
    stages, made, takes, levels, files
        Of each stage: what was asked for, its filters, what the filters made of the programme,
        the levels after the match, and name and hash of the finished file.
    gains_db : ndarray, shape (stages,)
        Gain that each file got, in dB.
    rate : int
        Sample rate in Hz.
    """
    return [
        StimulusRecord(
            stage=stage.id,
            programme=programme,
            file_name=file_name,
            sample_rate=rate,
            frames=take.frames,
            channels=2,
            gain_db=gain_db,
            loudness_before_lufs=take.loudness_lufs,
            loudness_after_lufs=level.loudness_lufs,
            residual_lu=level.residual_lu,
            true_peak_dbtp=take.true_peak_dbtp + gain_db,
            filter_taps=len(m.taps),
            valid_low_hz=m.left.valid_low_hz,
            valid_high_hz=m.left.valid_high_hz,
            other_models_db=level.others_db,
            sha256=digest,
        )
        for stage, m, take, gain_db, level, (file_name, digest) in zip(
            stages, made, takes, gains_db.tolist(), levels, files, strict=True
        )
    ]


def stage_record(stage: StageSpec, made: StageFilters) -> StageRecord:
    """Return what the manifest says of a stage: levels in dB, band in Hz, filters, sources."""
    left, right = made.left, made.right
    return StageRecord(
        id=stage.id,
        label=stage.label,
        band_hz=tuple(left.bands.mid_hz.tolist()),
        band_level_db=tuple(left.measured_db.tolist()),
        achieved_db=tuple(left.achieved_db.tolist()),
        capped_hz=tuple(sorted({*left.capped_hz, *(right.capped_hz if right else ())})),
        valid_low_hz=left.valid_low_hz,
        valid_high_hz=left.valid_high_hz,
        filter_taps=len(made.taps),
        phase=made.phase,
        n_positions=stage.response.n_positions,
        synthetic=stage.synthetic,
        anchor=stage.anchor,
        right_band_level_db=tuple(right.measured_db.tolist()) if right else None,
        sources=stage.response.sources + (stage.right.sources if stage.right else ()),
        sha256=stage.response.sha256 + (stage.right.sha256 if stage.right else ()),
    )


def software_versions() -> dict[str, str]:
    """Versions of the libraries that shape the sound."""
    names = ("numpy", "scipy", "soundfile", "soxr")
    versions = {name: metadata.version(name) for name in names}
    versions["libsndfile"] = soundfile.__libsndfile_version__
    try:
        versions["earwitness"] = metadata.version("earwitness")
    except metadata.PackageNotFoundError:
        versions["earwitness"] = "not installed"
    return versions
