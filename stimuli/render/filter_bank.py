"""Filtering a stream through many filters at once, and what is read off its spectrum.

Left and right travel as the real and imaginary part of one complex signal: filtered sound then
leaves the inverse transform interleaved, as files want it, and four blocks at a time fill the
lanes of the processor's vector unit. Both together make filtering twice as fast as real transforms
of single blocks.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import scipy.fft as fft
from numpy.typing import NDArray
from scipy.signal import sosfreqz

from stimuli.levels.loudness import (
    ABSOLUTE_GATE_LUFS,
    OFFSET_DB,
    RELATIVE_GATE_LU,
    block_loudness,
    gated_loudness,
    k_weighting_sos,
)

__all__ = ["FilterBank", "HopLoudness", "LongTermSpectrum"]

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Complexes = NDArray[np.complex64]

_ROWS = 4  # blocks to a batch: the lanes of a vector of single-precision numbers
_FLAT_FROM_HZ = 6000.0  # the K weighting is flat within 0.014 dB from here on


class FilterBank:
    """Several FIR filters run over one stereo stream by overlap-save.

    Parameters
    ----------
    filters : sequence of ndarray, each (n_taps,) or (n_taps, 2)
        Lengths may differ.
    delays : sequence of int, optional
        Frames by which each filter delays sound. All are brought to the longest,
        :attr:`delay_frames`, which :meth:`start` takes out.
    rate : int
        Sample rate in Hz; blocks are whole hops of 100 ms.

    Notes
    -----
    The stream comes in batches of :attr:`batch_frames` (the last one may be shorter), as complex
    numbers left + j right. Each batch is transformed once; every filter then costs one product
    and one inverse transform.
    """

    def __init__(
        self, filters: Sequence[Floats], *, delays: Sequence[int] | None = None, rate: int = 48000
    ) -> None:
        delays = delays or [0] * len(filters)
        self.delay_frames = max(delays)
        padded = [
            np.pad(h if h.ndim == 2 else h[:, None], ((self.delay_frames - d, 0), (0, 0)))
            for h, d in zip(filters, delays, strict=True)
        ]
        longest = max(len(h) for h in padded)
        self.hop_frames = round(0.1 * rate)
        self.decimation = _decimation(rate, self.hop_frames)
        # Five filter lengths to a transform: a fifth of the work is overlap.
        self.n_fft = self.decimation * int(
            fft.next_fast_len(-(-max(5 * longest, 65536) // self.decimation))
        )
        self.block_frames = (self.n_fft - longest + 1) // self.hop_frames * self.hop_frames
        self.batch_frames = _ROWS * self.block_frames
        self._history = self.n_fft - self.block_frames
        self._taps: list[Floats] = padded
        self._spectra: list[tuple[Complexes, Complexes | None] | None] = [None] * len(padded)
        self._tail = np.zeros(self._history, dtype=np.complex64)
        self._joined = np.empty(self._history + self.batch_frames, dtype=np.complex64)
        self._spectra_of_batches = np.empty((2, _ROWS, self.n_fft), dtype=np.complex64)
        self._turn = 0

    def _factors(self, index: int) -> tuple[Complexes, Complexes | None]:
        """Factors of the signal's spectrum and of its mirrored conjugate.

        Worked out when first asked for, which is on the thread that uses the filter.
        """
        known = self._spectra[index]
        if known is not None:
            return known
        both = fft.fft(self._taps[index].T.astype(np.float32), self.n_fft, axis=1)
        # A real filter on the left and another on the right mix z = l + jr with its conjugate.
        made = (
            (both[0], None)
            if len(both) == 1
            else ((both[0] + both[1]) / 2, (both[0] - both[1]) / 2)
        )
        self._spectra[index] = made
        return made

    def start(self, lead: Complexes, *, before: Complexes | None = None) -> None:
        """Begin a stream: take in its first :attr:`delay_frames` without putting any out.

        Parameters
        ----------
        lead : ndarray, shape (delay_frames,)
            First frames of the stream.
        before : ndarray, optional
            Sound that counts as heard before the stream; silence if None.
        """
        parts = [self._tail if before is None else before, lead]
        heard = np.concatenate(parts)[-self._history :]
        self._tail = np.zeros(self._history, dtype=np.complex64)
        self._tail[self._history - len(heard) :] = heard

    def transform(self, batch: Complexes) -> Complexes:
        """Take the next batch in and return its spectra for :meth:`apply`, one a row.

        They lie in memory of the bank until the batch after the next is taken in: long enough
        to work on one batch while the next is transformed.
        """
        rows = -(-len(batch) // self.block_frames)
        joined = self._joined[: self._history + rows * self.block_frames]
        joined[: self._history] = self._tail
        joined[self._history : self._history + len(batch)] = batch
        joined[self._history + len(batch) :] = 0
        self._tail[:] = joined[len(batch) : len(batch) + self._history]
        segments = np.lib.stride_tricks.sliding_window_view(joined, self.n_fft)
        self._turn = 1 - self._turn
        spectra = self._spectra_of_batches[self._turn][:rows]
        spectra[:] = segments[:: self.block_frames]
        return np.asarray(fft.fft(spectra, axis=1, overwrite_x=True))

    def workspace(self) -> Buffers:
        """Memory for one caller of :meth:`apply`, to be used again for each batch.

        Fresh memory for every batch would cost as much time as the transforms.
        """
        return Buffers(
            np.empty((_ROWS, self.n_fft), dtype=np.complex64),
            np.empty((_ROWS, self.n_fft // self.decimation), dtype=np.complex64),
        )

    def apply(self, index: int, spectra: Complexes, work: Buffers) -> tuple[Complexes, Complexes]:
        """Filter a transformed batch with one of the filters.

        Parameters
        ----------
        index : int
            Which filter.
        spectra : ndarray
            From :meth:`transform`.
        work : Buffers
            Where the results lie until the next call.

        Returns
        -------
        sound : ndarray, shape (rows, block_frames)
            Filtered sound, one block a row.
        low : ndarray, shape (rows, n_fft // decimation)
            Its spectrum around zero frequency, in the order of :func:`scipy.fft.fft`.
        """
        direct, mirrored = self._factors(index)
        product, low = work.product[: len(spectra)], work.low[: len(spectra)]
        np.multiply(spectra, direct, out=product)
        if mirrored is not None:
            product += np.conj(np.roll(spectra[:, ::-1], 1, axis=1)) * mirrored
        half = -(-low.shape[1] // 2)
        low[:, :half] = product[:, :half]
        low[:, half:] = product[:, product.shape[1] - (low.shape[1] - half) :]
        y = fft.ifft(product, axis=1, overwrite_x=True)
        return np.asarray(y[:, self._history :]), low


@dataclass(frozen=True, slots=True)
class Buffers:
    """Memory of :meth:`FilterBank.apply`."""

    product: Complexes
    low: Complexes


def _decimation(rate: int, hop_frames: int) -> int:
    """Largest divisor of a hop that keeps everything below 6 kHz."""
    most = max(1, int(rate / 2 / _FLAT_FROM_HZ))
    return max(d for d in range(1, most + 1) if hop_frames % d == 0)


class HopLoudness:
    """Integrated loudness of BS.1770 from filtered sound and its spectrum, without the recursion.

    The K weighting G falls short of its value at high frequencies only below 6 kHz. So the
    energy of the weighted signal is the plain energy times that value, less the energy of what
    the weighting takes away, ``sqrt(top - G^2)`` times the signal; and the latter needs no more
    than a quarter of the sample rate. Over whole programmes it agrees with the Recommendation's
    recursion within 0.01 LU: the difference is where sound within some milliseconds of a block's
    edge is counted. :meth:`settled` tells the rare programme where that decides about a gate; it
    is measured by the recursion. So is every file when a finished set is checked.

    Parameters
    ----------
    bank : FilterBank
        Where spectra come from.
    rate : int
        Sample rate in Hz.
    """

    def __init__(self, bank: FilterBank, rate: int) -> None:
        self._hop, self._history = bank.hop_frames, bank.n_fft - bank.block_frames
        self._d = bank.decimation
        self._n = bank.n_fft // self._d
        self._top, taken = _shortfall(rate, self._n, self._d)
        self._taken = taken.astype(np.float32)
        self._energy: list[Floats] = []

    def taken(self, low: Complexes) -> Floats:
        """Energy that the weighting takes away from each hop of a batch.

        Parameters
        ----------
        low : ndarray
            Low part of the batch's spectra, from :meth:`FilterBank.apply`; overwritten.

        Returns
        -------
        ndarray, shape (rows, hops)
            One row for each block of the batch.
        """
        low *= self._taken
        w = fft.ifft(low, axis=1, overwrite_x=True)[:, self._history // self._d :]
        return np.stack([_hop_energy(row, self._hop // self._d) for row in w]) * self._d

    def push(self, block: Singles, taken: Floats) -> None:
        """Take the next block of filtered sound.

        Parameters
        ----------
        block : ndarray, shape (frames, 2)
            Filtered sound; a last hop that is not whole is left out.
        taken : ndarray, shape (hops,)
            What the weighting takes away, from :meth:`taken`.
        """
        hops = len(block) // self._hop
        energy = _hop_energy(block[: hops * self._hop], self._hop)
        self._energy.append(np.maximum(self._top * energy - taken[:hops], 0) / self._hop)

    def integrated(self, *, gain_db: float = 0.0) -> float:
        """Gated loudness in LUFS of what was pushed so far, as if a gain had been applied."""
        if not self._energy:
            return float("-inf")
        energy = np.concatenate(self._energy) * 10 ** (gain_db / 10)
        return gated_loudness(block_loudness(energy[:, None], 4))

    def settled(self, *, tolerance_lu: float = 0.02) -> bool:
        """Whether sound counted on the other side of a block's edge could move the result.

        A block next to the gate may pass it or not, depending on some milliseconds of a loud
        neighbour. Where such blocks matter, only the recursion itself will do.
        """
        if not self._energy:
            return True
        hops = np.concatenate(self._energy)
        if len(hops) < 4:
            return True
        blocks = np.lib.stride_tricks.sliding_window_view(hops, 4).mean(axis=1)
        around = np.pad(hops, 1)
        edges = around[:-5] + around[1:-4] + around[4:-1] + around[5:]
        slack = _SHARE_AT_EDGES / 4 * edges
        gated = gated_loudness(block_loudness(hops[:, None], 4))
        if not np.isfinite(gated):
            return bool((blocks + slack).max() < _power(ABSOLUTE_GATE_LUFS))
        gate = _power(max(ABSOLUTE_GATE_LUFS, _ungated_lufs(blocks) + RELATIVE_GATE_LU))
        sure, perhaps = blocks[blocks - slack > gate], blocks[blocks + slack > gate]
        if not len(sure):
            return False
        return bool(abs(10 * np.log10(sure.mean() / perhaps.mean())) <= tolerance_lu)


_SHARE_AT_EDGES = 0.05  # of a hop's energy that the K filter may move into the next, amply


def _power(lufs: float) -> float:
    return float(10 ** ((lufs - OFFSET_DB) / 10))


def _ungated_lufs(blocks: Floats) -> float:
    """Loudness above the absolute gate, from which the relative gate is counted."""
    return float(OFFSET_DB + 10 * np.log10(blocks[blocks > _power(ABSOLUTE_GATE_LUFS)].mean()))


@lru_cache(maxsize=8)
def _shortfall(rate: int, lines: int, decimation: int) -> tuple[float, Floats]:
    """Power gain of the K weighting at high frequencies, and the filter of what it takes away."""
    f_hz = np.abs(fft.fftfreq(lines, decimation / rate))
    _, gain = sosfreqz(k_weighting_sos(rate), np.append(f_hz, 1.5 * _FLAT_FROM_HZ), fs=rate)
    power = np.abs(gain) ** 2
    return float(power[-1]), np.sqrt(np.maximum(power[-1] - power[:-1], 0)) / decimation


def _hop_energy(x: Singles | Complexes, hop: int) -> Floats:
    """Energy of successive hops, both channels together."""
    parts = x.view(np.float32).reshape(-1, 2 * hop)
    return np.einsum("hi,hi->h", parts, parts).astype(float)


class LongTermSpectrum:
    """Mean power spectrum of a stereo stream: sine windows of 16384 frames, half overlapping.

    The squared windows add up to one everywhere, the ends included, so every moment counts the
    same and the lines add up to the mean square.

    Parameters
    ----------
    rate : int
        Sample rate in Hz.
    """

    def __init__(self, rate: int, *, n_fft: int = 16384) -> None:
        self._n, self._hop = n_fft, n_fft // 2
        self.f_hz = fft.rfftfreq(n_fft, 1 / rate)
        self._window = np.sin(np.pi * (np.arange(n_fft) + 0.5) / n_fft).astype(np.float32)
        self._sum = np.zeros(n_fft)
        self._frames = 0
        self._rest = np.zeros(self._hop, dtype=np.complex64)

    def push(self, x: Complexes) -> None:
        """Take the next piece, left + j right, shape (frames,)."""
        self._frames += len(x)
        joined = np.concatenate([self._rest, x])
        count = len(joined) // self._hop - 1
        if count > 0:
            self._sum += self._energy(joined[: (count + 1) * self._hop])
            joined = joined[count * self._hop :].copy()
        self._rest = joined

    def _energy(self, x: Complexes) -> Floats:
        windows = np.lib.stride_tricks.sliding_window_view(x, self._n)[:: self._hop]
        spectra = fft.fft(windows * self._window, axis=1, overwrite_x=True)
        return np.asarray((spectra.real**2 + spectra.imag**2).sum(axis=0))

    def power(self) -> Floats:
        """Power of each line, summed over channels; the lines add up to the mean square."""
        if not self._frames:
            return np.zeros(len(self.f_hz))
        # Padded to whole windows, with half a window of silence behind the last frame.
        short = -(len(self._rest) + self._hop) % self._hop
        end = np.concatenate([self._rest, np.zeros(short + self._hop, dtype=np.complex64)])
        energy = self._sum + self._energy(end)
        # |L|^2 + |R|^2 = (|Z(f)|^2 + |Z(-f)|^2) / 2, and each line stands for both signs of f.
        half = len(self.f_hz)
        both = energy[:half] + np.roll(energy[::-1], 1)[:half]
        both[[0, -1]] /= 2
        return np.asarray(both / (self._frames * self._n))
