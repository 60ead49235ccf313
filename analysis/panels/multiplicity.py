"""Many tests at once."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy import stats

__all__ = ["benjamini_hochberg", "holm"]


def _adjust(p_values: np.ndarray, method: Callable[[np.ndarray], np.ndarray]) -> np.ndarray:
    p = np.asarray(p_values, dtype=float)
    adjusted = np.full_like(p, np.nan)
    known = np.isfinite(p)
    if known.any():
        adjusted[known] = method(p[known])
    return adjusted


def _step_down(p: np.ndarray) -> np.ndarray:
    # The kept library collects garbage at every call, a tenth of a second in a large process.
    order = np.argsort(p, kind="stable")
    steps = np.maximum.accumulate(np.arange(len(p), 0, -1) * p[order])
    adjusted = np.empty_like(p)
    adjusted[order] = np.minimum(steps, 1.0)
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
    return _adjust(p_values, _step_down)


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
    return _adjust(p_values, stats.false_discovery_control)
