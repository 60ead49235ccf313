"""Right answers over all pairs at once: how much listeners and pairs differ."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from analysis.hearing.dprime import CHANCE
from analysis.hearing.pair_cells import PairCells
from analysis.models.mixed_choice import fit_mixed_choice

__all__ = ["choice_block"]

#: Fewest listeners, and fewest pairs, whose spread is worth a variance of its own.
_LEAST = 5


def choice_block(cells: Sequence[PairCells]) -> list[dict[str, Any]]:
    """Fit one mixed logistic model per forced-choice method.

    Log-odds of a right answer with random intercepts of listeners and, with five pairs or more, of
    pairs, by Laplace's method (adaptive quadrature where listeners are the only factor).

    Parameters
    ----------
    cells : sequence of PairCells
        Counts by pair, listener and programme.

    Returns
    -------
    list of dict
        ``method``, ``n_trials``, ``n_listeners``, ``n_pairs``, ``log_odds``, ``se``, ``proportion``
        (of a listener and pair in the middle), ``chance``, ``sd_listener``, ``sd_pair``,
        ``log_likelihood``; methods with fewer than five listeners, or with only right or only
        wrong answers, are left out.
    """
    rows = []
    for method in dict.fromkeys(group.method for group in cells):
        parts = [group for group in cells if group.method == method and group.testable]
        if parts:
            right, total, groups = _counts(parts)
            listeners = len(np.unique(groups["listener"]))
            if listeners >= _LEAST and 0 < right.sum() < total.sum():
                rows.append(_row(method, right, total, groups))
    return rows


def _counts(
    parts: Sequence[PairCells],
) -> tuple[np.ndarray, np.ndarray, dict[str, np.ndarray]]:
    """Return right and given answers by listener and pair, and who and which they are."""
    labels = [" / ".join(group.pair) for group in parts]
    pair = np.repeat(labels, [len(group.cells) for group in parts])

    def column(name: str) -> np.ndarray:
        return np.concatenate([group.cells[name].to_numpy() for group in parts])

    names, who = np.unique(column("listener").astype(object), return_inverse=True)
    pairs, which = np.unique(pair.astype(object), return_inverse=True)
    keys, cell = np.unique(who * len(pairs) + which, return_inverse=True)
    right, total = (np.bincount(cell, column(name)) for name in ("n_correct", "n_trials"))
    listener, own = np.divmod(keys, len(pairs))
    return right, total, {"listener": names[listener], "pair": pairs[own]}


def _row(
    method: str, right: np.ndarray, total: np.ndarray, groups: dict[str, np.ndarray]
) -> dict[str, Any]:
    n_pairs = len(np.unique(groups["pair"]))
    if n_pairs < _LEAST:
        groups = {"listener": groups["listener"]}
    fit = fit_mixed_choice(
        right,
        total,
        {"log_odds": np.ones(len(right))},
        groups,
        n_nodes=1 if len(groups) > 1 else 15,
    )
    return {
        "method": method,
        "model": "mixed logistic, Laplace" if len(groups) > 1 else "mixed logistic, quadrature",
        "n_trials": fit.n_trials,
        "n_listeners": fit.n_levels["listener"],
        "n_pairs": n_pairs,
        "log_odds": float(fit.beta[0]),
        "se": float(fit.se[0]),
        "proportion": float(1 / (1 + np.exp(-fit.beta[0]))),
        "chance": CHANCE[method],
        "sd_listener": fit.sd["listener"],
        "sd_pair": fit.sd.get("pair"),
        "log_likelihood": fit.log_likelihood,
        "log_likelihood_alike": fit.log_likelihood_alike,
        "converged": fit.converged,
    }
