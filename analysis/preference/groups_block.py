"""The ``classes`` block of the analysis: groups of listeners who want different things."""

from __future__ import annotations

from typing import Any

import numpy as np

from analysis.models.latent_classes import LatentClasses, entropy, fit_latent_classes, group_worths
from analysis.preference.group_power import SplitPower, split_power
from analysis.preference.group_test import GroupStep, ListenerGroups, Progress, find_groups
from analysis.tables.counts import PairCounts

__all__ = ["groups_block"]

_MOST_CLASSES = 3
_METHOD = "mixture of Bradley-Terry models"
_TEST = (
    "two clusters of listeners against one normal scatter, on the axis along which listeners "
    "differ most; p from panels simulated from one varied population"
)


def groups_block(
    counts: PairCounts, seed: int = 1, progress: Progress | None = None
) -> dict[str, Any]:
    """Return the ``classes`` block.

    Parameters
    ----------
    counts : PairCounts
        Stages must be linked by comparisons.
    seed : int, optional
        Of random starts and simulated panels.
    progress : callable, optional
        ``progress(done, total, what)``.

    Returns
    -------
    dict
        Mixtures of one to three classes as a screening (``best_by_bic``, ``fits``), the test of
        :mod:`analysis.preference.group_test` (``n_groups``, ``p_value``, ``steps``), and, where
        groups passed, ``groups`` and ``membership``; these two are empty otherwise, and ``words``
        says why.
    """
    most = max(1, min(_MOST_CLASSES, counts.n_listeners // 4))
    fits = [fit_latent_classes(counts, n_classes=k, seed=seed) for k in range(1, most + 1)]
    screened = len(fits) > 1 and fits[1].bic < fits[0].bic
    found = find_groups(counts, seed=seed, screened=screened, progress=progress)
    power = _power(counts)
    return {
        "method": _METHOD,
        "n_trials": counts.n_trials,
        "n_listeners": counts.n_listeners,
        "stages": list(counts.stages),
        "best_by_bic": min(fits, key=lambda fit: fit.bic).n_classes,
        "fits": [_fit_row(fit) for fit in fits],
        **_test_fields(found),
        "groups": _group_rows(counts, found),
        "membership": [
            {"listener": name, "class": group, "probability": sure}
            for name, (group, sure) in found.membership.items()
        ],
        "power": None if power is None else _power_row(power),
        "words": " ".join([_words(found), _power_words(power)]),
    }


def _fit_row(fit: LatentClasses) -> dict[str, Any]:
    return {
        "n_classes": fit.n_classes,
        "log_likelihood": fit.log_likelihood,
        "bic": fit.bic,
        "n_parameters": fit.n_parameters,
        "share": fit.share,
        "log_worth": fit.log_worth,
        "clearness": entropy(fit),
        "converged": fit.converged,
    }


def _test_fields(found: ListenerGroups) -> dict[str, Any]:
    """Return the outcome of the search; the figures are those of the first comparison."""
    first = found.steps[0] if found.steps else None
    return {
        "test": _TEST,
        "n_groups": found.n_groups,
        "screening_passed": None if first is None else first.screened,
        "statistic": None if first is None else first.statistic,
        "p_value": None if first is None else first.p_value,
        "level": None if first is None else first.level,
        "n_bootstrap": 0 if first is None else first.n_bootstrap,
        "stopped_early": None if first is None else first.stopped_early,
        "least_size": found.least_size,
        "steps": [_step_row(step) for step in found.steps],
    }


def _step_row(step: GroupStep) -> dict[str, Any]:
    return {
        "n_groups": step.n_groups,
        "n_listeners": len(step.listeners),
        "screening_passed": step.screened,
        "statistic": step.statistic,
        "p_value": step.p_value,
        "level": step.level,
        "n_bootstrap": step.n_bootstrap,
        "stopped_early": step.stopped_early,
        "sizes": sorted(step.sizes, reverse=True),
        "passed": step.passed,
    }


def _group_rows(counts: PairCounts, found: ListenerGroups) -> list[dict[str, Any]]:
    """Return size and worths of every group that passed, the largest first."""
    if found.n_groups < 2:
        return []
    member = np.zeros((counts.n_listeners, found.n_groups))
    for row, name in enumerate(counts.listeners):
        if name in found.membership:
            member[row, found.membership[name][0] - 1] = 1.0
    worths, sizes = group_worths(counts, member), member.sum(axis=0)
    return [
        {
            "class": k + 1,
            "n_listeners": int(sizes[k]),
            "share": float(sizes[k] / sizes.sum()),
            "log_worth": worths[k],
        }
        for k in range(found.n_groups)
    ]


def _power(counts: PairCounts) -> SplitPower | None:
    """Return what a panel of this size finds, from the answers of its middle listener."""
    decided = counts.counts[:, :, :2].sum(axis=(1, 2))
    return split_power(counts.n_listeners, float(np.median(decided)), len(counts.stages))


def _power_row(power: SplitPower) -> dict[str, Any]:
    return {
        "n_listeners": power.n_listeners,
        "n_trials_each": power.n_trials_each,
        "difference": power.difference,
        "found": power.found,
    }


def _power_words(power: SplitPower | None) -> str:
    if power is None:
        return (
            "Panels this small, or answers this few for each listener, would hardly find groups "
            "that are there."
        )
    return (
        f"With {power.n_listeners} listeners of {power.n_trials_each} trials, a split in halves "
        f"who differ by {power.difference:g} logits about one pair is found in "
        f"{100 * power.found:.0f} % of simulated panels."
    )


def _words(found: ListenerGroups) -> str:
    if not found.steps:
        return (
            f"A group needs {found.least_size} listeners, so these are too few to look for groups."
        )
    first = found.steps[0]
    if found.n_groups > 1:
        sizes = sorted(
            np.bincount([group for group, _ in found.membership.values()])[1:].tolist(),
            reverse=True,
        )
        listed = ", ".join(str(size) for size in sizes[:-1]) + f" and {sizes[-1]}"
        return (
            f"The choices show {found.n_groups} groups of {listed} listeners: one population whose "
            f"tastes vary does not split like this (p = {first.p_value:.2g})."
        )
    if not first.screened:
        return "No groups: two do not describe these choices better than one."
    if not first.n_bootstrap:
        return (
            f"No groups: the clearest split sets apart {min(first.sizes)} listeners, and a group "
            f"needs {found.least_size}."
        )
    return (
        "No groups are shown: one population whose tastes vary describes these choices as well "
        f"(p = {first.p_value:.2g})."
    )
