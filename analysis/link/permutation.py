"""Shuffling stages: the exact test of an order, and where lines fall by chance."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from itertools import permutations
from math import factorial

import numpy as np
from scipy.stats import rankdata

__all__ = [
    "EXACT_STAGES",
    "SAMPLES",
    "OrderTest",
    "line_band",
    "order_test",
    "rank_correlations",
    "settled",
    "smallest_order_p",
    "stage_orders",
]

#: Most stages for which every order is visited.
EXACT_STAGES = 8
#: Orders drawn where there are more stages.
SAMPLES = 20_000
#: Worths that differ by less are the same: what remains is the rounding of the fit, and no order.
_DECIMALS = 9
_BAND_POINTS = 25
_BAND_ORDERS = 2_000


@dataclass(frozen=True, slots=True)
class OrderTest:
    """Rank agreement of two figures over stages.

    Attributes
    ----------
    spearman : float
        Rank correlation, ties at mean ranks.
    p_value : float
        Share of orders of the stages with at least this correlation in size, the observed one
        included: the exact two-sided p up to eight stages. Beyond, sampled orders with one added
        to both counts (Phipson & Smyth 2010 Stat Appl Genet Mol Biol 9:39).
    exact : bool
    n_orders : int
        Orders visited.
    """

    spearman: float
    p_value: float
    exact: bool
    n_orders: int


def settled(worth: np.ndarray) -> np.ndarray:
    """Return log-worths to nine decimals, so that equal ones are ties and not an order."""
    return np.round(worth, _DECIMALS)


@lru_cache(maxsize=16)
def stage_orders(n: int, limit: int) -> np.ndarray:
    """Return every order of n stages, or a fixed sample when there are more than `limit`."""
    if factorial(n) <= limit:
        return np.array(list(permutations(range(n))), dtype=np.int8)
    rng = np.random.default_rng(n)
    return np.argsort(rng.random((limit, n)), axis=1).astype(np.int8)


def rank_correlations(first: np.ndarray, second: np.ndarray) -> np.ndarray:
    """Return rank correlations row by row; both have shape ``(..., n_stages)``.

    NaN where a row does not vary.
    """
    a, b = (rankdata(v, axis=-1) for v in (first, second))
    a, b = (v - v.mean(axis=-1, keepdims=True) for v in (a, b))
    size = np.sqrt((a * a).sum(axis=-1) * (b * b).sum(axis=-1))
    product = (a * b).sum(axis=-1)
    return np.asarray(np.where(size > 0, product / np.where(size > 0, size, 1.0), np.nan))


@lru_cache(maxsize=16)
def _untied(n: int) -> np.ndarray:
    """Return the sizes of the rank correlation over the orders of n untied values, ascending.

    Without ties every pair of figures has these same ones.
    """
    ranks = np.arange(n) - (n - 1) / 2
    orders = stage_orders(n, factorial(n) if n <= EXACT_STAGES else SAMPLES)
    return np.sort(np.abs(ranks[orders] @ ranks) / (ranks @ ranks))


def order_test(metric: np.ndarray, worth: np.ndarray) -> OrderTest:
    """Test whether two figures put the stages into one order, or its reverse.

    Parameters
    ----------
    metric, worth : numpy.ndarray, shape (n_stages,)

    Returns
    -------
    OrderTest
        NaN where one of them does not vary.
    """
    n = len(metric)
    observed = float(rank_correlations(metric, worth))
    if np.isnan(observed):
        return OrderTest(observed, float("nan"), False, 0)
    exact = n <= EXACT_STAGES
    orders = stage_orders(n, factorial(n) if exact else SAMPLES)
    a, b = rankdata(metric), rankdata(worth)
    a, b = a - a.mean(), b - b.mean()
    if len(set(a)) == len(set(b)) == n:
        extreme = len(orders) - int(np.searchsorted(_untied(n), abs(observed) - 1e-12))
    else:
        shuffled = a[orders] @ b / np.sqrt((a @ a) * (b @ b))
        extreme = int((np.abs(shuffled) >= abs(observed) - 1e-12).sum())
    add = 0 if exact else 1
    return OrderTest(observed, (extreme + add) / (len(orders) + add), exact, len(orders))


def smallest_order_p(n_stages: int) -> float:
    """Return the smallest exact two-sided p that any order of distinct values can reach."""
    return min(1.0, 2 / factorial(n_stages))


def line_band(
    metric: np.ndarray, worth: np.ndarray, *, confidence: float = 0.95
) -> dict[str, list]:
    """Return where fitted lines fall when the stages are shuffled: ``x``, ``low``, ``high``."""
    orders = stage_orders(len(metric), _BAND_ORDERS)
    x = np.linspace(metric.min(), metric.max(), _BAND_POINTS)
    centred = metric - metric.mean()
    slopes = (worth - worth.mean())[orders] @ centred / (centred @ centred)
    lines = worth.mean() + slopes[:, None] * (x - metric.mean())[None, :]
    tail = 50 * (1 - confidence)
    low, high = np.percentile(lines, [tail, 100 - tail], axis=0)
    return {"x": x.tolist(), "low": low.tolist(), "high": high.tolist()}
