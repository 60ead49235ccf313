"""What to do first, what next, and what a budget buys, from the joint draws of the worths.

In every resampled panel the step that gains most from where one stands is taken, as long as it
leads to something liked better; shares of panels are the probabilities. Gains and their intervals
are those of the fit, tested between listeners, as in the claims.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Any

import numpy as np

from analysis.models.bootstrap import ROUNDING, WorthDraws, first_shares
from analysis.models.bradley_terry import PairModelFit
from analysis.preference.contrast import ContrastTest, contrast_test
from analysis.upgrade.lattice import Lattice, State, step_words
from analysis.upgrade.prices import money, unpriced

__all__ = ["budget_rows", "likely_order", "order_shares", "step_rows"]

_MOST_ORDERS = 12


def _worths(draws: WorthDraws, stages: Sequence[str]) -> np.ndarray:
    """Return draws of some stages, shape ``(n_draws, n)``."""
    return draws.draws[:, [draws.stages.index(name) for name in stages]]


def _gains_most(gains: np.ndarray) -> np.ndarray:
    """Return by column the share of panels in which it gains most and gains at all.

    Steps that gain equally much share the panel.
    """
    most = gains.max(axis=1, keepdims=True)
    first = (gains >= most - ROUNDING) & (most > ROUNDING)
    return np.asarray((first / np.maximum(first.sum(axis=1, keepdims=True), 1)).mean(axis=0))


def _next(
    lattice: Lattice, draws: WorthDraws, state: State, choices: Sequence[State]
) -> np.ndarray:
    """Return by panel which of the next states is taken, or -1 where nothing above is liked better.

    The largest gain at once decides among those steps that lead, at once or later, to a stage that
    is liked better than where one stands.
    """
    here = _worths(draws, [lattice.stage_of[state]])
    gains = _worths(draws, [lattice.stage_of[s] for s in choices]) - here
    for k, choice in enumerate(choices):
        above = [stage for steps, stage in lattice.stage_of.items() if steps >= choice]
        useless = _worths(draws, above).max(axis=1) <= here[:, 0]
        gains[useless, k] = -np.inf
    return np.where(np.isfinite(gains).any(axis=1), gains.argmax(axis=1), -1)


def step_rows(
    lattice: Lattice, fit: PairModelFit, draws: WorthDraws, *, state: State = frozenset()
) -> list[dict[str, Any]]:
    """Return every step that was heard from a state, best first.

    ``step`` is the stage it leads to. ``p_best`` is the share of resampled panels in which it
    gains most of these and gains at all; with one step only, the chance that it gains.
    """
    choices = sorted(lattice.next_states(state), key=lambda s: sorted(s))
    if not choices:
        return []
    start, ends = lattice.stage_of[state], [lattice.stage_of[s] for s in choices]
    gains = _worths(draws, ends) - _worths(draws, [start])
    best = _gains_most(gains)
    cost = np.array([lattice.cost[end] - lattice.cost[start] for end in ends])
    hours = np.array([lattice.labour_h[end] - lattice.labour_h[start] for end in ends])
    value = {"cost": _best_value(gains, cost), "hour": _best_value(gains, hours)}
    rows = []
    for k, (after, end) in enumerate(zip(choices, ends, strict=True)):
        added = sorted(after - state)
        gain = _gain(fit, start, end)
        rows.append(
            {
                "step": end,
                "change": " and ".join(step.words for step in added),
                "factor": " + ".join(step.factor for step in added),
                "level": " + ".join(step.level for step in added),
                "from_stage": start,
                "p_best": float(best[k]),
                "p_gain": float((gains[:, k] > 0).mean()),
                **_gain_figures(gain),
                "includes_zero": _includes_zero(gain),
                "share": float(1 / (1 + np.exp(-gain.estimate))),
                "cost": cost[k],
                "labour_h": hours[k],
                **money(lattice, start, end),
                **_per("cost", gain, cost[k], value["cost"], k),
                **_per("hour", gain, hours[k], value["hour"], k),
            }
        )
    return sorted(rows, key=lambda row: (-row["p_best"], -row["gain"]))


def _worth_of(fit: PairModelFit, stage: str) -> float:
    return float(fit.log_worth[fit.stages.index(stage)])


def _best_value(gains: np.ndarray, price: np.ndarray) -> np.ndarray | None:
    """Return how often each gains most per unit; None unless every price is above zero."""
    return _gains_most(gains / price) if np.all(price > 0) else None


def _gain(fit: PairModelFit, start: str, end: str) -> ContrastTest:
    return contrast_test(fit, {end: 1.0, start: -1.0} if end != start else {})


def _gain_figures(gain: ContrastTest) -> dict[str, float]:
    return {"gain": gain.estimate, "gain_low": gain.ci_low, "gain_high": gain.ci_high}


def _includes_zero(gain: ContrastTest) -> bool:
    return gain.ci_low <= 0 <= gain.ci_high


def _per(
    unit: str, gain: ContrastTest, price: float, best: np.ndarray | None, k: int
) -> dict[str, Any]:
    known = np.isfinite(price) and price > 0
    low, high = (gain.ci_low / price, gain.ci_high / price) if known else (None, None)
    return {
        f"per_{unit}": gain.estimate / price if known else None,
        f"per_{unit}_low": low,
        f"per_{unit}_high": high,
        f"p_best_per_{unit}": None if best is None else float(best[k]),
    }


def likely_order(lattice: Lattice, fit: PairModelFit, draws: WorthDraws) -> list[dict[str, Any]]:
    """Return the order in which each step is the likeliest best next one.

    Ends where no further stage was heard, or where in most panels nothing above is liked better.
    """
    order: list[dict[str, Any]] = []
    state: State = frozenset()
    states = {stage: steps for steps, stage in lattice.stage_of.items()}
    while rows := step_rows(lattice, fit, draws, state=state):
        p_stop = float((_next(lattice, draws, state, lattice.next_states(state)) < 0).mean())
        if p_stop > 0.5:
            break
        kept = ("step", "change", "from_stage", "p_best", "p_gain", "gain", "gain_low", "gain_high")
        more = ("includes_zero", "cost", "labour_h", "labour_cost", "total", "per_cost", "per_hour")
        order.append(
            {
                "place": len(order) + 1,
                **{key: rows[0][key] for key in kept + more},
                "p_stop": p_stop,
                "rivals": len(rows) - 1,
            }
        )
        state = states[rows[0]["step"]]
    return order


def order_shares(lattice: Lattice, fit: PairModelFit, draws: WorthDraws) -> list[dict[str, Any]]:
    """Return whole orders with the share of resampled panels that would take them.

    The twelve most frequent; what remains is the last row, with ``path`` None. ``includes_zero``:
    the interval of the gain of some step on the path includes 0; None without a step.
    """
    counts: dict[tuple[str, ...], int] = {}
    taken: dict[State, np.ndarray] = {}
    everyone = np.arange(len(draws.draws))
    _walk(lattice, draws, frozenset(), everyone, (), counts, taken)
    ranked = sorted(counts.items(), key=lambda item: (-item[1], item[0]))
    n = len(draws.draws)
    known: dict[tuple[str, str], bool] = {}
    rows: list[dict[str, Any]] = [
        {
            "path": list(path),
            "probability": count / n,
            "includes_zero": _any_zero(fit, [lattice.baseline, *path], known),
        }
        for path, count in ranked[:_MOST_ORDERS]
    ]
    if len(ranked) > _MOST_ORDERS:
        rest = sum(count for _, count in ranked[_MOST_ORDERS:])
        rows.append({"path": None, "probability": rest / n, "includes_zero": None})
    return rows


def _any_zero(
    fit: PairModelFit, path: Sequence[str], known: dict[tuple[str, str], bool]
) -> bool | None:
    """Whether the interval of the gain of any step along a path includes 0."""
    steps = list(pairwise(path))
    for start, end in steps:
        if (start, end) not in known:
            known[start, end] = _includes_zero(_gain(fit, start, end))
    return any(known[step] for step in steps) if steps else None


def _walk(
    lattice: Lattice,
    draws: WorthDraws,
    state: State,
    members: np.ndarray,
    path: tuple[str, ...],
    counts: dict[tuple[str, ...], int],
    taken: dict[State, np.ndarray],
) -> None:
    """Follow every panel to the end of its order, panels of one path together.

    `taken` keeps which step every panel takes from a state, since many paths meet there.
    """
    choices = sorted(lattice.next_states(state), key=lambda s: sorted(s))
    if not choices:
        counts[path] = counts.get(path, 0) + len(members)
        return
    if state not in taken:
        taken[state] = _next(lattice, draws, state, choices)
    best = taken[state][members]
    stopped = int((best < 0).sum())
    if stopped:
        counts[path] = counts.get(path, 0) + stopped
    for k, after in enumerate(choices):
        part = members[best == k]
        if part.size:
            _walk(lattice, draws, after, part, (*path, lattice.stage_of[after]), counts, taken)


def budget_rows(
    lattice: Lattice,
    fit: PairModelFit,
    draws: WorthDraws,
    *,
    budgets: Sequence[float] | None = None,
) -> list[dict[str, Any]]:
    """Return what to buy for a budget: the liked-most stage that it covers, with its probability.

    Parameters
    ----------
    lattice, fit, draws
        The stages, their worths, and resampled worths.
    budgets : sequence of float, optional
        Amounts to spend beyond the baseline. When not given, one row for every amount at which
        the choice widens: together they answer every budget.

    Returns
    -------
    list of dict
        Empty where prices are not known. With an hourly rate a budget has to cover the labour too.
        A stage of unknown price is in no row; ``unpriced`` names it.
    """
    stages = [s for s in lattice.stage_of.values() if np.isfinite(lattice.price(s))]
    if lattice.baseline not in stages or len(stages) < 2:
        return []
    price = {s: lattice.price(s) - lattice.price(lattice.baseline) for s in stages}
    amounts = sorted({max(p, 0.0) for p in price.values()}) if budgets is None else list(budgets)
    return [
        _budget_row(lattice, fit, draws, amount, [s for s in stages if price[s] <= amount], price)
        for amount in amounts
    ]


def _budget_row(
    lattice: Lattice,
    fit: PairModelFit,
    draws: WorthDraws,
    amount: float,
    within: list[str],
    price: dict[str, float],
) -> dict[str, Any]:
    steps_of = {stage: steps for steps, stage in lattice.stage_of.items()}
    left_out = unpriced(lattice)
    if not within:
        nothing = {"budget": amount, "stage": None, "p_best": None, "n_choices": 0}
        return nothing | {"unpriced": left_out}
    sampled = _worths(draws, within)
    share = first_shares(sampled)
    worth = np.array([_worth_of(fit, stage) for stage in within])
    k = int(worth.argmax())
    others = [n for n in np.argsort(-share) if n != k]
    start = lattice.baseline
    return {
        "budget": amount,
        "stage": within[k],
        "steps": step_words(steps_of[within[k]]) or None,
        "spent": price[within[k]],
        "cost": lattice.cost[within[k]] - lattice.cost[start],
        "labour_h": lattice.labour_h[within[k]] - lattice.labour_h[start],
        **money(lattice, start, within[k]),
        "unpriced": left_out,
        "p_best": float(share[k]),
        **_gain_figures(_gain(fit, start, within[k])),
        "n_choices": len(within),
        "runner_up": within[others[0]] if others else None,
        "p_runner_up": float(share[others[0]]) if others else None,
    }
