"""Paired answers as counts: what every preference model works on.

A trial of stage i (position A) against stage j (position B) becomes one count in a cell
(listener, ordered pair, outcome). All models of this package are sums over these cells, so a
table of a million trials costs as much as its distinct cells.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

__all__ = ["PairCounts", "components", "pair_counts", "separated", "split_pair_counts"]

_OUTCOME = {"a": 0, "b": 1, "tie": 2}


@dataclass(frozen=True, slots=True)
class PairCounts:
    """Paired answers of a panel.

    Attributes
    ----------
    stages, listeners : tuple of str
        Labels; stages in sorted order.
    first, second : numpy.ndarray of int, shape (n_cells,)
        Stage index in position A and in position B; every ordered pair that occurs, once.
    counts : numpy.ndarray, shape (n_listeners, n_cells, 3)
        Answers for the first, for the second, ties.
    """

    stages: tuple[str, ...]
    listeners: tuple[str, ...]
    first: np.ndarray
    second: np.ndarray
    counts: np.ndarray

    @property
    def n_trials(self) -> int:
        """Answers in total."""
        return round(float(self.counts.sum()))

    @property
    def n_listeners(self) -> int:
        """Listeners in total."""
        return len(self.listeners)

    @property
    def has_ties(self) -> bool:
        """Whether anyone answered "no preference"."""
        return bool(self.counts[:, :, 2].any())

    def unordered(self) -> PairCounts:
        """Return the same answers with the position forgotten (first < second)."""
        flip = self.first > self.second
        low, high = np.minimum(self.first, self.second), np.maximum(self.first, self.second)
        turned = self.counts.copy()
        turned[:, flip, 0], turned[:, flip, 1] = (
            self.counts[:, flip, 1],
            self.counts[:, flip, 0],
        )
        keys, cell = np.unique(low * len(self.stages) + high, return_inverse=True)
        # Cells of the same pair stand together in this order, and are added up where they do.
        order = np.argsort(cell, kind="stable")
        begins = np.searchsorted(cell[order], np.arange(len(keys)))
        merged = turned[:, order]
        if len(keys) < len(cell):
            merged = np.add.reduceat(merged, begins, axis=1)
        first, second = np.divmod(keys, len(self.stages))
        return PairCounts(self.stages, self.listeners, first, second, merged)

    def only(self, stages: list[int]) -> PairCounts:
        """Return the answers between some of the stages (indices, ascending)."""
        place = np.full(len(self.stages), -1)
        place[stages] = np.arange(len(stages))
        keep = (place[self.first] >= 0) & (place[self.second] >= 0)
        counts = self.counts[:, keep]
        heard = counts.sum(axis=(1, 2)) > 0
        return PairCounts(
            tuple(self.stages[k] for k in stages),
            tuple(name for name, yes in zip(self.listeners, heard, strict=True) if yes),
            place[self.first[keep]],
            place[self.second[keep]],
            counts[heard],
        )

    @property
    def totals(self) -> np.ndarray:
        """Answers of each listener, shape ``(n_listeners,)``."""
        return np.asarray(self.counts.sum(axis=(1, 2)))

    def weighted(self, weights: np.ndarray) -> PairCounts:
        """Return the answers with every listener's multiplied by a weight."""
        return replace(self, counts=self.counts * weights[:, None, None])

    def wins(self) -> np.ndarray:
        """Return how often row stage was chosen over column stage, ties left out."""
        matrix = np.zeros((len(self.stages), len(self.stages)))
        total = self.counts.sum(axis=0)
        np.add.at(matrix, (self.first, self.second), total[:, 0])
        np.add.at(matrix, (self.second, self.first), total[:, 1])
        return matrix


def pair_counts(frame: pd.DataFrame) -> PairCounts:
    """Count paired answers.

    Parameters
    ----------
    frame : pandas.DataFrame
        Paired trials with categorical ``listener``, ``stage_a``, ``stage_b``, ``answer``.

    Returns
    -------
    PairCounts
    """
    return next(iter(split_pair_counts(frame, by=None).values()))


def split_pair_counts(frame: pd.DataFrame, *, by: str | None) -> dict[str, PairCounts]:
    """Count paired answers in parts that share stages, listeners and cells.

    Parameters
    ----------
    frame : pandas.DataFrame
        As for :func:`pair_counts`.
    by : str or None
        Categorical column to split by; None makes one part named "".

    Returns
    -------
    dict of str to PairCounts
        In sorted order of the column's values.
    """
    stages = sorted(set(frame["stage_a"].unique()) | set(frame["stage_b"].unique()))
    listeners = sorted(frame["listener"].unique())
    a, b = (_codes(frame[name], stages) for name in ("stage_a", "stage_b"))
    person = _codes(frame["listener"], listeners)
    outcome = _codes(frame["answer"], list(_OUTCOME))
    keys, cell = np.unique(a * len(stages) + b, return_inverse=True)
    first, second = np.divmod(keys, max(len(stages), 1))
    groups = [""] if by is None else sorted(frame[by].unique())
    group = np.zeros(len(frame), dtype=np.int64) if by is None else _codes(frame[by], groups)
    shape = (len(groups), len(listeners), len(keys), 3)
    flat = ((group * len(listeners) + person) * len(keys) + cell) * 3 + outcome
    counts = np.bincount(flat, minlength=int(np.prod(shape))).reshape(shape).astype(np.float64)
    return {
        name: PairCounts(tuple(stages), tuple(listeners), first, second, counts[k])
        for k, name in enumerate(groups)
    }


def _codes(column: pd.Series, labels: list[str]) -> np.ndarray:
    position = {label: k for k, label in enumerate(labels)}
    categories = column.cat.categories
    lookup = np.array([position.get(label, -1) for label in categories], dtype=np.int64)
    return lookup[column.cat.codes.to_numpy()]


def components(counts: PairCounts) -> list[list[int]]:
    """Return the groups of stages that are linked by comparisons, largest first."""
    total = counts.counts.sum(axis=(0, 2)) > 0
    size = len(counts.stages)
    linked = np.zeros((size, size), dtype=bool)
    linked[counts.first[total], counts.second[total]] = True
    first = _reach(linked | linked.T).argmax(axis=1)
    groups = [[int(k) for k in np.flatnonzero(first == g)] for g in np.unique(first)]
    return sorted(groups, key=lambda group: (-len(group), group))


def _reach(linked: np.ndarray) -> np.ndarray:
    """Tell from where one gets where along links, each place from itself as well."""
    size = linked.shape[-1]
    reach = (linked | np.eye(size, dtype=bool)).astype(np.float32)
    for _ in range(max(1, int(np.ceil(np.log2(max(size, 2)))))):
        if reach.all():
            break
        reach = (reach @ reach > 0).astype(np.float32)
    return reach > 0


def separated(won: np.ndarray) -> np.ndarray:
    """Tell where maximum likelihood would run to infinity.

    The Bradley-Terry estimate is finite exactly when every stage can be reached from every other
    along "was chosen over" (Ford 1957 Am Math Monthly 64(8):28); a tie counts both ways.

    Parameters
    ----------
    won : numpy.ndarray, shape (..., n_stages, n_stages)
        Times the row was chosen over the column (ties may be added on both sides).

    Returns
    -------
    numpy.ndarray of bool, shape (...)
    """
    return ~np.all(_reach(won > 0), axis=(-2, -1))
