"""The stages as sets of steps taken from a baseline.

A *step* puts one factor on another level ("ceiling: aged → new"); a stage is the set of its
steps. Only stages that listeners compared are states: what nobody heard has no worth, and no sum of
parts is put in its place. Made stages are experiments: nobody can buy them, so they are no states,
and the factors of experiments (``region_...``, ``dose``) are no steps.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np

from analysis.tables.stages import StageTable

__all__ = ["Lattice", "State", "Step", "make_lattice", "step_words"]

#: Largest number of steps over which complete factorials are searched.
_MOST_STEPS = 12


@dataclass(frozen=True, slots=True, order=True)
class Step:
    """One factor put on another level than the baseline's.

    Attributes
    ----------
    factor, level : str
        The factor is empty where stages have none: then the stage itself is the step.
    start : str
        The baseline's level.
    """

    factor: str
    level: str
    start: str

    @property
    def words(self) -> str:
        """The change as text."""
        if not self.factor:
            return self.level
        return f"{self.factor}: {self.start or 'none'} → {self.level or 'none'}"


State = frozenset[Step]


def step_words(steps: State) -> str:
    """Return the factors of some steps, in sorted order, as text."""
    return ", ".join(step.factor or step.level for step in sorted(steps))


@dataclass(frozen=True, slots=True)
class Lattice:
    """Heard stages by the steps they contain.

    Attributes
    ----------
    baseline : str
        The stage without any step.
    stage_of : dict of State to str
        Heard stage by its steps; the baseline under the empty set.
    cost, labour_h : dict of str to float
        By stage, NaN where unknown.
    doubles : tuple of str
        Stages left out because another has the same factors.
    made : tuple of str
        Compared stages left out because they are made.
    currency : str
        How money is written; "" where the table does not say.
    hourly_rate : float or None
        Money for an hour of labour; None where unknown.
    """

    baseline: str
    stage_of: dict[State, str]
    cost: dict[str, float]
    labour_h: dict[str, float]
    doubles: tuple[str, ...]
    made: tuple[str, ...] = ()
    currency: str = ""
    hourly_rate: float | None = None

    def price(self, stage: str) -> float:
        """Return the money that a stage takes, NaN where unknown.

        With an hourly rate its labour is part of it; else it is the cost alone.
        """
        if self.hourly_rate is None:
            return self.cost[stage]
        return self.cost[stage] + self.hourly_rate * self.labour_h[stage]

    def next_states(self, state: State) -> list[State]:
        """Return the heard states above a state with none heard in between."""
        above = [other for other in self.stage_of if other > state]
        return [a for a in above if not any(state < b < a for b in above)]

    def complete(self) -> tuple[State, tuple[Step, ...]] | None:
        """Return context and steps of the largest full factorial heard, two steps at least.

        Of equally large ones the one with the smaller context, then with the costlier words: the
        choice is fixed by sorting.
        """
        found: tuple[State, tuple[Step, ...]] | None = None
        for context in sorted(self.stage_of, key=lambda s: (len(s), sorted(s))):
            for steps in self._factorials(context, 2 if found is None else len(found[1]) + 1):
                found = (context, steps)
        return found

    def _factorials(self, context: State, smallest: int) -> list[tuple[Step, ...]]:
        used = {step.factor for step in context}
        single = sorted(
            next(iter(other - context))
            for other in self.stage_of
            if context < other and len(other - context) == 1
        )
        usable = [step for step in single if step.factor not in used][:_MOST_STEPS]
        for size in range(len(usable), smallest - 1, -1):
            for steps in combinations(usable, size):
                if len({step.factor for step in steps}) == size and self._all_heard(context, steps):
                    return [steps]
        return []

    def _all_heard(self, context: State, steps: tuple[Step, ...]) -> bool:
        return all(
            context | frozenset(part) in self.stage_of
            for size in range(len(steps) + 1)
            for part in combinations(steps, size)
        )


def make_lattice(
    stages: StageTable, compared: tuple[str, ...], *, baseline: str | None = None
) -> Lattice | None:
    """Arrange the compared stages.

    Parameters
    ----------
    stages : StageTable
    compared : tuple of str
        Stages with a worth.
    baseline : str, optional
        The stage to start from. When not given, the cheapest where every cost is known or one is
        0, else the first of the table: a stage of unknown cost may be the cheapest.

    Returns
    -------
    Lattice or None
        None where fewer than two compared stages of the table were measured.

    Raises
    ------
    ValueError
        The baseline was not compared.
    """
    compared_here = stages.frame["stage"].isin(compared)
    bought = stages.frame["made"] == "" if "made" in stages.frame else compared_here
    made = tuple(stages.frame.loc[compared_here & ~bought, "stage"])
    frame = stages.frame[compared_here & bought].reset_index(drop=True)
    if len(frame) < 2:
        return None
    ids = frame["stage"].tolist()
    cost = dict(zip(ids, frame["cost"].astype(float), strict=True))
    hours = dict(zip(ids, frame["labour_h"].astype(float), strict=True))
    baseline = baseline if baseline is not None else _cheapest(cost)
    if baseline not in ids:
        raise ValueError(f"the baseline {baseline!r} is not one of the compared stages {ids}")
    levels = {
        name: dict(zip(ids, frame[f"factor_{name}"], strict=True)) for name in stages.step_factors
    }
    stage_of: dict[State, str] = {frozenset(): baseline}
    doubles = []
    for stage in ids:
        steps = _steps_of(stage, baseline, levels)
        if stage == baseline:
            continue
        if steps in stage_of:
            doubles.append(stage)
        else:
            stage_of[steps] = stage
    return Lattice(
        *(baseline, stage_of, cost, hours, tuple(doubles), made),
        currency=stages.currency,
        hourly_rate=stages.hourly_rate,
    )


def _cheapest(cost: dict[str, float]) -> str:
    """Return the stage that costs least; the first where an unknown cost leaves that open."""
    known = np.array(list(cost.values()))
    if np.isnan(known).any() and not (known == 0).any():
        return next(iter(cost))
    return list(cost)[int(np.nanargmin(known))]


def _steps_of(stage: str, baseline: str, levels: dict[str, dict[str, str]]) -> State:
    if not levels:
        return frozenset({Step("", stage, baseline)})
    return frozenset(
        Step(name, by_stage[stage], by_stage[baseline])
        for name, by_stage in levels.items()
        if by_stage[stage] != by_stage[baseline]
    )
