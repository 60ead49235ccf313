"""The two passes of rendering: filter and measure, then write at the matched level.

Both passes stream: memory holds a few blocks, whatever the length of the track. Stages share
each block's spectrum and run on all cores; filtered sound waits in scratch files between the
passes, because its gain is known only when all of it has been heard.
"""

from __future__ import annotations

import secrets
import shutil
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

import numpy as np
import soundfile
from numpy.typing import NDArray

from stimuli.engine import FilterBank, LongTermSpectrum
from stimuli.errors import InputError
from stimuli.loudness import LoudnessMeter
from stimuli.programme import file_sha256
from stimuli.truepeak import TruePeakMeter

__all__ = ["Take", "encode", "measure", "rebuffer"]

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]

_BYTES_PER_FRAME = 8  # two channels in single precision


@dataclass(slots=True)
class Take:
    """One programme through one stage: measured, samples in a scratch file.

    Attributes
    ----------
    scratch : Path
        Raw single-precision stereo samples.
    frames : int
        Length.
    loudness_lufs, true_peak_dbtp : float
        Before any gain.
    meter : LoudnessMeter
        To read the loudness again with a gain.
    """

    scratch: Path
    frames: int
    loudness_lufs: float
    true_peak_dbtp: float
    meter: LoudnessMeter


def rebuffer(pieces: Iterable[NDArray[np.floating]], frames: int) -> Iterator[Singles]:
    """Turn (n, 2) pieces of any length into (2, frames) blocks; the last may be shorter."""
    waiting: list[Singles] = []
    held = 0
    for piece in pieces:
        waiting.append(piece.astype(np.float32, copy=False).T)
        held += len(piece)
        while held >= frames:
            joined = np.concatenate(waiting, axis=1)
            yield joined[:, :frames]
            waiting, held = [joined[:, frames:]], held - frames
    if held:
        yield np.concatenate(waiting, axis=1)


class _StageRun:
    """One stage's side of the first pass: filter, meters, scratch file."""

    def __init__(self, bank: FilterBank, index: int, path: Path, rate: int) -> None:
        self._bank, self._index = bank, index
        self._skip = bank.delay_frames
        self.path = path
        self.file: BinaryIO = path.open("wb")
        self.loud, self.peak = LoudnessMeter(rate), TruePeakMeter(rate)
        self.frames = 0

    def __call__(self, spectrum: NDArray[np.complex64], frames: int) -> None:
        y = self._bank.apply(self._index, spectrum, frames)
        if self._skip:
            dropped = min(self._skip, y.shape[1])
            y, self._skip = y[:, dropped:], self._skip - dropped
        if not y.shape[1]:
            return
        self.loud.push(y)
        self.peak.push(y)
        self.file.write(np.ascontiguousarray(y.T).data)
        self.frames += y.shape[1]

    def take(self) -> Take:
        return Take(self.path, self.frames, self.loud.integrated(), self.peak.dbtp(), self.loud)


def measure(
    pieces: Iterable[NDArray[np.floating]],
    filters: Sequence[Floats],
    delays: Sequence[int],
    *,
    scratch: Path,
    rate: int,
    loop: Floats | None = None,
    expected_frames: int = 0,
    heard: Callable[[int], None] | None = None,
) -> tuple[list[Take], LongTermSpectrum]:
    """Filter a programme through all stages and measure what comes out.

    Parameters
    ----------
    pieces : iterable of ndarray, each (frames, 2)
        The programme.
    filters : sequence of ndarray, (n_taps,) or (n_taps, 2)
        One a stage.
    delays : sequence of int
        Frames by which each delays; taken out.
    scratch : Path
        Folder for scratch files.
    rate : int
        Sample rate in Hz.
    loop : ndarray, (frames, 2), optional
        For a programme that is one period of a loop: the whole of it again. Its end counts as
        heard before the start, and its start after the end.
    expected_frames : int
        Length, to see beforehand whether the scratch files fit on the disk.
    heard : callable, optional
        Called with the number of frames done.

    Returns
    -------
    takes : list of Take
    spectrum : LongTermSpectrum
        Of the programme itself.

    Raises
    ------
    InputError
        If the disk is too small.
    """
    _check_disk(scratch, expected_frames * _BYTES_PER_FRAME * len(filters))
    bank = FilterBank(filters, delays=delays)
    spectrum = LongTermSpectrum(rate)
    if loop is not None:
        bank.prime(np.ascontiguousarray(loop.T, dtype=np.float32))
    end = np.zeros((bank.delay_frames, 2)) if loop is None else loop[: bank.delay_frames]
    runs = [
        _StageRun(bank, i, scratch / f"{secrets.token_hex(6)}.raw", rate)
        for i in range(len(filters))
    ]
    done = 0
    try:
        with ThreadPoolExecutor(_workers(len(runs) + 1)) as pool:
            blocks = rebuffer(pieces, bank.block_frames)
            block = next(blocks, None)
            while block is not None:
                transformed = bank.transform(block)
                work = [pool.submit(run, transformed, block.shape[1]) for run in runs]
                work.append(pool.submit(spectrum.push, block))
                done += block.shape[1]
                block = next(blocks, None)  # decoded while the stages are at work
                for item in work:
                    item.result()
                if heard is not None:
                    heard(done)
            for block in rebuffer([end] if len(end) else [], bank.block_frames):
                transformed = bank.transform(block)
                for run in runs:
                    run(transformed, block.shape[1])
    finally:
        for run in runs:
            run.file.close()
    return [run.take() for run in runs], spectrum


_MOST_WORKERS = 8


def _workers(jobs: int) -> int:
    """One thread a job, up to a few: more jobs than cores keeps every core busy to the end."""
    return max(1, min(jobs, _MOST_WORKERS))


def _check_disk(folder: Path, needed: int) -> None:
    free = shutil.disk_usage(folder).free
    if needed * 1.5 > free:
        raise InputError(
            source=str(folder.parent),
            problem=f"rendering needs about {needed * 1.5 / 1e9:.1f} GB of disk for a while, "
            f"{free / 1e9:.1f} GB are free",
            remedy="Free some space or choose shorter excerpts",
        )


_ENCODE_FRAMES = 1 << 17


def encode(
    jobs: Sequence[tuple[Take, Path, float]],
    *,
    rate: int,
    written: Callable[[int], None] | None = None,
) -> list[str]:
    """Write takes as 24-bit FLAC at their gains, on all cores.

    Parameters
    ----------
    jobs : sequence of (take, path, gain)
        Linear gains.
    rate : int
        Sample rate in Hz.
    written : callable, optional
        Called with the index of each finished job, in order.

    Returns
    -------
    list of str
        SHA-256 of each file.
    """
    hashes = []
    with ThreadPoolExecutor(_workers(len(jobs))) as pool:
        futures = [pool.submit(_encode_one, *job, rate) for job in jobs]
        for i, future in enumerate(futures):
            hashes.append(future.result())
            if written is not None:
                written(i)
    return hashes


def _encode_one(take: Take, path: Path, gain: float, rate: int) -> str:
    """Write one file; libsndfile rounds to 24 bits."""
    with (
        take.scratch.open("rb") as scratch,
        soundfile.SoundFile(
            str(path), "w", samplerate=rate, channels=2, format="FLAC", subtype="PCM_24"
        ) as file,
    ):
        while raw := scratch.read(_ENCODE_FRAMES * _BYTES_PER_FRAME):
            block = np.frombuffer(raw, dtype=np.float32).reshape(-1, 2)
            file.write(block * np.float32(gain))
    take.scratch.unlink()
    return file_sha256(path)
