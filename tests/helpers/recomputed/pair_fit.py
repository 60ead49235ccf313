"""Bradley-Terry with ties (Davidson 1970) and order (Davidson and Beaver 1977), by Newton.

Errors: independent trials, and the sandwich between listeners (Liang and Zeger 1986); under unequal
weights each listener is left out in turn, linearised (Bell and McCaffrey 2002).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.sparse.csgraph import connected_components

from helpers.recomputed.shares import logit_test

#: A pair whose share of one order lies farther than this from one half is not balanced.
BALANCED = 0.05
#: An answer that is fitted as less likely than this is fitted as impossible.
IMPOSSIBLE = 1e-6


@dataclass(frozen=True)
class Answers:
    """Counts by listener, ordered pair (first heard, second heard) and outcome (1st, 2nd, tie)."""

    stages: tuple[str, ...]
    listeners: tuple[str, ...]
    cells: tuple[tuple[int, int], ...]
    counts: np.ndarray

    @staticmethod
    def of(frame: pd.DataFrame, *, order: bool = True) -> Answers:
        """Count a table of paired answers; without order the pair is sorted."""
        stages = sorted({*frame["stage_a"], *frame["stage_b"]})
        people = sorted(set(frame["listener"]))
        place, who = {s: k for k, s in enumerate(stages)}, {n: k for k, n in enumerate(people)}
        rows = []
        for a, b, said, name in zip(
            frame["stage_a"], frame["stage_b"], frame["answer"], frame["listener"], strict=True
        ):
            i, j, outcome = place[a], place[b], {"a": 0, "b": 1, "tie": 2}[said]
            if not order and i > j:
                i, j, outcome = j, i, (1, 0, 2)[outcome]
            rows.append((who[name], (i, j), outcome))
        cells = tuple(sorted({cell for _, cell, _ in rows}))
        at = {cell: k for k, cell in enumerate(cells)}
        counts = np.zeros((len(people), len(cells), 3))
        for person, cell, outcome in rows:
            counts[person, at[cell], outcome] += 1
        return Answers(tuple(stages), tuple(people), cells, counts)

    @property
    def unordered(self) -> Answers:
        """The same with the two orders of a pair added up."""
        cells = tuple(sorted({(min(c), max(c)) for c in self.cells}))
        counts = np.zeros((len(self.listeners), len(cells), 3))
        for k, (i, j) in enumerate(self.cells):
            turned = [0, 1, 2] if i < j else [1, 0, 2]
            counts[:, cells.index((min(i, j), max(i, j)))] += self.counts[:, k][:, turned]
        return Answers(self.stages, self.listeners, cells, counts)

    @property
    def weights(self) -> np.ndarray:
        """Weights under which every listener counts once: mean answers over own answers."""
        own = self.counts.sum(axis=(1, 2))
        return own.mean() / own

    def balanced(self, weights: np.ndarray) -> bool:
        """Whether each pair was given in both orders equally often, within the limit."""
        given: dict[tuple[int, int], float] = {}
        for k, cell in enumerate(self.cells):
            given[cell] = float(weights @ self.counts[:, k].sum(axis=1))
        shares = [
            given[i, j] / (given[i, j] + given.get((j, i), 0.0))
            for i, j in given
            if given[i, j] + given.get((j, i), 0.0) > 0
        ]
        return all(abs(share - 0.5) <= BALANCED for share in shares)


@dataclass(frozen=True)
class Contrast:
    """A weighted sum of log-worths with its test between listeners."""

    estimate: float
    se: float
    statistic: float
    df: int
    p: float
    low: float
    high: float

    @property
    def p_first(self) -> float:
        """One-sided p against the sum being 0 or less."""
        return self.p / 2 if self.statistic > 0 else 1 - self.p / 2


@dataclass(frozen=True)
class Fit:
    """A fitted model; covariances are of the log-worths of all stages, reference 0 in them."""

    stages: tuple[str, ...]
    worth: np.ndarray
    naive: np.ndarray
    cluster: np.ndarray
    order: float | None
    order_cluster: float | None
    log_likelihood: float
    deviance: float
    df: int
    n_trials: int
    n_listeners: int

    def weights(self, by_stage: Mapping[str, float]) -> np.ndarray:
        """Return weights by stage as an array."""
        return np.array([by_stage.get(name, 0.0) for name in self.stages])

    def contrast(self, by_stage: Mapping[str, float], confidence: float = 0.95) -> Contrast:
        """Test a contrast: a difference of two mean worths, on the scale of its share."""
        plain = self.weights(by_stage)
        size = plain[plain > 0].sum()
        if size == 0:
            return Contrast(0.0, 0.0, 0.0, self.n_listeners - 1, 1.0, 0.0, 0.0)
        w, g = plain / size, self.n_listeners
        between = np.sqrt(max(w @ self.cluster @ w, 0.0) * g / (g - 1))
        alone = np.sqrt(w @ self.naive @ w)
        # Few listeners may agree by luck, and all alike leave a sandwich nothing to stand on.
        se = alone if between < (alone if g < 12 else alone / 2) else between
        t, p, low, high = logit_test(float(w @ self.worth), float(se), g - 1, confidence)
        return Contrast(
            float(w @ self.worth * size), se * size, t, g - 1, p, low * size, high * size
        )

    def difference(self, first: str, second: str) -> Contrast:
        """Test the log-worth of one stage minus that of another."""
        return self.contrast({} if first == second else {first: 1.0, second: -1.0})


def design(answers: Answers, reference: int, *, order: bool, ties: bool) -> np.ndarray:
    """Return the log-weights of the outcomes as rows of parameters, cells by outcomes."""
    k = len(answers.stages)
    x = np.zeros((len(answers.cells), 3 if ties else 2, k + order + ties))
    for c, (i, j) in enumerate(answers.cells):
        x[c, 0, i] = x[c, 1, j] = 1
        if order:
            x[c, 1, k] = -1
        if ties:
            x[c, 2, i] = x[c, 2, j] = 0.5
            x[c, 2, -1] = 1
            if order:
                x[c, 2, k] = -0.5
    return np.delete(x, reference, axis=2)


def chances(x: np.ndarray, beta: np.ndarray) -> np.ndarray:
    """Return P(outcome) by cell; parameters may have leading axes."""
    eta = np.einsum("cop,...p->...co", x, beta)
    weight = np.exp(eta - eta.max(axis=-1, keepdims=True))
    return weight / weight.sum(axis=-1, keepdims=True)


def information(x: np.ndarray, p: np.ndarray, total: np.ndarray) -> np.ndarray:
    """Return the expected information of cells with so many trials."""
    mean = np.einsum("...co,cop->...cp", p, x)
    second = np.einsum("...co,...c,cop,coq->...pq", p, total, x, x, optimize=True)
    return second - np.einsum("...c,...cp,...cq->...pq", total, mean, mean, optimize=True)


def newton(x: np.ndarray, counts: np.ndarray, start: np.ndarray | None = None) -> np.ndarray:
    """Maximise the likelihood of counts (..., cell, outcome)."""
    total = counts.sum(axis=-1)
    shape = (*counts.shape[:-2], x.shape[2])
    beta = np.zeros(shape) if start is None else np.broadcast_to(start, shape).copy()
    for _ in range(60):
        p = chances(x, beta)
        slope = np.einsum("...co,cop->...p", counts - total[..., None] * p, x)
        step = np.linalg.solve(information(x, p, total), slope[..., None])[..., 0]
        step *= np.minimum(1.0, 2.0 / np.maximum(np.abs(step).max(axis=-1), 1e-300))[..., None]
        beta = beta + step
        if np.abs(step).max() < 1e-10:
            break
    return beta


def bounded(x: np.ndarray, pooled: np.ndarray) -> np.ndarray:
    """Fit many panels; half an answer of every kind is added where an answer looks impossible.

    With an order effect worths may be bounded where their sum with it is not. What is added is
    added to `pooled` in place.
    """
    beta = newton(x, pooled)
    given = pooled.sum(axis=-1, keepdims=True) > 0
    away = np.where(given, chances(x, beta), 1.0).min(axis=(-2, -1)) < IMPOSSIBLE
    if away.any():
        pooled[away] += 0.5
        beta[away] = newton(x, pooled[away])
    return beta


def without_maximum(answers: Answers, pooled: np.ndarray) -> bool:
    """Whether some set of stages never lost to the others (Ford 1957)."""
    k = len(answers.stages)
    won = np.zeros((k, k))
    for c, (i, j) in enumerate(answers.cells):
        won[i, j] += pooled[c, 0] + pooled[c, 2]
        won[j, i] += pooled[c, 1] + pooled[c, 2]
    return connected_components(won > 0, directed=True, connection="strong")[0] > 1


def fit(
    answers: Answers, *, reference: str | None = None, once: bool = True, order: bool | None = None
) -> Fit:
    """Fit; `once` weights listeners alike; order is fitted where places were not balanced."""
    weights = answers.weights if once else np.ones(len(answers.listeners))
    order = not answers.balanced(weights) if order is None else order
    cells = answers if order else answers.unordered
    ties = bool(cells.counts[:, :, 2].any())
    place = len(cells.stages) - 1 if reference is None else cells.stages.index(reference)
    x = design(cells, place, order=order, ties=ties)
    given = cells.counts[:, :, : x.shape[1]]
    pooled = np.einsum("l,lco->co", weights, given)
    full = np.pad(pooled, ((0, 0), (0, 3 - x.shape[1])))
    added = 0.5 if without_maximum(cells, full) else 0.0
    answered = pooled + added
    beta = bounded(x, answered[None])[0] if order else newton(x, answered)
    added = float(answered[0, 0] - pooled[0, 0])
    p, total, k = chances(x, beta), pooled.sum(axis=1), len(cells.stages)
    bread = np.linalg.inv(information(x, p, total + added * x.shape[1]))
    own = given.sum(axis=2)
    scores = weights[:, None] * np.einsum("lco,cop->lp", given - own[:, :, None] * p, x)
    g, naive = len(weights), bread
    if np.ptp(weights) > 0:
        each = np.stack([information(x, p, n) for n in own])
        extra = np.einsum("l,lpq->pq", weights**2 - weights, each)
        naive = bread @ (np.linalg.inv(bread) + extra) @ bread
        left = np.eye(len(bread)) - weights[:, None, None] * each @ bread
        scores = np.linalg.solve(left, scores[..., None])[..., 0] * (g - 1) / g
    cluster = bread @ scores.T @ scores @ bread
    log_p = np.log(np.maximum(p, 1e-300))
    share = pooled / total[:, None]
    best = float(np.where(pooled > 0, pooled * np.log(np.maximum(share, 1e-300)), 0).sum())
    ll = float((pooled * log_p).sum())
    whole = [_with_reference(v[: k - 1, : k - 1], place) for v in (naive, cluster)]
    return Fit(
        cells.stages,
        np.insert(beta[: k - 1], place, 0.0),
        *whole,
        float(beta[k - 1]) if order else None,
        float(np.sqrt(cluster[k - 1, k - 1])) if order else None,
        ll,
        2 * (best - ll),
        len(cells.cells) * (x.shape[1] - 1) - len(beta),
        round(float(given.sum())),
        g,
    )


def _with_reference(matrix: np.ndarray, place: int) -> np.ndarray:
    wider = np.insert(matrix, place, 0.0, axis=0)
    return np.insert(wider, place, 0.0, axis=1)


def centred(worth: Sequence[float]) -> np.ndarray:
    """Return log-worths about their mean."""
    values = np.asarray(worth, dtype=float)
    return values - values.mean()
