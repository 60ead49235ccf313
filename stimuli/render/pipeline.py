"""The two passes of rendering: filter and measure, then write at the matched level.

Both passes stream: memory holds a few blocks, whatever the length of the track. Stages share
each block's spectrum and run on all cores; filtered sound waits in scratch files between the
passes, because its gain is known only when all of it has been heard.
"""

from __future__ import annotations

import os
import secrets
import shutil
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from itertools import chain
from pathlib import Path
from typing import BinaryIO

import numpy as np
import soundfile
from numpy.typing import NDArray

from stimuli.files.errors import InputError
from stimuli.levels.loudness import LoudnessMeter
from stimuli.levels.true_peak import TruePeakMeter
from stimuli.programme.reading import file_sha256
from stimuli.render.filter_bank import FilterBank, HopLoudness, LongTermSpectrum

__all__ = [
    "FilteredPass",
    "as_complex",
    "count_cores",
    "encode",
    "measure",
    "read_ahead",
    "rebuffer",
]

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex64]

_BYTES_PER_FRAME = 8  # two channels in single precision


@dataclass(slots=True)
class FilteredPass:
    """One programme through one stage: measured, samples in a scratch file.

    Attributes
    ----------
    scratch : Path
        Raw single-precision stereo samples.
    frames : int
        Length.
    loudness_lufs, true_peak_dbtp : float
        Before any gain.
    meter : HopLoudness or LoudnessMeter
        To read the loudness again with a gain.
    """

    scratch: Path
    frames: int
    loudness_lufs: float
    true_peak_dbtp: float
    meter: HopLoudness | LoudnessMeter


def rebuffer(
    pieces: Iterable[NDArray[np.floating]], frames: int, *, lead: int = 0
) -> Iterator[Complexes]:
    """Turn (n, 2) pieces of any length into complex blocks, left + j right.

    Parameters
    ----------
    pieces : iterable of ndarray, each (n, 2)
        The stream.
    frames : int
        Length of a block; the last may be shorter.
    lead : int
        Length of a first block before them, if not 0.
    """
    waiting: list[Complexes] = []
    held, wanted = 0, lead or frames
    for piece in pieces:
        waiting.append(as_complex(piece))
        held += len(piece)
        while held >= wanted:
            joined = np.concatenate(waiting)
            yield joined[:wanted]
            waiting, held, wanted = [joined[wanted:]], held - wanted, frames
    if held:
        yield np.concatenate(waiting)


def read_ahead(
    pieces: Iterator[NDArray[np.floating]], thread: ThreadPoolExecutor
) -> Iterator[NDArray[np.floating]]:
    """Have another thread read a stream one piece ahead, beginning at once.

    Parameters
    ----------
    pieces : iterator of ndarray
        The stream. What it raises is raised here when its turn comes.
    thread : ThreadPoolExecutor
        Of one thread.
    """
    first = thread.submit(next, pieces, None)

    def take_turns() -> Iterator[NDArray[np.floating]]:
        following = first
        while (piece := following.result()) is not None:
            following = thread.submit(next, pieces, None)
            yield piece

    return take_turns()


def as_complex(piece: NDArray[np.floating]) -> Complexes:
    """Frames of two channels as complex numbers in single precision."""
    return np.ascontiguousarray(piece, dtype=np.float32).view(np.complex64)[:, 0]


class _StageRun:
    """One stage's side of the first pass: filter, meters, scratch file."""

    def __init__(self, bank: FilterBank, index: int, path: Path, rate: int) -> None:
        self._bank, self._index = bank, index
        self._rate, self._work = rate, bank.workspace()
        self.path = path
        self.file: BinaryIO = path.open("wb")
        self.loud, self.peak = HopLoudness(bank, rate), TruePeakMeter(rate)
        self.frames = 0

    def __call__(self, spectra: Complexes, frames: int) -> None:
        sound, low = self._bank.apply(self._index, spectra, self._work)
        taken = self.loud.taken(low)
        left = frames
        # Row by row: whatever looks at a row then finds it in the processor's cache.
        for row, away in zip(sound, taken, strict=True):
            block = row[:left].view(np.float32).reshape(-1, 2)
            self.loud.push(block, away)
            self.peak.push(block)
            self.file.write(block.data)
            left -= len(block)
        self.frames += frames

    def take(self) -> FilteredPass:
        loud = self.loud if self.loud.settled() else self._by_recursion()
        return FilteredPass(self.path, self.frames, loud.integrated(), self.peak.dbtp(), loud)

    def _by_recursion(self) -> LoudnessMeter:
        meter = LoudnessMeter(self._rate)
        with self.path.open("rb") as file:
            while raw := file.read(_PASS_FRAMES * _BYTES_PER_FRAME):
                meter.push(np.frombuffer(raw, dtype=np.float32).reshape(-1, 2))
        return meter


def measure(
    pieces: Iterable[NDArray[np.floating]],
    filters: Sequence[Floats],
    delays: Sequence[int],
    *,
    scratch: Path,
    rate: int,
    loop: Floats | None = None,
    expected_frames: int = 0,
) -> tuple[list[FilteredPass], LongTermSpectrum]:
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

    Returns
    -------
    takes : list of FilteredPass
    spectrum : LongTermSpectrum
        Of the programme itself.

    Raises
    ------
    InputError
        If the disk is too small.
    """
    _check_disk(scratch, expected_frames * _BYTES_PER_FRAME * len(filters))
    bank = FilterBank(filters, delays=delays, rate=rate)
    spectrum = LongTermSpectrum(rate)
    source: list[NDArray[np.floating]] = []
    delay = bank.delay_frames
    end = np.zeros((delay, 2)) if loop is None else loop[:delay]
    batches = rebuffer(chain(_noted(pieces, source), [end]), bank.batch_frames, lead=delay)
    if delay or loop is not None:
        lead = next(batches) if delay else np.zeros(0, dtype=np.complex64)
        bank.start(lead, before=None if loop is None else as_complex(loop))
    runs = [
        _StageRun(bank, i, scratch / f"{secrets.token_hex(6)}.raw", rate)
        for i in range(len(filters))
    ]
    try:
        with ThreadPoolExecutor(count_cores()) as pool:
            last, last_but_one = _NO_WORK, _NO_WORK
            for batch in batches:
                # The bank keeps the spectra of two batches, so no more are under way.
                _wait(last_but_one)
                spectra = bank.transform(batch)
                jobs = [partial(run, spectra, len(batch)) for run in runs]
                jobs.append(partial(_push_all, spectrum, source[:]))
                source.clear()
                last, last_but_one = _follow(pool, jobs, last), last
            _wait(last_but_one)
            _wait(last)
        _push_all(spectrum, source)
    finally:
        for run in runs:
            run.file.close()
    return [run.take() for run in runs], spectrum


def _noted(
    pieces: Iterable[NDArray[np.floating]], notes: list[NDArray[np.floating]]
) -> Iterator[NDArray[np.floating]]:
    for piece in pieces:
        notes.append(piece)
        yield piece


def _push_all(spectrum: LongTermSpectrum, pieces: Sequence[NDArray[np.floating]]) -> None:
    for piece in pieces:
        spectrum.push(as_complex(piece))


_Work = Sequence["Future[None]"]
_NO_WORK: _Work = ()


def _follow(pool: ThreadPoolExecutor, jobs: Sequence[Callable[[], None]], last: _Work) -> _Work:
    """Start jobs, each behind its own predecessor: a stage takes its batches in order."""
    if not last:
        return [pool.submit(job) for job in jobs]
    return [pool.submit(_after, *pair) for pair in zip(last, jobs, strict=True)]


def _after(before: Future[None], job: Callable[[], None]) -> None:
    before.result()
    job()


def _wait(work: _Work) -> None:
    for item in work:
        item.result()


_MOST_WORKERS = 8


def count_cores() -> int:
    """Cores to count on, eight at most: each piece of work under way takes memory.

    More threads than cores would only push each other's sound out of the caches.
    """
    if hasattr(os, "sched_getaffinity"):
        return min(len(os.sched_getaffinity(0)), _MOST_WORKERS)
    return min(os.cpu_count() or 1, _MOST_WORKERS)


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


_PASS_FRAMES = 1 << 17


def encode(
    jobs: Sequence[tuple[FilteredPass, Path, float]],
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


_STEPS_OF_24_BITS = float(1 << 23)


def _encode_one(take: FilteredPass, path: Path, gain: float, rate: int) -> str:
    """Write one file, rounded to 24 bits."""
    sound = np.empty((_PASS_FRAMES, 2), dtype=np.float32)
    whole = np.empty(sound.shape, dtype=np.int32)
    scale = np.float32(gain * _STEPS_OF_24_BITS)
    with (
        take.scratch.open("rb") as scratch,
        soundfile.SoundFile(
            str(path), "w", samplerate=rate, channels=2, format="FLAC", subtype="PCM_24"
        ) as file,
    ):
        # Rounded here, several values to an instruction; libsndfile takes them one by one.
        while size := scratch.readinto(sound.data.cast("B")):
            n = size // _BYTES_PER_FRAME
            np.multiply(sound[:n], scale, out=sound[:n])
            np.rint(sound[:n], out=sound[:n])
            np.copyto(whole[:n], sound[:n], casting="unsafe")
            np.left_shift(whole[:n], 8, out=whole[:n])
            file.write(whole[:n])
    take.scratch.unlink()
    return file_sha256(path)
