"""Same-different trials: sensitivity separated from the readiness to say "different"."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from scipy import optimize, stats
from scipy.special import ndtr, xlog1py, xlogy

__all__ = ["SameDifferent", "said_different", "same_different"]

_ROOT2 = np.sqrt(2.0)
#: A d' that no finite panel can tell from infinity.
_FAR = 20.0


@dataclass(frozen=True, slots=True)
class SameDifferent:
    """Estimate of the differencing model with criterion.

    Attributes
    ----------
    d_prime, low, high : float
        Sensitivity and its profile-likelihood interval; infinite where the data have no bound.
    tau : float
        Criterion: differences larger than this are called different.
    log_likelihood : float
    p_value : float
        One-sided exact test (Fisher) that "different" is said more often to different pairs,
        which no readiness to say "different" can imitate.
    """

    d_prime: float
    low: float
    high: float
    tau: float
    log_likelihood: float
    p_value: float


def said_different(tau: float, d_prime: float) -> tuple[float, float]:
    """Return P("different") for a same and for a different pair.

    Macmillan, Kaplan & Creelman (1977) Psychol Rev 84:452: 2Φ(-τ/√2) and
    Φ((d'-τ)/√2) + Φ((-d'-τ)/√2).
    """
    same = 2 * ndtr(-tau / _ROOT2)
    different = ndtr((d_prime - tau) / _ROOT2) + ndtr((-d_prime - tau) / _ROOT2)
    return float(same), float(different)


def _log_likelihood(tau: float, d_prime: float, counts: tuple[int, int, int, int]) -> float:
    same_same, diff_same, same_diff, diff_diff = counts
    # A probability that rounds to 0 or 1 must cost much, not infinity, or the search stumbles.
    p, q = np.clip(said_different(tau, d_prime), 1e-200, 1 - 1e-16)
    return float(
        xlogy(diff_same, p) + xlog1py(same_same, -p) + xlogy(diff_diff, q) + xlog1py(same_diff, -q)
    )


def _profile(d_prime: float, counts: tuple[int, int, int, int]) -> tuple[float, float]:
    """Return the largest log-likelihood over τ and the τ that gives it."""
    found = optimize.minimize_scalar(
        lambda tau: -_log_likelihood(tau, d_prime, counts),
        bounds=(1e-9, d_prime + 12.0),
        method="bounded",
        options={"xatol": 1e-9},
    )
    return -float(found.fun), float(found.x)


@cache
def same_different(
    same_same: int, diff_same: int, same_diff: int, diff_diff: int, *, confidence: float = 0.95
) -> SameDifferent:
    """Fit the differencing model to the four counts.

    Parameters
    ----------
    same_same, diff_same : int
        Answers "same" and "different" to pairs that were the same.
    same_diff, diff_diff : int
        Answers "same" and "different" to pairs that differed.
    confidence : float, optional
        Level of the interval.

    Returns
    -------
    SameDifferent

    Raises
    ------
    ValueError
        One kind of pair was never presented.
    """
    n_same, n_diff = same_same + diff_same, same_diff + diff_diff
    if n_same < 1 or n_diff < 1:
        raise ValueError("need at least one same and one different pair")
    counts = (same_same, diff_same, same_diff, diff_diff)
    table = np.array([[diff_diff, same_diff], [diff_same, same_same]])
    p_value = float(stats.fisher_exact(table, alternative="greater").pvalue)
    best, tau, top = _maximum(counts)
    low, high = _bounds(best, top, counts, confidence)
    return SameDifferent(best, low, high, tau, top, p_value)


def _maximum(counts: tuple[int, int, int, int]) -> tuple[float, float, float]:
    same_same, diff_same, same_diff, diff_diff = counts
    p = diff_same / (same_same + diff_same)
    q = diff_diff / (same_diff + diff_diff)
    if q <= p:
        top, tau = _profile(0.0, counts)
        return 0.0, tau, top
    if q == 1.0 or p == 0.0:
        # With no "different" to a same pair, or no "same" to a different one, both run off
        # together; the likelihood rises to its bound without reaching it.
        bound = xlogy(diff_same, p) + xlog1py(same_same, -p)
        bound += xlogy(diff_diff, q) + xlog1py(same_diff, -q)
        return float("inf"), float("nan"), float(bound)
    tau = float(-_ROOT2 * stats.norm.ppf(p / 2))
    d = optimize.brentq(lambda x: said_different(tau, x)[1] - q, 0.0, tau + 40.0, xtol=1e-12)
    return float(d), tau, _log_likelihood(tau, d, counts)


def _bounds(
    best: float, top: float, counts: tuple[int, int, int, int], confidence: float
) -> tuple[float, float]:
    drop = float(stats.chi2.ppf(confidence, 1)) / 2

    def excess(d: float) -> float:
        return _profile(d, counts)[0] - top + drop

    middle = min(best, _FAR)
    low = 0.0 if excess(0.0) >= 0 else float(optimize.brentq(excess, 0.0, middle, xtol=1e-8))
    if np.isinf(best) or excess(_FAR) >= 0:
        return low, float("inf")
    return low, float(optimize.brentq(excess, middle, _FAR, xtol=1e-8))
