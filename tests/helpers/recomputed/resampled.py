"""Panels of listeners drawn with replacement, each fitted anew, with Monte Carlo errors."""

from __future__ import annotations

from typing import Any

import numpy as np
from scipy import stats

from helpers.recomputed.pair_fit import Answers, Fit, bounded, design
from helpers.recomputed.study import Drawn, Recomputed

#: Worths that differ by less are the same.
SAME = 1e-7


def panels(s: Recomputed, answers: Answers, whole: Fit) -> np.ndarray:
    """Return log-worths about their mean, panels by stages, widened for small panels."""
    return s.once("panels", lambda: _panels(answers, whole, s.n_draws))


def _panels(answers: Answers, whole: Fit, n: int) -> np.ndarray:
    weights, order = answers.weights, whole.order is not None
    cells = answers if order else answers.unordered
    ties = bool(cells.counts[:, :, 2].any())
    x = design(cells, len(cells.stages) - 1, order=order, ties=ties)
    given = weights[:, None, None] * cells.counts[:, :, : x.shape[1]]
    g = len(weights)
    rng = np.random.default_rng(20_261_130)
    drawn = rng.integers(0, g, (n, g))
    times = np.stack([np.bincount(row, minlength=g) for row in drawn])
    pooled = np.einsum("nl,lco->nco", times, given)
    pooled[_unbounded(cells, pooled)] += 0.5
    k = len(cells.stages)
    worth = np.concatenate([bounded(x, pooled)[:, : k - 1], np.zeros((n, 1))], axis=1)
    worth -= worth.mean(axis=1, keepdims=True)
    centre = whole.worth - whole.worth.mean()
    wider = np.sqrt(g / (g - 1)) * stats.t.ppf(0.975, g - 1) / stats.norm.ppf(0.975)
    return centre + wider * (worth - centre)


def _unbounded(cells: Answers, pooled: np.ndarray) -> np.ndarray:
    """Tell which panels have a set of stages that never lost to the others (Ford 1957)."""
    k = len(cells.stages)
    reach = np.repeat(np.eye(k)[None], len(pooled), axis=0)
    for c, (i, j) in enumerate(cells.cells):
        tied = pooled[:, c, 2] if pooled.shape[2] == 3 else 0.0
        reach[:, i, j] += pooled[:, c, 0] + tied
        reach[:, j, i] += pooled[:, c, 1] + tied
    for _ in range(k.bit_length()):
        reach = ((reach @ reach) > 0).astype(float)
    return ~(reach > 0).all(axis=(1, 2))


def share(s: Recomputed, shared: np.ndarray, theirs: int | None = None) -> Drawn:
    """Return a share of panels with the error of its difference from one over their panels.

    The variance is that of a share with two panels added on either side, so that a share of 0
    or 1 has an error too (the rule of Agresti and Coull 1998).
    """
    n, p = len(shared), float(np.mean(shared))
    steady = (p * n + 2) / (n + 4)
    per_draw = steady * (1 - steady)
    return Drawn(p, float(np.sqrt(per_draw * (1 / n + 1 / (theirs or s.their_draws)))))


def first(s: Recomputed, values: np.ndarray) -> list[Drawn]:
    """Return by column in how many panels it is the largest; equals share the panel."""
    top = values >= values.max(axis=1, keepdims=True) - SAME
    return [share(s, column) for column in (top / top.sum(axis=1, keepdims=True)).T]


def most_gain(s: Recomputed, gains: np.ndarray) -> list[Drawn]:
    """Return by column in how many panels it gains most, and gains at all."""
    top = gains.max(axis=1, keepdims=True)
    best = (gains >= top - SAME) & (top > SAME)
    shared = best / np.maximum(best.sum(axis=1, keepdims=True), 1)
    return [share(s, column) for column in shared.T]


def of(panel: np.ndarray, stages: tuple[str, ...], names: list[str]) -> Any:
    """Return the columns of some stages."""
    return panel[:, [stages.index(name) for name in names]]
