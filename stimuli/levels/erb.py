"""The ERB-number scale of hearing: one formula, in the digits of two publications."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["ANSI", "GLASBERG_MOORE", "ErbScale"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class ErbScale:
    """``slope log10(per_hz f + 1)``, the number of ERBs below a frequency, in Cam.

    Attributes
    ----------
    slope : float
        Cam to a decade of frequency, well above 1 kHz.
    per_hz : float
        Inverse of the frequency in Hz below which the scale becomes linear.
    """

    slope: float
    per_hz: float

    def number(self, f_hz: ArrayLike) -> Floats:
        """Return the ERB number, in Cam, of frequencies in Hz."""
        return np.asarray(self.slope * np.log10(self.per_hz * np.asarray(f_hz, dtype=float) + 1))

    def to_hz(self, cam: ArrayLike) -> Floats:
        """Return the frequencies in Hz of ERB numbers in Cam."""
        return np.asarray((10 ** (np.asarray(cam, dtype=float) / self.slope) - 1) / self.per_hz)


GLASBERG_MOORE = ErbScale(21.4, 4.37e-3)
"""Glasberg and Moore 1990, with its rounded constants."""

ANSI = ErbScale(21.366, 0.004368)
"""ANSI S3.4-2007: the same filters, with more digits."""
