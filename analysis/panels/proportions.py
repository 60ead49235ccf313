"""Exact tests and intervals of one proportion, vectorised over many."""

from __future__ import annotations

import numpy as np
from scipy import stats
from statsmodels.stats.proportion import proportion_confint

__all__ = [
    "clopper_pearson",
    "critical_count",
    "discriminators",
    "exact_p",
    "share_right",
    "two_sided_p",
    "wilson",
]


def share_right(heard: float, *, chance: float) -> float:
    """Return the share of right answers where a share is heard and the rest guessed.

    Abbott (1925) J Econ Entomol 18:265.
    """
    return chance + heard * (1 - chance)


def discriminators(proportion: np.ndarray | float, *, chance: np.ndarray | float) -> np.ndarray:
    """Return the share of discriminators behind a proportion correct, 0 at or below chance.

    The inverse of :func:`share_right`.
    """
    return np.asarray(np.maximum(0.0, (np.asarray(proportion) - chance) / (1 - chance)))


def _checked(count: np.ndarray, total: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    k, n = np.atleast_1d(np.asarray(count)), np.atleast_1d(np.asarray(total))
    if np.any(n < 1) or np.any(k < 0) or np.any(k > n):
        raise ValueError(f"need 0 <= count <= total and total >= 1, got {count} of {total}")
    return k, n


def exact_p(
    count: np.ndarray, total: np.ndarray, *, chance: float = 0.5, mid: bool = False
) -> np.ndarray:
    """Return P(X >= count) when every answer is a guess.

    Parameters
    ----------
    count, total : numpy.ndarray
        Correct and answered trials, shape ``(n,)`` or scalars.
    chance : float, optional
        Guessing probability.
    mid : bool, optional
        Give the mid-p value, which counts half of P(X = count): closer to the nominal level on
        average, but not guaranteed to keep it (Lancaster 1961 JASA 56:223).

    Returns
    -------
    numpy.ndarray
        Shape ``(n,)``.

    Raises
    ------
    ValueError
        A count outside ``0 .. total`` or a total below 1.
    """
    k, n = _checked(count, total)
    tail = stats.binom.sf(k - 1, n, chance)
    return np.asarray(tail - stats.binom.pmf(k, n, chance) / 2 if mid else tail)


def two_sided_p(count: np.ndarray, total: np.ndarray) -> np.ndarray:
    """Return the exact two-sided p-value against 1/2, twice the smaller tail.

    Parameters
    ----------
    count, total : numpy.ndarray
        Shape ``(n,)`` or scalars; ``total`` may be 0, which gives 1.

    Returns
    -------
    numpy.ndarray
        Shape ``(n,)``, at most 1.
    """
    k, n = np.atleast_1d(np.asarray(count)), np.atleast_1d(np.asarray(total))
    return np.asarray(np.minimum(1.0, 2 * stats.binom.cdf(np.minimum(k, n - k), n, 0.5)))


def critical_count(total: int, *, chance: float = 0.5, alpha: float = 0.05) -> int | None:
    """Return the fewest correct answers with P(X >= count) <= alpha; None when there is none.

    Raises
    ------
    ValueError
        `total` below 1 or a probability outside (0, 1).
    """
    if total < 1 or not 0 < chance < 1 or not 0 < alpha < 1:
        raise ValueError(f"need total >= 1, 0 < chance, alpha < 1; got {total}, {chance}, {alpha}")
    counts = np.arange(total + 1)
    enough = np.flatnonzero(stats.binom.sf(counts - 1, total, chance) <= alpha)
    return int(counts[enough[0]]) if enough.size else None


def clopper_pearson(
    count: np.ndarray, total: np.ndarray, *, confidence: float = 0.95
) -> tuple[np.ndarray, np.ndarray]:
    """Return the exact interval of Clopper & Pearson (1934) Biometrika 26:404.

    Parameters
    ----------
    count, total : numpy.ndarray
        Shape ``(n,)`` or scalars.
    confidence : float, optional
        Level of the two-sided interval.

    Returns
    -------
    low, high : numpy.ndarray
        Shape ``(n,)``.

    Raises
    ------
    ValueError
        A count outside ``0 .. total`` or a total below 1.
    """
    k, n = _checked(count, total)
    low, high = proportion_confint(k, n, alpha=1 - confidence, method="beta")
    return np.atleast_1d(low), np.atleast_1d(high)


def wilson(
    count: np.ndarray, total: np.ndarray, *, confidence: float = 0.95
) -> tuple[np.ndarray, np.ndarray]:
    """Return the score interval of Wilson (1927) JASA 22:209; half counts are allowed.

    Parameters
    ----------
    count, total : numpy.ndarray
        Shape ``(n,)`` or scalars.
    confidence : float, optional
        Level.

    Returns
    -------
    low, high : numpy.ndarray
        Shape ``(n,)``, within [0, 1].

    Raises
    ------
    ValueError
        A count outside ``0 .. total`` or a total below 1.
    """
    k, n = _checked(count, total)
    low, high = proportion_confint(k, n, alpha=1 - confidence, method="wilson")
    return np.clip(np.atleast_1d(low), 0.0, 1.0), np.clip(np.atleast_1d(high), 0.0, 1.0)
