"""Tests and coefficients for a table of listeners by stages."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import stats

from analysis.panels.multiplicity import holm

__all__ = [
    "Friedman",
    "IntraclassCorrelation",
    "RatingPair",
    "RepeatedMeasures",
    "friedman",
    "intraclass_correlations",
    "kendall_w",
    "rating_pairs",
    "repeated_measures",
]

#: Listeners up to whom all changes of signs are gone through, and how many at a time.
_EXACT, _TOGETHER = 16, 512


def _matrix(values: np.ndarray, *, rows: int = 2, columns: int = 2) -> np.ndarray:
    y = np.asarray(values, dtype=float)
    if y.ndim != 2 or y.shape[0] < rows or y.shape[1] < columns or not np.isfinite(y).all():
        raise ValueError(
            f"need a complete table of at least {rows} listeners by {columns} stages, "
            f"got shape {y.shape}"
        )
    return y


@dataclass(frozen=True, slots=True)
class Friedman:
    """Rank test that no stage is rated higher.

    Attributes
    ----------
    statistic, p_value : float
        Chi-square with correction for ties; NaN when every listener rates all stages alike.
    df, n_listeners, n_stages : int
    kendall_w : float
        Agreement of the listeners' ranks, statistic / (n_listeners·df).
    """

    statistic: float
    p_value: float
    df: int
    n_listeners: int
    n_stages: int
    kendall_w: float


def friedman(values: np.ndarray) -> Friedman:
    """Run Friedman's test (1937) JASA 32:675 on ``(n_listeners, n_stages)`` values.

    Raises
    ------
    ValueError
        Fewer than two listeners or three stages, or missing values.
    """
    y = _matrix(values, columns=3)
    n, k = y.shape
    ranks = stats.rankdata(y, axis=1)
    between = 12 / (n * k * (k + 1)) * (ranks.sum(axis=0) ** 2).sum() - 3 * n * (k + 1)
    ties = sum((np.unique(row, return_counts=True)[1] ** 3).sum() - k for row in ranks)
    correction = 1 - ties / (n * k * (k**2 - 1))
    statistic = float(between / correction) if correction > 1e-12 else float("nan")
    p = float(stats.chi2.sf(statistic, k - 1)) if np.isfinite(statistic) else float("nan")
    return Friedman(statistic, p, k - 1, n, k, statistic / (n * (k - 1)))


def kendall_w(values: np.ndarray) -> float:
    """Return Kendall's coefficient of concordance, corrected for ties; rows are the judges."""
    return friedman(values).kendall_w


@dataclass(frozen=True, slots=True)
class RepeatedMeasures:
    """Analysis of variance of listeners by stages.

    Attributes
    ----------
    statistic, df, df_error, p_value : float
        F without correction.
    epsilon_gg, epsilon_hf : float
        Greenhouse-Geisser and Huynh-Feldt; the latter may exceed 1 and then counts as 1.
    p_gg, p_hf : float
        With corrected degrees of freedom.
    ss_stage, ss_error : float
    partial_eta_squared : float
    n_listeners, n_stages : int
    """

    statistic: float
    df: int
    df_error: int
    p_value: float
    epsilon_gg: float
    epsilon_hf: float
    p_gg: float
    p_hf: float
    ss_stage: float
    ss_error: float
    partial_eta_squared: float
    n_listeners: int
    n_stages: int


def repeated_measures(values: np.ndarray) -> RepeatedMeasures:
    """Run a one-way repeated-measures analysis of variance.

    Corrections: Greenhouse & Geisser (1959) Psychometrika 24:95; Huynh & Feldt (1976) J Educ Stat
    1:69.

    Parameters
    ----------
    values : numpy.ndarray, shape (n_listeners, n_stages)

    Returns
    -------
    RepeatedMeasures
        F and its p-values are NaN where the ratings leave no residual.

    Raises
    ------
    ValueError
        Fewer than two listeners or stages, or missing values.
    """
    y = _matrix(values)
    n, k = y.shape
    grand = y.mean()
    ss_stage = float(n * ((y.mean(axis=0) - grand) ** 2).sum())
    residual = y - y.mean(axis=0) - y.mean(axis=1, keepdims=True) + grand
    ss_error = float((residual**2).sum())
    df, df_error = k - 1, (k - 1) * (n - 1)
    total = ss_stage + ss_error
    nan = float("nan")
    if ss_error <= 1e-12 * max(total, 1.0):
        eta = ss_stage / total if total > 0 else nan
        return RepeatedMeasures(
            nan, df, df_error, nan, nan, nan, nan, nan, ss_stage, ss_error, eta, n, k
        )
    f = (ss_stage / df) / (ss_error / df_error)
    gg, hf = _epsilons(y)
    used = min(hf, 1.0)
    return RepeatedMeasures(
        statistic=f,
        df=df,
        df_error=df_error,
        p_value=float(stats.f.sf(f, df, df_error)),
        epsilon_gg=gg,
        epsilon_hf=hf,
        p_gg=float(stats.f.sf(f, df * gg, df_error * gg)),
        p_hf=float(stats.f.sf(f, df * used, df_error * used)),
        ss_stage=ss_stage,
        ss_error=ss_error,
        partial_eta_squared=ss_stage / total,
        n_listeners=n,
        n_stages=k,
    )


def _epsilons(y: np.ndarray) -> tuple[float, float]:
    n, k = y.shape
    s = np.cov(y, rowvar=False)
    centred = s - s.mean(axis=0) - s.mean(axis=1, keepdims=True) + s.mean()
    gg = float(np.trace(centred) ** 2 / ((k - 1) * (centred**2).sum()))
    below = (k - 1) * (n - 1 - (k - 1) * gg)
    hf = (n * (k - 1) * gg - 2) / below if below > 0 else 1.0
    return gg, float(max(hf, gg))


@dataclass(frozen=True, slots=True)
class IntraclassCorrelation:
    """One of the six coefficients of Shrout & Fleiss (1979).

    Attributes
    ----------
    name : str
        ``ICC1``, ``ICC2``, ``ICC3`` for one listener, with ``k`` for the mean of all.
    value, statistic, ci_low, ci_high : float
    """

    name: str
    value: float
    statistic: float
    ci_low: float
    ci_high: float


def intraclass_correlations(
    values: np.ndarray, *, confidence: float = 0.95
) -> dict[str, IntraclassCorrelation]:
    """Return agreement of judges about targets (Shrout & Fleiss 1979 Psychol Bull 86:420).

    Parameters
    ----------
    values : numpy.ndarray, shape (n_targets, n_judges)
        Stages (or stage and programme) by listeners.
    confidence : float, optional

    Returns
    -------
    dict of str to IntraclassCorrelation
        Figures are NaN where nothing varies.

    Raises
    ------
    ValueError
        Fewer than two targets or judges, or missing values.
    """
    y = _matrix(values)
    n, k = y.shape
    grand = y.mean()
    rows = k * ((y.mean(axis=1) - grand) ** 2).sum() / (n - 1)
    columns = n * ((y.mean(axis=0) - grand) ** 2).sum() / (k - 1)
    within = ((y - y.mean(axis=1, keepdims=True)) ** 2).sum() / (n * (k - 1))
    error = (within * n * (k - 1) - columns * (k - 1)) / ((n - 1) * (k - 1))
    names = ("ICC1", "ICC2", "ICC3", "ICC1k", "ICC2k", "ICC3k")
    if not (within > 1e-12 and error > 1e-12):
        nan = float("nan")
        return {name: IntraclassCorrelation(name, nan, nan, nan, nan) for name in names}
    tail = (1 - confidence) / 2
    # Tables of few distinct grades can meet 0/0 or a bound without end: undefined, not an error.
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        one = _from_f(rows / within, n - 1, n * (k - 1), k, tail)
        three = _from_f(rows / error, n - 1, (n - 1) * (k - 1), k, tail)
        two = _agreement(rows, columns, error, n, k, tail)
        value = {
            "ICC1": (one, rows / within),
            "ICC2": (two, rows / error),
            "ICC3": (three, rows / error),
        }
        result = {}
        for name, (figures, f) in value.items():
            mean = k * figures / (1 + (k - 1) * figures)
            result[name] = _coefficient(name, figures, float(f))
            result[name + "k"] = _coefficient(name + "k", mean, float(f))
    return result


def _coefficient(name: str, figures: np.ndarray, f: float) -> IntraclassCorrelation:
    middle, low, high = (float(v) if np.isfinite(v) else float("nan") for v in figures)
    return IntraclassCorrelation(name, middle, f, low, high)


def _from_f(f: float, df: int, df_error: int, k: int, tail: float) -> np.ndarray:
    """Return the coefficient and its bounds from an F."""
    low = f / stats.f.ppf(1 - tail, df, df_error)
    high = f * stats.f.ppf(1 - tail, df_error, df)
    values = np.array([f, low, high])
    return np.asarray((values - 1) / (values + k - 1))


def _agreement(
    rows: float, columns: float, error: float, n: int, k: int, tail: float
) -> np.ndarray:
    """Return ICC2 and its bounds (Satterthwaite's degrees of freedom)."""
    rows, columns, error = (np.float64(v) for v in (rows, columns, error))
    middle = (rows - error) / (rows + (k - 1) * error + k * (columns - error) / n)
    a = k * (columns / error) * middle
    b = n * (1 + (k - 1) * middle) - k * middle
    df = (k - 1) * (n - 1) * (a + b) ** 2 / ((n - 1) * a**2 + b**2)
    up, down = stats.f.ppf(1 - tail, n - 1, df), stats.f.ppf(1 - tail, df, n - 1)
    spread = k * columns + (k * n - k - n) * error
    low = n * (rows - up * error) / (up * spread + n * rows)
    high = n * (down * rows - error) / (spread + n * down * rows)
    return np.array([middle, low, high])


@dataclass(frozen=True, slots=True)
class RatingPair:
    """Two stages compared within listeners.

    Attributes
    ----------
    first, second : int
        Columns.
    difference, ci_low, ci_high : float
        Mean of first minus second with Student's interval.
    statistic, p_value, p_holm : float
        Paired t, two-sided; NaN where no listener differs from another.
    p_permutation : float
        By turning the signs of the listeners' differences, exact up to 16 listeners.
    effect_size : float
        Mean difference over the SD of the differences (d_z).
    n_listeners : int
    """

    first: int
    second: int
    difference: float
    ci_low: float
    ci_high: float
    statistic: float
    p_value: float
    p_holm: float
    p_permutation: float
    effect_size: float
    n_listeners: int


def rating_pairs(
    values: np.ndarray, *, confidence: float = 0.95, n_permutations: int = 9999, seed: int = 1
) -> list[RatingPair]:
    """Compare every pair of stages.

    Parameters
    ----------
    values : numpy.ndarray, shape (n_listeners, n_stages)
    confidence : float, optional
    n_permutations, seed : int, optional
        Random sign changes above 16 listeners, (1 + larger) / (1 + n).

    Returns
    -------
    list of RatingPair

    Raises
    ------
    ValueError
        Fewer than two listeners or stages, or missing values.
    """
    y = _matrix(values)
    n, k = y.shape
    first, second = np.triu_indices(k, 1)
    d = y[:, first] - y[:, second]
    sd, mean = d.std(axis=0, ddof=1), d.mean(axis=0)
    se = sd / np.sqrt(n)
    half = float(stats.t.ppf((1 + confidence) / 2, n - 1)) * se
    known = sd > 1e-12
    t, effect = (np.where(known, mean / np.where(known, s, 1.0), np.nan) for s in (se, sd))
    p = 2 * stats.t.sf(np.abs(t), n - 1)
    flip = _flips(y, first, second, n_permutations, seed)
    adjusted = holm(p)
    return [
        RatingPair(
            first=int(first[m]),
            second=int(second[m]),
            difference=float(mean[m]),
            ci_low=float(mean[m] - half[m]),
            ci_high=float(mean[m] + half[m]),
            statistic=float(t[m]),
            p_value=float(p[m]),
            p_holm=float(adjusted[m]),
            p_permutation=float(flip[m]),
            effect_size=float(effect[m]),
            n_listeners=n,
        )
        for m in range(len(first))
    ]


def _flips(
    y: np.ndarray, first: np.ndarray, second: np.ndarray, n_permutations: int, seed: int
) -> np.ndarray:
    """Return the share of sign changes that make a pair's difference as large as it is.

    A listener's sign turns all differences of that listener, so that sums by stage serve every
    pair; some hundred changes at a time keep thousands of listeners within memory.
    """
    n = len(y)
    total = 2**n if n <= _EXACT else n_permutations
    observed = np.abs((y[:, first] - y[:, second]).sum(axis=0)) - 1e-9
    rng, larger = np.random.default_rng(seed), np.zeros(len(first), dtype=int)
    for begin in range(0, total, _TOGETHER):
        size = min(_TOGETHER, total - begin)
        sums = _signs(n, begin, size, rng) @ y
        larger += (np.abs(sums[:, first] - sums[:, second]) >= observed).sum(axis=0)
    return larger / total if n <= _EXACT else (1 + larger) / (1 + total)


def _signs(n: int, begin: int, size: int, rng: np.random.Generator) -> np.ndarray:
    if n > _EXACT:
        return np.asarray(rng.choice([-1.0, 1.0], size=(size, n)))
    bits = np.arange(begin, begin + size)[:, None] >> np.arange(n)[None, :]
    return (1.0 - 2.0 * (bits & 1)).astype(float)
