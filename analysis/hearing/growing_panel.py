"""Always-valid statements about a mean of listeners: the panel as it grows.

The always-valid interval of :func:`analysis.panels.sequential.always_valid` takes single answers as
independent, which holds within one listener only. Here the listener is the unit: every listener
adds one number in [0, 1], the share of right answers or of choices, in the order in which they
finished. Nothing is assumed about how listeners differ.

Two intervals of Waudby-Smith & Ramdas (2024) JRSSB 86:1: in closed form the predictable plug-in
empirical Bernstein (theorem 2), and the narrower one by betting (theorem 3), which holds every mean
against which a capital, staked on either side, has not grown twentyfold. The test is the same
capital against guessing.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from analysis.hearing.dprime import CHANCE
from analysis.hearing.pair_cells import PairCells
from analysis.tables.trials import FORCED_CHOICE, TrialTable

__all__ = ["BoundedMean", "always_valid_mean", "growing_panel"]

#: Largest stake, as a share of what keeps the capital above 0 (the authors' suggestion).
_STAKE = 0.5
#: Means tried between 0 and 1; the interval is widened by one step on each side.
_MEANS = 1001


@dataclass(frozen=True, slots=True)
class BoundedMean:
    """What may be said about a mean now, however often one has looked before.

    Attributes
    ----------
    n : int
        Numbers seen.
    centre, half_width : float
        Empirical-Bernstein interval at this moment; it may reach beyond 0 and 1.
    ci_low, ci_high : float
        Interval by betting, within 0 and 1; what an earlier look excluded stays excluded.
    e_value : float
        Evidence that the mean is above `chance`: on average at most 1 otherwise, at any stopping
        time; the largest so far would not be, so it is the present one.
    p_value : float
        1 / the largest e-value so far, at most 1; one-sided, valid under peeking.
    chance, confidence : float
    """

    n: int
    centre: float
    half_width: float
    ci_low: float
    ci_high: float
    e_value: float
    p_value: float
    chance: float
    confidence: float


def always_valid_mean(
    values: np.ndarray, *, chance: float = 0.5, confidence: float = 0.95
) -> BoundedMean:
    """Return the always-valid interval and test of the mean of numbers in [0, 1].

    Parameters
    ----------
    values : numpy.ndarray, shape (n,)
        In the order in which they came; the order must not depend on what they are.
    chance : float, optional
        Mean under guessing, for the test.
    confidence : float, optional

    Returns
    -------
    BoundedMean

    Raises
    ------
    ValueError
        No values, values outside [0, 1], or probabilities outside (0, 1).
    """
    x = np.asarray(values, dtype=float)
    if not x.size or np.any(~((x >= 0) & (x <= 1))):
        raise ValueError("need at least one value, all of them in [0, 1]")
    if not 0 < chance < 1 or not 0 < confidence < 1:
        raise ValueError("chance and confidence must lie in (0, 1)")
    alpha = 1 - confidence
    t = np.arange(1, len(x) + 1)
    # Mean and variance as guessed before each number came, started at 1/2 and 1/4.
    mean = (0.5 + np.cumsum(x)) / (t + 1)
    variance = (0.25 + np.cumsum((x - mean) ** 2)) / (t + 1)
    mean_before = np.concatenate([[0.5], mean[:-1]])
    variance_before = np.concatenate([[0.25], variance[:-1]])
    stake = np.sqrt(2 * np.log(2 / alpha) / (variance_before * t * np.log1p(t)))
    stake = np.minimum(stake, _STAKE)
    price = (-np.log1p(-stake) - stake) / 4
    spent = np.cumsum(4 * (x - mean_before) ** 2 * price)
    weight = np.cumsum(stake)
    centre = np.cumsum(stake * x) / weight
    half = (np.log(2 / alpha) + spent) / weight
    bet = np.sqrt(2 * np.log(1 / alpha) / (variance_before * t * np.log1p(t)))
    bet = np.minimum(bet, _STAKE / chance)
    capital = np.cumsum(np.log1p(bet * (x - chance)))
    plan = np.sqrt(2 * np.log(2 / alpha) / (variance_before * t * np.log1p(t)))
    low, high = _betting_interval(x, plan, alpha)
    return BoundedMean(
        n=len(x),
        centre=float(centre[-1]),
        half_width=float(half[-1]),
        ci_low=low,
        ci_high=high,
        e_value=float(np.exp(capital[-1])),
        p_value=float(min(1.0, np.exp(-capital.max()))),
        chance=chance,
        confidence=confidence,
    )


def _betting_interval(x: np.ndarray, plan: np.ndarray, alpha: float) -> tuple[float, float]:
    """Return the means that betting has not refuted at any moment so far."""
    means = np.linspace(0, 1, _MEANS)[1:-1]
    above = below = worst = np.zeros(len(means))
    for value, stake in zip(x, plan, strict=True):
        above = above + np.log1p(np.minimum(stake, _STAKE / means) * (value - means))
        below = below + np.log1p(-np.minimum(stake, _STAKE / (1 - means)) * (value - means))
        worst = np.maximum(worst, np.maximum(above, below) - np.log(2))
    kept = means[worst < -np.log(alpha)]
    step = 1 / (_MEANS - 1)
    if not kept.size:
        # Between two means that were tried; it can only be where the last one fell.
        kept = means[[int(worst.argmin())]]
    return max(0.0, float(kept[0]) - step), min(1.0, float(kept[-1]) + step)


def _arrivals(frame: pd.DataFrame) -> list[str] | None:
    """Return listeners in the order in which they gave their last answer; None where unknown."""
    if "answered_at" not in frame.columns:
        return None
    at = pd.to_datetime(frame["answered_at"], errors="coerce", utc=True, format="ISO8601")
    last = at.groupby(frame["listener"], observed=True).max()
    if last.isna().any():
        return None
    order = pd.DataFrame({"at": last, "name": last.index.astype(str)})
    return order.sort_values(["at", "name"])["name"].tolist()


def growing_panel(table: TrialTable, cells: list[PairCells]) -> list[dict[str, Any]]:
    """Return the ``growing_panel`` block: always-valid statements by method and pair.

    Parameters
    ----------
    table : TrialTable
    cells : list of PairCells
        Forced-choice counts of the table.

    Returns
    -------
    list of dict
        Right answers of forced-choice pairs against guessing, and choices of the first of paired
        pairs against 1/2 (ties half); empty where ``answered_at`` does not tell the order of
        listeners. With one listener a row says nothing yet: its interval is 0 to 1.
    """
    order = _arrivals(table.of(*FORCED_CHOICE, "paired"))
    if order is None:
        return []
    rows = []
    for group in cells:
        correct, trials = group.counts
        names = sorted(group.cells["listener"].unique())
        shares = {n: k / m for n, k, m in zip(names, correct, trials, strict=True) if m > 0}
        if shares:
            counts = {"n_trials": int(trials.sum())}
            rows.append(_row(group.pair, group.method, shares, order, CHANCE[group.method], counts))
    return rows + _paired_rows(table, order)


def _paired_rows(table: TrialTable, order: list[str]) -> list[dict[str, Any]]:
    frame = table.of("paired")
    if frame.empty:
        return []
    a, b = frame["stage_a"].astype(str), frame["stage_b"].astype(str)
    vote = frame["answer"].astype(str).map({"a": 1.0, "b": 0.0, "tie": 0.5})
    counted = pd.DataFrame(
        {
            "low": a.where(a < b, b),
            "high": b.where(a < b, a),
            "listener": frame["listener"].astype(str),
            "vote": vote.where(a < b, 1 - vote),
        }
    )
    rows = []
    for (low, high), part in counted.groupby(["low", "high"], sort=True):
        means = part.groupby("listener")["vote"].mean()
        shares = {str(name): float(mean) for name, mean in means.items()}
        counts = {"n_trials": len(part)}
        rows.append(_row((str(low), str(high)), "paired", shares, order, 0.5, counts))
    return rows


def _row(
    pair: tuple[str, str],
    method: str,
    shares: dict[str, float],
    order: list[str],
    chance: float,
    counts: dict[str, int],
) -> dict[str, Any]:
    values = np.array([shares[name] for name in order if name in shares])
    found = always_valid_mean(values, chance=chance)
    row: dict[str, Any] = {
        "pair": list(pair),
        "method": method,
        "test": "betting against guessing, one number a listener, in order of arrival",
        **counts,
        "n_listeners": found.n,
        "estimate": float(values.mean()),
        "ci_low": found.ci_low,
        "ci_high": found.ci_high,
        "e_value": found.e_value,
        "p_value": found.p_value,
        "chance": chance,
    }
    if method == "paired":
        other = always_valid_mean(1 - values, chance=0.5)
        # Either stage may be the better one: half the capital on each side.
        row["e_value"] = (found.e_value + other.e_value) / 2
        row["p_value"] = min(1.0, 2 * min(found.p_value, other.p_value))
    return row
