"""Looking before the end: sequential tests that keep their error rates, computed and not tabulated.

Spending functions (Lan & DeMets 1983 Biometrika 70:659) like the limits of Pocock (1977 Biometrika
64:191) or O'Brien & Fleming (1979 Biometrics 35:549), by recursive integration (Armitage, McPherson
& Rowe 1969 JRSSA 132:235); and intervals that hold at every moment at once (Robbins 1970 Ann Math
Stat 41:1397, beta mixture).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from scipy import optimize, stats
from scipy.special import betaln, xlog1py, xlogy

__all__ = [
    "AlwaysValid",
    "always_valid",
    "spending_limits",
    "spent",
]


# --- group-sequential limits --------------------------------------------------------------------

_HALF_WIDTH_NODES = 161


@cache
def _rule() -> tuple[np.ndarray, np.ndarray]:
    x, w = np.polynomial.legendre.leggauss(_HALF_WIDTH_NODES)
    return x, w


def _crossing(limits: np.ndarray, information: np.ndarray) -> np.ndarray:
    """Return P(first crossing ±limit at look k) of Brownian motion at the given information."""
    x, w = _rule()
    crossed = np.empty(len(limits))
    roots = np.sqrt(information)
    nodes, weights = x * limits[0] * roots[0], w * limits[0] * roots[0]
    density = stats.norm.pdf(nodes, scale=roots[0])
    crossed[0] = 2 * stats.norm.sf(limits[0])
    for k in range(1, len(limits)):
        bound = limits[k] * roots[k]
        sd = float(np.sqrt(information[k] - information[k - 1]))
        flow = weights * density
        outside = stats.norm.sf((bound - nodes) / sd) + stats.norm.cdf((-bound - nodes) / sd)
        crossed[k] = float((flow * outside).sum())
        ahead = x * bound
        density = stats.norm.pdf(ahead[:, None] - nodes[None, :], scale=sd) @ flow
        nodes, weights = ahead, w * bound
    return crossed


def spent(share: float, *, kind: str, alpha: float = 0.05) -> float:
    """Return the error rate spent at a share of the information (Lan & DeMets 1983).

    Parameters
    ----------
    share : float
        In (0, 1].
    kind : str
        ``"obrien-fleming"``: 2 - 2Φ(z_{α/2}/√share). ``"pocock"``: α ln(1 + (e-1) share).
    alpha : float, optional

    Raises
    ------
    ValueError
        A share outside (0, 1] or an unknown kind.
    """
    if not 0 < share <= 1:
        raise ValueError(f"share must lie in (0, 1], got {share}")
    if kind == "obrien-fleming":
        return float(2 * stats.norm.sf(stats.norm.isf(alpha / 2) / np.sqrt(share)))
    if kind == "pocock":
        return float(alpha * np.log1p((np.e - 1) * share))
    raise ValueError(f"kind must be 'obrien-fleming' or 'pocock', got {kind!r}")


def spending_limits(
    shares: Sequence[float], *, kind: str = "obrien-fleming", alpha: float = 0.05
) -> np.ndarray:
    """Return two-sided limits of z at looks that need not be equally spaced.

    Parameters
    ----------
    shares : sequence of float
        Shares of the planned information at the looks, rising, in (0, 1].
    kind, alpha : optional
        See :func:`spent`.

    Returns
    -------
    numpy.ndarray, shape (n_looks,)

    Raises
    ------
    ValueError
        Shares that do not rise within (0, 1].
    """
    t = np.asarray(shares, dtype=float)
    if not t.size or t[0] <= 0 or t[-1] > 1 or np.any(np.diff(t) <= 0):
        raise ValueError(f"shares must rise within (0, 1], got {list(shares)}")
    limits: list[float] = []
    before = 0.0
    for share in t:
        total = spent(float(share), kind=kind, alpha=alpha)
        wanted = total - before
        limits.append(_next_limit(limits, t, wanted))
        before = total
    return np.array(limits)


def _next_limit(limits: list[float], t: np.ndarray, wanted: float) -> float:
    k = len(limits)

    def surplus(limit: float) -> float:
        return float(_crossing(np.array([*limits, limit]), t[: k + 1])[-1]) - wanted

    return float(optimize.brentq(surplus, 0.2, 12.0, xtol=1e-10))


# --- always valid -------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class AlwaysValid:
    """What may be said now, however often one has looked before.

    Attributes
    ----------
    e_value : float
        Evidence against `chance`: on average at most 1 for guessing, at any stopping time.
    p_value : float
        min(1, 1/e); stays valid under peeking (two-sided).
    ci_low, ci_high : float
        Interval for P(correct) that covers at all times together.
    n_correct, n_trials : int
    chance, confidence : float
    """

    e_value: float
    p_value: float
    ci_low: float
    ci_high: float
    n_correct: int
    n_trials: int
    chance: float
    confidence: float


def always_valid(
    n_correct: int, n_trials: int, *, chance: float = 0.5, confidence: float = 0.95
) -> AlwaysValid:
    """Return e-value and confidence sequence of right answers, uniform mixture.

    Trials are taken as independent: use it for one listener, or for one answer a listener.

    Raises
    ------
    ValueError
        Impossible counts or probabilities.
    """
    if n_trials < 1 or not 0 <= n_correct <= n_trials:
        raise ValueError(f"need 0 <= n_correct <= n_trials, got {n_correct} of {n_trials}")
    if not 0 < chance < 1 or not 0 < confidence < 1:
        raise ValueError("chance and confidence must lie in (0, 1)")
    wrong = n_trials - n_correct
    mixture = float(betaln(1 + n_correct, 1 + wrong))

    def log_e(p: float) -> float:
        return mixture - float(xlogy(n_correct, p) + xlog1py(wrong, -p))

    limit = -float(np.log(1 - confidence))
    best = n_correct / n_trials
    low = 0.0 if n_correct == 0 else _root(log_e, limit, 1e-300, best)
    high = 1.0 if wrong == 0 else _root(log_e, limit, best, 1 - 1e-16)
    e = float(np.exp(log_e(chance)))
    return AlwaysValid(e, min(1.0, 1 / e), low, high, n_correct, n_trials, chance, confidence)


def _root(log_e: Callable[[float], float], limit: float, low: float, high: float) -> float:
    return float(optimize.brentq(lambda p: log_e(p) - limit, low, high, xtol=1e-14))
