"""Every metric of the stage table held against the worths: what the link block tells."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace

import numpy as np

from analysis.link.chain import chain_of_additions
from analysis.link.lack_of_fit import LackOfFit, lack_of_fit
from analysis.link.permutation import OrderTest, order_test, settled
from analysis.link.regression import (
    FEWEST_STAGES,
    ScatterFit,
    contrasts,
    fit_scatter,
    leave_one_out,
    worth_covariance,
)
from analysis.models.bootstrap import WorthDraws
from analysis.models.bradley_terry import PairModelFit, fit_pair_model
from analysis.panels.multiplicity import holm
from analysis.preference.fit import Preference
from analysis.tables.counts import components
from analysis.tables.names import did_you_mean
from analysis.tables.stages import StageTable
from stimuli.files.errors import InputError

__all__ = ["Link", "MetricValues", "fit_links", "metric_values", "slopes_by_row"]

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
        few = self.value.size < 2
        if few or np.isnan(self.repeat_sd).any() or not self.value.var(ddof=1) > 0:
            return float("nan")
        return float(max(0.0, 1 - np.mean(self.repeat_sd**2) / self.value.var(ddof=1)))


@dataclass(frozen=True, slots=True, eq=False)
class Link:
    """One metric held against the worths.

    Attributes
    ----------
    metric : MetricValues
    primary : bool
        Named as primary by a plan that was sealed before listening.
    declared : bool
        The same, or named by a claim of such a plan.
    named_by : str or None
        ``"plan"`` where it is primary, ``"analysis"`` where whoever ran the analysis named it,
        None for the others.
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
    p_order : float
        p-value of the order; where the metric is not declared adjusted by Holm for all that are
        not, since any of them could have been named.
    n_tried : int
        Metrics that `p_order` is adjusted for; 1 for a declared one.
    chain : tuple of str or None
        The stages in order where they form one chain of additions.
    """

    metric: MetricValues
    primary: bool
    declared: bool
    named_by: str | None
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
    p_order: float = float("nan")
    n_tried: int = 1
    chain: tuple[str, ...] | None = None

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
    def foretells(self) -> bool:
        """Whether the line of the others comes nearer to a stage than their mean does."""
        return self.error < self.error_of_mean

    def accounts(self, alpha: float) -> bool | None:
        """Tell whether the figure alone can stand in for the worths; None where not tried."""
        return None if self.fit is None else self.fit.p_value > alpha

    @property
    def error_of_mean(self) -> float:
        """The same error when the mean of the others is the prediction."""
        n = self.n_stages
        return float(np.sqrt(np.mean(self.worth**2))) * n / (n - 1) if n > 1 else float("nan")


def metric_values(stages: StageTable, name: str, compared: Sequence[str]) -> MetricValues:
    """Return a metric for those compared stages that have it; made stages have no say."""
    return _values(stages, _measured(stages, compared), name)


def _measured(stages: StageTable, compared: Sequence[str]) -> dict[str, int]:
    """Return the rows of the compared stages that were measured."""
    made, row = stages.made, {name: k for k, name in enumerate(stages.frame["stage"])}
    return {name: row[name] for name in compared if name in row and name not in made}


def _values(stages: StageTable, row: dict[str, int], name: str) -> MetricValues:
    column = stages.frame[f"metric_{name}"].to_numpy(dtype=float)
    kept = tuple(stage for stage, k in row.items() if np.isfinite(column[k]))
    part = [row[stage] for stage in kept]
    spread = stages.frame.get(f"metric_{name}_repeat_sd")
    again = np.full(len(column), np.nan) if spread is None else spread.to_numpy(dtype=float)
    return MetricValues(name, kept, column[part], again[part])


def _known(stages: StageTable, name: str | None, what: str) -> str | None:
    if name is not None and name not in stages.metrics:
        near = did_you_mean(name, stages.metrics)
        raise InputError(
            source=stages.source,
            where=f"column metric_{name}",
            problem=f"the {what} metric {name!r} is not in the stage table",
            remedy=f"Choose one of: {', '.join(stages.metrics) or 'none measured'}{near}",
        )
    return name


def fit_links(
    preference: Preference | None,
    stages: StageTable | None,
    *,
    primary: str | None = None,
    named: str | None = None,
    declared: Collection[str] = (),
    seed: int = 1,
    brief: bool = False,
) -> list[Link]:
    """Hold every metric of the stage table against the worths, the one that was named first.

    Parameters
    ----------
    preference : Preference or None
        Fitted paired answers.
    stages : StageTable or None
        With ``metric_<name>`` columns.
    primary : str, optional
        The metric that a plan sealed before listening names as primary.
    named : str, optional
        The metric that whoever runs the analysis names; it stands first and is exploratory.
    declared : collection of str, optional
        Metrics that claims of a sealed plan name.
    seed : int, optional
        Of the measurement noise in joint resampling.
    brief : bool, optional
        Only what the tests need: no lack of fit, no leaving out of stages. For simulations.

    Returns
    -------
    list of Link
        Empty without paired answers or metrics; else as in the table, the named one first.

    Raises
    ------
    InputError
        The primary or named metric is not in the table.
    """
    if stages is None or not stages.metrics or preference is None or preference.main is None:
        return []
    first = _known(stages, primary, "primary") or _known(stages, named, "named")
    names = sorted(stages.metrics, key=lambda name: name != first)
    by = {primary: "plan"} if primary is not None else {named: "analysis"}
    fit = preference.main
    many = fit.n_listeners > 1 and len(fit.stages) >= FEWEST_STAGES
    covariance, kind = worth_covariance(fit) if many else (np.empty((0, 0)), "none")
    measured = _measured(stages, fit.stages)
    panel = _Panel(preference, fit, frozenset(stages.made), covariance, kind, brief)
    chain = chain_of_additions(stages, list(measured))
    links = [
        replace(
            _one_link(panel, _values(stages, measured, name), seed + k),
            chain=chain,
            primary=by.get(name) == "plan",
            declared=name in declared or by.get(name) == "plan",
            named_by=by.get(name),
        )
        for k, name in enumerate(names)
    ]
    return _with_order_p(links)


@dataclass(frozen=True, slots=True, eq=False)
class _Panel:
    """What all metrics are held against: the fit, its made stages, the covariance of worths."""

    preference: Preference
    fit: PairModelFit
    made: frozenset[str]
    covariance: np.ndarray
    kind: str
    brief: bool


def _with_order_p(links: list[Link]) -> list[Link]:
    """Adjust the p of the order of every metric that no sealed plan declares."""
    own = np.array([np.nan if one.order is None else one.order.p_value for one in links])
    free = np.array([not one.declared for one in links])
    adjusted = np.where(free, holm(np.where(free, own, np.nan)), own)
    tried = int((free & np.isfinite(own)).sum())
    return [
        replace(one, p_order=float(p), n_tried=1 if one.declared else tried)
        for one, p in zip(links, adjusted, strict=True)
    ]


def _one_link(panel: _Panel, metric: MetricValues, seed: int) -> Link:
    """Hold one metric against the worths; what stands for it is for the caller to say."""
    fit, part = panel.fit, [panel.fit.stages.index(name) for name in metric.stages]
    worth = fit.log_worth[part]
    worth = worth - worth.mean() if part else worth
    problem = _problem(metric, fit, worth)
    usable = problem is None
    tested = usable and len(part) >= FEWEST_STAGES
    inside = panel.covariance[np.ix_(part, part)] if tested else None
    line = fit_scatter(worth, inside, metric.value) if inside is not None else None
    return Link(
        metric=metric,
        primary=False,
        declared=False,
        named_by=None,
        worth=worth,
        order=order_test(metric.value, settled(worth)) if usable else None,
        line=line,
        fit=_fit_on_same_stages(panel, metric) if usable and not panel.brief else None,
        left_out=leave_one_out(worth, inside, metric.value)
        if inside is not None and not panel.brief
        else None,
        draws=_draws_of(panel.preference.draws, metric.stages),
        slope_measurement_sd=_measurement_sd(metric, worth, line, seed),
        n_trials=fit.n_trials,
        n_listeners=fit.n_listeners,
        covariance=panel.kind if tested else "none",
        problem=problem,
        compared=panel.preference.counts.stages,
    )


def _problem(metric: MetricValues, fit: PairModelFit, worth: np.ndarray) -> str | None:
    if fit.n_listeners < 2:
        return "one listener's answers say nothing about other listeners"
    if len(metric.stages) < 3:
        return f"only {len(metric.stages)} compared stages have this figure; three are the least"
    if np.ptp(metric.value) == 0:
        return "the figure is the same for all stages"
    if np.ptp(settled(worth)) == 0:
        return "the answers put no stage above another, so there is no order to be explained"
    return None


def _draws_of(draws: WorthDraws | None, stages: tuple[str, ...]) -> np.ndarray | None:
    if draws is None or not stages:
        return None
    part = draws.draws[:_MOST_DRAWS, [draws.stages.index(name) for name in stages]]
    return np.asarray(part - part.mean(axis=1, keepdims=True))


def _fit_on_same_stages(panel: _Panel, metric: MetricValues) -> LackOfFit | None:
    """Test the fit where every measured stage has the metric; else the models differ in stages.

    With made stages among the compared ones, over the answers that compare measured stages, where
    these link them all.
    """
    counts, fit = panel.preference.counts, panel.fit
    real = [name for name in fit.stages if name not in panel.made]
    if len(metric.stages) < len(real):
        return None
    inside = counts.only([counts.stages.index(name) for name in real])
    if len(real) == len(fit.stages):
        return lack_of_fit(inside, fit, metric.value)
    if len(real) < 3 or len(components(inside)) > 1 or inside.n_listeners < 2:
        return None
    return lack_of_fit(inside, fit_pair_model(inside), metric.value)


def _measurement_sd(
    metric: MetricValues,
    worth: np.ndarray,
    line: ScatterFit | None,
    seed: int,
    n_draws: int = 1000,
) -> float:
    if line is None or np.isnan(metric.repeat_sd).any():
        return float("nan")
    rng = np.random.default_rng(seed)
    again = metric.value + rng.normal(0, 1, (n_draws, len(worth))) * metric.repeat_sd
    return float(np.std(slopes_by_row(again, worth[None, :], line.weights), ddof=1))


def slopes_by_row(metric: np.ndarray, worth: np.ndarray, weights: np.ndarray) -> np.ndarray:
    """Return slopes of worth over metric row by row, with fixed weights of the contrasts."""
    c = contrasts(metric.shape[1])
    z, y = metric @ c.T, worth @ c.T
    zw = z @ weights
    return np.asarray((zw * y).sum(axis=1) / (zw * z).sum(axis=1))
