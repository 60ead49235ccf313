"""Block filtering: one source spectrum per block, shared by all stages.

Blocks are kept channels first and in single precision: its rounding (about -140 dB) lies below
the 24-bit files that come out.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import scipy.fft as fft
from numpy.typing import NDArray

__all__ = ["FilterBank", "LongTermSpectrum"]

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]


class FilterBank:
    """Several FIR filters run over one stream by overlap-save.

    Parameters
    ----------
    filters : sequence of ndarray, each (n_taps,) or (n_taps, channels)
        Lengths may differ.
    delays : sequence of int, optional
        Frames by which each filter delays sound. All are brought to the longest,
        :attr:`delay_frames`, for the caller to take out of the output.
    channels : int
        Channels of the stream.

    Notes
    -----
    The stream comes in blocks of :attr:`block_frames` (the last one may be shorter). Each block
    is transformed once; every filter then costs one product and one inverse transform.
    """

    def __init__(
        self,
        filters: Sequence[Floats],
        *,
        delays: Sequence[int] | None = None,
        channels: int = 2,
    ) -> None:
        delays = delays or [0] * len(filters)
        self.delay_frames = max(delays)
        padded = [
            np.pad(h if h.ndim == 2 else h[:, None], ((self.delay_frames - d, 0), (0, 0)))
            for h, d in zip(filters, delays, strict=True)
        ]
        longest = max(len(h) for h in padded)
        # Four filter lengths to a transform: a quarter of the work is overlap.
        self._n_fft = fft.next_fast_len(max(4 * longest, 65536), real=True)
        self._history = longest - 1
        self.block_frames = self._n_fft - self._history
        self._spectra = [self._transform_filter(h, channels) for h in padded]
        self._tail = np.zeros((channels, self._history), dtype=np.float32)

    def _transform_filter(self, taps: Floats, channels: int) -> NDArray[np.complex64]:
        spectrum = fft.rfft(taps.T.astype(np.float32), self._n_fft, axis=1)
        return np.broadcast_to(spectrum, (channels, spectrum.shape[1]))

    def prime(self, x: Singles) -> None:
        """Pretend that ``x`` (channels, frames) was heard before the stream began."""
        if self._history:
            kept = x[:, -self._history :]
            self._tail[:, self._history - kept.shape[1] :] = kept

    def transform(self, block: Singles) -> NDArray[np.complex64]:
        """Take the next block in and return its spectrum for :meth:`apply`."""
        joined = np.concatenate([self._tail, block], axis=1)
        self._tail = joined[:, joined.shape[1] - self._history :].copy()
        return fft.rfft(joined, self._n_fft, axis=1)

    def apply(self, index: int, spectrum: NDArray[np.complex64], frames: int) -> Singles:
        """Filter a transformed block with one of the filters; shape (channels, frames)."""
        y = fft.irfft(spectrum * self._spectra[index], self._n_fft, axis=1, overwrite_x=True)
        return np.asarray(y[:, self._history : self._history + frames])


class LongTermSpectrum:
    """Mean power spectrum of a stream: Hann windows of 16384 frames, one after the other.

    Parameters
    ----------
    rate : int
        Sample rate in Hz.
    """

    def __init__(self, rate: int, *, n_fft: int = 16384) -> None:
        self._n = n_fft
        self.f_hz = fft.rfftfreq(n_fft, 1 / rate)
        self._window = np.hanning(n_fft + 1)[:-1].astype(np.float32)
        self._sum = np.zeros(len(self.f_hz))
        self._count = 0
        self._rest: Singles | None = None

    def push(self, x: Singles) -> None:
        """Take the next piece, shape (channels, frames)."""
        joined = x if self._rest is None else np.concatenate([self._rest, x], axis=1)
        count = joined.shape[1] // self._n
        if count:
            frames = joined[:, : count * self._n].reshape(len(joined), count, self._n)
            spectra = fft.rfft(frames * self._window, axis=2)
            self._sum += (spectra.real**2 + spectra.imag**2).sum(axis=(0, 1))
            self._count += count
        self._rest = joined[:, count * self._n :].copy()

    def power(self) -> Floats:
        """Power of each line, summed over channels; the lines add up to the mean square."""
        if not self._count:
            return np.zeros(len(self.f_hz))
        scale = float((self._window.astype(float) ** 2).sum()) * self._n
        one_sided = np.full(len(self.f_hz), 2.0)
        one_sided[[0, -1]] = 1.0
        return np.asarray(one_sided * self._sum / (self._count * scale))
