"""What every step is worth: main effects, interactions, Shapley shares, increments.

Main effects and interactions need every combination of some steps; a chain none, A, AB, ABC gives
only "A first", "B after A", "C after AB", and each increment is labelled with its place.
Shapley shares: Shapley (1953) in Contributions to the Theory of Games II, 307; for two steps they
equal the main effects.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations
from math import factorial
from typing import Any

import numpy as np

from analysis.models.bootstrap import WorthDraws
from analysis.models.bradley_terry import PairModelFit
from analysis.preference.contrast import contrast_test
from analysis.upgrade.lattice import Lattice, State, Step, step_words

__all__ = ["effect_rows", "increment_rows", "interaction_rows", "shapley_rows"]

Contrast = dict[str, float]


def _subsets(steps: Sequence[Step]) -> list[State]:
    return [frozenset(part) for size in range(len(steps) + 1) for part in combinations(steps, size)]


def _add(contrast: Contrast, stage: str, weight: float) -> None:
    contrast[stage] = contrast.get(stage, 0.0) + weight


def _interaction(lattice: Lattice, context: State, steps: Sequence[Step], of: State) -> Contrast:
    """Return the contrast of an effect of any order, averaged over the other steps."""
    others = [step for step in steps if step not in of]
    contrast: Contrast = {}
    for around in _subsets(others):
        for part in _subsets(sorted(of)):
            sign = (-1) ** (len(of) - len(part))
            stage = lattice.stage_of[context | around | part]
            _add(contrast, stage, sign / 2 ** len(others))
    return contrast


def _shapley(lattice: Lattice, context: State, steps: Sequence[Step], step: Step) -> Contrast:
    others = [other for other in steps if other != step]
    m = len(steps)
    contrast: Contrast = {}
    for around in _subsets(others):
        size = len(around)
        weight = factorial(size) * factorial(m - size - 1) / factorial(m)
        _add(contrast, lattice.stage_of[context | around | {step}], weight)
        _add(contrast, lattice.stage_of[context | around], -weight)
    return contrast


def _figures(contrast: Contrast, fit: PairModelFit, draws: WorthDraws) -> dict[str, Any]:
    """Return estimate, interval and test between listeners, and the share of resampled panels."""
    found = contrast_test(fit, contrast)
    sampled = draws.draws @ np.array([contrast.get(name, 0.0) for name in draws.stages])
    return {
        "estimate": found.estimate,
        "se": found.se,
        "low": found.ci_low,
        "high": found.ci_high,
        "p_value": found.p_value,
        "p_positive": float((sampled > 0).mean()),
        "n_trials": fit.n_trials,
        "n_listeners": fit.n_listeners,
    }


def effect_rows(lattice: Lattice, fit: PairModelFit, draws: WorthDraws) -> list[dict[str, Any]]:
    """Return main effects where a full factorial was heard, then every increment."""
    found = lattice.complete()
    rows = []
    if found is not None:
        context, steps = found
        for step in steps:
            contrast = _interaction(lattice, context, steps, frozenset({step}))
            rows.append(
                {
                    "factor": step.factor,
                    "level": step.level,
                    "kind": "main effect",
                    "label": f"{step.words}, mean over {_over(steps, step)}{_given(context)}",
                    **_figures(contrast, fit, draws),
                }
            )
    return rows + increment_rows(lattice, fit, draws)


def _over(steps: Sequence[Step], step: Step) -> str:
    return step_words(frozenset(steps) - {step})


def _given(context: State) -> str:
    return f", with {step_words(context)}" if context else ""


def increment_rows(lattice: Lattice, fit: PairModelFit, draws: WorthDraws) -> list[dict[str, Any]]:
    """Return what each step added where it was heard, with its place in the chain."""
    rows = []
    for state in sorted(lattice.stage_of, key=lambda s: (len(s), sorted(s))):
        for after in sorted(lattice.next_states(state), key=lambda s: sorted(s)):
            added = after - state
            start, end = lattice.stage_of[state], lattice.stage_of[after]
            place = f"after {step_words(state)}" if state else "as the first step"
            rows.append(
                {
                    "factor": " + ".join(step.factor for step in sorted(added)),
                    "level": " + ".join(step.level for step in sorted(added)),
                    "kind": "increment",
                    "label": f"{' and '.join(s.words for s in sorted(added))}, {place}",
                    "from_stage": start,
                    "to_stage": end,
                    "place": len(state) + 1,
                    **_figures({end: 1.0, start: -1.0}, fit, draws),
                }
            )
    return rows


def interaction_rows(
    lattice: Lattice, fit: PairModelFit, draws: WorthDraws
) -> list[dict[str, Any]]:
    """Return interactions of two or more steps over the largest full factorial heard.

    ``AB - A - B + none``, averaged over the steps not in it: above zero, together they do more
    than the sum of both.
    """
    found = lattice.complete()
    if found is None:
        return []
    context, steps = found
    return [
        {
            "factors": [step.factor for step in part],
            "label": f"{' × '.join(step.factor for step in part)}{_given(context)}",
            **_figures(_interaction(lattice, context, steps, frozenset(part)), fit, draws),
        }
        for size in range(2, len(steps) + 1)
        for part in combinations(steps, size)
    ]


def shapley_rows(lattice: Lattice, fit: PairModelFit, draws: WorthDraws) -> list[dict[str, Any]]:
    """Return each step's share of the whole gain, averaged over all orders of taking them.

    Empty where not every combination was heard.
    """
    found = lattice.complete()
    if found is None:
        return []
    context, steps = found
    return [
        {
            "factor": step.factor,
            "level": step.level,
            "label": f"{step.words}{_given(context)}",
            **_figures(_shapley(lattice, context, steps, step), fit, draws),
        }
        for step in steps
    ]
