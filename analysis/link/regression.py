"""Worths of stages regressed on a measured figure, with stages as the unit.

Model on orthonormal contrasts C over stages, which take the arbitrary zero of the worths out::

    C t = C x b + C s + C e,     s ~ N(0, tau² I)     e ~ N(0, V)

t are the log-worths, V their covariance between listeners, x the metric, s what the metric does not
explain of a stage. Without s an irrelevant metric looks significant as soon as there are enough
trials, because stages differ for their own reasons. tau² by Paule & Mandel (1982) J Res NBS
87:377; the slope's error and t with n - 2 degrees of freedom after Knapp & Hartung (2003) Stat Med
22:2693, whose factor is kept from falling below one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import stats
from scipy.linalg import helmert
from scipy.optimize import brentq

from analysis.models.bradley_terry import PairModelFit

__all__ = [
    "FEWEST_STAGES",
    "ScatterFit",
    "contrasts",
    "fit_scatter",
    "leave_one_out",
    "worth_covariance",
]

#: A metric is tested as a predictor from this many stages on.
FEWEST_STAGES = 6
#: Listeners per free worth from which the clustered covariance stands on its own.
_LISTENERS_PER_WORTH = 3


def contrasts(n_stages: int) -> np.ndarray:
    """Return orthonormal contrasts, shape ``(n_stages - 1, n_stages)``; rows sum to 0."""
    return np.asarray(helmert(n_stages), dtype=float)


def worth_covariance(fit: PairModelFit) -> tuple[np.ndarray, str]:
    """Return the covariance of log-worths between listeners, and what it rests on.

    With fewer listeners than three per free worth the sandwich is too uncertain to be inverted;
    the inverse information is then scaled by the mean design effect (Rao & Scott 1984 Ann Stat
    12:46), at least 1.

    Parameters
    ----------
    fit : PairModelFit
        With two listeners or more.

    Returns
    -------
    covariance : numpy.ndarray, shape (n_stages, n_stages)
        With the reference's zeros.
    kind : str
        ``"clustered"`` or ``"scaled"``.

    Raises
    ------
    ValueError
        One listener.
    """
    g, n = fit.n_listeners, len(fit.stages)
    if g < 2:
        raise ValueError("one listener says nothing about the spread between listeners")
    naive = fit.worth_covariance(cluster=False)
    clustered = fit.worth_covariance(cluster=True) * g / (g - 1)
    c = contrasts(n)
    effect = float(np.trace(np.linalg.solve(c @ naive @ c.T, c @ clustered @ c.T)) / (n - 1))
    if g >= _LISTENERS_PER_WORTH * (n - 1) and effect >= 0.25:
        return clustered, "clustered"
    return naive * max(effect, 1.0), "scaled"


@dataclass(frozen=True, slots=True)
class ScatterFit:
    """Slope of worth over a metric.

    Attributes
    ----------
    slope, se : float
        Logits per unit of the metric; `se` with the Knapp-Hartung factor.
    statistic, df, p_value : float
        Two-sided t with ``n_stages - 2`` degrees of freedom.
    ci_low, ci_high : float
        Interval at the asked confidence.
    intercept : float
        Of the fitted line, on the scale of the worths handed over.
    tau : float
        Scatter of stages about the line, logits.
    residual : numpy.ndarray, shape (n_stages,)
        Worth minus line.
    weights : numpy.ndarray, shape (n_stages - 1, n_stages - 1)
        Inverse covariance of the contrasts, scatter included.
    """

    slope: float
    se: float
    statistic: float
    df: float
    p_value: float
    ci_low: float
    ci_high: float
    intercept: float
    tau: float
    residual: np.ndarray
    weights: np.ndarray


def fit_scatter(
    worth: np.ndarray, covariance: np.ndarray, metric: np.ndarray, *, confidence: float = 0.95
) -> ScatterFit:
    """Fit the line.

    Parameters
    ----------
    worth : numpy.ndarray, shape (n_stages,)
        Log-worths.
    covariance : numpy.ndarray, shape (n_stages, n_stages)
        Of the worths; only contrasts of it matter.
    metric : numpy.ndarray, shape (n_stages,)
        Measured figures.
    confidence : float, optional
        Level of the interval.

    Returns
    -------
    ScatterFit

    Raises
    ------
    ValueError
        Fewer than three stages, or a metric that is the same for all.
    """
    n = len(worth)
    if n < 3:
        raise ValueError(f"a line over stages needs three stages at least, got {n}")
    c = contrasts(n)
    y, z, s = c @ worth, c @ metric, c @ covariance @ c.T
    if not np.linalg.norm(z) > 1e-12 * max(1.0, float(np.abs(metric).max())):
        raise ValueError("the metric is the same for all stages")
    df = n - 2
    tau2 = _paule_mandel(y, z, s, df)
    w = np.linalg.inv(s + tau2 * np.eye(n - 1))
    slope = float(z @ w @ y / (z @ w @ z))
    rest = y - z * slope
    factor = max(1.0, float(rest @ w @ rest) / df)
    se = float(np.sqrt(factor / (z @ w @ z)))
    t = slope / se
    half = float(stats.t.ppf((1 + confidence) / 2, df)) * se
    line = worth - slope * metric
    intercept = float(line.mean())
    return ScatterFit(
        slope=slope,
        se=se,
        statistic=t,
        df=float(df),
        p_value=2 * float(stats.t.sf(abs(t), df)),
        ci_low=slope - half,
        ci_high=slope + half,
        intercept=intercept,
        tau=float(np.sqrt(tau2)),
        residual=line - intercept,
        weights=w,
    )


def _excess(tau2: float, y: np.ndarray, z: np.ndarray, variance: np.ndarray, df: int) -> float:
    w = 1 / (variance + tau2)
    rest = y - z * float((z * w) @ y / ((z * w) @ z))
    return float((rest * w) @ rest) - df


def _paule_mandel(y: np.ndarray, z: np.ndarray, s: np.ndarray, df: int) -> float:
    """Return the scatter at which the weighted residuals have their expected size.

    On the axes of `s`, where every trial value of the scatter only adds to the variances.
    """
    variance, axes = np.linalg.eigh(s)
    variance, turned = np.maximum(variance, 0.0), (axes.T @ y, axes.T @ z)
    floor = 1e-12 * max(float(np.trace(s)), 1e-12)
    if _excess(floor, *turned, variance, df) <= 0:
        return floor
    top = float(y @ y) + 1e-9
    while _excess(top, *turned, variance, df) > 0:
        top *= 2
    return float(brentq(_excess, floor, top, args=(*turned, variance, df), xtol=1e-12))


def leave_one_out(
    worth: np.ndarray, covariance: np.ndarray, metric: np.ndarray
) -> np.ndarray | None:
    """Predict each stage's worth by the line of the others.

    Parameters
    ----------
    worth, covariance, metric
        As for :func:`fit_scatter`, four stages or more.

    Returns
    -------
    numpy.ndarray, shape (n_stages,), or None
        None where without some stage the metric is the same for all.
    """
    n = len(worth)
    predicted = np.empty(n)
    for k in range(n):
        rest = np.arange(n) != k
        if n < 4 or np.ptp(metric[rest]) == 0:
            return None
        line = fit_scatter(worth[rest], covariance[np.ix_(rest, rest)], metric[rest])
        predicted[k] = line.intercept + line.slope * metric[k]
    return predicted
