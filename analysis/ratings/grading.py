"""Impairment grades against a hidden reference: the ``grading`` block of the analysis.

A trial's number is the grade of the stage under test less that of the hidden reference (the
subjective difference grade of ITU-R BS.1116-3): 0 where no impairment was heard, down to -4, above
0 where the listener took the reference for the stage.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from scipy import stats

from analysis.panels.multiplicity import holm
from analysis.panels.proportions import exact_p
from analysis.ratings.block import comparisons, stage_rows
from analysis.ratings.models import mixed_ratings, ordinal_ratings
from analysis.tables.trials import TrialTable, label_codes

__all__ = ["difference_frame", "grading_block"]

#: Upper limits of difference grades that are very annoying, annoying, slightly annoying and
#: perceptible but not annoying; 0 and above is not perceived.
_WORDS = (-3.0, -2.0, -1.0, -1e-9)
_NAN = float("nan")


def difference_frame(table: TrialTable) -> pd.DataFrame:
    """Return the grading trials with the stage under test as ``stage_a``.

    Parameters
    ----------
    table : TrialTable

    Returns
    -------
    pandas.DataFrame
        ``listener``, ``programme``, ``stage_a``, ``reference`` (categorical), ``rating`` (the
        difference grade), ``correct``; controls left out.
    """
    frame = table.of("grading")
    labels, (a, b, x) = label_codes(frame, "stage_a", "stage_b", "stage_x")
    tested = np.where(a == x, b, a)
    found = frame[["listener", "programme", "rating", "correct"]].copy()
    for name, codes in (("stage_a", tested), ("reference", x)):
        column = pd.Categorical.from_codes(codes, categories=pd.Index(labels))
        found[name] = column.remove_unused_categories()
    return found.reset_index(drop=True)


def grading_block(
    table: TrialTable, *, confidence: float = 0.95, ordered: bool = True
) -> list[dict[str, Any]]:
    """Return the ``grading`` block: one entry for each reference; empty without grading trials.

    Parameters
    ----------
    table : TrialTable
    confidence : float, optional
        Level of the intervals.
    ordered : bool, optional
        Fit the model of the scale's words as ordered steps.

    Returns
    -------
    list of dict
        ``stages`` (distribution of difference grades over listeners, with the test that their mean
        is 0), ``pairs``, ``friedman``, ``anova``, ``agreement`` (as for ratings), ``mixed``,
        ``ordinal`` (the words of the scale as ordered steps) and ``listeners`` (who told the
        hidden reference).
    """
    frame = difference_frame(table)
    return [
        _entry(
            frame.loc[frame["reference"] == name].reset_index(drop=True),
            str(name),
            confidence,
            ordered,
        )
        for name in frame["reference"].cat.categories
    ]


def _entry(frame: pd.DataFrame, reference: str, confidence: float, ordered: bool) -> dict[str, Any]:
    frame = frame.assign(
        **{name: frame[name].cat.remove_unused_categories() for name in ("stage_a", "listener")}
    )
    return {
        "method": "grading",
        "scale": "difference grades of ITU-R BS.1116-3",
        "reference": reference,
        "n_trials": len(frame),
        "n_listeners": int(frame["listener"].nunique()),
        "stages": _stages(frame, confidence),
        "listeners": _listeners(frame),
        "mixed": mixed_ratings(frame),
        "ordinal": ordinal_ratings(frame, _WORDS) if ordered else None,
    } | comparisons(frame, confidence)


def _stages(frame: pd.DataFrame, confidence: float) -> list[dict[str, Any]]:
    rows = stage_rows(frame, confidence)
    for row in rows:
        part = frame.loc[frame["stage_a"] == row["stage"]]
        if row["programme"] is not None:
            part = part.loc[part["programme"] == row["programme"]]
        row["told"] = float(part["correct"].mean())
        row["above_zero"] = int((part["rating"] > 0).sum())
        n, sd = row["n_listeners"], row["sd"]
        known = n > 1 and sd > 1e-12
        t = row["mean"] / (sd / np.sqrt(n)) if known else _NAN
        row["statistic"] = t
        row["df"] = n - 1 if n > 1 else None
        row["p_value"] = 2 * float(stats.t.sf(abs(t), n - 1)) if known else _NAN
    # One family: the stages over all programmes. Programmes are beside the question of the plan.
    whole = [row for row in rows if row["programme"] is None]
    adjusted = holm(np.array([row["p_value"] for row in whole]))
    for row, p in zip(whole, adjusted, strict=True):
        row["p_holm"] = float(p)
    return rows


def _listeners(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Return how often each listener graded the hidden reference higher, against a coin."""
    rows = []
    for name, part in frame.groupby("listener", observed=True, sort=True):
        right, n = int(part["correct"].sum()), len(part)
        grades = part["rating"].to_numpy(dtype=float)
        sd = float(grades.std(ddof=1)) if n > 1 else _NAN
        t = float(grades.mean()) / (sd / np.sqrt(n)) if n > 1 and sd > 1e-12 else _NAN
        rows.append(
            {
                "listener": str(name),
                "n_trials": n,
                "n_told": right,
                "told": right / n,
                "p_told": float(exact_p(np.array(right), np.array(n))[0]),
                "mean": float(grades.mean()),
                "statistic": t,
                "df": n - 1 if n > 1 else None,
                "p_value": float(stats.t.cdf(t, n - 1)) if n > 1 else _NAN,
            }
        )
    return rows
