"""Equal-loudness contours (ISO 226) and a spectral difference weighed by them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = [
    "LoudnessDifference",
    "contour_db",
    "loudness_level_phon",
    "loudness_weighted_difference",
]

Floats = NDArray[np.float64]

# ISO 226:2003 Table 1 and ISO 226:2023 Table 1: f/Hz, then alpha_f, L_U/dB, T_f/dB of each.
_TABLE = np.array(
    [[20, 0.532, -31.6, 78.5, 0.635, -31.5, 78.1], [25, 0.506, -27.2, 68.7, 0.602, -27.2, 68.7],
     [31.5, 0.48, -23, 59.5, 0.569, -23.1, 59.5], [40, 0.455, -19.1, 51.1, 0.537, -19.3, 51.1],
     [50, 0.432, -15.9, 44, 0.509, -16.1, 44], [63, 0.409, -13, 37.5, 0.482, -13.1, 37.5],
     [80, 0.387, -10.3, 31.5, 0.456, -10.4, 31.5], [100, 0.367, -8.1, 26.5, 0.433, -8.2, 26.5],
     [125, 0.349, -6.2, 22.1, 0.412, -6.3, 22.1], [160, 0.33, -4.5, 17.9, 0.391, -4.6, 17.9],
     [200, 0.315, -3.1, 14.4, 0.373, -3.2, 14.4], [250, 0.301, -2, 11.4, 0.357, -2.1, 11.4],
     [315, 0.288, -1.1, 8.6, 0.343, -1.2, 8.6], [400, 0.276, -0.4, 6.2, 0.33, -0.5, 6.2],
     [500, 0.267, 0, 4.4, 0.32, 0, 4.4], [630, 0.259, 0.3, 3, 0.311, 0.4, 3],
     [800, 0.253, 0.5, 2.2, 0.303, 0.5, 2.2], [1000, 0.25, 0, 2.4, 0.3, 0, 2.4],
     [1250, 0.246, -2.7, 3.5, 0.295, -2.7, 3.5], [1600, 0.244, -4.1, 1.7, 0.292, -4.2, 1.7],
     [2000, 0.243, -1, -1.3, 0.29, -1.2, -1.3], [2500, 0.243, 1.7, -4.2, 0.29, 1.4, -4.2],
     [3150, 0.243, 2.5, -6, 0.289, 2.3, -6], [4000, 0.242, 1.2, -5.4, 0.289, 1, -5.4],
     [5000, 0.242, -2.1, -1.5, 0.289, -2.3, -1.5], [6300, 0.245, -7.1, 6, 0.293, -7.2, 6],
     [8000, 0.254, -11.2, 12.6, 0.303, -11.2, 12.6],
     [10000, 0.271, -10.7, 13.9, 0.323, -10.9, 13.9], [12500, 0.301, -3.1, 12.3, 0.354, -3.5, 12.3]]
)  # fmt: skip
_COLUMNS = {2003: (1, 2, 3), 2023: (4, 5, 6)}
_RANGE_HZ = (20.0, 12500.0)
_STEP_HZ = 5.0
_MEAN_DB = 75.0


def _parameters(f_hz: Floats, edition: int) -> tuple[Floats, Floats, Floats]:
    if edition not in _COLUMNS:
        raise ValueError(f"edition must be 2003 or 2023, got {edition}")
    if f_hz.min() < _RANGE_HZ[0] or f_hz.max() > _RANGE_HZ[1]:
        raise ValueError(
            f"ISO 226 reaches from 20 Hz to 12.5 kHz, asked for {f_hz.min():g} to {f_hz.max():g} Hz"
        )
    x, table = np.log(f_hz), np.log(_TABLE[:, 0])
    alpha, transfer, quiet = (np.interp(x, table, _TABLE[:, k]) for k in _COLUMNS[edition])
    return alpha, transfer, quiet


def contour_db(f_hz: ArrayLike, phon: ArrayLike, *, edition: int = 2023) -> Floats:
    """Sound pressure level of a pure tone of a given loudness level, ISO 226 formula (1).

    Parameters
    ----------
    f_hz : array_like
        20 Hz to 12.5 kHz; parameters between the tabled frequencies are interpolated over log
        frequency.
    phon : array_like
        Loudness level; the standard speaks of 20 to 90 phon (80 above 4 kHz).
    edition : int
        2003 or 2023.

    Raises
    ------
    ValueError
        Outside the frequency range, or another edition.
    """
    f, level = np.asarray(f_hz, dtype=float), np.asarray(phon, dtype=float)
    alpha, transfer, quiet = _parameters(f, edition)
    if edition == 2003:
        threshold = (0.4 * 10 ** ((quiet + transfer) / 10 - 9)) ** alpha
        drive = 4.47e-3 * (10 ** (0.025 * level) - 1.15) + threshold
        return np.asarray(10 / alpha * np.log10(drive) - transfer + 94)
    drive = 4e-10 ** (0.3 - alpha) * (10 ** (0.03 * level) - 10**0.072)
    drive = drive + 10 ** (alpha * (quiet + transfer) / 10)
    return np.asarray(10 / alpha * np.log10(drive) - transfer)


def loudness_level_phon(f_hz: ArrayLike, level_db: ArrayLike, *, edition: int = 2023) -> Floats:
    """Loudness level of a pure tone: the inverse of :func:`contour_db`.

    Below the threshold of hearing the result is held at the loudness level of the threshold.
    """
    f, level = np.asarray(f_hz, dtype=float), np.asarray(level_db, dtype=float)
    alpha, transfer, quiet = _parameters(f, edition)
    heard = np.maximum(level, quiet)
    if edition == 2003:
        # 94 dB here and 0.4e-9 below are the standard's two roundings of one constant.
        drive = 10 ** (alpha * (heard + transfer - 94) / 10)
        drive = drive - (0.4 * 10 ** ((quiet + transfer) / 10 - 9)) ** alpha
        return np.asarray(40 * np.log10(drive / 4.47e-3 + 1.15))
    drive = 10 ** (alpha * (heard + transfer) / 10) - 10 ** (alpha * (quiet + transfer) / 10)
    return np.asarray(np.log10(drive / 4e-10 ** (0.3 - alpha) + 10**0.072) / 0.03)


@dataclass(frozen=True, slots=True)
class LoudnessDifference:
    """Result of :func:`loudness_weighted_difference`.

    Attributes
    ----------
    sone : float
        Weighted mean magnitude of the loudness difference.
    alignment_db : float
        Level added to the test, chosen so that `sone` is smallest.
    low_hz, high_hz : float
        Band compared.
    """

    sone: float
    alignment_db: float
    low_hz: float
    high_hz: float


def loudness_weighted_difference(
    f_hz: ArrayLike,
    test_db: ArrayLike,
    reference_db: ArrayLike,
    *,
    valid_hz: tuple[float, float] = _RANGE_HZ,
) -> LoudnessDifference:
    """Difference of two magnitude responses, weighed by loudness.

    Both are put to a mean of 75 dB, read as tones in phon (ISO 226:2003, as in the source), turned
    into sones by ``2^((phon - 40)/10)``; the magnitudes of the differences are averaged over
    linear bins with weights ``1 / (0.108 f + 24.7)``. Peaks count more than equal dips.

    Parameters
    ----------
    f_hz, test_db, reference_db : array_like, shape (n,)
        Ascending frequencies in Hz and levels in dB.
    valid_hz : tuple of float
        Band compared, inside 20 Hz to 12.5 kHz, where ISO 226 is defined.

    Returns
    -------
    LoudnessDifference

    Raises
    ------
    ValueError
        The band is empty.

    References
    ----------
    * McKenzie, Armstrong, Ward, Murphy & Kearney, Applied Sciences 12(5), 2441 (2022).
    """
    low, high = max(valid_hz[0], _RANGE_HZ[0]), min(valid_hz[1], _RANGE_HZ[1])
    if high - low < 2 * _STEP_HZ:
        raise ValueError(f"there is no band between {low:g} and {high:g} Hz")
    grid = np.arange(low, high, _STEP_HZ)
    log_f = np.log(np.asarray(f_hz, dtype=float))
    test, reference = (
        np.interp(np.log(grid), log_f, np.asarray(level, dtype=float))
        for level in (test_db, reference_db)
    )
    weight = 1 / (0.108 * grid + 24.7)
    weight /= weight.sum()
    known = _sone(grid, reference - reference.mean() + _MEAN_DB)
    level = test - test.mean() + _MEAN_DB

    def distance(offset_db: float) -> float:
        return float(weight @ np.abs(_sone(grid, level + offset_db) - known))

    # Half of what reading a study file would take, and needed here only.
    from scipy.optimize import minimize_scalar

    best = minimize_scalar(distance, bounds=(-20.0, 20.0), method="bounded")
    return LoudnessDifference(float(best.fun), float(best.x), low, high)


def _sone(f_hz: Floats, level_db: Floats) -> Floats:
    return np.asarray(2 ** ((loudness_level_phon(f_hz, level_db, edition=2003) - 40) / 10))
