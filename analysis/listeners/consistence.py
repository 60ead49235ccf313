"""Circular triads, and agreement of a panel on pairs."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from functools import cache
from math import comb

import numpy as np
from scipy import stats

__all__ = [
    "Agreement",
    "CircularTriads",
    "circular_triads",
    "panel_agreement",
    "triad_distribution",
    "triads_of",
]


#: Largest round-robin for which the exact distribution of circular triads is computed.
_EXACT_LIMIT = 10


@dataclass(frozen=True, slots=True)
class CircularTriads:
    """Consistency of one round-robin.

    Attributes
    ----------
    n_stages, triads, most, expected : float
        Circular triads found, possible, and expected from guessing.
    zeta : float
        Coefficient of consistence: 1 without circular triads, 0 with as many as possible.
    p_value : float
        P(triads or fewer) when every answer is a guess: small for a consistent listener.
    """

    n_stages: int
    triads: int
    most: int
    expected: float
    zeta: float
    p_value: float


@cache
def triad_distribution(n_stages: int) -> dict[int, int]:
    """Return how many of the 2^(n(n-1)/2) tournaments have each number of circular triads.

    Tournaments are built stage by stage; only the multiset of scores matters, because the number
    of circular triads is C(n,3) - Σ C(score,2) (Kendall & Babington Smith 1940 Biometrika 31:324).

    Raises
    ------
    ValueError
        Fewer than 1 or more than 10 stages (the count of score sets explodes).
    """
    if not 1 <= n_stages <= _EXACT_LIMIT:
        raise ValueError(f"exact distribution needs 1 to {_EXACT_LIMIT} stages, got {n_stages}")
    states: Counter[tuple[int, ...]] = Counter({(0,): 1})
    for size in range(1, n_stages):
        grown: Counter[tuple[int, ...]] = Counter()
        for scores, ways in states.items():
            for raised, choices, lost in _raise_some(tuple(sorted(Counter(scores).items()))):
                grown[tuple(sorted((*raised, size - lost)))] += ways * choices
        states = grown
    result: Counter[int] = Counter()
    for scores, ways in states.items():
        result[comb(n_stages, 3) - sum(comb(s, 2) for s in scores)] += ways
    return dict(sorted(result.items()))


@cache
def _raise_some(
    groups: tuple[tuple[int, int], ...],
) -> tuple[tuple[tuple[int, ...], int, int], ...]:
    """Return (new scores, ways, number of wins) for every set of stages that beats the new one."""
    if not groups:
        return (((), 1, 0),)
    (score, size), rest = groups[0], groups[1:]
    result = []
    for tail, ways, wins in _raise_some(rest):
        for k in range(size + 1):
            head = (score,) * (size - k) + (score + 1,) * k
            result.append((head + tail, ways * comb(size, k), wins + k))
    return tuple(result)


def circular_triads(won: np.ndarray) -> CircularTriads:
    """Count circular triads in a complete round-robin.

    Parameters
    ----------
    won : numpy.ndarray of bool, shape (n_stages, n_stages)
        Row preferred to column; exactly one of each pair.

    Returns
    -------
    CircularTriads
        The p-value is exact up to 10 stages and beyond that from the chi-square approximation of
        Kendall & Babington Smith (1940).

    Raises
    ------
    ValueError
        Not a complete round-robin of at least three stages.
    """
    w = np.asarray(won, dtype=bool)
    n = len(w)
    if n < 3 or not np.array_equal(w ^ w.T, ~np.eye(n, dtype=bool)):
        raise ValueError("need a complete round-robin of at least three stages")
    scores = w.sum(axis=1)
    return triads_of(n, comb(n, 3) - sum(comb(int(s), 2) for s in scores))


@cache
def triads_of(n: int, triads: int) -> CircularTriads:
    """Return the consistency of a round-robin of `n` stages with so many circular triads."""
    most = (n**3 - n) // 24 if n % 2 else (n**3 - 4 * n) // 24
    return CircularTriads(n, triads, most, comb(n, 3) / 4, 1 - triads / most, _triad_p(n, triads))


def _triad_p(n: int, triads: int) -> float:
    if n <= _EXACT_LIMIT:
        table = triad_distribution(n)
        few = sum(ways for count, ways in table.items() if count <= triads)
        return few / 2 ** comb(n, 2)
    df = n * (n - 1) * (n - 2) / (n - 4) ** 2
    chi2 = 8 / (n - 4) * (comb(n, 3) / 4 - triads + 0.5) + df
    return float(stats.chi2.sf(chi2, df))


@dataclass(frozen=True, slots=True)
class Agreement:
    """Kendall's coefficient of agreement u.

    Attributes
    ----------
    u, u_min : float
        1 when all listeners agree on every pair; `u_min` is the least possible.
    statistic, df, p_value : float
        Chi-square with continuity correction that the agreement is chance; NaN where listeners
        did not all judge all pairs, or for two listeners.
    n_listeners, n_stages : int
    """

    u: float
    u_min: float
    statistic: float
    df: float
    p_value: float
    n_listeners: int
    n_stages: int


def panel_agreement(shares: np.ndarray) -> Agreement:
    """Return Kendall's u from each listener's share of answers for the first stage of each pair.

    With shares of 0 and 1 this is Kendall & Babington Smith (1940); shares between count as the
    chance that two answers drawn from two listeners agree.

    Parameters
    ----------
    shares : numpy.ndarray, shape (n_listeners, n_pairs)
        NaN where a listener did not judge a pair.

    Returns
    -------
    Agreement

    Raises
    ------
    ValueError
        No pair was judged by two listeners.
    """
    known = np.isfinite(shares)
    filled = np.where(known, shares, 0.0)
    m = known.sum(axis=0)
    first, second = filled.sum(axis=0), np.where(known, 1 - filled, 0.0).sum(axis=0)
    own = np.where(known, filled**2 + (1 - filled) ** 2, 0.0).sum(axis=0)
    judged = m > 1
    if not judged.any():
        raise ValueError("no pair was judged by two listeners")
    together = (first**2 + second**2 - own)[judged] / 2
    couples = m[judged] * (m[judged] - 1) / 2
    u = float(2 * together.sum() / couples.sum() - 1)
    listeners, pairs = len(shares), shares.shape[1]
    n_stages = round((1 + np.sqrt(1 + 8 * pairs)) / 2)
    whole = bool(known.all() and np.isin(filled, (0.0, 1.0)).all())
    statistic, df, p = _agreement_test(together.sum(), listeners, pairs, whole)
    top = int(m.max())
    u_min = -1 / (top - 1) if top % 2 == 0 else -1 / top
    return Agreement(u, u_min, statistic, df, p, listeners, n_stages)


def _agreement_test(together: float, m: int, pairs: int, whole: bool) -> tuple[float, float, float]:
    if not whole or m < 3:
        return float("nan"), float("nan"), float("nan")
    # Σ runs over both halves of the table: agreements between listeners on every pair.
    expected = pairs * comb(m, 2) * (m - 3) / (m - 2) / 2
    df = pairs * m * (m - 1) / (m - 2) ** 2
    chi2 = 4 / (m - 2) * (together - 1 - expected)
    return float(chi2), float(df), float(stats.chi2.sf(max(chi2, 0.0), df))
