"""How much better: paired answers on the seven-grade comparison scale."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from analysis.panels.multiplicity import holm
from analysis.panels.tails import t_above, t_quantile
from analysis.ratings.models import ordered_effects
from analysis.tables.trials import TrialTable, label_codes

__all__ = ["strength_block"]


def strength_block(
    table: TrialTable,
    stages: list[str],
    *,
    reference: str,
    confidence: float = 0.95,
    ordered: bool = True,
) -> dict[str, Any] | None:
    """Return mean strengths by pair and stages on one scale of ordered grades.

    Parameters
    ----------
    table : TrialTable
        Paired trials may carry ``strength``, -3 (B much better) to 3 (A much better).
    stages : list of str
        Stages linked by comparisons; the others are left out.
    reference : str
        Stage at 0 of the ordered scale.
    confidence : float, optional
    ordered : bool, optional
        Fit the model of ordered grades.

    Returns
    -------
    dict or None
        None where no paired trial carries a strength. ``pairs``: mean over listeners of each
        listener's mean strength towards the first stage of the pair, with Student's interval.
        ``ordinal``: a cumulative-link model of the grades (Agresti 1992 Appl Stat 41:287) with
        listeners' leanings to a position as random intercepts.
    """
    frame = table.of("paired")
    if "strength" not in frame.columns:
        return None
    inside = frame["stage_a"].isin(stages) & frame["stage_b"].isin(stages)
    frame = frame.loc[inside & frame["strength"].notna()]
    if frame.empty:
        return None
    labels, (a, b) = label_codes(frame, "stage_a", "stage_b")
    _, (listener,) = label_codes(frame, "listener")
    grade = frame["strength"].to_numpy(dtype=float)
    return {
        "method": "paired",
        "scale": "seven grades, -3 to 3 towards the first stage of the pair",
        "n_trials": len(frame),
        "n_listeners": len(np.unique(listener)),
        "pairs": _pairs(labels, a, b, listener, grade, confidence),
        "ordinal": _ordinal(labels, a, b, listener, grade, reference) if ordered else None,
    }


def _pairs(
    labels: list[str],
    a: np.ndarray,
    b: np.ndarray,
    listener: np.ndarray,
    grade: np.ndarray,
    confidence: float,
) -> list[dict[str, Any]]:
    towards = np.where(a < b, grade, -grade)
    keys = {"low": np.minimum(a, b), "high": np.maximum(a, b), "listener": listener}
    own = pd.DataFrame({**keys, "grade": towards}).groupby(list(keys), sort=True)["grade"]
    table = own.agg(["mean", "size"]).reset_index()
    rows = []
    for (low, high), part in table.groupby(["low", "high"], sort=True):
        values = part["mean"].to_numpy()
        n, mean, nan = len(values), float(values.mean()), float("nan")
        se = float(values.std(ddof=1)) / np.sqrt(n) if n > 1 else nan
        half = t_quantile((1 + confidence) / 2, n - 1) * se if n > 1 else nan
        p = 2 * float(t_above(abs(mean / se), n - 1)) if n > 1 and se > 1e-12 else nan
        rows.append(
            {
                "pair": [labels[int(str(low))], labels[int(str(high))]],
                "mean": mean,
                "ci_low": mean - half,
                "ci_high": mean + half,
                "p_value": p,
                "n_trials": int(part["size"].sum()),
                "n_listeners": n,
            }
        )
    for row, adjusted in zip(rows, holm(np.array([row["p_value"] for row in rows])), strict=True):
        row["p_holm"] = float(adjusted)
    return rows


def _ordinal(
    labels: list[str],
    a: np.ndarray,
    b: np.ndarray,
    listener: np.ndarray,
    grade: np.ndarray,
    reference: str,
) -> dict[str, Any] | None:
    used = sorted(set(a.tolist()) | set(b.tolist()))
    if reference not in [labels[k] for k in used]:
        return None
    effects = {
        labels[k]: (a == k).astype(float) - (b == k).astype(float)
        for k in used
        if labels[k] != reference
    }
    found = ordered_effects(grade.astype(int), effects, listener)
    if found is None:
        return None
    fit, penalty = found
    g = len(np.unique(listener))
    se = np.sqrt(np.maximum(np.diag(np.asarray(fit.covariance_cluster)), 0.0))
    half = t_quantile(0.975, g - 1) * se
    figures = {
        name: (float(fit.beta[k]), float(fit.se[k]), float(se[k]), float(half[k]))
        for k, name in enumerate(fit.names)
    } | {reference: (0.0, 0.0, 0.0, 0.0)}
    return {
        "method": "cumulative link (logit), random intercepts of listener, Laplace",
        "reference": reference,
        "stages": [
            {
                "stage": name,
                "log_odds": value,
                "se": naive,
                "se_cluster": error,
                "ci_low": value - width,
                "ci_high": value + width,
            }
            for name, (value, naive, error, width) in sorted(figures.items())
        ],
        "sd_position": fit.sd,
        "log_likelihood": fit.log_likelihood,
        "penalty": penalty,
        "converged": fit.converged,
    }
