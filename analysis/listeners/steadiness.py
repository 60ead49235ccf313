"""Steadiness of each listener (repeats, drift, discrimination in ratings) and screening."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from scipy import stats

from analysis.listeners.screening import ScreeningRule
from analysis.ratings.block import post_screening
from analysis.tables.trials import FORCED_CHOICE, TrialTable, label_codes

__all__ = [
    "drift",
    "excluded_listeners",
    "rating_drift",
    "rating_f",
]


def rating_f(frame: pd.DataFrame) -> dict[str, dict[str, float]]:
    """Return each listener's F of stages in the listener's own ratings.

    Stages against what is left after stages and programmes: large for a listener who tells stages
    apart and rates them alike again (the discrimination part of assessor performance, as in ISO
    8586 practice; formula: two-way analysis of variance without interaction).

    Parameters
    ----------
    frame : pandas.DataFrame
        Rating trials.

    Returns
    -------
    dict of str to dict
        ``statistic``, ``df``, ``df_error``, ``p_value``, ``n_trials`` by listener; listeners whose
        ratings leave no residual degrees of freedom or no variation are left out.
    """
    result = {}
    for listener, part in frame.groupby("listener", observed=True, sort=True):
        y = part["rating"].to_numpy(dtype=float)
        stage = pd.factorize(np.asarray(part["stage_a"]))[0]
        programme = pd.factorize(np.asarray(part["programme"]))[0]
        found = _two_way(y, stage, programme)
        if found is not None:
            result[str(listener)] = found | {"n_trials": float(len(y))}
    return result


def _two_way(y: np.ndarray, stage: np.ndarray, programme: np.ndarray) -> dict[str, float] | None:
    def residual(*factors: np.ndarray) -> tuple[float, int]:
        columns = [np.ones((len(y), 1))]
        columns += [np.eye(int(f.max()) + 1)[f][:, 1:] for f in factors]
        x = np.concatenate(columns, axis=1)
        beta, _, rank, _ = np.linalg.lstsq(x, y, rcond=None)
        return float(((y - x @ beta) ** 2).sum()), int(rank)

    full, rank_full = residual(stage, programme)
    reduced, rank_reduced = residual(programme)
    df, df_error = rank_full - rank_reduced, len(y) - rank_full
    if df < 1 or df_error < 1 or full <= 1e-9 * max(1.0, float((y**2).sum())):
        return None
    f = ((reduced - full) / df) / (full / df_error)
    return {
        "statistic": f,
        "df": df,
        "df_error": df_error,
        "p_value": float(stats.f.sf(f, df, df_error)),
    }


def drift(table: TrialTable) -> dict[str, Any] | None:
    """Test whether listeners get better or worse over the session.

    Every listener's right answers are regressed on the place within the session (0 first, 1 last)
    and the slopes are compared with 0 by a two-sided t between listeners.

    Returns
    -------
    dict or None
        ``slope`` (change of P(correct) from start to end), ``se``, ``statistic``, ``df``,
        ``p_value``, ``first_half``, ``second_half`` (shares right), counts; None without
        forced-choice trials.
    """
    frame = table.of(*FORCED_CHOICE)
    frame = frame.loc[frame["correct"].notna()]
    return None if frame.empty else _drift_of(frame, frame["correct"].to_numpy())


def rating_drift(table: TrialTable) -> dict[str, Any] | None:
    """Test whether ratings rise or fall over the session.

    As :func:`drift`, on ratings less the panel's mean of the same stage and programme, so that the
    order in which stages came does not count.

    Returns
    -------
    dict or None
        As :func:`drift`, ``slope`` in points of the scale from start to end; None without ratings.
    """
    frame = table.of("rating")
    if frame.empty:
        return None
    means = frame.groupby(["stage_a", "programme"], observed=True)["rating"].transform("mean")
    return _drift_of(frame, (frame["rating"] - means).to_numpy(dtype=float))


def _drift_of(frame: pd.DataFrame, values: np.ndarray) -> dict[str, Any]:
    _, (listener,) = label_codes(frame, "listener")
    _, (session,) = label_codes(frame, "session")
    sitting = np.unique(listener * (session.max() + 1) + session, return_inverse=True)[1]
    order = frame["trial"].to_numpy(dtype=float)
    first = np.full(sitting.max() + 1, np.inf)
    last = np.zeros(sitting.max() + 1)
    np.minimum.at(first, sitting, order)
    np.maximum.at(last, sitting, order)
    span = (last - first)[sitting]
    place = np.where(span > 0, (order - first[sitting]) / np.where(span > 0, span, 1), 0.5)
    slopes = _slopes(place, values, listener)
    late = place >= 0.5
    nan = float("nan")
    halves = [float(values[part].mean()) if part.any() else nan for part in (~late, late)]
    n = len(slopes)
    result = {
        "method": "slopes within listeners, t between them",
        "n_trials": len(frame),
        "n_listeners": n,
        "first_half": halves[0],
        "second_half": halves[1],
        **dict.fromkeys(("slope", "se", "statistic", "df", "p_value")),
    }
    if n > 1 and slopes.std(ddof=1) > 1e-12:
        se = float(slopes.std(ddof=1) / np.sqrt(n))
        t = float(slopes.mean()) / se
        p = 2 * float(stats.t.sf(abs(t), n - 1))
        result |= {
            "slope": float(slopes.mean()),
            "se": se,
            "statistic": t,
            "df": n - 1,
            "p_value": p,
        }
    return result


def _slopes(place: np.ndarray, correct: np.ndarray, listener: np.ndarray) -> np.ndarray:
    n = np.bincount(listener)
    seen = n > 0

    def mean(values: np.ndarray) -> np.ndarray:
        return np.bincount(listener, weights=values) / np.maximum(n, 1)

    x = place - mean(place)[listener]
    y = correct - mean(correct)[listener]
    variation = np.bincount(listener, weights=x * x)
    usable = seen & (variation > 1e-12)
    return np.asarray(np.bincount(listener, weights=x * y)[usable] / variation[usable])


def excluded_listeners(
    rule: ScreeningRule, table: TrialTable, reliability: dict[str, Any]
) -> list[str]:
    """Return the listeners whom the rule leaves out.

    Parameters
    ----------
    rule : ScreeningRule
    table : TrialTable
    reliability : dict
        The reliability block. A listener without the controls or repeats that the rule asks about
        stays in.
    """
    if rule.kind == "bs1534":
        return [row.listener for row in post_screening(table.of("rating")) if row.excluded]
    out = []
    for row in reliability["listeners"]:
        share = row["repeat_agreement"]
        if rule.kind == "controls":
            control = row["controls"]["obvious"]
            share = control["passed"] / control["scored"] if control["scored"] else None
        if share is not None and share < rule.least - 1e-12:
            out.append(row["listener"])
    return out
