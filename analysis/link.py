"""Do measured figures go along with what listeners prefer? The ``link`` block of the analysis.

The stage is the unit: a thousand listeners who compare four stages still give four points. With
fewer than six stages nothing here is called a prediction; what remains is the agreement of the
order, its exact p, and whether the metric is compatible with the worths.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy import stats

from analysis.bootstrap import WorthDraws
from analysis.bradley_terry import PairModelFit
from analysis.claim_words import p_words
from analysis.counts import PairCounts
from analysis.errors import InputError
from analysis.link_fit import LackOfFit, lack_of_fit
from analysis.link_permutation import (
    OrderTest,
    line_band,
    order_test,
    rank_correlations,
    smallest_order_p,
)
from analysis.link_regression import (
    FEWEST_STAGES,
    ScatterFit,
    contrasts,
    fit_scatter,
    leave_one_out,
    worth_covariance,
)
from analysis.multiplicity import holm
from analysis.preference import Preference
from analysis.stages import StageTable

__all__ = ["Link", "MetricValues", "fit_links", "link_block", "link_rows", "metric_values"]

#: Metric taken as primary where the plan names none.
_USUAL_PRIMARY = "deviation_sd_db"
_RESOLVED_SDS = 2.0
_MOST_DRAWS = 4000


@dataclass(frozen=True, slots=True, eq=False)
class MetricValues:
    """One measured figure of the stages that were compared.

    Attributes
    ----------
    name : str
    stages : tuple of str
    value : numpy.ndarray, shape (n_stages,)
    repeat_sd : numpy.ndarray, shape (n_stages,)
        NaN where measuring was not repeated.
    """

    name: str
    stages: tuple[str, ...]
    value: np.ndarray
    repeat_sd: np.ndarray

    @property
    def reliability(self) -> float:
        """Share of the metric's variance that is not repeat variance; NaN where unknown."""
        if np.isnan(self.repeat_sd).any() or not self.value.var(ddof=1) > 0:
            return float("nan")
        return float(max(0.0, 1 - np.mean(self.repeat_sd**2) / self.value.var(ddof=1)))


@dataclass(frozen=True, slots=True, eq=False)
class Link:
    """One metric held against the worths.

    Attributes
    ----------
    metric : MetricValues
    primary : bool
        Named before listening.
    worth : numpy.ndarray, shape (n_stages,)
        Log-worths of the same stages, mean 0.
    order : OrderTest or None
    line : ScatterFit or None
        None below six stages.
    fit : LackOfFit or None
    left_out : numpy.ndarray or None
        Worth of each stage as predicted by the line of the others.
    draws : numpy.ndarray, shape (n_draws, n_stages), or None
        Log-worths of resampled panels.
    slope_measurement_sd : float
        SD of the slope over repeats of the measurement alone.
    n_trials, n_listeners : int
    covariance : str
        What the worths' covariance rests on.
    problem : str or None
        Why nothing could be worked out.
    compared : tuple of str
        All stages that listeners compared, with or without the metric.
    """

    metric: MetricValues
    primary: bool
    worth: np.ndarray
    order: OrderTest | None
    line: ScatterFit | None
    fit: LackOfFit | None
    left_out: np.ndarray | None
    draws: np.ndarray | None
    slope_measurement_sd: float
    n_trials: int
    n_listeners: int
    covariance: str
    problem: str | None
    compared: tuple[str, ...]

    @property
    def n_stages(self) -> int:
        """Stages with a worth and a value of the metric."""
        return len(self.metric.stages)

    @property
    def error(self) -> float:
        """Root mean square error of predicting each stage from the others, logits; NaN if none."""
        if self.left_out is None:
            return float("nan")
        return float(np.sqrt(np.mean((self.worth - self.left_out) ** 2)))

    @property
    def error_of_mean(self) -> float:
        """The same error when the mean of the others is the prediction."""
        n = self.n_stages
        return float(np.sqrt(np.mean(self.worth**2))) * n / (n - 1) if n > 1 else float("nan")


def metric_values(stages: StageTable, name: str, compared: Sequence[str]) -> MetricValues:
    """Return a metric for those compared stages that have it."""
    table = stages.frame.set_index("stage")
    column = table[f"metric_{name}"]
    kept = tuple(s for s in compared if s in column.index and np.isfinite(column[s]))
    spread = table.get(f"metric_{name}_repeat_sd")
    sd = np.array([np.nan if spread is None else float(spread[s]) for s in kept])
    return MetricValues(name, kept, np.array([float(column[s]) for s in kept]), sd)


def _primary_name(stages: StageTable, primary: str | None) -> str:
    if primary is not None and primary not in stages.metrics:
        raise InputError(
            source=stages.source,
            where=f"column metric_{primary}",
            problem=f"the primary metric {primary!r} is not in the stage table",
            remedy=f"Choose one of: {', '.join(stages.metrics) or 'none measured'}",
        )
    if primary is not None:
        return primary
    return _USUAL_PRIMARY if _USUAL_PRIMARY in stages.metrics else stages.metrics[0]


def fit_links(
    preference: Preference | None,
    stages: StageTable | None,
    *,
    primary: str | None = None,
    seed: int = 1,
) -> list[Link]:
    """Hold every metric of the stage table against the worths, the primary one first.

    Parameters
    ----------
    preference : Preference or None
        Fitted paired answers.
    stages : StageTable or None
        With ``metric_<name>`` columns.
    primary : str, optional
        The metric that the plan names; the SD of the deviation when not given.
    seed : int, optional
        Of the measurement noise in joint resampling.

    Returns
    -------
    list of Link
        Empty without paired answers or metrics.

    Raises
    ------
    InputError
        The primary metric is not in the table.
    """
    if stages is None or not stages.metrics or preference is None or preference.main is None:
        return []
    first = _primary_name(stages, primary)
    names = [first, *(name for name in stages.metrics if name != first)]
    return [
        _one_link(preference, metric_values(stages, name, preference.main.stages), name == first, k)
        for k, name in enumerate(names, start=seed)
    ]


def _one_link(preference: Preference, metric: MetricValues, primary: bool, seed: int) -> Link:
    whole = preference.main
    assert whole is not None
    problem = _problem(metric, whole)
    part = [whole.stages.index(name) for name in metric.stages]
    worth = whole.log_worth[part]
    worth = worth - worth.mean() if part else worth
    draws = _draws_of(preference.draws, metric.stages)
    line, spread, order, fitted, kind = None, float("nan"), None, None, "none"
    left_out = None
    if problem is None:
        order = order_test(metric.value, worth)
        fitted = _fit_on_same_stages(preference.counts, whole, metric)
        if len(part) >= FEWEST_STAGES:
            covariance, kind = worth_covariance(whole)
            inside = covariance[np.ix_(part, part)]
            line = fit_scatter(worth, inside, metric.value)
            left_out = leave_one_out(worth, inside, metric.value)
            spread = _measurement_sd(metric, worth, line, seed)
    return Link(
        metric=metric,
        primary=primary,
        worth=worth,
        order=order,
        line=line,
        fit=fitted,
        left_out=left_out,
        draws=draws,
        slope_measurement_sd=spread,
        n_trials=whole.n_trials,
        n_listeners=whole.n_listeners,
        covariance=kind,
        problem=problem,
        compared=preference.counts.stages,
    )


def _problem(metric: MetricValues, fit: PairModelFit) -> str | None:
    if fit.n_listeners < 2:
        return "one listener's answers say nothing about other listeners"
    if len(metric.stages) < 3:
        return f"only {len(metric.stages)} compared stages have this figure; three are the least"
    if np.ptp(metric.value) == 0:
        return "the figure is the same for all stages"
    return None


def _draws_of(draws: WorthDraws | None, stages: tuple[str, ...]) -> np.ndarray | None:
    if draws is None or not stages:
        return None
    part = draws.draws[:_MOST_DRAWS, [draws.stages.index(name) for name in stages]]
    return np.asarray(part - part.mean(axis=1, keepdims=True))


def _fit_on_same_stages(
    counts: PairCounts, fit: PairModelFit, metric: MetricValues
) -> LackOfFit | None:
    """Test the fit where every compared stage has the metric; else the models differ in stages."""
    if len(metric.stages) < len(fit.stages):
        return None
    inside = counts.only([counts.stages.index(name) for name in fit.stages])
    return lack_of_fit(inside, fit, metric.value)


def _measurement_sd(
    metric: MetricValues, worth: np.ndarray, line: ScatterFit, seed: int, n_draws: int = 1000
) -> float:
    if np.isnan(metric.repeat_sd).any():
        return float("nan")
    rng = np.random.default_rng(seed)
    again = metric.value + rng.normal(0, 1, (n_draws, len(worth))) * metric.repeat_sd
    return float(np.std(_slopes(again, worth[None, :], line.weights), ddof=1))


def _slopes(metric: np.ndarray, worth: np.ndarray, weights: np.ndarray) -> np.ndarray:
    """Return slopes row by row with fixed weights."""
    c = contrasts(metric.shape[1])
    z, y = metric @ c.T, worth @ c.T
    zw = z @ weights
    return np.asarray((zw * y).sum(axis=1) / (zw * z).sum(axis=1))


def link_rows(links: Sequence[Link], *, alpha: float = 0.05) -> list[dict[str, Any]]:
    """Return the ``link`` block, one row a metric, the primary one first.

    The primary metric stands on its own p-value; the others are adjusted by Holm among
    themselves.
    """
    p = np.array([np.nan if link.line is None else link.line.p_value for link in links])
    adjusted = p.copy()
    if len(links) > 1:
        adjusted[1:] = holm(p[1:])
    return [
        _row(link, float(q), len(links), alpha) for link, q in zip(links, adjusted, strict=True)
    ]


def link_block(
    preference: Preference | None,
    stages: StageTable | None,
    *,
    primary: str | None = None,
    alpha: float = 0.05,
    seed: int = 1,
) -> list[dict[str, Any]]:
    """Fit and write the ``link`` block; see :func:`fit_links` and :func:`link_rows`."""
    return link_rows(fit_links(preference, stages, primary=primary, seed=seed), alpha=alpha)


def _row(link: Link, p_adjusted: float, n_metrics: int, alpha: float) -> dict[str, Any]:
    declined = _declined(link)
    verdict = "declined" if declined else "supported" if p_adjusted <= alpha else "undecided"
    row: dict[str, Any] = {
        "metric": link.metric.name,
        "primary": link.primary,
        "method": "Bradley-Terry worths, stage-scatter regression, Knapp-Hartung t",
        "n_metrics": n_metrics,
        "n_stages": link.n_stages,
        "n_trials": link.n_trials,
        "n_listeners": link.n_listeners,
        **_line_figures(link),
        "p_adjusted": p_adjusted,
        **_order_figures(link),
        "lack_of_fit": _fit_figures(link.fit),
        "compatible": None if link.fit is None else link.fit.p_value > alpha,
        "reliability": link.metric.reliability,
        "leave_one_out": _left_out(link),
        "resampled": _resampled(link),
        "points": _points(link),
        "permutation_band": line_band(link.metric.value, link.worth)
        if link.primary and link.problem is None
        else None,
        "verdict": verdict,
        "declined_reason": declined,
    }
    return row | {"words": _words(row)}


def _line_figures(link: Link) -> dict[str, Any]:
    keys = ("slope", "se", "df", "statistic", "p_value", "ci_low", "ci_high", "tau", "intercept")
    line = link.line
    if line is None:
        return dict.fromkeys((*keys, "se_measurement", "covariance"))
    figures: dict[str, Any] = {key: getattr(line, key) for key in keys}
    if np.isfinite(link.slope_measurement_sd):
        # The test is valid for the figures as measured; the interval speaks of the metric itself,
        # so it also holds what measuring again would change.
        half = float(stats.t.ppf(0.975, line.df)) * np.hypot(line.se, link.slope_measurement_sd)
        figures |= {"ci_low": line.slope - half, "ci_high": line.slope + half}
    return figures | {
        "se_measurement": link.slope_measurement_sd,
        "covariance": link.covariance,
    }


def _order_figures(link: Link) -> dict[str, Any]:
    if link.order is None:
        keys = ("p_exact", "p_exact_is_exact", "p_smallest", "spearman", "pearson")
        more = ("pearson_without_extreme", "extreme_stage")
        return dict.fromkeys((*keys, *more, "pairs_agree", "pairs_opposed", "pairs_total"))
    x, y = link.metric.value, link.worth
    pearson = float(np.corrcoef(x, y)[0, 1]) if np.ptp(y) > 0 else float("nan")
    far = int(np.argmax(np.abs(x - np.median(x))))
    rest = np.arange(len(x)) != far
    without = float("nan")
    if rest.sum() > 2 and np.ptp(x[rest]) > 0 and np.ptp(y[rest]) > 0:
        without = float(np.corrcoef(x[rest], y[rest])[0, 1])
    i, j = np.triu_indices(len(x), 1)
    same = np.sign(x[i] - x[j]) * np.sign(y[i] - y[j])
    lead = 1 if link.order.spearman >= 0 else -1
    return {
        "p_exact": link.order.p_value,
        "p_exact_is_exact": link.order.exact,
        "p_smallest": smallest_order_p(link.n_stages),
        "spearman": link.order.spearman,
        "pearson": pearson,
        "pearson_without_extreme": without,
        "extreme_stage": link.metric.stages[far],
        "pairs_agree": int((same == lead).sum()),
        "pairs_opposed": int((same == -lead).sum()),
        "pairs_total": len(i),
        "pairs_resolved": _resolved(link.metric, i, j),
    }


def _resolved(metric: MetricValues, i: np.ndarray, j: np.ndarray) -> int | None:
    """Count pairs whose metric differs by more than twice the pooled repeat SD."""
    if np.isnan(metric.repeat_sd).any():
        return None
    pooled = np.sqrt((metric.repeat_sd[i] ** 2 + metric.repeat_sd[j] ** 2) / 2)
    return int((np.abs(metric.value[i] - metric.value[j]) > _RESOLVED_SDS * pooled).sum())


def _fit_figures(fit: LackOfFit | None) -> dict[str, Any]:
    keys = ("statistic", "df", "p_value", "design_effect", "p_value_trials", "slope_trials")
    return {key: None if fit is None else getattr(fit, key) for key in keys}


def _left_out(link: Link) -> dict[str, Any] | None:
    if link.left_out is None:
        return None
    return {
        "rmse": link.error,
        "rmse_mean": link.error_of_mean,
        "predicted": [
            {"stage": name, "worth": worth, "predicted": guess}
            for name, worth, guess in zip(
                link.metric.stages, link.worth, link.left_out, strict=True
            )
        ],
    }


def _resampled(link: Link) -> dict[str, Any] | None:
    """Resample listeners and repeats of the measurement together."""
    if link.problem is not None or link.draws is None:
        return None
    rng = np.random.default_rng(1)
    sd = np.nan_to_num(link.metric.repeat_sd)
    metric = link.metric.value + rng.normal(0, 1, link.draws.shape) * sd
    rank = rank_correlations(metric, link.draws)
    rank = rank[np.isfinite(rank)]
    low, mid, high = np.percentile(rank, [2.5, 50, 97.5])
    found: dict[str, Any] = {
        "n_draws": len(link.draws),
        "measurement_included": bool(np.isfinite(link.metric.repeat_sd).all()),
        "spearman": mid,
        "spearman_low": low,
        "spearman_high": high,
        "p_negative": float((rank < 0).mean()),
        "slope_low": None,
        "slope_high": None,
    }
    if link.line is not None:
        slopes = _slopes(metric, link.draws, link.line.weights)
        found["slope_low"], found["slope_high"] = np.percentile(slopes, [2.5, 97.5])
    return found


def _points(link: Link) -> list[dict[str, Any]]:
    m = link.metric
    return [
        {"stage": name, "x": x, "repeat_sd": sd, "y": y}
        for name, x, sd, y in zip(m.stages, m.value, m.repeat_sd, link.worth, strict=True)
    ]


def _declined(link: Link) -> str | None:
    n = link.n_stages
    if link.problem is not None:
        return f"{link.problem[0].upper()}{link.problem[1:]}."
    if n >= FEWEST_STAGES:
        return None
    smallest = smallest_order_p(n)
    lucky = (
        f"even a perfect order cannot get below p = {smallest:.3f}"
        if smallest > 0.05
        else f"a line would rest on {n - 2} degrees of freedom, so that moving one stage decides it"
    )
    return (
        f"{n} stages are {n} points, however many trials stand behind each: {lucky}, and among a "
        "handful of unrelated figures one nearly always lines up with so few. So the order, its "
        "exact p and whether the figure is compatible with the worths are given, and no slope, no "
        f"test of a rule and no prediction. {FEWEST_STAGES} stages or more would allow a test."
    )


def _words(row: dict[str, Any]) -> str:
    name, n = row["metric"], row["n_stages"]
    if row["spearman"] is None:
        return str(row["declined_reason"])
    order = (
        f"Over {n} stages the order by {name} agrees with the order of worths in "
        f"{row['pairs_agree']} of {row['pairs_total']} pairs "
        f"and runs the other way in {row['pairs_opposed']} "
        f"(rank correlation {row['spearman']:+.2f}, permutation {p_words(row['p_exact'])})"
    )
    order = order if row["spearman"] >= 0 else order.replace("agrees with", "reverses")
    kept = {True: "; the worths are compatible with it alone", None: ""}.get(
        row["compatible"], "; the worths differ in ways that it does not explain"
    )
    if row["verdict"] == "declined":
        return f"{order}{kept}."
    if row["verdict"] == "supported":
        return (
            f"{order}{kept}. Over these {n} stages one unit of {name} goes with "
            f"{row['slope']:+.2f} logits of worth ({row['ci_low']:+.2f} to {row['ci_high']:+.2f}; "
            f"{p_words(row['p_adjusted'])})."
        )
    return (
        f"{order}{kept}. No rule from {name} to preference is shown ({p_words(row['p_adjusted'])})."
    )
