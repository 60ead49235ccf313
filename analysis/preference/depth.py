"""Beyond the panel's average: programmes, listeners and groups, as rows for the analysis JSON."""

from __future__ import annotations

from collections.abc import Collection
from typing import Any

import numpy as np

from analysis.models.mixed_preference import (
    MixedPreference,
    enough_for_own_worths,
    fit_mixed_preference,
)
from analysis.models.thurstone import fit_thurstone
from analysis.preference.fit import Preference
from analysis.preference.group_test import Progress
from analysis.preference.groups_block import groups_block
from analysis.preference.programmes import leave_one_out, programme_interaction, programme_worths
from analysis.preference.strength import strength_block
from analysis.tables.counts import PairCounts, split_pair_counts
from analysis.tables.trials import TrialTable

__all__ = ["depth_blocks"]

#: Fewest listeners for models of how listeners differ.
_LISTENERS = 8


def depth_blocks(
    table: TrialTable,
    found: Preference | None,
    *,
    seed: int = 1,
    without: Collection[str] = (),
    progress: Progress | None = None,
) -> dict[str, Any]:
    """Return the blocks ``thurstone``, ``strength``, ``programmes``, ``mixed`` and ``classes``.

    Parameters
    ----------
    table : TrialTable
    found : Preference or None
        The fitted paired trials.
    seed : int, optional
        Of permutations, random starts and simulated panels.
    without : collection of str, optional
        Blocks to leave out, see :data:`analysis.long_blocks.OPTIONAL`.
    progress : callable, optional
        ``progress(done, total, what)`` while panels are simulated to test for groups.

    Returns
    -------
    dict
        Each block None where the data do not allow it.
    """
    nothing: dict[str, Any] = dict.fromkeys(
        ("thurstone", "strength", "programmes", "mixed", "classes")
    )
    if found is None or found.main is None:
        return nothing
    stages = [found.counts.stages.index(name) for name in found.main.stages]
    counts = found.counts.only(stages)
    several = counts.n_listeners >= _LISTENERS
    tastes, groups = (several and name not in without for name in ("tastes", "groups"))
    return {
        "thurstone": _thurstone(counts, found.main.reference),
        "strength": strength_block(
            table,
            list(found.main.stages),
            reference=found.main.reference,
            ordered="grades" not in without,
        ),
        "programmes": None if "programmes" in without else _programmes(table, stages, seed),
        "mixed": _mixed(counts, found.main.reference) if tastes else None,
        "classes": groups_block(counts, seed, progress) if groups else None,
    }


def _thurstone(counts: PairCounts, reference: str) -> dict[str, Any]:
    fit = fit_thurstone(counts, reference=reference)
    naive, cluster = (
        np.sqrt(np.maximum(np.diag(v), 0.0)) for v in (fit.covariance, fit.covariance_cluster)
    )
    return {
        "method": "Thurstone Case V",
        "n_trials": counts.n_trials,
        "n_listeners": counts.n_listeners,
        "reference": reference,
        "stages": [
            {
                "stage": name,
                "scale": float(fit.scale[k]),
                "se": float(naive[k]),
                "se_cluster": float(cluster[k]),
            }
            for k, name in enumerate(fit.stages)
        ],
        "log_likelihood": fit.log_likelihood,
        "deviance": fit.deviance,
        "df": fit.df,
        "penalty": fit.penalty,
    }


def _programmes(table: TrialTable, stages: list[int], seed: int) -> dict[str, Any] | None:
    frame = table.of("paired")
    parts = split_pair_counts(frame, by="programme")
    parts.pop("", None)
    if not parts:
        return None
    keep = {name: _same_cells(part, stages) for name, part in parts.items()}
    keep = {name: part for name, part in keep.items() if part.n_trials}
    interaction = programme_interaction(keep, seed=seed)
    worths = programme_worths(keep)
    return {
        "interaction": None
        if interaction is None
        else {
            "test": "likelihood ratio, programmes permuted within listener and pair",
            "statistic": interaction.statistic,
            "df": interaction.df,
            "p_value": interaction.p_value,
            "n_permutations": interaction.n_permutations,
            "n_trials": interaction.n_trials,
            "n_listeners": interaction.n_listeners,
        },
        "by_programme": [
            {
                "programme": name,
                "method": "Bradley-Terry",
                "n_trials": part.n_trials,
                "n_listeners": int((part.counts.sum(axis=(1, 2)) > 0).sum()),
                "log_worth": worths.get(name),
            }
            for name, part in keep.items()
        ],
        "leave_one_out": leave_one_out(keep) if len(keep) > 1 else [],
    }


def _same_cells(part: PairCounts, stages: list[int]) -> PairCounts:
    """Return the answers between some stages, with all listeners kept in place."""
    keep = np.isin(part.first, stages) & np.isin(part.second, stages)
    place = np.full(len(part.stages), -1)
    place[stages] = np.arange(len(stages))
    return PairCounts(
        tuple(part.stages[k] for k in stages),
        part.listeners,
        place[part.first[keep]],
        place[part.second[keep]],
        part.counts[:, keep],
    )


def _mixed(counts: PairCounts, reference: str) -> dict[str, Any]:
    rich = enough_for_own_worths(counts.n_listeners, counts.n_trials, len(counts.stages))
    fit = fit_mixed_preference(counts, reference=reference, structure="full" if rich else "common")
    return {
        "method": "Bradley-Terry with listener-specific worths, Laplace",
        "n_trials": fit.n_trials,
        "n_listeners": fit.n_listeners,
        "reference": fit.reference,
        "structure": fit.structure,
        "stages": [_mixed_stage(fit, k) for k in range(len(fit.stages))],
        "difference_sd": fit.difference_sd,
        "correlation": _correlation(fit.covariance),
        "log_likelihood": fit.log_likelihood,
        "log_likelihood_alike": fit.log_likelihood_alike,
        "n_parameters": fit.n_parameters,
        "p_value": fit.p_value,
        "converged": fit.converged,
        "listeners": [
            {"listener": name, "worths": [float(v) for v in fit.listener_worth[k]]}
            for k, name in enumerate(fit.listeners)
        ],
    }


def _mixed_stage(fit: MixedPreference, k: int) -> dict[str, Any]:
    best = fit.listener_worth.argmax(axis=1)
    return {
        "stage": fit.stages[k],
        "log_worth": float(fit.log_worth[k]),
        "se": float(fit.se[k]),
        "sd_between_listeners": float(np.sqrt(max(fit.covariance[k, k], 0.0))),
        "share_of_listeners_with_it_first": float((best == k).mean()),
    }


def _correlation(covariance: np.ndarray) -> np.ndarray:
    sd = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    product = np.outer(sd, sd)
    return np.where(product > 0, covariance / np.where(product > 0, product, 1.0), np.nan)
