"""Anchors for rating tests by ITU-R BS.1534-3: low-pass copies of the reference.

Low anchor: 3.5 kHz, ripple within 0.1 dB, at least 25 dB down at 4 kHz and 50 dB at 4.5 kHz. Mid
anchor: 7 kHz; the Recommendation's limits for it are taken at the same frequency ratios (8 and
9 kHz), which is our reading.
"""

from __future__ import annotations

from typing import Literal

import numpy as np
import scipy.fft as fft
from numpy.typing import NDArray
from scipy.signal import firwin, kaiserord, oaconvolve

from stimuli.files.errors import InputError

__all__ = ["ANCHORS_HZ", "anchor", "anchor_filter"]

Floats = NDArray[np.float64]

ANCHORS_HZ: dict[str, float] = {"low": 3500.0, "mid": 7000.0}
"""Pass-band edges in Hz."""

RIPPLE_DB = 0.1
_LIMITS = ((4.0 / 3.5, 25.0), (4.5 / 3.5, 50.0))  # frequency ratio, attenuation in dB


def anchor_filter(which: Literal["low", "mid"], rate: int) -> Floats:
    """Linear-phase low-pass of an anchor.

    Parameters
    ----------
    which : {"low", "mid"}
        3.5 kHz or 7 kHz.
    rate : int
        Sample rate in Hz; half of it must lie above the stop band.

    Returns
    -------
    ndarray, shape (n_taps,)
        Odd length, symmetric; within the limits with a margin.

    Raises
    ------
    InputError
        If the anchor is not known or the sample rate too low.
    """
    if which not in ANCHORS_HZ:
        raise InputError(
            where="anchor",
            problem=f"there is no anchor {which!r}",
            remedy=f"Use one of: {', '.join(ANCHORS_HZ)}",
        )
    edge = ANCHORS_HZ[which]
    stop = edge * _LIMITS[0][0]
    if rate / 2 <= edge * _LIMITS[1][0]:
        raise InputError(
            where="anchor",
            problem=f"a sample rate of {rate} Hz cannot carry the {edge / 1000:g} kHz anchor",
            remedy="Render at 32 kHz or more",
        )
    # A window design: 60 dB at the first limit covers the second, ripple follows to 0.01 dB.
    n_taps, beta = kaiserord(60.0, (stop - edge) / (rate / 2))
    return np.asarray(
        firwin(n_taps | 1, (edge + stop) / 2, window=("kaiser", beta), fs=rate, scale=True)
    )


def anchor(x: NDArray[np.floating], rate: int, which: Literal["low", "mid"]) -> Floats:
    """Low-pass copy of a signal, in time with it.

    Parameters
    ----------
    x : ndarray, shape (frames, channels)
        The reference.
    rate : int
        Sample rate in Hz.
    which : {"low", "mid"}
        3.5 kHz or 7 kHz.

    Returns
    -------
    ndarray, shape (frames, channels)
        Not loudness-matched: the Recommendation leaves anchors at the level of the reference.

    Raises
    ------
    InputError
        See :func:`anchor_filter`.
    """
    h = anchor_filter(which, rate)
    delay = len(h) // 2
    return np.asarray(oaconvolve(x, h[:, None], axes=0)[delay : delay + len(x)])


def response_db(h: Floats, rate: int, f_hz: Floats) -> Floats:
    """Magnitude response of a filter at given frequencies, in dB, on a fine transform."""
    n_fft = fft.next_fast_len(64 * len(h), real=True)
    gain = np.abs(fft.rfft(h, n_fft))
    return np.asarray(20 * np.log10(np.interp(f_hz, fft.rfftfreq(n_fft, 1 / rate), gain) + 1e-12))
