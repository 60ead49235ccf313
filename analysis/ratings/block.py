"""Ratings from 0 to 100: summaries, post-screening by BS.1534-3, tests and agreement."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats

from analysis.ratings.models import mixed_ratings, ordinal_ratings
from analysis.ratings.tests import (
    friedman,
    intraclass_correlations,
    rating_pairs,
    repeated_measures,
)
from analysis.tables.trials import TrialTable, label_codes

__all__ = [
    "HIDDEN_REFERENCE",
    "MID_ANCHOR",
    "ScreeningRow",
    "comparisons",
    "difference_grades",
    "outlier_limits",
    "post_screening",
    "quartiles",
    "ratings_block",
    "stage_rows",
]

#: Stage ids that carry a role in a rating test.
HIDDEN_REFERENCE, LOW_ANCHOR, MID_ANCHOR = "hidden-reference", "low-anchor", "mid-anchor"
#: Lower limits of "poor", "fair", "good" and "excellent" on the scale of BS.1534-3.
_WORDS = (20.0, 40.0, 60.0, 80.0)
#: ITU-R BS.1534-3 post-screening: grade limit, share of items, share of assessors.
_GRADE, _ITEMS, _ASSESSORS = 90.0, 0.15, 0.25


def quartiles(values: np.ndarray) -> tuple[float, float, float]:
    """Return the quartiles of BS.1534-3.

    The median splits the sorted values in two halves, each with the median in it when the number of
    values is odd; the outer quartiles are the medians of the halves.

    Raises
    ------
    ValueError
        No values.
    """
    x = np.sort(np.asarray(values, dtype=float))
    if not x.size:
        raise ValueError("need at least one value")
    half = (x.size + 1) // 2
    return float(np.median(x[:half])), float(np.median(x)), float(np.median(x[-half:]))


def outlier_limits(values: np.ndarray) -> tuple[float, float]:
    """Return the limits beyond which BS.1534-3 calls a grade an outlier, 1.5 quartile ranges."""
    q1, _, q3 = quartiles(values)
    return q1 - 1.5 * (q3 - q1), q3 + 1.5 * (q3 - q1)


@dataclass(frozen=True, slots=True)
class ScreeningRow:
    """One listener against the rules of BS.1534-3.

    Attributes
    ----------
    listener : str
    n_items, n_reference_low : int
        Items with a hidden reference, and those where it was graded below 90.
    n_anchor_items, n_anchor_high : int
        Items with a mid anchor that may be judged by, and those where it was graded above 90.
    excluded : tuple of str
        Rules that exclude the listener: ``"hidden reference"``, ``"mid anchor"``.
    """

    listener: str
    n_items: int
    n_reference_low: int
    n_anchor_items: int
    n_anchor_high: int
    excluded: tuple[str, ...]


def post_screening(
    frame: pd.DataFrame, *, reference: str = HIDDEN_REFERENCE, mid_anchor: str = MID_ANCHOR
) -> list[ScreeningRow]:
    """Apply both post-screening rules of BS.1534-3.

    A listener is excluded who grades the hidden reference below 90 on more than 15 % of the items,
    or the mid anchor above 90 on more than 15 % of the items; an item on which more than 25 % of
    the listeners grade the mid anchor above 90 does not count for the second rule.

    Parameters
    ----------
    frame : pandas.DataFrame
        Rating trials: ``listener``, ``programme``, ``stage_a``, ``rating``; an item is a programme,
        repeats of it are averaged.
    reference, mid_anchor : str, optional
        Stage ids.

    Returns
    -------
    list of ScreeningRow
        By listener; empty without a hidden reference and mid anchor.
    """
    keys = ["listener", "programme"]
    named = {}
    for role, stage in (("reference", reference), ("anchor", mid_anchor)):
        part = frame.loc[frame["stage_a"] == stage]
        named[role] = part.groupby(keys, observed=True)["rating"].mean().unstack()
    if named["reference"].empty and named["anchor"].empty:
        return []
    high = named["anchor"] > _GRADE
    known = named["anchor"].notna()
    if not named["anchor"].empty:
        usable = high.sum() / known.sum() <= _ASSESSORS
        high, known = high.loc[:, usable], known.loc[:, usable]
    rows = []
    for listener in sorted(set(named["reference"].index) | set(named["anchor"].index)):
        low_n, items = _counted(named["reference"] < _GRADE, named["reference"].notna(), listener)
        high_n, anchors = _counted(high, known, listener)
        excluded = []
        if items and low_n > _ITEMS * items + 1e-9:
            excluded.append("hidden reference")
        if anchors and high_n > _ITEMS * anchors + 1e-9:
            excluded.append("mid anchor")
        rows.append(ScreeningRow(str(listener), items, low_n, anchors, high_n, tuple(excluded)))
    return rows


def _counted(hits: pd.DataFrame, known: pd.DataFrame, listener: object) -> tuple[int, int]:
    if listener not in hits.index:
        return 0, 0
    at = list(hits.index).index(listener)
    own = known.to_numpy()[at]
    return int((hits.to_numpy()[at] & own).sum()), int(own.sum())


def difference_grades(frame: pd.DataFrame, *, reference: str = HIDDEN_REFERENCE) -> pd.DataFrame:
    """Return grades minus the hidden reference's grade of the same listener and programme.

    The subjective difference grade of BS.1116-3, on whatever scale the grades are: normally 0 or
    less, above 0 where the listener took the reference for the coded one.

    Parameters
    ----------
    frame : pandas.DataFrame
        Rating trials.
    reference : str, optional
        Stage id of the hidden reference.

    Returns
    -------
    pandas.DataFrame
        ``listener``, ``programme``, ``stage``, ``difference``; rows without a reference left out.
    """
    keys = ["listener", "programme"]
    values = frame.groupby([*keys, "stage_a"], observed=True)["rating"].mean().reset_index()
    base = values.loc[values["stage_a"] == reference].set_index(keys)["rating"]
    rest = values.loc[values["stage_a"] != reference].join(base.rename("base"), on=keys)
    rest = rest.dropna(subset="base").rename(columns={"stage_a": "stage"})
    rest["difference"] = rest["rating"] - rest["base"]
    return rest[[*keys, "stage", "difference"]].reset_index(drop=True)


def ratings_block(
    table: TrialTable,
    *,
    confidence: float = 0.95,
    declared: bool | None = None,
    ordered: bool = True,
) -> dict[str, Any] | None:
    """Return the ``ratings`` block of the analysis, None without rating trials.

    Means and intervals are over listeners, each listener's trials of a stage averaged first. What
    compares stages uses the listeners who rated every stage. All of it keeps everybody; whom the
    post-screening of BS.1534-3 would leave out stands beside it, with the stages' figures without
    them.

    Parameters
    ----------
    table : TrialTable
    confidence : float, optional
    declared : bool or None, optional
        Whether the plan declared that post-screening; None where no plan is known.
    ordered : bool, optional
        Fit the model of the scale's words as ordered steps.

    Returns
    -------
    dict or None
    """
    frame = table.of("rating")
    if frame.empty:
        return None
    screening = post_screening(frame)
    out = {row.listener for row in screening if row.excluded}
    kept = frame.loc[~frame["listener"].isin(out)]
    block = {
        "method": "rating",
        "n_trials": len(frame),
        "n_listeners": int(frame["listener"].nunique()),
        "stages": stage_rows(frame, confidence),
        "screening": {
            "rule": "ITU-R BS.1534-3 post-screening, both rules",
            "declared": declared,
            "excluded": sorted(out),
            "listeners": [
                {
                    "listener": row.listener,
                    "n_items": row.n_items,
                    "n_reference_below_90": row.n_reference_low,
                    "n_anchor_items": row.n_anchor_items,
                    "n_mid_anchor_above_90": row.n_anchor_high,
                    "excluded_by": list(row.excluded),
                }
                for row in screening
            ],
        },
        "stages_screened": stage_rows(kept, confidence) if out and len(kept) else None,
        "difference_grades": _difference_rows(frame, confidence),
        "mixed": mixed_ratings(frame),
        "ordinal": ordinal_ratings(frame, _WORDS) if ordered else None,
    }
    return block | comparisons(frame, confidence)


def stage_rows(frame: pd.DataFrame, confidence: float) -> list[dict[str, Any]]:
    """Return the distribution over listeners by stage, then by stage and programme."""
    stages, (stage,) = label_codes(frame, "stage_a")
    programmes, (programme,) = label_codes(frame, "programme")
    names, (listener,) = label_codes(frame, "listener")
    values = frame["rating"].to_numpy(dtype=float)
    rows = []
    for k in np.unique(stage):
        of_stage = stage == k
        rows.append(
            _summary(stages[k], None, names, listener[of_stage], values[of_stage], confidence)
        )
        for m in np.unique(programme[of_stage]):
            part = of_stage & (programme == m)
            if programmes[m] != "":
                rows.append(
                    _summary(
                        stages[k], programmes[m], names, listener[part], values[part], confidence
                    )
                )
    return rows


def _summary(
    stage: str,
    programme: str | None,
    names: list[str],
    listener: np.ndarray,
    ratings: np.ndarray,
    confidence: float,
) -> dict[str, Any]:
    people, code = np.unique(listener, return_inverse=True)
    values = np.bincount(code, weights=ratings) / np.bincount(code)
    n = len(values)
    q1, median, q3 = quartiles(values)
    low, high = outlier_limits(values)
    nan = float("nan")
    half = sd = nan
    if n > 1:
        sd = float(values.std(ddof=1))
        half = float(stats.t.ppf((1 + confidence) / 2, n - 1)) * sd / np.sqrt(n)
    mean = float(values.mean())
    beyond = people[(values < low) | (values > high)]
    return {
        "stage": stage,
        "programme": programme,
        "n_trials": len(ratings),
        "n_listeners": n,
        "mean": mean,
        "sd": sd,
        "ci_low": mean - half,
        "ci_high": mean + half,
        "minimum": float(values.min()),
        "q1": q1,
        "median": median,
        "q3": q3,
        "maximum": float(values.max()),
        "outliers": sorted(names[k] for k in beyond),
    }


def _difference_rows(frame: pd.DataFrame, confidence: float) -> list[dict[str, Any]]:
    """Return mean difference grades by stage over listeners; empty without a hidden reference."""
    differences = difference_grades(frame)
    rows = []
    for stage, part in differences.groupby("stage", observed=True, sort=True):
        values = part.groupby("listener", observed=True)["difference"].mean().to_numpy()
        n, mean = len(values), float(values.mean())
        half = float("nan")
        if n > 1:
            student = float(stats.t.ppf((1 + confidence) / 2, n - 1))
            half = student * float(values.std(ddof=1)) / np.sqrt(n)
        rows.append(
            {
                "stage": str(stage),
                "n_trials": len(part),
                "n_listeners": n,
                "mean": mean,
                "ci_low": mean - half,
                "ci_high": mean + half,
                "above_zero": int((part["difference"] > 0).sum()),
            }
        )
    return rows


def comparisons(frame: pd.DataFrame, confidence: float) -> dict[str, Any]:
    """Return the tests over the listeners who rated every stage."""
    means = frame.groupby(["listener", "stage_a"], observed=True)["rating"].mean().unstack()
    whole = means.dropna()
    y, stages = whole.to_numpy(dtype=float), [str(name) for name in whole.columns]
    empty = dict.fromkeys(("friedman", "anova", "agreement"))
    result: dict[str, Any] = {"n_complete": len(y), "pairs": [], **empty}
    if len(y) < 2 or len(stages) < 2:
        return result
    common = {"n_listeners": len(y), "n_trials": len(frame)}
    anova = repeated_measures(y)
    result["anova"] = common | {
        name: getattr(anova, name)
        for name in (
            "statistic",
            "df",
            "df_error",
            "p_value",
            "epsilon_gg",
            "epsilon_hf",
            "p_gg",
            "p_hf",
            "partial_eta_squared",
        )
    }
    result["pairs"] = [
        {
            "pair": [stages[row.first], stages[row.second]],
            "difference": row.difference,
            "ci_low": row.ci_low,
            "ci_high": row.ci_high,
            "statistic": row.statistic,
            "p_value": row.p_value,
            "p_holm": row.p_holm,
            "p_permutation": row.p_permutation,
            "effect_size": row.effect_size,
            "n_listeners": row.n_listeners,
        }
        for row in rating_pairs(y, confidence=confidence)
    ]
    icc = intraclass_correlations(y.T)
    result["agreement"] = common | {
        name: {"value": c.value, "ci_low": c.ci_low, "ci_high": c.ci_high}
        for name, c in icc.items()
    }
    if len(stages) > 2:
        ranks = friedman(y)
        result["friedman"] = common | {
            "statistic": ranks.statistic,
            "df": ranks.df,
            "p_value": ranks.p_value,
            "kendall_w": ranks.kendall_w,
        }
    return result
