"""What a set is rendered from: the noise and the excerpts, read piece by piece."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from stimuli.files.errors import InputError
from stimuli.filters.stages import StageSpec
from stimuli.programme.demo_music import pink_noise
from stimuli.programme.reading import ProgrammeReader, ProgrammeSpec, file_sha256
from stimuli.render.manifest import PINK_NOISE, ProgrammeRecord
from stimuli.render.pipeline import FilteredPass, read_ahead

__all__ = [
    "PIECE_FRAMES",
    "PINK_SECONDS",
    "SetSource",
    "check_audible",
    "file_source",
    "noise_source",
]

Floats = NDArray[np.float64]

PINK_SECONDS = 20.0
"""Length in seconds of the pink noise that every set has."""

PINK_SEED = 20

PIECE_FRAMES = 1 << 18  # each read of a compressed file costs a seek on top


@dataclass(slots=True)
class SetSource:
    """A programme about to be read, in pieces."""

    record: Callable[[], ProgrammeRecord]
    pieces: Iterable[NDArray[np.floating]]
    frames: int
    loop: Floats | None


def noise_source(rate: int, pink_seconds: float) -> SetSource:
    """Return the pink noise of a set, ``pink_seconds`` long at ``rate`` Hz, as one loop."""
    noise = pink_noise(seconds=pink_seconds, rate=rate, seed=PINK_SEED)
    record = ProgrammeRecord(
        id=PINK_NOISE,
        path=None,
        start_s=0.0,
        length_s=pink_seconds,
        source_rate=rate,
        sha256="",
        notes=("made here: periodic pink noise, the same on both sides",),
        seed=PINK_SEED,
    )
    return SetSource(lambda: record, [noise], len(noise), noise)


def file_source(
    spec: ProgrammeSpec,
    rate: int,
    out_dir: Path,
    reading: ThreadPoolExecutor,
    beside: ThreadPoolExecutor,
) -> SetSource:
    """Return an excerpt of a file, read ahead while what came before is filtered.

    Parameters
    ----------
    spec : ProgrammeSpec
        Which file, from where, how long.
    rate : int
        Sample rate in Hz.
    out_dir : Path
        Folder of the set; the manifest names the file relative to it.
    reading, beside : ThreadPoolExecutor
        Where pieces are read, and where the file's hash is worked out.
    """
    reader = ProgrammeReader(spec, rate)
    pieces = read_ahead(reader.blocks(PIECE_FRAMES, dtype="float32"), reading)
    digest = beside.submit(file_sha256, spec.path)

    def record() -> ProgrammeRecord:
        return ProgrammeRecord(
            id=spec.id,
            path=Path(os.path.relpath(spec.path, out_dir)).as_posix(),
            start_s=spec.start_s,
            length_s=reader.length_s,
            source_rate=reader.source_rate,
            sha256=digest.result(),
            notes=reader.notes,
        )

    return SetSource(record, pieces, round(reader.length_s * rate), None)


def check_audible(
    programme: str, stages: Sequence[StageSpec], takes: Sequence[FilteredPass]
) -> None:
    """Refuse a programme of which a stage's filter leaves nothing.

    Raises
    ------
    InputError
        If the loudness of one of them is not finite.
    """
    for stage, take in zip(stages, takes, strict=True):
        if not np.isfinite(take.loudness_lufs):
            raise InputError(
                where=f"programme {programme}, stage {stage.id}",
                problem="nothing of the programme is left to hear after this stage's filter",
                remedy="Choose a programme with sound inside the stage's range",
            )
