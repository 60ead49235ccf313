"""Part of the step: how much of a change listeners notice, and how much of the gain it brings.

In the stage table a rendering part of the way carries a column ``factor_dose`` with a percentage:
0 for the old stage, 100 for the new one.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from analysis.hearing.dprime import CHANCE
from analysis.hearing.pair_cells import PairCells
from analysis.hearing.sides import panel_share
from analysis.panels.proportions import discriminators
from analysis.preference.fit import Preference, worth_difference
from analysis.tables.stages import DOSE_FACTOR, StageTable

__all__ = ["DOSE_FACTOR", "dose_block", "dose_stages"]

_DRAWS = 2000
_HALF = 0.5


def dose_stages(stages: StageTable) -> dict[str, float]:
    """Return the percentage of every partial rendering; empty where there are none."""
    if DOSE_FACTOR not in stages.factors:
        return {}
    column = pd.to_numeric(stages.frame[f"factor_{DOSE_FACTOR}"].str.rstrip(" %"), errors="coerce")
    known = {
        str(stage): float(dose)
        for stage, dose in zip(stages.frame["stage"], column, strict=True)
        if np.isfinite(dose)
    }
    return dict(sorted(known.items(), key=lambda item: item[1]))


def dose_block(
    preference: Preference | None,
    cells: Sequence[PairCells],
    stages: StageTable | None,
    *,
    alpha: float = 0.05,
    seed: int = 1,
) -> dict[str, Any] | None:
    """Return the ``dose`` block; None without partial renderings of a stage at 0.

    Parameters
    ----------
    preference : Preference or None
        Paired answers: the gain over dose 0 at each dose.
    cells : sequence of PairCells
        Forced-choice answers: whether dose 0 was told from each dose.
    stages : StageTable or None
        With ``factor_dose``.
    alpha : float, optional
        Of the fixed sequence of tests, from the largest dose downwards: it stops at the first that
        is not told apart, which keeps the error rate without adjustment (Maurer, Hothorn &
        Lehmacher 1995).
    seed : int, optional
        Of the resampling behind the threshold's interval.

    Returns
    -------
    dict or None
        ``steps`` by dose, ``smallest_noticed``, ``half_noticed`` with interval, ``words``.
    """
    doses = {} if stages is None else dose_stages(stages)
    zero = next((stage for stage, dose in doses.items() if dose == 0), None)
    if zero is None or len(doses) < 3:
        return None
    heard = {stage: _answers(cells, zero, stage) for stage in doses if stage != zero}
    steps = [
        {"stage": s, "dose": doses[s], **_told(heard[s]), **_gain(preference, s, zero)}
        for s in heard
    ]
    smallest = _smallest(steps, alpha)
    half = _half_noticed(heard, doses, seed)
    return {
        "method": "forced choice against dose 0, tested downwards; gain by Bradley-Terry",
        "zero": zero,
        "steps": steps,
        "smallest_noticed": smallest,
        "half_noticed": half,
        "words": _words(steps, smallest, half),
    }


def _answers(cells: Sequence[PairCells], first: str, second: str) -> PairCells | None:
    own = [group for group in cells if set(group.pair) == {first, second} and group.testable]
    return max(own, key=lambda g: int(g.cells["n_trials"].sum())) if own else None


def _told(group: PairCells | None) -> dict[str, Any]:
    keys = ("proportion", "ci_low", "ci_high", "p_value", "share", "n_trials", "n_listeners")
    if group is None:
        return {**dict.fromkeys(keys), "test_method": None}
    chance = CHANCE[group.method]
    found = panel_share(*group.answers, chance=chance)
    return {
        "proportion": found.estimate,
        "ci_low": found.ci_low,
        "ci_high": found.ci_high,
        "p_value": found.p_value,
        "share": float(discriminators(found.estimate, chance=chance)),
        "n_trials": found.n_trials,
        "n_listeners": found.n_listeners,
        "test_method": group.method,
    }


def _gain(preference: Preference | None, stage: str, zero: str) -> dict[str, Any]:
    known = preference is not None and {stage, zero} <= set(preference.counts.stages)
    found = worth_difference(preference, stage, zero) if preference is not None and known else None
    return {
        "gain": None if found is None else found.estimate,
        "gain_low": None if found is None else found.ci_low,
        "gain_high": None if found is None else found.ci_high,
    }


def _smallest(steps: list[dict[str, Any]], alpha: float) -> float | None:
    noticed = None
    for step in sorted(steps, key=lambda s: -s["dose"]):
        p = step["p_value"]
        if p is None or not p <= alpha:
            break
        noticed = step["dose"]
    return noticed


def _half_noticed(
    heard: dict[str, PairCells | None], doses: dict[str, float], seed: int
) -> dict[str, Any] | None:
    """Return the dose at which half of the trials carry a heard difference, listeners resampled.

    The shares are made to rise with the dose (pool adjacent violators) and read between doses
    along straight lines.
    """
    groups = {stage: group for stage, group in heard.items() if group is not None}
    if len(groups) < 2:
        return None
    people = sorted({str(n) for g in groups.values() for n in g.cells["listener"]})
    right, total, chance = (np.zeros((len(groups), len(people))) for _ in range(3))
    for k, group in enumerate(groups.values()):
        by = group.cells.assign(listener=group.cells["listener"].astype(str))
        sums = by.groupby("listener")[["n_correct", "n_trials"]].sum()
        place = [people.index(name) for name in sums.index]
        right[k, place], total[k, place] = sums["n_correct"], sums["n_trials"]
        chance[k] = CHANCE[group.method]
    x = np.array([0.0, *(doses[stage] for stage in groups)])
    rng = np.random.default_rng(seed)
    n = len(people)
    weights = rng.multinomial(n, np.full(n, 1 / n), size=_DRAWS).astype(float)
    estimate = _crossing(x, right.sum(axis=1), total.sum(axis=1), chance[:, 0])
    draws = np.array(
        [_crossing(x, right @ w, total @ w, chance[:, 0]) for w in weights if (total @ w).all()]
    )
    if np.isnan(estimate) or np.isnan(draws).mean() > 0.025:
        low, high = float("nan"), float("nan")
    else:
        low, high = np.nanpercentile(draws, [2.5, 97.5])
    return {"dose": estimate, "low": float(low), "high": float(high), "n_listeners": n}


def _crossing(x: np.ndarray, right: np.ndarray, total: np.ndarray, chance: np.ndarray) -> float:
    from scipy.optimize import isotonic_regression

    proportion = right / total
    share = discriminators(proportion, chance=chance)
    rising = isotonic_regression(share, weights=total).x
    y = np.array([0.0, *rising])
    above = np.flatnonzero(y >= _HALF)
    if above.size == 0:
        return float("nan")
    k = int(above[0])
    if k == 0 or y[k] == y[k - 1]:
        return float(x[k])
    return float(x[k - 1] + (_HALF - y[k - 1]) / (y[k] - y[k - 1]) * (x[k] - x[k - 1]))


def _words(steps: list[dict[str, Any]], smallest: float | None, half: dict[str, Any] | None) -> str:
    asked = [step for step in steps if step["p_value"] is not None]
    if not asked:
        return "No trial asks whether a part of the step can be told from none."
    if smallest is None:
        return "Not even the largest part of the step was told from none in these trials."
    words = f"The smallest part of the step that listeners noticed is {smallest:.0f} %."
    if half is not None and np.isfinite(half["dose"]):
        words += f" Half of the trials carry a heard difference at {half['dose']:.0f} %"
        if np.isfinite(half["low"]):
            words += f" ({half['low']:.0f} to {half['high']:.0f})"
        words += "."
    return words
