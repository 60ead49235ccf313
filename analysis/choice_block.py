"""Right answers over all pairs at once: how much listeners and pairs differ."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from analysis.discrimination import PairCells
from analysis.dprime import CHANCE
from analysis.mixed_choice import fit_mixed_choice

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
        parts = [
            group.cells.assign(pair=" / ".join(group.pair))
            for group in cells
            if group.method == method and group.testable
        ]
        if not parts:
            continue
        whole = pd.concat(parts, ignore_index=True)
        counts = whole.groupby(["listener", "pair"])[["n_correct", "n_trials"]].sum().reset_index()
        right, total = int(counts["n_correct"].sum()), int(counts["n_trials"].sum())
        if counts["listener"].nunique() >= _LEAST and 0 < right < total:
            rows.append(_row(method, counts))
    return rows


def _row(method: str, counts: pd.DataFrame) -> dict[str, Any]:
    groups = {"listener": counts["listener"].to_numpy()}
    n_pairs = int(counts["pair"].nunique())
    if n_pairs >= _LEAST:
        groups["pair"] = counts["pair"].to_numpy()
    fit = fit_mixed_choice(
        counts["n_correct"].to_numpy(),
        counts["n_trials"].to_numpy(),
        {"log_odds": np.ones(len(counts))},
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
