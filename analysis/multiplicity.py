"""Many tests at once."""

from __future__ import annotations

import numpy as np
from statsmodels.stats.multitest import multipletests

__all__ = ["benjamini_hochberg", "holm"]


def _adjust(p_values: np.ndarray, method: str) -> np.ndarray:
    p = np.asarray(p_values, dtype=float)
    adjusted = np.full_like(p, np.nan)
    known = np.isfinite(p)
    if known.any():
        adjusted[known] = multipletests(p[known], method=method)[1]
    return adjusted


def holm(p_values: np.ndarray) -> np.ndarray:
    """Return p-values that keep the chance of any false alarm (Holm 1979 Scand J Stat 6:65).

    Parameters
    ----------
    p_values : numpy.ndarray, shape (n,)
        NaN marks a test that could not be made; it stays NaN and does not count.

    Returns
    -------
    numpy.ndarray, shape (n,)
    """
    return _adjust(p_values, "holm")


def benjamini_hochberg(p_values: np.ndarray) -> np.ndarray:
    """Return p-values that keep the share of false alarms (Benjamini & Hochberg 1995 JRSSB 57:289).

    Parameters
    ----------
    p_values : numpy.ndarray, shape (n,)
        NaN as for :func:`holm`.

    Returns
    -------
    numpy.ndarray, shape (n,)
    """
    return _adjust(p_values, "fdr_bh")
