"""Exponential sweeps: the test signal, the impulse response, its window and its noise."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.fft as fft
from numpy.typing import ArrayLike, NDArray
from scipy.signal import chirp

__all__ = [
    "ImpulseResponse",
    "deconvolve",
    "exponential_sweep",
    "frequency_response",
    "window_impulse",
]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class ImpulseResponse:
    """A measured impulse response.

    Attributes
    ----------
    samples : ndarray, shape (frames,)
        Impulse response; sample 0 is the start of the sweep in the recording.
    rate : int
        Sample rate in Hz.
    low_hz, high_hz : float
        Range that the sweep excited.
    """

    samples: Floats
    rate: int
    low_hz: float
    high_hz: float

    @property
    def peak_frame(self) -> int:
        """Frame of the largest magnitude, taken as the direct sound."""
        return int(np.abs(self.samples).argmax())


def exponential_sweep(
    *,
    low_hz: float = 10.0,
    high_hz: float = 22000.0,
    seconds: float = 5.0,
    rate: int = 48000,
    fade_in_s: float = 0.1,
    fade_out_s: float = 0.005,
) -> Floats:
    """Sine whose frequency rises exponentially, at full scale.

    Parameters
    ----------
    low_hz, high_hz : float
        First and last frequency in Hz.
    seconds : float
        Length; every octave gets the same time, so bass gets most of the energy per hertz.
    rate : int
        Sample rate in Hz.
    fade_in_s, fade_out_s : float
        Raised-cosine fades at the ends; they keep clicks out of the spectrum.

    Returns
    -------
    ndarray, shape (frames,)

    Raises
    ------
    ValueError
        If the frequencies do not fit the sample rate.

    References
    ----------
    * Farina, Simultaneous measurement of impulse response and distortion with a swept-sine
      technique, AES 108 (2000), preprint 5093. Mueller and Massarani, Transfer-function
      measurement with sweeps, J. Audio Eng. Soc. 49(6), 443-471 (2001). From memory.
    """
    if not 0 < low_hz < high_hz <= rate / 2:
        raise ValueError(f"need 0 < low_hz < high_hz <= {rate / 2}, got {low_hz}, {high_hz}")
    t = np.arange(round(seconds * rate)) / rate
    x = chirp(t, low_hz, seconds, high_hz, method="logarithmic", phi=-90)
    n_in, n_out = round(fade_in_s * rate), round(fade_out_s * rate)
    x[:n_in] *= _rise(n_in)
    x[len(x) - n_out :] *= _rise(n_out)[::-1]
    return np.asarray(x)


def _rise(n: int) -> Floats:
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * (np.arange(n) + 0.5) / max(n, 1)))


def deconvolve(
    recording: ArrayLike,
    sweep: ArrayLike,
    *,
    rate: int,
    low_hz: float = 10.0,
    high_hz: float = 22000.0,
) -> ImpulseResponse:
    """Impulse response from a recording of a sweep, by division of spectra.

    Parameters
    ----------
    recording : array_like, shape (frames,)
        Recording, starting at or before the sweep; long enough to hold the decay.
    sweep : array_like, shape (frames,)
        The signal that was played.
    rate : int
        Sample rate in Hz.
    low_hz, high_hz : float
        Range that the sweep excited. Outside it the division is held back so that noise there
        is not blown up.

    Returns
    -------
    ImpulseResponse
        Distortion products of order n appear before the direct sound and are cut off by
        :func:`window_impulse`.

    Raises
    ------
    ValueError
        If the recording is not one channel, or is shorter than the sweep.
    """
    y, x = np.asarray(recording, dtype=float), np.asarray(sweep, dtype=float)
    if y.ndim != 1 or x.ndim != 1 or len(y) < len(x):
        raise ValueError(
            f"recording {y.shape} must be one channel and at least as long as the sweep {x.shape}"
        )
    n_fft = fft.next_fast_len(len(y) + len(x), real=True)
    f = fft.rfftfreq(n_fft, 1 / rate)
    source = fft.rfft(x, n_fft)
    power = np.abs(source) ** 2
    inside = (f >= low_hz) & (f <= high_hz)
    # Kirkeby regularisation: next to nothing inside the range, strong outside.
    floor = np.where(inside, 1e-8, 1.0) * power[inside].max()
    h = fft.irfft(fft.rfft(y, n_fft) * np.conj(source) / (power + floor), n_fft)
    return ImpulseResponse(h, rate, low_hz, high_hz)


def window_impulse(
    impulse: ImpulseResponse, *, before_s: float = 0.1, length_s: float = 0.5
) -> Floats:
    """Cut the impulse response around its direct sound.

    Parameters
    ----------
    impulse : ImpulseResponse
        From :func:`deconvolve`.
    before_s, length_s : float
        Time kept before the direct sound and in all; both ends are faded (half of the time
        before, a quarter of the length after).

    Returns
    -------
    ndarray, shape (round(length_s * rate),)
    """
    rate, n = impulse.rate, round(length_s * impulse.rate)
    before = round(before_s * rate)
    index = (np.arange(n) + impulse.peak_frame - before) % len(impulse.samples)
    h = impulse.samples[index].copy()
    rise, fall = max(1, before // 2), max(1, n // 4)
    h[:rise] *= _rise(rise)
    h[-fall:] *= _rise(fall)[::-1]
    return h


def frequency_response(h: ArrayLike, rate: int, f_hz: ArrayLike) -> NDArray[np.complex128]:
    """Complex response of a windowed impulse at given frequencies.

    Interpolated on a transform at least eight times the impulse's length, after taking out the
    delay of its largest sample so that the phase is smooth enough to interpolate.
    """
    x = np.asarray(h, dtype=float)
    delay = int(np.abs(x).argmax())
    n_fft = fft.next_fast_len(8 * len(x), real=True)
    spectrum = fft.rfft(np.roll(np.pad(x, (0, n_fft - len(x))), -delay))
    grid = fft.rfftfreq(n_fft, 1 / rate)
    f = np.asarray(f_hz, dtype=float)
    return np.asarray(np.interp(f, grid, spectrum.real) + 1j * np.interp(f, grid, spectrum.imag))
