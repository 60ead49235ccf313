"""Can they hear it? Exact tests of forced-choice trials by pair, listener and programme."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import Any

import numpy as np
import pandas as pd

from analysis.hearing.dprime import CHANCE, dprime_intervals, dprimes
from analysis.hearing.same_different import SameDifferent, same_different
from analysis.hearing.sides import (
    SIDES,
    SideCounts,
    count_columns,
    listener_sums,
    panel_share,
    right_side,
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
from analysis.tables.trials import FORCED_CHOICE, TrialTable, label_codes

__all__ = [
    "ForcedChoiceResult",
    "PairCells",
    "critical_count",
    "discrimination_rows",
    "exact_forced_choice_test",
    "forced_choice_cells",
    "panel_answers",
    "panel_counts",
]


@dataclass(frozen=True, slots=True)
class ForcedChoiceResult:
    """Result of :func:`exact_forced_choice_test`.

    Attributes
    ----------
    n_correct, n_trials : int
        Counts used.
    proportion, p_value : float
        `p_value` is one-sided, P(X >= n_correct) when every answer is a guess.
    ci_low, ci_high : float
        Two-sided Clopper-Pearson bounds for P(correct).
    chance, confidence : float
        Copied from the call.
    """

    n_correct: int
    n_trials: int
    proportion: float
    p_value: float
    ci_low: float
    ci_high: float
    chance: float
    confidence: float


def exact_forced_choice_test(
    n_correct: int,
    n_trials: int,
    *,
    chance: float = 0.5,
    confidence: float = 0.95,
    mid: bool = False,
) -> ForcedChoiceResult:
    """Test whether a listener did better than guessing, without approximation.

    Parameters
    ----------
    n_correct, n_trials : int
        Correct and answered trials of one listener.
    chance, confidence : float, optional
        Guessing probability and interval level, in (0, 1).
    mid : bool, optional
        Give the mid-p value; see :func:`analysis.panels.proportions.exact_p`.

    Returns
    -------
    ForcedChoiceResult

    Raises
    ------
    ValueError
        A count or a probability outside its range.

    References
    ----------
    * Clopper and Pearson, Biometrika 26(4), 404-413 (1934).

    Examples
    --------
    >>> from analysis import exact_forced_choice_test
    >>> round(exact_forced_choice_test(12, 16).p_value, 4)
    0.0384
    """
    if not 0 < chance < 1 or not 0 < confidence < 1:
        raise ValueError(f"chance and confidence must lie in (0, 1), got {chance}, {confidence}")
    low, high = clopper_pearson(np.array(n_correct), np.array(n_trials), confidence=confidence)
    p_value = exact_p(np.array(n_correct), np.array(n_trials), chance=chance, mid=mid)
    return ForcedChoiceResult(
        n_correct,
        n_trials,
        n_correct / n_trials,
        float(p_value[0]),
        float(low[0]),
        float(high[0]),
        chance,
        confidence,
    )


@dataclass(frozen=True)
class PairCells:
    """Answers of one method and one pair, by listener and programme.

    Attributes
    ----------
    pair : tuple of str
        Stages in sorted order.
    method : str
    cells : pandas.DataFrame
        ``listener``, ``programme``, ``n_trials``, ``n_correct`` and the same by side, which is
        the possible answer that was right: ``n_side_a``, ``n_side_a_correct`` and so on for b and
        in a triangle c; for same-different ``n_same`` (pairs that were the same) and
        ``n_same_correct``. Counts made elsewhere may leave the sides out; they then count as
        balanced.
    """

    pair: tuple[str, str]
    method: str
    cells: pd.DataFrame

    @property
    def testable(self) -> bool:
        """Whether right answers can speak of hearing.

        Trials in which a possible answer was never the right one cannot: who always says
        "different" is always right where every pair differs.
        """
        return self.sides is None or self.sides.places != "confounded"

    @cached_property
    def sides(self) -> SideCounts | None:
        """Answers by listener and side, None where the counts do not tell the sides."""
        return sides_of(self.cells)

    @cached_property
    def answers(self) -> tuple[np.ndarray, np.ndarray]:
        """Correct and answered trials by listener, and by side where needed.

        For :func:`analysis.hearing.sides.panel_share`. No trials where no rule can tell hearing
        from a habit of answering.
        """
        return _answers(self.cells, self.sides)

    @cached_property
    def counts(self) -> tuple[np.ndarray, np.ndarray]:
        """Correct and answered trials by listener, as :func:`panel_counts` gives them."""
        return panel_counts(self.cells)


def forced_choice_cells(table: TrialTable) -> list[PairCells]:
    """Count the scored forced-choice trials, controls left out.

    A same-different trial with one stage in both positions belongs to the pair that its
    ``stage_x`` completes; without ``stage_x`` it serves every pair of that stage.

    Returns
    -------
    list of PairCells
        By method and pair.
    """
    result = []
    for method in FORCED_CHOICE:
        frame = table.of(method)
        frame = frame.loc[frame["correct"].notna()]
        if len(frame):
            result.extend(_method_cells(frame, method))
    return result


def _method_cells(frame: pd.DataFrame, method: str) -> list[PairCells]:
    stages, (a, b, c, x) = label_codes(frame, "stage_a", "stage_b", "stage_c", "stage_x")
    # Same and different tell it by columns of their own.
    side = None if method == "same-different" else right_side(method, a, b, c, x)
    if method == "triangle":
        b = np.where(a == b, c, b)
    listeners, (listener,) = label_codes(frame, "listener")
    programmes, (programme,) = label_codes(frame, "programme")
    same = a == b
    counted = pd.DataFrame(
        {
            "low": np.minimum(a, b),
            "high": np.maximum(a, b),
            "listener": listener,
            "programme": programme,
            "n_trials": 1,
            "n_correct": frame["correct"].to_numpy().astype(np.int64),
            "n_same": same.astype(np.int64),
        }
    )
    counted["n_same_correct"] = counted["n_correct"] * counted["n_same"]
    if side is not None:
        for place, name in enumerate(SIDES[method]):
            counted[f"n_side_{name}"] = (side == place).astype(np.int64)
            counted[f"n_side_{name}_correct"] = counted["n_correct"] * counted[f"n_side_{name}"]
    if method == "same-different":
        counted = _place_same_pairs(counted, x, nobody=stages.index("") if "" in stages else -1)
    keys = ["low", "high", "listener", "programme"]
    cells = counted.groupby(keys, sort=True).sum().reset_index()
    cells["listener"] = np.array(listeners, dtype=object)[cells["listener"]]
    cells["programme"] = np.array(programmes, dtype=object)[cells["programme"]]
    low, high = cells["low"].to_numpy(), cells["high"].to_numpy()
    spare = [] if method == "same-different" else ["n_same", "n_same_correct"]
    kept = cells.drop(columns=["low", "high", *spare])
    begins = np.flatnonzero(np.r_[True, (np.diff(low) != 0) | (np.diff(high) != 0)])
    return [
        PairCells((stages[low[first]], stages[high[first]]), method, kept.iloc[first:last])
        for first, last in zip(begins, np.r_[begins[1:], len(cells)], strict=True)
    ]


def _place_same_pairs(counted: pd.DataFrame, x: np.ndarray, *, nobody: int) -> pd.DataFrame:
    same = (counted["n_same"] == 1).to_numpy()
    stage = counted["low"].to_numpy()
    pairs = counted.loc[~same, ["low", "high"]].drop_duplicates()
    named = same & (x != nobody) & (x != stage)
    placed = counted.loc[named].copy()
    placed["low"], placed["high"] = (
        np.minimum(stage, x)[named],
        np.maximum(stage, x)[named],
    )
    loose = counted.loc[same & ~named].drop(columns="high").rename(columns={"low": "stage"})
    both = pd.concat(
        [pairs.assign(stage=pairs["low"]), pairs.assign(stage=pairs["high"])], ignore_index=True
    )
    shared = loose.merge(both, on="stage", how="inner").drop(columns="stage")
    return pd.concat([counted.loc[~same], placed, shared[counted.columns]], ignore_index=True)


def panel_answers(cells: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Return correct and answered trials by listener, and by side where sides must be allowed for.

    Parameters
    ----------
    cells : pandas.DataFrame
        As in :class:`PairCells`.

    Returns
    -------
    correct, trials : numpy.ndarray, shape (n_listeners,) or (n_listeners, n_sides)
        For :func:`analysis.hearing.sides.panel_share`. No trials where no rule can tell hearing
        from a habit of answering.
    """
    return _answers(cells, sides_of(cells))


def _answers(cells: pd.DataFrame, sides: SideCounts | None) -> tuple[np.ndarray, np.ndarray]:
    if sides is None:
        return panel_counts(cells)
    if sides.places == "confounded":
        return np.zeros(len(sides.listeners)), np.zeros(len(sides.listeners))
    return sides.answers


def panel_counts(cells: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Return correct and answered trials by listener, one number each.

    Where sides must be allowed for (:mod:`analysis.hearing.sides`) a listener's own sides count
    alike, so that the share right is 1/2 by guessing, or 1/3, whatever the leaning; correct answers
    may then be fractions, and listeners who met one side only get no trials. Verdicts rest on
    :func:`panel_answers`, which keeps those listeners.

    Parameters
    ----------
    cells : pandas.DataFrame
        As in :class:`PairCells`.

    Returns
    -------
    correct, trials : numpy.ndarray, shape (n_listeners,)
    """
    sides = sides_of(cells)
    if sides is None:
        # Plans ask this a hundred thousand times, where grouping a frame would take most of it.
        sums = listener_sums(cells)[1]
        return sums["n_correct"], sums["n_trials"]
    right, total = sides.right.sum(axis=1), sides.trials.sum(axis=1)
    if sides.places == "balanced" and not sides.by_sides:
        return right, total
    every = (sides.trials > 0).all(axis=1)
    even = sides.trials.max(axis=1) == sides.trials.min(axis=1)
    share = (sides.right / np.maximum(sides.trials, 1)).mean(axis=1)
    own = np.where(even, right, total * share)
    return np.where(every, own, 0), np.where(every, total, 0)


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
    correct, trials = _answers(cells, sides)
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
