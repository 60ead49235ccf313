"""How far each listener and each programme moves an estimate.

An estimate about a panel is, to first order, a sum of contributions of cells: one listener with
one programme. Summed by listener they tell who moves it, summed by programme which music does;
their scatter both ways is what a verdict about other listeners and other music rests on.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from analysis.hearing.dprime import CHANCE
from analysis.hearing.pair_cells import PairCells
from analysis.models.bradley_terry import PairModelFit, fit_pair_model
from analysis.models.pair_design import design, probabilities
from analysis.panels.proportions import share_right
from analysis.tables.counts import PairCounts

__all__ = ["Contributions", "hearing_contributions", "hearing_limit", "worth_contributions"]


@dataclass(frozen=True, slots=True, eq=False)
class Contributions:
    """An estimate in parts.

    Attributes
    ----------
    estimate : float
        Mean over listeners, in which each of a listener's programmes counts once.
    listeners, programmes : tuple of str
    moves : numpy.ndarray, shape (n_listeners, n_programmes)
        By how much each cell moves the estimate off where the others put it; about 0 in sum.
    weight : numpy.ndarray, shape (n_listeners, n_programmes)
        Share of each cell in the error of the estimate, were all trials independent; 1 in sum, 0
        where nothing was asked.
    naive : float
        Variance of the estimate, were all trials independent.
    """

    estimate: float
    listeners: tuple[str, ...]
    programmes: tuple[str, ...]
    moves: np.ndarray
    weight: np.ndarray
    naive: float

    @property
    def by_listener(self) -> np.ndarray:
        """Moves of each listener, shape ``(n_listeners,)``."""
        return np.asarray(self.moves.sum(axis=1))


def hearing_contributions(group: PairCells) -> Contributions:
    """Take the mean share of right answers apart.

    The estimand is the mean over listeners; within each, the programmes that the listener heard
    count once each, whatever their numbers of trials. In same-different trials the two kinds of
    pair count alike, as in :func:`analysis.hearing.pair_cells.panel_counts`.

    Parameters
    ----------
    group : PairCells
        With some trial that can be scored.

    Returns
    -------
    Contributions
        On the scale of the share of right answers.
    """
    kinds, listeners, programmes = _hearing_tables(group)
    heard = np.all([asked.sum(axis=1) > 0 for _, asked in kinds], axis=0)
    n = int(heard.sum())
    moves = np.zeros((len(listeners), len(programmes)))
    noise = np.zeros_like(moves)
    estimate = 0.0
    for right, asked in kinds:
        used = (asked > 0) & heard[:, None]
        part = used / (np.maximum(used.sum(axis=1, keepdims=True), 1) * n * len(kinds))
        share = np.where(used, right / np.maximum(asked, 1), 0.0)
        mean = float((part * share).sum()) * len(kinds)
        estimate += mean / len(kinds)
        moves += part * (share - mean)
        noise += part**2 / np.maximum(asked, 1)
    keep = [name for name, yes in zip(listeners, heard, strict=True) if yes]
    moves, noise = moves[heard], noise[heard]
    total = float(noise.sum())
    naive = total * estimate * (1 - estimate)
    return Contributions(estimate, tuple(keep), tuple(programmes), moves, noise / total, naive)


def _hearing_tables(
    group: PairCells,
) -> tuple[list[tuple[np.ndarray, np.ndarray]], list[str], list[str]]:
    """Return right and given answers by listener and programme, for each kind of pair."""
    cells = group.cells
    listeners = sorted(cells["listener"].astype(str).unique())
    programmes = sorted(cells["programme"].astype(str).unique())
    row = np.searchsorted(listeners, cells["listener"].astype(str))
    column = np.searchsorted(programmes, cells["programme"].astype(str))

    def table(values: np.ndarray) -> np.ndarray:
        made = np.zeros((len(listeners), len(programmes)))
        np.add.at(made, (row, column), values)
        return made

    right, asked = (table(cells[name].to_numpy(float)) for name in ("n_correct", "n_trials"))
    if "n_same" not in cells:
        return [(right, asked)], listeners, programmes
    same_right, same = (table(cells[n].to_numpy(float)) for n in ("n_same_correct", "n_same"))
    return [(same_right, same), (right - same_right, asked - same)], listeners, programmes


def worth_contributions(
    parts: dict[str, PairCounts], contrasts: dict[str, dict[str, float]], *, like: PairModelFit
) -> dict[str, Contributions]:
    """Take contrasts of log-worths apart, all from one fit.

    Every listener counts once in the fit, and within each every programme that the listener was
    asked about: the answers of a cell are weighted to the same total.

    Parameters
    ----------
    parts : dict of str to PairCounts
        Answers by programme, sharing stages, listeners and cells.
    contrasts : dict of str to dict
        By name, the weight of each stage's log-worth; others 0.
    like : PairModelFit
        The fit for these pieces: its stages, reference and order term are used again.

    Returns
    -------
    dict of str to Contributions
        By name, on the scale of log-worths (logits).
    """
    first = next(iter(parts.values()))
    group = [first.stages.index(name) for name in like.stages]
    inside = np.isin(first.first, group) & np.isin(first.second, group)
    place = np.full(len(first.stages), -1)
    place[group] = np.arange(len(group))
    ordered = "order" in like.names
    tables = []
    for part in parts.values():
        cut = PairCounts(
            like.stages,
            part.listeners,
            place[part.first[inside]],
            place[part.second[inside]],
            part.counts[:, inside],
        )
        tables.append(cut if ordered else cut.unordered())
    answers = np.stack([table.counts for table in tables], axis=1)
    return _split(answers, tables[0], tuple(parts), contrasts, like)


def _split(
    answers: np.ndarray,
    shape: PairCounts,
    programmes: tuple[str, ...],
    contrasts: dict[str, dict[str, float]],
    like: PairModelFit,
) -> dict[str, Contributions]:
    """Fit answers (listener, programme, cell, outcome) and split the contrasts."""
    totals = answers.sum(axis=(2, 3))
    heard = totals.sum(axis=1) > 0
    answers, totals = answers[heard], totals[heard]
    names = tuple(name for name, yes in zip(shape.listeners, heard, strict=True) if yes)
    each = np.maximum((totals > 0).sum(axis=1, keepdims=True), 1)
    weight = np.where(totals > 0, totals.sum() / len(totals) / each / np.maximum(totals, 1), 0.0)
    pooled = np.einsum("lp,lpco->co", weight, answers)[None]
    ties, ordered = bool(answers[..., 2].any()), "order" in like.names
    whole = PairCounts(like.stages, ("all",), shape.first, shape.second, pooled)
    fit = fit_pair_model(whole, reference=like.reference, order=ordered, ties=ties)
    plan = design(whole, reference=like.stages.index(like.reference), order=ordered, ties=ties)
    p = probabilities(plan, fit.beta)
    given = answers[..., : plan.n_outcomes]
    asked = given.sum(axis=3)
    found = {}
    for name, contrast in contrasts.items():
        wanted = np.array([contrast.get(stage, 0.0) for stage in like.stages])
        direction = np.zeros(len(fit.beta))
        direction[: len(like.stages) - 1] = np.delete(wanted, plan.reference)
        pull = plan.matrix @ (fit.covariance @ direction)
        mean = (p * pull).sum(axis=1)
        spread = (p * pull**2).sum(axis=1) - mean**2
        moves = weight * (np.einsum("lpco,co->lp", given, pull) - asked @ mean)
        noise = weight**2 * (asked @ spread)
        naive = float(noise.sum())
        share = noise / max(naive, 1e-300)
        estimate = float(wanted @ fit.log_worth)
        found[name] = Contributions(estimate, names, programmes, moves, share, naive)
    return found


def hearing_limit(row: Mapping[str, Any]) -> float:
    """Return the share right that a claim about hearing is held against: guessing, or its margin.

    Parameters
    ----------
    row : mapping
        Of such a claim, from :func:`analysis.claims.judge.judge_claims`.
    """
    chance = CHANCE[row["method"]]
    margin = row.get("margin")
    return chance if margin is None else share_right(margin, chance=chance)
