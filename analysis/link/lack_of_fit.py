"""Can one measured figure stand in for the worths of all stages? The lack-of-fit test."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import stats
from scipy.linalg import null_space
from scipy.special import xlogy

from analysis.link.regression import contrasts
from analysis.models.bradley_terry import PairModelFit, fit_counts
from analysis.models.pair_design import design, probabilities
from analysis.panels.panel import listener_weights
from analysis.tables.counts import PairCounts

__all__ = ["LackOfFit", "lack_of_fit"]


@dataclass(frozen=True, slots=True)
class LackOfFit:
    """Worths that follow the metric alone against worths of every stage's own.

    Attributes
    ----------
    statistic : float
        ``2 (ll_own - ll_metric)``.
    df : int
        ``n_stages - 2``.
    p_value : float
        Between listeners: the statistic over its degrees of freedom and the mean design effect,
        against F with df and df·(G - 1) degrees of freedom (Rao & Scott 1984; Thomas & Rao 1987
        JASA 82:630).
    design_effect : float
        How much more the worths vary between panels than independent trials would.
    p_value_trials : float
        By chi-square, trials taken as independent.
    slope_trials : float
        Slope of the model, logits per unit of the metric.
    """

    statistic: float
    df: int
    p_value: float
    design_effect: float
    p_value_trials: float
    slope_trials: float


def lack_of_fit(counts: PairCounts, fit: PairModelFit, metric: np.ndarray) -> LackOfFit | None:
    """Test a metric against the saturated Bradley-Terry model.

    The covariate model is that of Springall (1973) Appl Stat 22:59: log-worths are a slope times
    the metric.

    Parameters
    ----------
    counts : PairCounts
        Answers behind `fit`, over the same stages.
    fit : PairModelFit
        Every stage with a worth of its own, every listener counting once; where it allows for
        places, so does the metric's model.
    metric : numpy.ndarray, shape (n_stages,)

    Returns
    -------
    LackOfFit or None
        None with one listener, or with fewer than three stages, which any metric fits.
    """
    n, g = len(fit.stages), fit.n_listeners
    if g < 2 or n < 3:
        return None
    x = (metric - metric.mean()) / metric.std()
    slope, log_likelihood = _metric_model(counts, fit, x)
    statistic, df = max(0.0, 2 * (fit.log_likelihood - log_likelihood)), n - 2
    effect = _design_effect(fit, x)
    return LackOfFit(
        statistic=statistic,
        df=df,
        p_value=float(stats.f.sf(statistic / (df * effect), df, df * (g - 1))),
        design_effect=effect,
        p_value_trials=float(stats.chi2.sf(statistic, df)),
        slope_trials=float(slope / metric.std()),
    )


def _metric_model(counts: PairCounts, fit: PairModelFit, x: np.ndarray) -> tuple[float, float]:
    order, ties = "order" in fit.names, "tie" in fit.names
    weighted = counts.weighted(listener_weights(counts.totals))
    cells = weighted if order else weighted.unordered()
    own = design(cells, reference=fit.stages.index(fit.reference), order=order, ties=ties)
    free = len(fit.stages) - 1
    relative = np.delete(x, own.reference) - x[own.reference]
    column = own.matrix[:, :, :free] @ relative
    matrix = np.concatenate([column[:, :, None], own.matrix[:, :, free:]], axis=2)
    plan = type(own)(matrix, ("metric", *own.names[free:]), own.reference, own.n_stages)
    pooled = cells.counts[:, :, : plan.n_outcomes].sum(axis=0)
    used = pooled.sum(axis=1, keepdims=True) > 0
    beta, _ = fit_counts(plan, pooled + np.where(used, fit.penalty, 0.0))
    return float(beta[0]), float(xlogy(pooled, probabilities(plan, beta)).sum())


def _design_effect(fit: PairModelFit, x: np.ndarray) -> float:
    """Mean variance ratio of the contrasts that the metric leaves unexplained."""
    c = contrasts(len(fit.stages))
    rest = null_space((c @ x)[None, :]).T @ c
    factor = fit.n_listeners / (fit.n_listeners - 1)
    naive = rest @ fit.worth_covariance(cluster=False) @ rest.T
    between = rest @ fit.worth_covariance(cluster=True) @ rest.T * factor
    effect = float(np.trace(np.linalg.solve(naive, between)) / len(rest))
    # Listeners who all answer alike leave the sandwich nothing to stand on.
    return effect if effect >= 0.25 else 1.0
