"""A smooth filter curve whose pink-noise levels are those wanted, band by band."""

from __future__ import annotations

import numpy as np
import scipy.fft as fft
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator

from stimuli.filters.fir import linear_phase_fir, minimum_phase_fir
from stimuli.response.bands import OCTAVE_RATIO, Bands, pink_band_level_db

__all__ = ["FLOOR_DB", "fit_bands"]

Floats = NDArray[np.float64]

FLOOR_DB = -80.0
"""Lowest magnitude the design uses; deeper dips have no audible meaning in a 1/3-octave level."""


_COARSE_ROUNDS = 8
_COARSE_POINTS = 48  # to a band, evenly over its width on a logarithmic axis


def _moved(nodes: Floats, error: Floats, wanted: Floats) -> Floats:
    return np.clip(nodes + np.clip(error, -6, 6), FLOOR_DB - 20, wanted.max() + 30)


def fit_bands(
    wanted: Floats,
    bands: Bands,
    rate: int,
    n_taps: int,
    fine: tuple[Floats, Floats] | None,
    *,
    linear: bool = False,
    tolerance_db: float = 0.02,
    rounds: int = 40,
) -> tuple[Floats, Floats]:
    """Move node levels until the finished filter's pink-noise band levels are the wanted ones.

    A smooth curve through band centres serves measured systems. Where neighbouring bands
    differ so much that a smooth curve cannot hold both, the curve gets a plateau in each band
    and a steeper step between bands.
    """
    best: tuple[float, Floats, Floats] | None = None
    for plateau in (0.0, 0.5, 0.8):
        curve = _NodeCurve(bands, rate, n_taps, plateau, fine, linear)
        nodes = wanted.copy()
        # Most of the way by the magnitude alone, which is cheap; the finished filter, cut to its
        # length, then asks for a round or two.
        for _ in range(_COARSE_ROUNDS):
            error = wanted - curve.designed_levels(nodes)
            if np.abs(error).max() < tolerance_db / 4:
                break
            nodes = _moved(nodes, error, wanted)
        for _ in range(rounds):
            h = curve.filter(nodes)
            achieved = curve.band_levels(h)
            error = wanted - achieved
            worst = float(np.abs(error).max())
            if best is None or worst < best[0]:
                best = (worst, h, achieved)
            if worst < tolerance_db:
                return h, achieved
            nodes = _moved(nodes, error, wanted)
        if best is not None and best[0] < 0.1:
            break
    if best is None:  # pragma: no cover - rounds is at least 1
        raise AssertionError("no filter was tried")
    return best[1], best[2]


class _NodeCurve:
    """Magnitude from node levels at band centres, flat outside, and what its filter achieves."""

    def __init__(
        self,
        bands: Bands,
        rate: int,
        n_taps: int,
        plateau: float,
        fine: tuple[Floats, Floats] | None,
        linear: bool,
    ) -> None:
        self._linear = linear
        self._bands = bands
        self._n_taps = n_taps
        self._n_fft = 4 * n_taps
        self._f = fft.rfftfreq(self._n_fft, 1 / rate)
        # Steps within the lowest bands need a finer look than the design grid gives.
        self._fine_f = fft.rfftfreq(2 * self._n_fft, 1 / rate)
        self._x = np.log(np.maximum(self._f, self._f[1]))
        self._coarse_x = np.linspace(
            np.log(bands.low_hz[0]), np.log(bands.high_hz[-1]), _COARSE_POINTS * len(bands) + 1
        )
        half = plateau * 0.5 * np.log(OCTAVE_RATIO) / 3
        mid = np.log(bands.mid_hz)
        self._knots = mid if plateau == 0 else np.sort(np.concatenate([mid - half, mid + half]))
        self._repeat = 1 if plateau == 0 else 2
        self._fine = fine

    def filter(self, nodes_db: Floats) -> Floats:
        magnitude = self._magnitude(nodes_db, self._x)
        if self._linear:
            return linear_phase_fir(magnitude, n_taps=self._n_taps - 1)
        return minimum_phase_fir(magnitude, n_taps=self._n_taps)

    def _magnitude(self, nodes_db: Floats, x: Floats) -> Floats:
        """Magnitude at some natural logarithms of frequency."""
        levels = np.repeat(nodes_db, self._repeat)
        db = PchipInterpolator(self._knots, levels)(np.clip(x, self._knots[0], self._knots[-1]))
        if self._fine is not None:
            db += np.interp(x, *self._fine)
        return np.asarray(np.exp(db * (np.log(10) / 20)))

    def designed_levels(self, nodes_db: Floats) -> Floats:
        """Band levels of the magnitude before it is made a filter of finite length."""
        power = self._magnitude(nodes_db, self._coarse_x) ** 2
        return pink_band_level_db(np.exp(self._coarse_x), power, self._bands)

    def band_levels(self, h: Floats) -> Floats:
        power = np.abs(fft.rfft(h, 2 * self._n_fft)) ** 2
        return pink_band_level_db(self._fine_f, power, self._bands)
