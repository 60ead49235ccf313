"""Exact chances of a share right that is the mean over sides, under guessing with a leaning.

The sides of a trial are its possible right answers: X is A or B, the odd one stands in one of
three places, a pair is the same or different. Who hears nothing gives each answer with some chance
of his or her own, and is right on a side as often as that answer is given: the shares right on
the sides add up to 1, so their mean is 1/2 (or 1/3) whatever the leaning.
"""

from __future__ import annotations

from collections import Counter
from functools import lru_cache
from itertools import combinations, pairwise
from math import lcm

import numpy as np
from scipy import fft, stats

__all__ = ["leanings", "sided_tail"]

#: Cells of the largest grid; beyond, the grid is coarse and shares are rounded outwards.
_MOST_CELLS, _COARSE = 1 << 14, 1 << 13
#: Steps of the leanings that are tried out, for two sides and for three.
_STEPS = {2: 30, 3: 9}


@lru_cache(maxsize=4)
def leanings(sides: int) -> tuple[tuple[float, ...], ...]:
    """Return chances of each answer on an even grid, the even-handed one among them.

    Parameters
    ----------
    sides : int
        2 or 3.

    Returns
    -------
    tuple of tuple of float
        Each adds up to 1.
    """
    steps = _STEPS[sides]
    bars = combinations(range(steps + sides - 1), sides - 1)
    ends = ((-1, *bar, steps + sides - 1) for bar in bars)
    return tuple(tuple((b - a - 1) / steps for a, b in pairwise(e)) for e in ends)


def sided_tail(
    trials: np.ndarray,
    mean: float,
    *,
    chance: np.ndarray,
    always: float = 0.0,
    upper: bool = False,
) -> np.ndarray:
    """Return the chance that the mean over sides of the shares right is as far out as `mean`.

    The share right on a side is the mean over the listeners who met that side.

    Parameters
    ----------
    trials : numpy.ndarray of int, shape (n_listeners, n_sides)
        Trials of each listener on each side; every side met by someone.
    mean : float
        Mean over sides, in [0, 1].
    chance : numpy.ndarray, shape (n_cases, n_sides)
        P(correct) on each side of a listener who is not always right; several cases at once.
    always : float, optional
        Chance that a listener is always right, on every side, drawn for each listener anew.
    upper : bool, optional
        P(mean or more) in place of P(mean or less).

    Returns
    -------
    numpy.ndarray, shape (n_cases,)
        Exact where the grid of all shares is small; otherwise shares are rounded outwards, which
        makes the chance larger, never smaller.

    Raises
    ------
    ValueError
        A side that nobody met, or as many chances as there are not sides.
    """
    n, given = np.asarray(trials, dtype=np.int64), np.asarray(chance, dtype=float)
    met = (n > 0).sum(axis=0)
    if n.ndim != 2 or given.shape[1:] != met.shape or np.any(met == 0):
        raise ValueError("need every side met by a listener, and a chance of each side")
    rows = Counter(map(tuple, n.tolist()))
    units = [count * met[s] for row in rows for s, count in enumerate(row) if count]
    common = len(met) * lcm(*map(int, units))
    cells = common if common <= _MOST_CELLS else _COARSE
    table = _distribution(rows, met, cells, given, always, upper)
    place = mean * cells
    if upper:
        tail = table[:, max(0, int(np.ceil(place - 1e-6))) :]
    else:
        tail = table[:, : int(np.floor(place + 1e-6)) + 1]
    return np.asarray(np.minimum(1.0, tail.sum(axis=1)))


def _distribution(
    rows: Counter[tuple[int, ...]],
    met: np.ndarray,
    cells: int,
    chance: np.ndarray,
    always: float,
    upper: bool,
) -> np.ndarray:
    """Return P(mean = cell / cells), one row a case."""
    sides = len(met)
    # Rounded upwards, all right may lie a few cells beyond the top.
    size = fft.next_fast_len(cells + 1 + rows.total() * sides, real=True)
    product = np.ones((len(chance), size // 2 + 1), dtype=complex)
    for row, count in rows.items():
        own, top = np.ones_like(product), 0
        for s, n in enumerate(row):
            if not n:
                continue
            k = np.arange(n + 1)
            place = k * cells / (n * met[s] * sides)
            cell = (np.ceil(place - 1e-9) if upper else np.floor(place + 1e-9)).astype(np.int64)
            weights = stats.binom.pmf(k, n, chance[:, s, None])
            own *= weights @ _waves(cell, size)
            top += int(cell[-1])
        if always:
            own = (1 - always) * own + always * _waves(np.array([top]), size)
        product *= own**count
    return np.maximum(fft.irfft(product, n=size, axis=1), 0.0)


def _waves(cell: np.ndarray, size: int) -> np.ndarray:
    """Return the Fourier transform of a point at each cell, shape (n_cells, size // 2 + 1)."""
    turns = np.outer(cell, np.arange(size // 2 + 1)) % size
    return np.asarray(np.exp(-2j * np.pi / size * turns))
