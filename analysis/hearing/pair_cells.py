"""Answers of one method and one pair, by listener and programme."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd

from analysis.hearing.sides import (
    SIDES,
    SideCounts,
    listener_sums,
    right_side,
    sides_of,
)
from analysis.tables.trials import FORCED_CHOICE, TrialTable, label_codes

__all__ = [
    "PairCells",
    "answers_by_side",
    "forced_choice_cells",
    "panel_answers",
    "panel_counts",
]


@dataclass(frozen=True)
class PairCells:
    """Answers of one method and one pair, by listener and programme.

    Attributes
    ----------
    pair : tuple of str
        Stages in sorted order.
    method : str
    cells : pandas.DataFrame
        ``listener``, ``programme``, ``n_trials``, ``n_correct`` and the same by side, which is
        the possible answer that was right: ``n_side_a``, ``n_side_a_correct`` and so on for b and
        in a triangle c; for same-different ``n_same`` (pairs that were the same) and
        ``n_same_correct``. Counts made elsewhere may leave the sides out; they then count as
        balanced.
    """

    pair: tuple[str, str]
    method: str
    cells: pd.DataFrame

    @property
    def testable(self) -> bool:
        """Whether right answers can speak of hearing.

        Trials in which a possible answer was never the right one cannot: who always says
        "different" is always right where every pair differs.
        """
        return self.sides is None or self.sides.places != "confounded"

    @cached_property
    def sides(self) -> SideCounts | None:
        """Answers by listener and side, None where the counts do not tell the sides."""
        return sides_of(self.cells)

    @cached_property
    def answers(self) -> tuple[np.ndarray, np.ndarray]:
        """Correct and answered trials by listener, and by side where needed.

        For :func:`analysis.hearing.sides.panel_share`. No trials where no rule can tell hearing
        from a habit of answering.
        """
        return answers_by_side(self.cells, self.sides)

    @cached_property
    def counts(self) -> tuple[np.ndarray, np.ndarray]:
        """Correct and answered trials by listener, as :func:`panel_counts` gives them."""
        return panel_counts(self.cells)


def forced_choice_cells(table: TrialTable) -> list[PairCells]:
    """Count the scored forced-choice trials, controls left out.

    A same-different trial with one stage in both positions belongs to the pair that its
    ``stage_x`` completes; without ``stage_x`` it serves every pair of that stage.

    Returns
    -------
    list of PairCells
        By method and pair.
    """
    result = []
    for method in FORCED_CHOICE:
        frame = table.of(method)
        frame = frame.loc[frame["correct"].notna()]
        if len(frame):
            result.extend(_method_cells(frame, method))
    return result


def _method_cells(frame: pd.DataFrame, method: str) -> list[PairCells]:
    stages, (a, b, c, x) = label_codes(frame, "stage_a", "stage_b", "stage_c", "stage_x")
    # Same and different tell it by columns of their own.
    side = None if method == "same-different" else right_side(method, a, b, c, x)
    if method == "triangle":
        b = np.where(a == b, c, b)
    listeners, (listener,) = label_codes(frame, "listener")
    programmes, (programme,) = label_codes(frame, "programme")
    same = a == b
    counted = pd.DataFrame(
        {
            "low": np.minimum(a, b),
            "high": np.maximum(a, b),
            "listener": listener,
            "programme": programme,
            "n_trials": 1,
            "n_correct": frame["correct"].to_numpy().astype(np.int64),
            "n_same": same.astype(np.int64),
        }
    )
    counted["n_same_correct"] = counted["n_correct"] * counted["n_same"]
    if side is not None:
        for place, name in enumerate(SIDES[method]):
            counted[f"n_side_{name}"] = (side == place).astype(np.int64)
            counted[f"n_side_{name}_correct"] = counted["n_correct"] * counted[f"n_side_{name}"]
    if method == "same-different":
        counted = _place_same_pairs(counted, x, nobody=stages.index("") if "" in stages else -1)
    keys = ["low", "high", "listener", "programme"]
    cells = counted.groupby(keys, sort=True).sum().reset_index()
    cells["listener"] = np.array(listeners, dtype=object)[cells["listener"]]
    cells["programme"] = np.array(programmes, dtype=object)[cells["programme"]]
    low, high = cells["low"].to_numpy(), cells["high"].to_numpy()
    spare = [] if method == "same-different" else ["n_same", "n_same_correct"]
    kept = cells.drop(columns=["low", "high", *spare])
    if cells.empty:
        return []
    begins = np.flatnonzero(np.r_[True, (np.diff(low) != 0) | (np.diff(high) != 0)])
    return [
        PairCells((stages[low[first]], stages[high[first]]), method, kept.iloc[first:last])
        for first, last in zip(begins, np.r_[begins[1:], len(cells)], strict=True)
    ]


def _place_same_pairs(counted: pd.DataFrame, x: np.ndarray, *, nobody: int) -> pd.DataFrame:
    same = (counted["n_same"] == 1).to_numpy()
    stage = counted["low"].to_numpy()
    pairs = counted.loc[~same, ["low", "high"]].drop_duplicates()
    named = same & (x != nobody) & (x != stage)
    placed = counted.loc[named].copy()
    placed["low"], placed["high"] = (
        np.minimum(stage, x)[named],
        np.maximum(stage, x)[named],
    )
    loose = counted.loc[same & ~named].drop(columns="high").rename(columns={"low": "stage"})
    both = pd.concat(
        [pairs.assign(stage=pairs["low"]), pairs.assign(stage=pairs["high"])], ignore_index=True
    )
    shared = loose.merge(both, on="stage", how="inner").drop(columns="stage")
    return pd.concat([counted.loc[~same], placed, shared[counted.columns]], ignore_index=True)


def panel_answers(cells: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Return correct and answered trials by listener, and by side where sides must be allowed for.

    Parameters
    ----------
    cells : pandas.DataFrame
        As in :class:`PairCells`.

    Returns
    -------
    correct, trials : numpy.ndarray, shape (n_listeners,) or (n_listeners, n_sides)
        For :func:`analysis.hearing.sides.panel_share`. No trials where no rule can tell hearing
        from a habit of answering.
    """
    return answers_by_side(cells, sides_of(cells))


def answers_by_side(cells: pd.DataFrame, sides: SideCounts | None) -> tuple[np.ndarray, np.ndarray]:
    """Return what :func:`panel_answers` does, from sides that are already counted."""
    if sides is None:
        return panel_counts(cells)
    if sides.places == "confounded":
        return np.zeros(len(sides.listeners)), np.zeros(len(sides.listeners))
    return sides.answers


def panel_counts(cells: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Return correct and answered trials by listener, one number each.

    Where sides must be allowed for (:mod:`analysis.hearing.sides`) a listener's own sides count
    alike, so that the share right is 1/2 by guessing, or 1/3, whatever the leaning; correct answers
    may then be fractions, and listeners who met one side only get no trials. Verdicts rest on
    :func:`panel_answers`, which keeps those listeners.

    Parameters
    ----------
    cells : pandas.DataFrame
        As in :class:`PairCells`.

    Returns
    -------
    correct, trials : numpy.ndarray, shape (n_listeners,)
    """
    sides = sides_of(cells)
    if sides is None:
        # Plans ask this a hundred thousand times, where grouping a frame would take most of it.
        sums = listener_sums(cells)[1]
        return sums["n_correct"], sums["n_trials"]
    right, total = sides.right.sum(axis=1), sides.trials.sum(axis=1)
    if sides.places == "balanced" and not sides.by_sides:
        return right, total
    every = (sides.trials > 0).all(axis=1)
    even = sides.trials.max(axis=1) == sides.trials.min(axis=1)
    share = (sides.right / np.maximum(sides.trials, 1)).mean(axis=1)
    own = np.where(even, right, total * share)
    return np.where(every, own, 0), np.where(every, total, 0)
