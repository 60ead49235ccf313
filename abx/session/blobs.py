"""One opaque block of bytes a trial: all versions, dithered anew, nothing that tells.

Layout (little-endian): ``b"EWA1"``, uint16 versions, uint16 channels, uint32 sample rate,
uint32 frames, then each version as interleaved int16. Every version of every block is
quantised with triangular dither of its own, so no two copies of one stimulus share their bytes,
and size, name and headers are the same whatever is inside. What no format can prevent: somebody
who runs a program over the decoded sound has measured it instead of listening to it. A sitting
that has to convince a sceptic is supervised.

Blocks are made while people wait, many at once, so samples are kept in fixed point (1/65536 of
a 16-bit step, which holds 24-bit files exactly): one addition and one copy make a dithered
sample.
"""

from __future__ import annotations

import hashlib
import io
import struct
import sys
import threading
from collections import OrderedDict
from collections.abc import Sequence
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import soundfile

from abx.errors import InputError, NotFound
from abx.study.trial import is_treated, stage_of, treatment_of

if TYPE_CHECKING:
    from stimuli.render.manifest import Manifest

__all__ = [
    "HEADER",
    "MAGIC",
    "Dither",
    "StimulusCache",
    "build_blob",
    "fixed_point",
    "lowpass_copy",
]

MAGIC = b"EWA1"
HEADER = struct.Struct("<4sHHII")

_BLOCK = 1 << 16
_STORED = 1 << 20
# Dither and rounding add at least -32767 and at most 98303 units; no sum may wrap.
_LOWEST, _HIGHEST = -(2**31) + 32_768, 2**31 - 98_304

Samples = npt.NDArray[np.int32]
Floats = npt.NDArray[np.float32]


def fixed_point(signal: Floats) -> Samples:
    """Return samples in fixed point, full scale being 2**31; values outside ±1 are held there."""
    scaled = np.rint(np.asarray(signal, dtype=np.float64) * 2.0**31)
    return np.clip(scaled, _LOWEST, _HIGHEST).astype(np.int32)


class Dither:
    """Quantises to 16 bits with triangular dither of two steps' width.

    Triangular noise [1]_ is drawn from the operating system's randomness ahead of time, a
    million values, and read from a random place for every 65536 samples; with every block
    a sixteenth of it is drawn again. Reading is five times faster than drawing, and the spectrum,
    the distribution and the independence from the signal are those of the noise.

    Parameters
    ----------
    seed : int, optional
        For tests; from the operating system when omitted.

    References
    ----------
    * Lipshitz, Wannamaker and Vanderkooy, "Quantization and dither: a theoretical
      survey", J. Audio Eng. Soc. 40 (5), 355-375 (1992). From memory.
    """

    def __init__(self, seed: int | None = None) -> None:
        self._bits = np.random.SFC64(seed)
        self._noise = np.empty(_STORED, dtype=np.int32)
        self._renewed = 0
        for _ in range(0, _STORED, _BLOCK):
            self.renew()

    def renew(self) -> None:
        """Draw the next part of the noise again; threads may read meanwhile."""
        words = self._bits.random_raw(_BLOCK // 2).view(np.uint16)
        part = self._noise[self._renewed : self._renewed + _BLOCK]
        # The difference of two independent uniform draws is triangular; half a step more makes
        # the cut to whole steps a rounding.
        np.subtract(words[:_BLOCK], words[_BLOCK:], out=part, dtype=np.int32)
        part += 32_768
        self._renewed = (self._renewed + _BLOCK) % _STORED

    def quantise_into(self, result: npt.NDArray[np.int16], signal: Samples) -> None:
        """Write the dithered samples of a signal.

        Parameters
        ----------
        result : ndarray of int16, (n,)
            Filled; the error is free of signal to second order.
        signal : ndarray of int32, (n,)
            Samples as :func:`fixed_point` gives them.
        """
        total = np.empty(min(_BLOCK, signal.size), dtype=np.int32)
        steps = total.view(np.int16)[_HIGH_HALF::2]
        n_blocks = -(-signal.size // _BLOCK)
        places = self._bits.random_raw(n_blocks) % (_STORED - _BLOCK)
        for start, place in zip(range(0, signal.size, _BLOCK), places.tolist(), strict=True):
            block = signal[start : start + _BLOCK]
            np.add(block, self._noise[place : place + block.size], out=total[: block.size])
            result[start : start + block.size] = steps[: block.size]


_HIGH_HALF = int(sys.byteorder == "little")
"""Where the 16-bit steps lie in a fixed-point sample; the rest is its fraction."""


@cache
def _dither() -> Dither:
    return Dither()


def build_blob(versions: Sequence[Samples], sample_rate: int) -> memoryview:
    """Pack versions into one block.

    Parameters
    ----------
    versions : sequence of ndarray of int32, each (frames, channels)
        Signals in fixed point; shorter ones are padded with (dithered) silence.
    sample_rate : int
        Sample rate in Hz.

    Returns
    -------
    memoryview
        Header and PCM, read-only; the size depends on lengths only.

    Raises
    ------
    ValueError
        If there are no versions or their channel counts differ.
    """
    channels = {version.shape[1] for version in versions}
    if len(channels) != 1:
        raise ValueError(f"versions must share one channel count, got {sorted(channels)}")
    frames = max(version.shape[0] for version in versions)
    n_channels = channels.pop()
    dither = _dither()
    dither.renew()
    block = np.empty(HEADER.size + len(versions) * frames * n_channels * 2, dtype=np.uint8)
    HEADER.pack_into(block.data, 0, MAGIC, len(versions), n_channels, sample_rate, frames)
    samples = block[HEADER.size :].view("<i2").reshape(len(versions), frames * n_channels)
    for row, version in zip(samples, versions, strict=True):
        filled = version.size
        dither.quantise_into(row[:filled], version.reshape(-1))
        if filled < row.size:
            dither.quantise_into(row[filled:], np.zeros(row.size - filled, dtype=np.int32))
    return block.data.toreadonly()


class StimulusCache:
    """Decoded stimuli in fixed point, the most recently used ones up to a limit.

    Parameters
    ----------
    folder : Path
        Folder of the stimulus files.
    manifest : Manifest
        Which file holds which stimulus, with its SHA-256.
    limit_bytes : int, optional
        Memory kept; one stimulus is kept even if it is larger.
    """

    def __init__(self, folder: Path, manifest: Manifest, *, limit_bytes: int = 600_000_000) -> None:
        self._folder = Path(folder)
        self._manifest = manifest
        self._limit_bytes = limit_bytes
        self._kept: OrderedDict[tuple[str, str], tuple[Samples, int]] = OrderedDict()
        self._lock = threading.Lock()
        self._loading: dict[tuple[str, str], threading.Lock] = {}

    def get(self, source: str, programme: str) -> tuple[Samples, int]:
        """Return samples ``(frames, channels)`` and sample rate of what a version plays.

        Raises
        ------
        NotFound
            If the manifest has no such stimulus.
        InputError
            If the file is missing or is not the one that was rendered.
        """
        key = (source, programme)
        with self._lock:
            if key in self._kept:
                self._kept.move_to_end(key)
                return self._kept[key]
            loading = self._loading.setdefault(key, threading.Lock())
        with loading:  # two listeners who ask at once share one decoding
            with self._lock:
                if key in self._kept:
                    return self._kept[key]
            loaded = self._load(source, programme)
            self._keep(key, loaded)
        return loaded

    @property
    def kept_bytes(self) -> int:
        """Bytes of samples in memory."""
        with self._lock:
            return sum(samples.nbytes for samples, _ in self._kept.values())

    def _keep(self, key: tuple[str, str], loaded: tuple[Samples, int]) -> None:
        with self._lock:
            self._kept[key] = loaded
            self._loading.pop(key, None)
            total = sum(samples.nbytes for samples, _ in self._kept.values())
            while total > self._limit_bytes and len(self._kept) > 1:
                _, (samples, _) = self._kept.popitem(last=False)
                total -= samples.nbytes

    def _load(self, source: str, programme: str) -> tuple[Samples, int]:
        if is_treated(source):
            samples, rate = self.get(stage_of(source), programme)
            cutoff_hz = float(treatment_of(source).rsplit("-", 1)[-1])
            plain = (samples / 2.0**31).astype(np.float32)
            return fixed_point(lowpass_copy(plain, rate, cutoff_hz=cutoff_hz)), rate
        try:
            record = self._manifest.stimulus(source, programme)
        except KeyError as error:
            raise NotFound("This sound is not in the stimulus set.") from error
        return _read_checked(self._folder / record.file_name, record.sha256)


def _read_checked(path: Path, sha256: str) -> tuple[Samples, int]:
    try:
        data = path.read_bytes()
    except OSError as error:
        raise InputError(
            source=path.name,
            problem=f"the stimulus cannot be read ({error.strerror})",
            remedy="render the stimuli again",
        ) from error
    if hashlib.sha256(data).hexdigest() != sha256:
        raise InputError(
            source=path.name,
            problem="the stimulus is not the file that was rendered (its hash differs)",
            remedy="restore the file or render the stimuli again; nobody should hear this one",
        )
    samples, rate = soundfile.read(io.BytesIO(data), dtype="int32", always_2d=True)
    return np.clip(samples, _LOWEST, _HIGHEST, out=samples), int(rate)


def lowpass_copy(signal: Floats, sample_rate: int, *, cutoff_hz: float = 3500.0) -> Floats:
    """Make the copy used by obvious controls: low-passed, at the loudness of the original.

    Parameters
    ----------
    signal : ndarray of float32, (frames, channels)
        A stimulus.
    sample_rate : int
        Sample rate in Hz.
    cutoff_hz : float, optional
        3.5 kHz and 7 kHz are the low and mid-range anchors of ITU-R BS.1534-3.

    Returns
    -------
    ndarray of float32
        Same shape, within ±1: where the match would clip, the copy stays softer.
    """
    from scipy.signal import butter, sosfiltfilt

    from stimuli.levels.loudness import integrated_loudness

    sos = butter(12, cutoff_hz, fs=sample_rate, output="sos")
    filtered = sosfiltfilt(sos, signal.astype(np.float64), axis=0)
    wanted = integrated_loudness(signal.astype(np.float64), sample_rate)
    found = integrated_loudness(filtered, sample_rate)
    gain = 1.0
    if np.isfinite(wanted) and np.isfinite(found):
        gain = 10.0 ** ((wanted - found) / 20.0)
    peak = float(np.max(np.abs(filtered), initial=1e-9))
    return (filtered * min(gain, 0.89 / peak)).astype(np.float32)
