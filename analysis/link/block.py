"""Do measured figures go along with what listeners prefer? The ``link`` block of the analysis.

The stage is the unit: a thousand listeners who compare four stages still give four points. With
fewer than six stages nothing here is called a prediction; what remains is the agreement of the
order, its exact p, and whether the metric is compatible with the worths. Made stages are
experiments out of measured ones and count for nothing here.

A metric is *primary* only where a plan that was sealed before anybody listened names it: it then
stands on its own p-value, and all others are exploratory and adjusted among themselves. Without
such a plan every metric of the table might have been the one to be shown, so all are exploratory
and adjusted together, also the one that whoever runs the analysis names.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from scipy import stats

from analysis.link.lack_of_fit import LackOfFit
from analysis.link.metrics import Link, MetricValues, fit_links, metric_values, slopes_by_row
from analysis.link.permutation import line_band, rank_correlations, settled, smallest_order_p
from analysis.link.words import declined_words, link_words
from analysis.panels.multiplicity import holm

__all__ = [
    "Link",
    "MetricValues",
    "adjusted_p",
    "fit_links",
    "link_rows",
    "metric_values",
]

_RESOLVED_SDS = 2.0


def link_rows(links: Sequence[Link], *, alpha: float = 0.05) -> list[dict[str, Any]]:
    """Return the ``link`` block, one row a metric, the one that was named first.

    The primary metric of a sealed plan stands on its own p-values. All others are exploratory and
    adjusted by Holm among themselves: without a primary one, all metrics of the table together.
    """
    planned = any(link.primary for link in links)
    n_free = sum(not link.primary and link.order is not None for link in links)
    rows: list[dict[str, Any]] = []
    for link, of_line, of_order in zip(links, *adjusted_p(links), strict=True):
        family = 1 if link.primary else n_free
        standing = {"n_metrics": len(links), "n_adjusted": family, "planned": planned}
        p = {"p_adjusted": float(of_line), "p_exact_adjusted": float(of_order)}
        rows.append(_row(link, standing, p, alpha, drawn=not rows))
    return rows


def adjusted_p(links: Sequence[Link]) -> tuple[np.ndarray, np.ndarray]:
    """Return the p-values of line and order by the rule of :func:`link_rows`.

    Returns
    -------
    line, order : numpy.ndarray, shape (n_links,)
        A primary metric's own; Holm over the others. NaN where there is no test.
    """
    primary = np.array([link.primary for link in links], dtype=bool)
    line = np.array([np.nan if link.line is None else link.line.p_value for link in links])
    order = np.array([np.nan if link.order is None else link.order.p_value for link in links])
    of_line, of_order = (
        np.where(primary, p, holm(np.where(primary, np.nan, p))) for p in (line, order)
    )
    return of_line, of_order


def _row(
    link: Link, standing: dict[str, Any], p: dict[str, float], alpha: float, *, drawn: bool
) -> dict[str, Any]:
    declined = declined_words(link.n_stages, link.problem)
    verdict = "supported" if p["p_adjusted"] <= alpha else "undecided"
    row: dict[str, Any] = {
        "metric": link.metric.name,
        "primary": link.primary,
        "exploratory": not link.primary,
        "named_by": link.named_by,
        **standing,
        "method": "Bradley-Terry worths, stage-scatter regression, Knapp-Hartung t",
        "n_stages": link.n_stages,
        "n_trials": link.n_trials,
        "n_listeners": link.n_listeners,
        **_line_figures(link),
        "p_adjusted": p["p_adjusted"],
        **_order_figures(link),
        "p_exact_adjusted": p["p_exact_adjusted"],
        "lack_of_fit": _fit_figures(link.fit),
        "compatible": link.accounts(alpha),
        "reliability": link.metric.reliability,
        "leave_one_out": _left_out(link),
        "chain": None if link.chain is None else list(link.chain),
        "predicts": not declined
        and verdict == "supported"
        and link.accounts(alpha) is not False
        and link.foretells,
        "resampled": _resampled(link),
        "points": _points(link),
        "permutation_band": line_band(link.metric.value, link.worth)
        if drawn and link.problem is None
        else None,
        "verdict": "declined" if declined else verdict,
        "declined_reason": declined,
    }
    return row | {"words": link_words(row)}


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
    x, y = link.metric.value, settled(link.worth)
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
        slopes = slopes_by_row(metric, link.draws, link.line.weights)
        found["slope_low"], found["slope_high"] = np.percentile(slopes, [2.5, 97.5])
    return found


def _points(link: Link) -> list[dict[str, Any]]:
    m = link.metric
    return [
        {"stage": name, "x": x, "repeat_sd": sd, "y": y}
        for name, x, sd, y in zip(m.stages, m.value, m.repeat_sd, link.worth, strict=True)
    ]
