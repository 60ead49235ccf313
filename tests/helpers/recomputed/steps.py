"""Values of the block ``upgrade``: what each step gains, which comes first, what a budget buys."""

from __future__ import annotations

from itertools import combinations
from math import factorial
from typing import Any

import numpy as np

from helpers.recomputed import resampled
from helpers.recomputed.pair_fit import Contrast
from helpers.recomputed.preference import answers, main_fit
from helpers.recomputed.study import Recomputed, at

ROOT = "/results/upgrade"
Steps = frozenset[tuple[str, str]]


class Ladder:
    """The bought stages by their steps, which are factors on another level than the baseline's."""

    def __init__(self, s: Recomputed) -> None:
        table, compared = s.stages, main_fit(s).stages
        bought = table[table.index.isin(compared) & (table["made"] == "")]
        self.baseline = str(bought["cost"].idxmin())
        factors = [c for c in table.columns if c.startswith("factor_")]
        plain = [f for f in factors if f != "factor_dose" and "region_" not in f]
        start = bought.loc[self.baseline]
        self.of: dict[Steps, str] = {}
        for name, row in bought.iterrows():
            steps = frozenset((f[7:], str(row[f])) for f in plain if row[f] != start[f])
            self.of.setdefault(steps, str(name))
        self.steps = {name: steps for steps, name in self.of.items()}
        self.cost = bought["cost"].astype(float).to_dict()
        self.hours = bought["labour_h"].astype(float).to_dict()
        self.rate = s.plan.get("prices", {}).get("hourly_rate")

    def price(self, stage: str) -> float:
        """Return what a stage takes beyond the baseline; with an hourly rate, labour too."""
        extra = self.cost[stage] - self.cost[self.baseline]
        hours = self.hours[stage] - self.hours[self.baseline]
        return extra + (0.0 if self.rate is None else float(self.rate) * hours)

    def after(self, stage: str) -> list[str]:
        """Return the stages above one with none in between, in the order of their steps."""
        here = self.steps[stage]
        above = [t for t in self.of if t > here]
        near = [t for t in above if not any(here < u < t for u in above)]
        return [self.of[t] for t in sorted(near, key=sorted)]

    def full(self) -> tuple[Steps, list[tuple[str, str]]]:
        """Return the context and the steps of the largest full factorial that was heard."""
        best: tuple[Steps, list[tuple[str, str]]] = (frozenset(), [])
        for context in sorted(self.of, key=lambda t: (len(t), sorted(t))):
            single = sorted({next(iter(t - context)) for t in self.of if len(t - context) == 1
                             and context < t})  # fmt: skip
            for size in range(len(single), max(1, len(best[1])), -1):
                for part in combinations(single, size):
                    own = len({f for f, _ in part}) == size
                    heard = all(
                        context | frozenset(sub) in self.of
                        for n in range(size + 1)
                        for sub in combinations(part, n)
                    )
                    if own and heard and size > len(best[1]):
                        best = (context, list(part))
        return best


def ladder(s: Recomputed) -> Ladder:
    """Return the stages as steps."""
    return s.once("ladder", lambda: Ladder(s))


def sampled(s: Recomputed) -> tuple[tuple[str, ...], np.ndarray]:
    """Return the stages and their worths in resampled panels."""
    found = main_fit(s)
    return found.stages, resampled.panels(s, answers(s), found)


def gain(s: Recomputed, start: str, end: str) -> Contrast:
    """Return what a step gains, tested as a claim about the two stages is."""
    return s.once(("gain", start, end), lambda: main_fit(s).difference(end, start))


@at(f"{ROOT}/n_trials")
def n_trials(s: Recomputed) -> int:
    return main_fit(s).n_trials


@at(f"{ROOT}/n_listeners")
def n_listeners(s: Recomputed) -> int:
    return main_fit(s).n_listeners


# steps -------------------------------------------------------------------------------------


def _row(s: Recomputed, block: str, k: int) -> dict[str, Any]:
    return s.words["upgrade"][block][k]


def _gain_of(s: Recomputed, block: str, k: int) -> Contrast:
    row = _row(s, block, k)
    if block == "budget":
        return gain(s, ladder(s).baseline, bought(s, k)[2])
    return gain(s, row["from_stage"], row["step"])


def _price(s: Recomputed, block: str, k: int, unit: str) -> float:
    row, table = _row(s, block, k), ladder(s).cost if unit == "cost" else ladder(s).hours
    return table[row["step"]] - table[row["from_stage"]]


def _register_gains() -> None:
    parts = {"": "estimate", "_low": "low", "_high": "high"}
    for block in ("first_step", "second_step", "order", "budget"):
        for end, name in parts.items():

            def value(s: Recomputed, k: int, block: str = block, name: str = name) -> float:
                return getattr(_gain_of(s, block, k), name)

            at(f"{ROOT}/{block}/*/gain{end}")(value)
    for block in ("first_step", "second_step"):
        for unit in ("cost", "hour"):
            for end, name in parts.items():

                def per(s: Recomputed, k: int, block: str = block, unit: str = unit,
                        name: str = name) -> float:  # fmt: skip
                    return getattr(_gain_of(s, block, k), name) / _price(s, block, k, unit)

                at(f"{ROOT}/{block}/*/per_{unit}{end}")(per)


_register_gains()


@at(f"{ROOT}/order/*/cost")
def order_cost(s: Recomputed, k: int) -> float:
    return _price(s, "order", k, "cost")


@at(f"{ROOT}/order/*/labour_h")
def order_hours(s: Recomputed, k: int) -> float:
    return _price(s, "order", k, "hour")


def best_step(s: Recomputed, start: str, step: str, unit: str | None = None) -> Any:
    """Return in how many panels a step from a stage gains most, per unit of its price or not."""
    stages, panel = sampled(s)
    ends = ladder(s).after(start)
    gains = resampled.of(panel, stages, ends) - resampled.of(panel, stages, [start])
    if unit is not None:
        table = ladder(s).cost if unit == "cost" else ladder(s).hours
        gains = gains / np.array([table[end] - table[start] for end in ends])
    return resampled.most_gain(s, gains)[ends.index(step)]


def _register_best() -> None:
    for block in ("first_step", "second_step", "order"):
        for end, unit in (("", None), ("_per_cost", "cost"), ("_per_hour", "hour")):

            def value(s: Recomputed, k: int, block: str = block, unit: str | None = unit) -> Any:
                row = _row(s, block, k)
                return best_step(s, row["from_stage"], row["step"], unit)

            at(f"{ROOT}/{block}/*/p_best{end}")(value)


_register_best()


@at(f"{ROOT}/orders/*/probability")
def whole_order(s: Recomputed, k: int) -> Any:
    """Return in how many panels one whole path is taken, step by step."""
    paths = s.once("paths", lambda: _paths(s))
    named = [tuple(row["path"]) for row in s.words["upgrade"]["orders"] if row["path"] is not None]
    path = _row(s, "orders", k)["path"]
    # The last row may hold all paths that are not named.
    taken = [p not in named if path is None else p == tuple(path) for p in paths]
    return resampled.share(s, np.array(taken))


def _paths(s: Recomputed) -> list[tuple[str, ...]]:
    """Take in each panel the largest gain among steps that lead to something liked better."""
    stages, panel = sampled(s)
    place, rungs = {name: k for k, name in enumerate(stages)}, ladder(s)
    above = {n: [m for m in rungs.steps if rungs.steps[m] >= rungs.steps[n]] for n in rungs.steps}
    found = []
    for worth in panel:
        here, path = rungs.baseline, []
        while True:
            ends = [
                end
                for end in rungs.after(here)
                if max(worth[place[m]] for m in above[end]) > worth[place[here]]
            ]
            if not ends:
                break
            here = max(ends, key=lambda end: worth[place[end]])
            path.append(here)
        found.append(tuple(path))
    return found


# budgets -----------------------------------------------------------------------------------


def bought(s: Recomputed, k: int) -> tuple[float, list[str], str]:
    """Return the k-th amount at which the choice widens, what it covers, and what it buys."""
    rungs, found = ladder(s), main_fit(s)
    names = list(rungs.steps)
    amount = sorted({max(rungs.price(n), 0.0) for n in names})[k]
    within = [n for n in names if rungs.price(n) <= amount]
    return amount, within, max(within, key=lambda n: found.worth[found.stages.index(n)])


@at(f"{ROOT}/budget/*/budget")
def budget(s: Recomputed, k: int) -> float:
    return bought(s, k)[0]


@at(f"{ROOT}/budget/*/spent")
def spent(s: Recomputed, k: int) -> float:
    return ladder(s).price(bought(s, k)[2])


@at(f"{ROOT}/budget/*/labour_h")
def budget_hours(s: Recomputed, k: int) -> float:
    rungs = ladder(s)
    return rungs.hours[bought(s, k)[2]] - rungs.hours[rungs.baseline]


@at(f"{ROOT}/budget/*/p_best")
def budget_best(s: Recomputed, k: int) -> Any:
    _, within, choice = bought(s, k)
    stages, panel = sampled(s)
    return resampled.first(s, resampled.of(panel, stages, within))[within.index(choice)]


# effects -----------------------------------------------------------------------------------


def _interaction(s: Recomputed, of: list[tuple[str, str]]) -> dict[str, float]:
    """Return the contrast of steps taken together, over and above fewer of them, mean over others.

    One step alone gives its main effect.
    """
    context, steps = ladder(s).full()
    others = [step for step in steps if step not in of]
    weights: dict[str, float] = {}
    for n in range(len(others) + 1):
        for around in combinations(others, n):
            for m in range(len(of) + 1):
                for part in combinations(of, m):
                    stage = ladder(s).of[context | frozenset(around) | frozenset(part)]
                    sign = (-1) ** (len(of) - m) / 2 ** len(others)
                    weights[stage] = weights.get(stage, 0.0) + sign
    return weights


def _shapley(s: Recomputed, step: tuple[str, str]) -> dict[str, float]:
    """Return the contrast of a step's share of the whole gain (Shapley 1953)."""
    context, steps = ladder(s).full()
    others, m = [other for other in steps if other != step], len(steps)
    weights: dict[str, float] = {}
    for n in range(m):
        for around in combinations(others, n):
            size = factorial(n) * factorial(m - n - 1) / factorial(m)
            for part, sign in ((frozenset([step]), 1), (frozenset(), -1)):
                stage = ladder(s).of[context | frozenset(around) | part]
                weights[stage] = weights.get(stage, 0.0) + sign * size
    return weights


def _contrast(s: Recomputed, block: str, k: int) -> dict[str, float]:
    row = _row(s, block, k)
    if row.get("kind") == "increment":
        return {row["to_stage"]: 1.0, row["from_stage"]: -1.0}
    full = ladder(s).full()[1]
    if block == "interactions":
        return _interaction(s, [step for step in full if step[0] in row["factors"]])
    step = next(one for one in full if one[0] == row["factor"])
    return _shapley(s, step) if block == "shapley" else _interaction(s, [step])


def _register_effects() -> None:
    names = {"estimate": "estimate", "low": "low", "high": "high", "p_value": "p"}
    for block in ("effects", "interactions", "shapley"):
        for key, name in names.items():

            def value(s: Recomputed, k: int, block: str = block, name: str = name) -> float:
                return getattr(main_fit(s).contrast(_contrast(s, block, k)), name)

            at(f"{ROOT}/{block}/*/{key}")(value)


_register_effects()


@at(f"{ROOT}/shapley/*/p_positive")
def positive(s: Recomputed, k: int) -> Any:
    stages, panel = sampled(s)
    weights = _contrast(s, "shapley", k)
    return resampled.share(s, panel @ np.array([weights.get(n, 0.0) for n in stages]) > 0)
