"""FIR filters of a given magnitude: minimum phase by the real cepstrum, and linear phase."""

from __future__ import annotations

import numpy as np
import scipy.fft as fft
from numpy.typing import ArrayLike, NDArray

from stimuli.response.bands import OCTAVE_RATIO

__all__ = ["linear_phase_fir", "minimum_phase_fir", "taps_for_lowest_band"]

Floats = NDArray[np.float64]


def minimum_phase_fir(magnitude: ArrayLike, *, n_taps: int | None = None) -> Floats:
    """Minimum-phase FIR of a given magnitude, by the real cepstrum.

    Parameters
    ----------
    magnitude : array_like, shape (n_fft // 2 + 1,)
        ``|H|`` at the ``rfft`` frequencies of an even ``n_fft``, all positive. Aliasing of the
        cepstrum falls with ``n_fft``; use at least 4 times the length at which the impulse
        response has died away.
    n_taps : int, optional
        Length to keep; the last eighth is faded out. All ``n_fft`` samples if None.

    Returns
    -------
    ndarray, shape (n_taps,)
        Impulse response.

    Raises
    ------
    ValueError
        If a magnitude is not positive or ``n_taps`` exceeds ``n_fft``.

    References
    ----------
    * Oppenheim and Schafer, Discrete-Time Signal Processing, chapter on the cepstrum
      (homomorphic filtering; from memory).
    """
    m = np.asarray(magnitude, dtype=float)
    if not np.all(m > 0):
        raise ValueError("magnitude must be positive at every frequency")
    n_fft = 2 * (len(m) - 1)
    if n_taps is not None and not 1 <= n_taps <= n_fft:
        raise ValueError(f"n_taps is {n_taps} but must be between 1 and {n_fft}")
    cepstrum = fft.irfft(np.log(m), n_fft)
    # Folding the anticausal half onto the causal one leaves log|H| and makes it causal.
    cepstrum[1 : n_fft // 2] *= 2
    cepstrum[n_fft // 2 + 1 :] = 0
    h = fft.irfft(np.exp(fft.rfft(cepstrum)), n_fft)
    return h if n_taps is None else _fade_tail(h[:n_taps].copy())


def _fade_tail(h: Floats) -> Floats:
    n = len(h) // 8
    if n:
        h[-n:] *= 0.5 + 0.5 * np.cos(np.pi * (np.arange(n) + 0.5) / n)
    return h


def linear_phase_fir(magnitude: ArrayLike, *, n_taps: int) -> Floats:
    """Linear-phase FIR of a given magnitude, symmetric about its middle sample.

    Parameters
    ----------
    magnitude : array_like, shape (n_fft // 2 + 1,)
        ``|H|`` at the ``rfft`` frequencies of an even ``n_fft``.
    n_taps : int
        Odd length, at most ``n_fft``; a Hann-like fade covers an eighth at either end.

    Returns
    -------
    ndarray, shape (n_taps,)

    Raises
    ------
    ValueError
        If ``n_taps`` is even or too large.
    """
    m = np.asarray(magnitude, dtype=float)
    n_fft = 2 * (len(m) - 1)
    if n_taps % 2 == 0 or not 1 <= n_taps <= n_fft:
        raise ValueError(f"n_taps is {n_taps} but must be odd and between 1 and {n_fft}")
    middle = n_taps // 2
    h = np.roll(fft.irfft(m, n_fft), middle)[:n_taps].copy()
    return _fade_tail(_fade_tail(h)[::-1].copy())[::-1].copy()


def taps_for_lowest_band(low_hz: float, rate: int) -> int:
    """Filter length that resolves the lowest valid 1/3-octave band.

    Twice the reciprocal bandwidth of the lowest band, rounded up to a power of two:
    32768 taps from 17.8 Hz, 16384 from 35.5 Hz at 48 kHz.
    """
    width = low_hz * (OCTAVE_RATIO ** (1 / 3) - 1)
    return int(2 ** np.ceil(np.log2(max(2 * rate / width, 1024))))
