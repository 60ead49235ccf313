"""Choices as counted: by pair, by stage, by listener."""

from __future__ import annotations

from typing import Any

import numpy as np

from analysis.panels.panel import (
    panel_proportion,
)
from analysis.panels.proportions import two_sided_p, wilson
from analysis.tables.counts import PairCounts

__all__ = [
    "chosen_rows",
    "listener_choice_rows",
    "pair_rows",
]


def pair_rows(counts: PairCounts, *, confidence: float = 0.95) -> list[dict[str, Any]]:
    """Return every compared pair with its share, Wilson interval and exact two-sided p.

    ``wins`` counts answers for the first stage of the pair; ``share`` and its intervals leave ties
    out. ``share_listeners`` is the mean over the listeners who decided, each counting once, with
    its interval ``share_low`` to ``share_high`` (:func:`analysis.panels.panel.panel_proportion`;
    NaN for one listener); ``share``, ``wilson_low``, ``wilson_high`` and ``p_value`` take every
    answer as independent and stand beside it.
    """
    rows = []
    flat = counts.unordered()
    pooled = np.rint(flat.counts.sum(axis=0))
    decided_by_pair = pooled[:, 0] + pooled[:, 1]
    p_values = two_sided_p(pooled[:, 0], decided_by_pair)
    # A pair that only met ties has no share and no interval; it borrows a trial here.
    lows, highs = wilson(pooled[:, 0], np.maximum(decided_by_pair, 1), confidence=confidence)
    for cell, (i, j) in enumerate(zip(flat.first, flat.second, strict=True)):
        wins, losses, ties = (round(float(v)) for v in flat.counts[:, cell].sum(axis=0))
        decided = wins + losses
        low = high = share = mean = share_low = share_high = float("nan")
        if decided:
            own = flat.counts[:, cell]
            between = panel_proportion(
                own[:, 0], own[:, 0] + own[:, 1], chance=0.5, confidence=confidence
            )
            mean, share_low, share_high = between.estimate, between.ci_low, between.ci_high
            low, high = float(lows[cell]), float(highs[cell])
            share = wins / decided
        heard = flat.counts[:, cell].sum(axis=1) > 0
        rows.append(
            {
                "pair": [flat.stages[i], flat.stages[j]],
                "wins": wins,
                "losses": losses,
                "ties": ties,
                "share": share,
                "share_listeners": mean,
                "share_low": share_low,
                "share_high": share_high,
                "wilson_low": low,
                "wilson_high": high,
                "p_value": float(p_values[cell]),
                "n_trials": wins + losses + ties,
                "n_listeners": int(heard.sum()),
            }
        )
    return rows


def chosen_rows(counts: PairCounts) -> list[dict[str, Any]]:
    """Return how often each stage was chosen: the panel first, then each listener.

    ``n_compared`` counts the choices in which the stage was one of the two, ties included, and
    ``share`` is ``n_chosen`` of them. These are plain counts: which opponents a stage met is not
    allowed for, as the worths do.
    """
    size = len(counts.stages)
    own = np.zeros((counts.n_listeners, size, 2))
    each = counts.counts.sum(axis=2)
    for column, stage in ((0, counts.first), (1, counts.second)):
        for cell, k in enumerate(stage):
            own[:, k, 0] += counts.counts[:, cell, column]
            own[:, k, 1] += each[:, cell]
    people: list[tuple[str | None, np.ndarray]] = [(None, own.sum(axis=0))]
    people += list(zip(counts.listeners, own, strict=True))
    return [
        {
            "listener": listener,
            "stage": stage,
            "n_chosen": round(float(chosen)),
            "n_compared": round(float(compared)),
            "share": float(chosen / compared),
        }
        for listener, table in people
        for stage, (chosen, compared) in zip(counts.stages, table, strict=True)
        if compared
    ]


def listener_choice_rows(counts: PairCounts) -> list[dict[str, Any]]:
    """Return every listener's own choices: one row a listener and pair that was asked.

    ``wins`` counts the listener's answers for the first stage of the pair, ``share`` leaves ties
    out and is undefined where the listener never decided.
    """
    flat = counts.unordered()
    rows = []
    for person, cell in np.argwhere(flat.counts.any(axis=2)):
        wins, losses, ties = (round(float(v)) for v in flat.counts[person, cell])
        rows.append(
            {
                "listener": flat.listeners[person],
                "pair": [flat.stages[flat.first[cell]], flat.stages[flat.second[cell]]],
                "wins": wins,
                "losses": losses,
                "ties": ties,
                "share": wins / (wins + losses) if wins + losses else float("nan"),
                "n_trials": wins + losses + ties,
            }
        )
    return rows
