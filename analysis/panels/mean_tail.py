"""Exact chances of a mean over listeners of unequal visits.

Every listener adds one number, the share k/n of own right answers, and counts once, however long
the visit was. Under a stated population each k is binomial, or the listener belongs to the share
of people who are always right; the distribution of the sum of shares is the convolution of the
listeners' own, found by a Fourier transform on a grid that holds all shares.
"""

from __future__ import annotations

from collections import Counter
from functools import lru_cache
from math import lcm

import numpy as np
from scipy import fft, stats

__all__ = ["mean_tail"]

#: Finest grid: steps between no and all answers right. A multiple of every number up to 10.
_FINEST, _COARSER = 5040, 2520
#: Cells of the largest table; beyond, the grid is made coarser.
_MOST_CELLS = 1 << 20


def mean_tail(
    trials: np.ndarray,
    mean: float,
    *,
    chance: float,
    always: float = 0.0,
    upper: bool = False,
) -> float:
    """Return the chance that the mean over listeners of their shares right is as far out as `mean`.

    Parameters
    ----------
    trials : numpy.ndarray of int, shape (n_listeners,)
        Trials of each listener, 1 or more.
    mean : float
        Mean over listeners of the shares right, in [0, 1].
    chance : float
        P(correct) of a listener who is not always right.
    always : float, optional
        Chance that a listener is always right, drawn for each listener anew. With `chance` the
        guessing probability this is the population of discriminators and guessers, the one of all
        populations with its mean in which listeners differ most.
    upper : bool, optional
        P(mean or more) in place of P(mean or less).

    Returns
    -------
    float
        Exact where the visits' lengths have a small common multiple; otherwise shares are rounded
        outwards to a grid of 1/2520 or so, which makes the chance larger, never smaller.

    Raises
    ------
    ValueError
        No listeners, a visit without trials, or a probability outside [0, 1].
    """
    n = np.asarray(trials)
    if n.size == 0 or np.any(n < 1):
        raise ValueError("need at least one listener, and one trial of each")
    if not 0 <= chance <= 1 or not 0 <= always <= 1 or not 0 <= mean <= 1:
        raise ValueError(f"need probabilities in [0, 1], got {chance}, {always}, {mean}")
    visits = tuple(sorted(Counter(int(v) for v in n).items()))
    step, table = _distribution(visits, chance, always, upper)
    # A share of exactly `mean` counts; a cell is left for the rounding of the mean itself.
    place = mean * n.size * step
    if upper:
        first = max(0, int(np.ceil(place - 1e-6 * step)))
        return float(min(1.0, table[first:].sum()))
    last = int(np.floor(place + 1e-6 * step))
    return float(min(1.0, table[: last + 1].sum()))


def _step(visits: tuple[tuple[int, int], ...]) -> int:
    """Return how many steps the grid has between 0 and 1."""
    listeners = sum(count for _, count in visits)
    common = lcm(*(n for n, _ in visits))
    most = max(1, _MOST_CELLS // (listeners + 1))
    if common <= min(_FINEST, most):
        return common
    return min(_COARSER, most)


@lru_cache(maxsize=256)
def _distribution(
    visits: tuple[tuple[int, int], ...], chance: float, always: float, upper: bool
) -> tuple[int, np.ndarray]:
    """Return the grid's steps and P(sum of shares = cell / steps)."""
    step = _step(visits)
    cells = sum(count for _, count in visits) * step + 1
    size = fft.next_fast_len(cells, real=True)
    product = np.ones(size // 2 + 1, dtype=complex)
    for n, count in visits:
        k = np.arange(n + 1)
        place = k * step / n
        # Outwards is downwards for the chance of so little, upwards for the chance of so much.
        cell = (np.ceil(place - 1e-9) if upper else np.floor(place + 1e-9)).astype(np.int64)
        own = (1 - always) * stats.binom.pmf(k, n, chance)
        own[-1] += always
        product *= fft.rfft(np.bincount(cell, weights=own, minlength=size)) ** count
    return step, np.maximum(fft.irfft(product, n=size)[:cells], 0.0)
