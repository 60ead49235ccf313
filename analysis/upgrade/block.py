"""What to do first: the ``upgrade`` block of the analysis.

Every probability is a share of the same resampled panels, so that it carries the panel's
uncertainty and steps are compared within one panel. Gains are differences of log-worths in logits.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from analysis.models.bootstrap import WorthDraws, resample_worths
from analysis.models.bradley_terry import PairModelFit, fit_pair_model
from analysis.preference.fit import Preference
from analysis.preference.group_test import LEAST_FOR_STEPS
from analysis.tables.counts import PairCounts, components
from analysis.tables.stages import StageTable
from analysis.upgrade.effects import effect_rows, interaction_rows, shapley_rows
from analysis.upgrade.lattice import Lattice, make_lattice
from analysis.upgrade.order import budget_rows, likely_order, order_shares, step_rows
from analysis.upgrade.prices import price_block
from stimuli.files.errors import InputError

__all__ = ["upgrade_block"]

_CLASS_DRAWS = 4000


def upgrade_block(
    preference: Preference | None,
    stages: StageTable | None,
    *,
    classes: dict[str, Any] | None = None,
    baseline: str | None = None,
    budgets: Sequence[float] | None = None,
    seed: int = 1,
) -> dict[str, Any] | None:
    """Return the ``upgrade`` block.

    Parameters
    ----------
    preference : Preference or None
        Fitted paired answers.
    stages : StageTable or None
        With factors, costs and labour hours where known.
    classes : dict, optional
        The ``classes`` block of :func:`analysis.preference.depth.depth_blocks`: groups of
        listeners that passed their test get an order of their own.
    baseline : str, optional
        The stage to start from; see :func:`analysis.upgrade.lattice.make_lattice`.
    budgets : sequence of float, optional
        See :func:`analysis.upgrade.order.budget_rows`.
    seed : int, optional
        Of the resampling within groups.

    Returns
    -------
    dict or None
        ``effects``, ``interactions``, ``shapley``, ``first_step``, ``second_step``, ``order``,
        ``orders``, ``budget``, ``prices``, ``classes``, ``baseline``, ``notes`` and the panel. None
        without paired answers over two measured stages of the table, or with one listener. Made
        stages are in none of them.

    Raises
    ------
    InputError
        The baseline was not compared.
    """
    if preference is None or preference.main is None or preference.draws is None or stages is None:
        return None
    fit, draws = preference.main, preference.draws
    try:
        lattice = make_lattice(stages, fit.stages, baseline=baseline)
    except ValueError as error:
        raise InputError(
            source=stages.source,
            where="baseline",
            problem=str(error),
            remedy="Name a stage that listeners compared",
        ) from error
    if lattice is None:
        return None
    first = step_rows(lattice, fit, draws)
    return {
        "method": "shares of resampled panels (listeners drawn with replacement)",
        "n_trials": fit.n_trials,
        "n_listeners": fit.n_listeners,
        "n_draws": len(draws.draws),
        "baseline": lattice.baseline,
        "effects": effect_rows(lattice, fit, draws),
        "interactions": interaction_rows(lattice, fit, draws),
        "shapley": shapley_rows(lattice, fit, draws),
        "first_step": first,
        "second_step": _second_steps(lattice, fit, draws, first),
        "order": likely_order(lattice, fit, draws),
        "orders": order_shares(lattice, fit, draws),
        "budget": budget_rows(lattice, fit, draws, budgets=budgets),
        "prices": price_block(lattice),
        "classes": _class_orders(preference.counts, fit, lattice, classes, seed),
        "notes": _notes(lattice, fit, stages),
    }


def _second_steps(
    lattice: Lattice, fit: PairModelFit, draws: WorthDraws, first: list[dict[str, Any]]
) -> list[dict[str, Any]]:
    """Return the steps after each first step."""
    states = {stage: steps for steps, stage in lattice.stage_of.items()}
    return [
        {"first": row["step"], **after}
        for row in first
        for after in step_rows(lattice, fit, draws, state=states[row["step"]])
    ]


def _class_orders(
    counts: PairCounts,
    fit: PairModelFit,
    lattice: Lattice,
    classes: dict[str, Any] | None,
    seed: int,
) -> list[dict[str, Any]]:
    """Return the order of every group that passed its test, from resampling its own members."""
    if classes is None or classes["n_groups"] < 2:
        return []
    inside = counts.only([counts.stages.index(name) for name in fit.stages])
    rows = []
    for number in range(1, classes["n_groups"] + 1):
        members = {m["listener"] for m in classes["membership"] if m["class"] == number}
        row: dict[str, Any] = {"class": number, "n_listeners": len(members)}
        part = _of_listeners(inside, members)
        if len(members) < LEAST_FOR_STEPS or len(components(part)) > 1:
            rows.append(row | {"first_step": [], "order": [], "orders": []})
            continue
        own = fit_pair_model(part, reference=fit.reference)
        draws = resample_worths(part, own, n_draws=_CLASS_DRAWS, seed=seed)
        rows.append(
            row
            | {
                "n_trials": own.n_trials,
                "first_step": step_rows(lattice, own, draws),
                "order": likely_order(lattice, own, draws),
                "orders": order_shares(lattice, own, draws),
            }
        )
    return rows


def _of_listeners(counts: PairCounts, members: set[str]) -> PairCounts:
    kept = np.array([name in members for name in counts.listeners])
    names = tuple(name for name, yes in zip(counts.listeners, kept, strict=True) if yes)
    return PairCounts(counts.stages, names, counts.first, counts.second, counts.counts[kept])


def _notes(lattice: Lattice, fit: PairModelFit, stages: StageTable) -> list[str]:
    notes = ["Gains hold for these stages as they were heard; sums of parts are not claimed."]
    if not stages.step_factors:
        notes.append("The stages have no factors, so each one is a step of its own.")
    elif lattice.complete() is None:
        notes.append(
            "No two steps were heard in all their combinations, so there are no main effects, no "
            "interactions and no Shapley shares: each increment holds for its place in the chain."
        )
    if lattice.doubles:
        notes.append(
            f"Left out because another stage has the same factors: {', '.join(lattice.doubles)}."
        )
    if lattice.made:
        notes.append(
            "Left out of steps, order and budget, since they were made for an experiment and "
            f"nobody can buy them: {', '.join(lattice.made)}."
        )
    missing = [name for name in fit.stages if name not in set(stages.frame["stage"])]
    if missing:
        notes.append(f"Compared, but not in the stage table: {', '.join(missing)}.")
    if len(lattice.next_states(frozenset())) == 1:
        notes.append("Only one first step was heard, so no other could come first.")
    return notes
