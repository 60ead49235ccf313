"""Can they hear it? Exact tests of forced-choice trials by pair, listener and programme."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
import pandas as pd

from analysis.hearing.dprime import CHANCE, dprime_intervals, dprimes
from analysis.hearing.pair_cells import (
    PairCells,
    answers_by_side,
    forced_choice_cells,
    panel_counts,
)
from analysis.hearing.same_different import SameDifferent, same_different
from analysis.hearing.sides import (
    count_columns,
    panel_share,
    sides_of,
    sums_by,
)
from analysis.panels.multiplicity import benjamini_hochberg, holm
from analysis.panels.overdispersion import beta_binomial
from analysis.panels.panel import PanelProportion
from analysis.panels.proportions import (
    clopper_pearson,
    critical_count,
    discriminators,
    exact_p,
)
from analysis.tables.trials import TrialTable

__all__ = [
    "critical_count",
    "discrimination_rows",
]


def discrimination_rows(
    table: TrialTable,
    *,
    confidence: float = 0.95,
    alpha: float = 0.05,
    mid_p: bool = False,
    cells: list[PairCells] | None = None,
) -> list[dict[str, Any]]:
    """Return the ``discrimination`` block: per pair the panel, each listener, each programme.

    Parameters
    ----------
    table : TrialTable
    confidence : float, optional
        Level of all intervals.
    alpha : float, optional
        Level of the critical counts.
    mid_p : bool, optional
        Adjust the listeners' mid-p values for their number instead of the exact ones.
    cells : list of PairCells, optional
        Counts already made by :func:`forced_choice_cells`.

    Returns
    -------
    list of dict
        Rows with ``listener`` and ``programme`` null are the panel; they carry ``panel``, the
        test between listeners. ``n_critical`` is the fewest right answers that guessing reaches
        with a probability of at most `alpha`, null where so few trials allow none. Infinite d' is
        null.
    """
    rows: list[dict[str, Any]] = []
    groups = forced_choice_cells(table) if cells is None else cells
    for method in dict.fromkeys(group.method for group in groups):
        rows.extend(
            _method_rows([g for g in groups if g.method == method], method, confidence, alpha)
        )
    _adjust(rows, mid_p)
    return rows


def _method_rows(
    groups: list[PairCells], method: str, confidence: float, alpha: float
) -> list[dict[str, Any]]:
    """Return the rows of all pairs of one method; their figures are worked out together."""
    slices = [(group, part) for group in groups for part in _slices(group.cells)]
    measured = _measures(pd.DataFrame([part.counts for _, part in slices]), method, confidence)
    rows = []
    for (group, part), numbers in zip(slices, measured, strict=True):
        row = {
            "pair": list(group.pair),
            "method": method,
            "listener": part.listener,
            "programme": part.programme,
            "n_listeners": part.counts["n_listeners"],
            **numbers,
            "n_critical": _critical(numbers["n_trials"], method, alpha),
        }
        if part.panel is not None:
            row["panel"] = _panel_block(part.panel, method, confidence)
        rows.append(row)
    return rows


@lru_cache(maxsize=4096)
def _critical(n_trials: int, method: str, alpha: float) -> int | None:
    """Return the critical count; many rows share their number of trials."""
    return critical_count(n_trials, chance=CHANCE[method], alpha=alpha)


def _adjust(rows: list[dict[str, Any]], mid_p: bool) -> None:
    """Add p-values adjusted for the number of tests of the same kind.

    Panel rows form one family over methods and pairs (test between listeners), listener rows
    another (exact test; same-different by the one that is free of bias), programme rows a third.
    """
    kinds = {
        "panel": [row for row in rows if row["listener"] is None and row["programme"] is None],
        "programme": [row for row in rows if row["programme"] is not None],
        "listener": [row for row in rows if row["listener"] is not None],
    }
    for kind, family in kinds.items():
        p = np.array(
            [
                _own_p(row, mid_p) if kind == "listener" else row["panel"]["p_value"]
                for row in family
            ]
        )
        for row, first, second in zip(family, holm(p), benjamini_hochberg(p), strict=True):
            row["p_holm"], row["p_bh"] = float(first), float(second)
            row["family_size"] = len(family)


def _own_p(row: dict[str, Any], mid_p: bool) -> float:
    own = row["p_mid"] if mid_p else row["p_value"]
    return float(row.get("p_value_free_of_bias", own))


@dataclass(frozen=True, slots=True)
class _Slice:
    """One row's trials: the whole panel, a listener, or the panel on one programme.

    `panel` holds the counts by listener, None for a single listener.
    """

    listener: str | None
    programme: str | None
    counts: dict[str, int]
    panel: pd.DataFrame | None


def _slices(cells: pd.DataFrame) -> list[_Slice]:
    names, code = np.unique(cells["listener"].to_numpy(dtype=object), return_inverse=True)
    numbers = count_columns(cells)
    sums = sums_by(numbers, code, len(names))
    result = [_panel_slice(None, sums, cells)]
    for k, name in enumerate(names):
        counts = {key: int(values[k]) for key, values in sums.items()}
        result.append(_Slice(str(name), None, {**counts, "n_listeners": 1}, None))
    programmes, which = np.unique(cells["programme"].to_numpy(dtype=object), return_inverse=True)
    for k, programme in enumerate(programmes):
        if programme != "":
            at = which == k
            people, own = np.unique(code[at], return_inverse=True)
            part = sums_by({key: values[at] for key, values in numbers.items()}, own, len(people))
            result.append(_panel_slice(str(programme), part, cells.loc[at]))
    return result


def _panel_slice(programme: str | None, sums: dict[str, np.ndarray], cells: pd.DataFrame) -> _Slice:
    counts = {name: int(values.sum()) for name, values in sums.items()}
    counts["n_listeners"] = len(sums["n_trials"])
    return _Slice(None, programme, counts, cells)


def _measures(frame: pd.DataFrame, method: str, confidence: float) -> list[dict[str, Any]]:
    k, n = frame["n_correct"].to_numpy(), frame["n_trials"].to_numpy()
    low, high = clopper_pearson(k, n, confidence=confidence)
    p, mid = (exact_p(k, n, chance=CHANCE[method], mid=flag) for flag in (False, True))
    share = [discriminators(value, chance=CHANCE[method]) for value in (k / n, low, high)]
    d = dprime_intervals(k, n, model=method, confidence=confidence)
    other = None
    if method == "abx":
        other = dprime_intervals(k, n, model="abx-independent", confidence=confidence)
    rows = []
    for i in range(len(frame)):
        row = {
            "n_trials": int(n[i]),
            "n_correct": int(k[i]),
            "proportion": float(k[i] / n[i]),
            "p_value": float(p[i]),
            "p_mid": float(mid[i]),
            "ci_low": float(low[i]),
            "ci_high": float(high[i]),
            "discriminators": float(share[0][i]),
            "discriminators_low": float(share[1][i]),
            "discriminators_high": float(share[2][i]),
            "d_prime": float(d.d_prime[i]),
            "d_prime_low": float(d.low[i]),
            "d_prime_high": float(d.high[i]),
        }
        if other is not None:
            row["d_prime_independent"] = float(other.d_prime[i])
            row["d_prime_independent_low"] = float(other.low[i])
            row["d_prime_independent_high"] = float(other.high[i])
        if method == "same-different":
            row |= _same_different_row(frame.iloc[i], row, confidence)
        rows.append(row)
    return rows


def _same_different_row(
    counts: pd.Series, unbiased: dict[str, Any], confidence: float
) -> dict[str, Any]:
    """Replace the unbiased d' by the one that allows for bias, and keep the first beside it."""
    fit = _fit_same_different(counts, confidence)
    named = {
        "d_prime_independent": unbiased["d_prime"],
        "d_prime_independent_low": unbiased["d_prime_low"],
        "d_prime_independent_high": unbiased["d_prime_high"],
        "n_same_pairs": int(counts["n_same"]),
    }
    nothing = (float("nan"),) * 5
    values = nothing if fit is None else (fit.d_prime, fit.low, fit.high, fit.tau, fit.p_value)
    keys = ("d_prime", "d_prime_low", "d_prime_high", "criterion_tau", "p_value_free_of_bias")
    return named | dict(zip(keys, values, strict=True))


def _fit_same_different(counts: pd.Series, confidence: float) -> SameDifferent | None:
    n_same, same_right = int(counts["n_same"]), int(counts["n_same_correct"])
    n_diff = int(counts["n_trials"]) - n_same
    diff_right = int(counts["n_correct"]) - same_right
    if n_same == 0 or n_diff == 0:
        return None
    return same_different(
        same_right, n_same - same_right, n_diff - diff_right, diff_right, confidence=confidence
    )


def _panel_block(cells: pd.DataFrame, method: str, confidence: float) -> dict[str, Any]:
    """Return the test between listeners and how much they differ."""
    sides = sides_of(cells)
    correct, trials = answers_by_side(cells, sides)
    block: dict[str, Any] = {
        "test": "one-sided t between listeners",
        "places": None if sides is None else sides.places,
    }
    if not trials.any():
        return block | _UNTESTED | {"n_trials": 0, "n_listeners": 0}
    found: PanelProportion = panel_share(
        correct, trials, chance=CHANCE[method], confidence=confidence
    )
    bounds = np.array([found.estimate, found.ci_low, found.ci_high])
    d_prime, low, high = np.where(
        np.isnan(bounds), np.nan, dprimes(np.nan_to_num(bounds), model=method)
    )
    return block | {
        "rests_on": found.rule,
        "n_trials": found.n_trials,
        "n_listeners": found.n_listeners,
        "estimate": found.estimate,
        "se": found.se,
        "statistic": found.statistic,
        "df": found.df,
        "p_value": found.p_value,
        "ci_low": found.ci_low,
        "ci_high": found.ci_high,
        "d_prime": float(d_prime),
        "d_prime_low": float(low),
        "d_prime_high": float(high),
        "design_effect": found.design_effect,
        "overdispersion": _spread(cells),
    }


def _spread(cells: pd.DataFrame) -> dict[str, Any] | None:
    """Return how much listeners differ; None where nobody met every side."""
    correct, trials = panel_counts(cells)
    if not trials.any():
        return None
    spread = beta_binomial(correct, trials)
    return {
        "model": "beta-binomial",
        "mean": spread.mean,
        "correlation": spread.correlation,
        "sd": spread.sd,
        "p_value": spread.p_value,
    }


_UNTESTED = dict.fromkeys(
    (
        *("estimate", "se", "statistic", "df", "ci_low", "ci_high"),
        *("d_prime", "d_prime_low", "d_prime_high", "design_effect", "overdispersion"),
    )
) | {"p_value": float("nan"), "rests_on": "nothing: one of the possible answers was never right"}
