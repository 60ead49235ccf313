"""Programme excerpts: reading music from files, refusing what would spoil a test."""

from __future__ import annotations

import hashlib
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np
import soundfile
import soxr
from numpy.typing import NDArray

from stimuli.files.errors import InputError
from stimuli.files.soundfiles import explained

__all__ = ["LoadedProgramme", "ProgrammeReader", "ProgrammeSpec", "file_sha256", "read_programme"]

Floats = NDArray[np.float64]

MIN_RATE_HZ = 32000
MIN_SECONDS = 1.0
SILENCE_DBFS = -80.0
_FLAT_TOP_RUN = 3
_FLAT_TOLERANCE = 2e-5
_FULL_SCALE = 0.98
_CLIPPED_SHARE = 2e-4  # of all samples; less is common in modern masters and only noted


@dataclass(frozen=True, slots=True)
class ProgrammeSpec:
    """Which excerpt of which file.

    Attributes
    ----------
    id : str
        Programme id of the study.
    path : Path
        WAV, FLAC, OGG or MP3.
    start_s : float
        Start of the excerpt in seconds.
    length_s : float or None
        Length in seconds; to the end of the file if None.
    mono : bool
        Whether a one-channel file is meant, and is to be played on both sides. A mono file
        is more often a mistake than a choice, so it is refused unless this is set.

    Examples
    --------
    >>> from pathlib import Path
    >>> from stimuli import ProgrammeSpec
    >>> ProgrammeSpec("rain", Path("rain.wav"), start_s=12.0, length_s=8.0).mono
    False
    """

    id: str
    path: Path
    start_s: float = 0.0
    length_s: float | None = None
    mono: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class LoadedProgramme:
    """An excerpt ready for rendering.

    Attributes
    ----------
    id : str
        Programme id.
    samples : ndarray, shape (frames, 2)
        Stereo signal at ``rate``.
    rate : int
        Sample rate in Hz.
    notes : tuple of str
        What was done to the sound or should be known about it ("mono, used on both sides").
    source, sha256 : str
        File name and hash of the whole file.
    source_rate : int
        Sample rate of the file.
    length_s : float
        Length of the excerpt in the file, in seconds.
    """

    id: str
    samples: Floats
    rate: int
    notes: tuple[str, ...]
    source: str
    sha256: str
    source_rate: int
    length_s: float


def read_programme(spec: ProgrammeSpec, rate: int = 48000) -> LoadedProgramme:
    """Read an excerpt as stereo at the study's sample rate.

    Parameters
    ----------
    spec : ProgrammeSpec
        The excerpt.
    rate : int
        Wanted sample rate in Hz; other rates are converted with soxr at its best quality.

    Returns
    -------
    LoadedProgramme

    Raises
    ------
    InputError
        If the file is missing, unreadable, truncated, empty, sampled below 32 kHz, mono
        without ``mono`` set, has more than two channels, is silent or badly clipped, or the
        excerpt lies outside the file.
    """
    reader = ProgrammeReader(spec, rate)
    samples = np.concatenate(list(reader.blocks()))
    return LoadedProgramme(
        id=spec.id,
        samples=samples,
        rate=rate,
        notes=reader.notes,
        source=reader.path.name,
        sha256=file_sha256(reader.path),
        source_rate=reader.source_rate,
        length_s=reader.length_s,
    )


class ProgrammeReader:
    """Reads an excerpt in pieces, so that memory does not grow with its length.

    Parameters
    ----------
    spec : ProgrammeSpec
        The excerpt.
    rate : int
        Wanted sample rate in Hz.

    Raises
    ------
    InputError
        See :func:`read_programme`; what only the sound itself shows is raised while reading.
    """

    def __init__(self, spec: ProgrammeSpec, rate: int) -> None:
        self.path = Path(spec.path)
        self.rate = rate
        info = inspect_file(self.path)
        self.source_rate = int(info.samplerate)
        self._mono = info.channels == 1
        name = self.path.name
        if self._mono and not spec.mono:
            raise InputError(
                source=name,
                where="channels",
                problem="the file is mono, so both ears would hear the same",
                remedy="Export it in stereo; or, where mono is meant, add 'mono = true' to this "
                "programme in the study file to play it on both sides",
            )
        self._start, self._frames = _excerpt(spec, info.frames, self.source_rate, name)
        self.length_s = self._frames / self.source_rate
        self.notes: tuple[str, ...] = ()

    def blocks(
        self, frames: int = 1 << 16, *, dtype: Literal["float64", "float32"] = "float64"
    ) -> Iterator[NDArray[np.floating]]:
        """Yield stereo pieces of about ``frames`` at the wanted rate; sets ``notes`` at the end."""
        judge = _Judge(self.path.name)
        resampler = None
        if self.source_rate != self.rate:
            resampler = soxr.ResampleStream(
                self.source_rate, self.rate, 2, dtype=dtype, quality="VHQ"
            )
        for samples, last in self._pieces(frames, dtype):
            judge.push(samples)
            stereo = np.repeat(samples, 2, axis=1) if self._mono else samples
            if resampler is not None:
                stereo = resampler.resample_chunk(stereo, last=last)
            if len(stereo):
                yield np.ascontiguousarray(stereo)
        notes = judge.finish()
        if self._mono:
            notes.append("mono file, the same signal is used left and right")
        if resampler is not None:
            notes.append(f"converted from {self.source_rate} Hz to {self.rate} Hz")
        self.notes = tuple(notes)

    def _pieces(self, frames: int, dtype: str) -> Iterator[tuple[NDArray[np.floating], bool]]:
        done = 0
        problem = "the sound breaks off or is damaged"
        with (
            explained(self.path.name, problem, "Copy or export it again"),
            soundfile.SoundFile(str(self.path)) as file,
        ):
            file.seek(self._start)
            while done < self._frames:
                wanted = min(frames, self._frames - done)
                samples = file.read(wanted, dtype=dtype, always_2d=True)
                if len(samples) < wanted:
                    raise _truncated(self.path.name, done + len(samples), self._frames)
                done += wanted
                yield samples, done == self._frames


def inspect_file(path: Path) -> soundfile._SoundFileInfo:
    """Look at a sound file's header and refuse what cannot serve.

    Raises
    ------
    InputError
        See :func:`read_programme`.
    """
    if not path.is_file():
        raise InputError(
            source=str(path),
            problem="the sound file does not exist",
            remedy="Check name and folder",
        )
    remedy = "Export it again as WAV, FLAC, OGG or MP3"
    with explained(path.name, "the file cannot be read as sound", remedy):
        info = soundfile.info(str(path))
    _check_wav_length(path)
    if info.frames == 0:
        raise InputError(
            source=path.name,
            problem="the file holds 0 s of sound",
            remedy="Export the excerpt again",
        )
    if info.samplerate < MIN_RATE_HZ:
        raise InputError(
            source=path.name,
            problem=f"sampled at {info.samplerate} Hz, so nothing above "
            f"{info.samplerate / 2000:g} kHz can be heard",
            remedy="Use a source of 44.1 kHz or more",
        )
    if info.channels > 2:
        raise InputError(
            source=path.name,
            problem=f"the file has {info.channels} channels",
            remedy="Mix it down to stereo",
        )
    return info


def _check_wav_length(path: Path) -> None:
    """Compare a WAV header's promise with the file's size; libsndfile quietly shortens."""
    size = path.stat().st_size
    with path.open("rb") as file:
        head = file.read(12)
        if head[:4] != b"RIFF" or head[8:] != b"WAVE":
            return
        for name, length, offset in _riff_chunks(file, size):
            # Zero and all-ones mark a stream whose writer never knew its length.
            if name == b"data" and length not in (0, 0xFFFFFFFF) and offset + length > size:
                raise _truncated(path.name, size - offset, length)


def _riff_chunks(file: object, size: int) -> Iterator[tuple[bytes, int, int]]:
    offset = 12
    while offset + 8 <= size:
        file.seek(offset)  # type: ignore[attr-defined]
        name, length = struct.unpack("<4sI", file.read(8))  # type: ignore[attr-defined]
        yield name, length, offset + 8
        if name == b"data":
            return
        offset += 8 + length + (length & 1)


def _truncated(source: str, found: int, promised: int) -> InputError:
    share = 100 * found / promised
    return InputError(
        source=source,
        problem=f"the file is truncated: only {share:.0f} % of the sound its header promises "
        "is there",
        remedy="Copy or export it again",
    )


def _excerpt(spec: ProgrammeSpec, frames: int, rate: int, source: str) -> tuple[int, int]:
    seconds = frames / rate
    start = spec.start_s
    length = seconds - start if spec.length_s is None else spec.length_s
    if start < 0 or start >= seconds or start + length > seconds + 0.5 / rate:
        raise InputError(
            source=source,
            where=f"programme {spec.id}",
            problem=f"the excerpt from {start:g} s, {length:g} s long, lies outside the file's "
            f"{seconds:.2f} s",
            remedy="Choose start_s and length_s inside the file",
        )
    if length < MIN_SECONDS:
        raise InputError(
            source=source,
            where=f"programme {spec.id}",
            problem=f"the excerpt is {length:.2f} s long, at least {MIN_SECONDS:g} s is needed",
            remedy="Choose a longer excerpt; 10 to 20 s serve well",
        )
    first = round(start * rate)
    return first, min(round(length * rate), frames - first)


class _Judge:
    """Looks at an excerpt piece by piece: silence, damage, clipping.

    A flat top is a run of three or more samples at the excerpt's own peak value, and only where
    that lies near full scale: quieter sound cannot have been clipped by the format.
    """

    def __init__(self, source: str) -> None:
        self._source = source
        self._peak = 0.0
        self._clipped = 0
        self._size = 0
        self._run: list[int] = []  # length of the run that each channel's last piece ended in

    def push(self, samples: NDArray[np.floating]) -> None:
        magnitude = np.abs(samples)
        peak = float(magnitude.max())
        if not np.isfinite(peak):
            raise InputError(
                source=self._source,
                problem="the sound holds values that are not finite",
                remedy="Export it again",
            )
        if not self._run:
            self._run = [0] * samples.shape[1]
        if peak > self._peak * (1 + _FLAT_TOLERANCE):
            self._clipped, self._run = 0, [0] * samples.shape[1]
        self._peak = max(self._peak, peak)
        self._size += samples.size
        if peak >= max(_FULL_SCALE, self._peak * (1 - _FLAT_TOLERANCE)):
            self._count(magnitude >= self._peak * (1 - _FLAT_TOLERANCE))
        else:
            self._run = [0] * samples.shape[1]

    def _count(self, top: NDArray[np.bool_]) -> None:
        for c, channel in enumerate(top.T):
            before = self._run[c]
            edges = np.flatnonzero(np.diff(np.concatenate([[0], channel.astype(np.int8), [0]])))
            runs = edges[1::2] - edges[::2]
            if not runs.size:
                self._run[c] = 0
                continue
            if edges[0] == 0:
                # A run that goes on from the piece before: count what was not yet counted.
                self._clipped -= before if before >= _FLAT_TOP_RUN else 0
                runs[0] += before
            self._clipped += int(runs[runs >= _FLAT_TOP_RUN].sum())
            self._run[c] = int(runs[-1]) if channel[-1] else 0

    def finish(self) -> list[str]:
        """Refuse silence and heavy clipping; return notes on lesser faults."""
        if self._peak < 10 ** (SILENCE_DBFS / 20):
            raise InputError(
                source=self._source,
                problem=f"the excerpt is silent (nothing above {SILENCE_DBFS:g} dBFS)",
                remedy="Choose another excerpt or check the export",
            )
        share = self._clipped / self._size
        if share > _CLIPPED_SHARE:
            raise InputError(
                source=self._source,
                problem=f"the sound is clipped: {self._clipped} samples ({100 * share:.2f} %) lie "
                "on flat tops",
                remedy="Use a source that is not overdriven; every stage would carry its "
                "distortion",
            )
        count = self._clipped
        return [f"{count} samples lie on flat tops (slight clipping)"] if count else []


def file_sha256(path: str | Path) -> str:
    """SHA-256 of a file's bytes, as hex."""
    with Path(path).open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
