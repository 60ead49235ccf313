"""One opaque block of bytes a trial: all versions, dithered anew, nothing that tells.

Layout (little-endian): ``b"EWA1"``, uint16 versions, uint16 channels, uint32 sample rate,
uint32 frames, then each version as interleaved int16. Every version of every block is
quantised with fresh triangular dither, so no two copies of one stimulus share their bytes,
and size, name and headers are the same whatever is inside. What no format can prevent: somebody
who runs a program over the decoded sound has measured it instead of listening to it. A sitting
that has to convince a sceptic is supervised.
"""

from __future__ import annotations

import hashlib
import struct
import threading
from collections import OrderedDict
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from abx.errors import InputError, NotFound
from abx.trial import is_treated, stage_of, treatment_of

if TYPE_CHECKING:
    from stimuli.manifest import Manifest

__all__ = ["HEADER", "MAGIC", "StimulusCache", "build_blob", "lowpass_copy", "quantise"]

MAGIC = b"EWA1"
HEADER = struct.Struct("<4sHHII")

_FULL_SCALE = 32768.0
_BLOCK = 1 << 16

Samples = npt.NDArray[np.float32]


def quantise(signal: Samples, rng: np.random.Generator) -> npt.NDArray[np.int16]:
    """Quantise to 16 bits with triangular dither of two steps' width.

    Parameters
    ----------
    signal : ndarray of float32
        Samples within ±1, any shape; values outside are held at full scale.
    rng : Generator
        Source of the dither.

    Returns
    -------
    ndarray of int16
        Same shape. The error is free of signal to second order [1]_.

    References
    ----------
    .. [1] Lipshitz, Wannamaker and Vanderkooy, "Quantization and dither: a theoretical
       survey", J. Audio Eng. Soc. 40 (5), 355-375 (1992). From memory.
    """
    result = np.empty(signal.shape, dtype=np.int16)
    _quantise_into(result.reshape(-1), signal.reshape(-1), rng)
    return result


def _quantise_into(result: npt.NDArray[np.int16], flat: Samples, rng: np.random.Generator) -> None:
    """Work in blocks that stay in the processor's cache, without further memory."""
    dithered = np.empty(min(_BLOCK, flat.size), dtype=np.float32)
    scaled = np.empty_like(dithered)
    for start in range(0, flat.size, _BLOCK):
        block = flat[start : start + _BLOCK]
        total, level = dithered[: block.size], scaled[: block.size]
        words = rng.bit_generator.random_raw(block.size // 2 + 1).view(np.uint16)
        # The difference of two independent uniform draws is triangular.
        np.subtract(
            words[: block.size],
            words[block.size : 2 * block.size],
            out=total,
            dtype=np.float32,
            casting="unsafe",
        )
        total *= np.float32(1.0 / 65536.0)
        np.multiply(block, np.float32(_FULL_SCALE), out=level)
        total += level
        np.rint(total, out=total)
        np.clip(total, -32768.0, 32767.0, out=total)
        result[start : start + block.size] = total


def build_blob(versions: Sequence[Samples], sample_rate: int) -> bytes:
    """Pack versions into one block.

    Parameters
    ----------
    versions : sequence of ndarray, each (frames, channels)
        Signals within ±1; shorter ones are padded with (dithered) silence.
    sample_rate : int
        Sample rate in Hz.

    Returns
    -------
    bytes
        Header and PCM; the size depends on lengths only.

    Raises
    ------
    ValueError
        If there are no versions or their channel counts differ.
    """
    channels = {version.shape[1] for version in versions}
    if len(channels) != 1:
        raise ValueError(f"versions must share one channel count, got {sorted(channels)}")
    frames = max(version.shape[0] for version in versions)
    # Seeded from the operating system for each block: dither is never reused.
    rng = np.random.Generator(np.random.SFC64())
    n_channels = channels.pop()
    samples = np.empty((len(versions), frames * n_channels), dtype="<i2")
    for row, version in zip(samples, versions, strict=True):
        filled = version.size
        _quantise_into(row[:filled], version.reshape(-1), rng)
        silence = np.zeros(row.size - filled, dtype=np.float32)
        _quantise_into(row[filled:], silence, rng)
    header = HEADER.pack(MAGIC, len(versions), n_channels, sample_rate, frames)
    return b"".join((header, samples.data.cast("B")))


class StimulusCache:
    """Decoded stimuli as float32, the most recently used ones up to a limit.

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
            return lowpass_copy(samples, rate, cutoff_hz=cutoff_hz), rate
        try:
            record = self._manifest.stimulus(source, programme)
        except KeyError as error:
            raise NotFound("This sound is not in the stimulus set.") from error
        return _read_checked(self._folder / record.file_name, record.sha256)


def _read_checked(path: Path, sha256: str) -> tuple[Samples, int]:
    import io

    import soundfile

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
    samples, rate = soundfile.read(io.BytesIO(data), dtype="float32", always_2d=True)
    return samples, int(rate)


def lowpass_copy(signal: Samples, sample_rate: int, *, cutoff_hz: float = 3500.0) -> Samples:
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

    from stimuli.loudness import integrated_loudness

    sos = butter(12, cutoff_hz, fs=sample_rate, output="sos")
    filtered = sosfiltfilt(sos, signal.astype(np.float64), axis=0)
    wanted = integrated_loudness(signal.astype(np.float64), sample_rate)
    found = integrated_loudness(filtered, sample_rate)
    gain = 1.0
    if np.isfinite(wanted) and np.isfinite(found):
        gain = 10.0 ** ((wanted - found) / 20.0)
    peak = float(np.max(np.abs(filtered), initial=1e-9))
    return (filtered * min(gain, 0.89 / peak)).astype(np.float32)
