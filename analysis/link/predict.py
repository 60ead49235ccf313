"""A stage that nobody has heard: its share against the current best, or why there is none.

Only the link of the primary metric of a plan that was sealed before listening may be used, where it
passed its own test, and only inside the range of the metric that listeners heard. A line that was
chosen among several after looking fits better than it predicts. Everything uncertain goes into the
interval: the panel, the repeat spread of the measurement, the slope, and the scatter of stages
about the line, which a new stage brings too.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from analysis.link.block import Link
from analysis.panels.number_words import p_words
from analysis.tables.stages import StageTable

__all__ = ["Prediction", "predict_share", "prediction_rows"]

_DRAWS = 4000


@dataclass(frozen=True, slots=True)
class Prediction:
    """Predicted share of decisions for a new stage against the current best.

    Attributes
    ----------
    metric : str
    value : float
        The new stage's metric.
    against : str or None
        The current best.
    share, share_low, share_high : float or None
        With the interval at `confidence`; None when declined.
    p_better : float or None
        Chance that the new stage is preferred in more than half of the decisions.
    confidence : float
    n_stages : int
        Stages behind the link.
    error : float or None
        Leave-one-stage-out root mean square error of worths, logits.
    declined_reason : str or None
        Why there is no prediction, and what would allow one.
    words : str
    """

    metric: str
    value: float
    against: str | None
    share: float | None
    share_low: float | None
    share_high: float | None
    p_better: float | None
    confidence: float
    n_stages: int
    error: float | None
    declined_reason: str | None
    words: str


def predict_share(
    link: Link,
    value: float,
    *,
    repeat_sd: float = 0.0,
    alpha: float = 0.05,
    confidence: float = 0.95,
    seed: int = 1,
) -> Prediction:
    """Predict how often a new stage would be preferred to the current best.

    Parameters
    ----------
    link : Link
        The primary metric against the worths.
    value : float
        The new stage's metric, measured and computed as for the others.
    repeat_sd : float, optional
        Repeat SD of that value.
    alpha : float, optional
        Level at which the link must have passed its test.
    confidence : float, optional
        Level of the interval.
    seed : int, optional
        Of the draws.

    Returns
    -------
    Prediction
        With ``declined_reason`` wherever a prediction would be a guess.
    """
    reason = _reason(link, value, alpha)
    error = None if link.left_out is None else link.error
    if reason is not None:
        return Prediction(
            link.metric.name,
            value,
            None,
            None,
            None,
            None,
            None,
            confidence,
            link.n_stages,
            error,
            reason,
            f"No prediction: {reason}",
        )
    best = int(link.worth.argmax())
    ahead = _lead(link, value, repeat_sd, best, seed)
    tail = 50 * (1 - confidence)
    low, mid, high = (_share(v) for v in np.percentile(ahead, [tail, 50, 100 - tail]))
    name = link.metric.stages[best]
    words = (
        f"A stage with {link.metric.name} of {value:g} is predicted to be preferred to {name} in "
        f"{100 * mid:.0f} % of decisions ({100 * confidence:.0f} % interval {100 * low:.0f} to "
        f"{100 * high:.0f} %). It rests on {link.n_stages} stages; predicting each of them from "
        f"the others was wrong by {error:.2f} logits on average. Tonal balance only."
    )
    return Prediction(
        metric=link.metric.name,
        value=value,
        against=name,
        share=mid,
        share_low=low,
        share_high=high,
        p_better=float((ahead > 0).mean()),
        confidence=confidence,
        n_stages=link.n_stages,
        error=error,
        declined_reason=None,
        words=words,
    )


def _share(logit: float) -> float:
    return float(1 / (1 + np.exp(-logit)))


def _reason(link: Link, value: float, alpha: float) -> str | None:
    n, name = link.n_stages, link.metric.name
    if link.problem is not None:
        return f"{link.problem}."
    if not link.primary:
        return (
            f"{name} was not the metric named before listening by a sealed plan, so that its link "
            "is exploratory; name it in the plan of a new study."
        )
    if link.line is None or link.draws is None:
        return (
            f"{n} stages cannot test a rule from {name} to preference; six compared and measured "
            "stages or more would."
        )
    if link.line.p_value > alpha:
        return (
            f"the link of {name} to preference did not pass its test over {n} stages "
            f"({p_words(link.line.p_value)}); more stages that differ in {name} would allow one."
        )
    if link.accounts(alpha) is False:
        assert link.fit is not None
        return (
            f"the stages differ by more than {name} explains (lack of fit, "
            f"{p_words(link.fit.p_value)}); another figure, declared in a new study, would be "
            "needed."
        )
    if not link.foretells:
        return (
            f"predicting each stage from the others by {name} was no better than their mean; more "
            "stages, or another metric declared in a new study, would be needed."
        )
    low, high = float(link.metric.value.min()), float(link.metric.value.max())
    if not low <= value <= high:
        return (
            f"{value:g} lies outside the range that listeners heard ({low:g} to {high:g}); "
            "compare a stage out there."
        )
    return None


def _lead(link: Link, value: float, repeat_sd: float, best: int, seed: int) -> np.ndarray:
    """Draw the new stage's lead over the current best, in logits."""
    assert link.line is not None
    assert link.draws is not None
    rng = np.random.default_rng(seed)
    n, line = link.n_stages, link.line
    worth = link.draws[rng.integers(0, len(link.draws), _DRAWS)]
    metric = link.metric.value + rng.normal(0, 1, (_DRAWS, n)) * np.nan_to_num(
        link.metric.repeat_sd
    )
    new = value + rng.normal(0, repeat_sd, _DRAWS)
    # Scatter of stages is itself uncertain: its square over a chi-square with the line's df.
    tau = line.tau * np.sqrt(line.df / rng.chisquare(line.df, _DRAWS))
    scatter = worth + rng.normal(0, 1, (_DRAWS, n)) * tau[:, None]
    centred = metric - metric.mean(axis=1, keepdims=True)
    slope = (centred * scatter).sum(axis=1) / (centred**2).sum(axis=1)
    level = scatter.mean(axis=1) + slope * (new - metric.mean(axis=1))
    return np.asarray(level + rng.normal(0, 1, _DRAWS) * tau - worth[:, best])


def prediction_rows(
    links: Sequence[Link], stages: StageTable | None, *, alpha: float = 0.05, seed: int = 1
) -> list[dict[str, Any]]:
    """Return the ``predictions`` block: every measured stage of the table that nobody compared.

    Made stages are left out: they are nothing to buy.

    Parameters
    ----------
    links : sequence of Link
        The named metric first.
    stages : StageTable or None
    alpha : float, optional
        Level of the link's test.
    seed : int, optional
        Of the draws.

    Returns
    -------
    list of dict
        ``stage`` and the fields of :class:`Prediction`; empty without such stages.
    """
    if not links or stages is None:
        return []
    link = links[0]
    name = f"metric_{link.metric.name}"
    rows = []
    for _, stage in stages.frame.iterrows():
        value = float(stage[name])
        unheard = stage["stage"] not in link.compared and stage["stage"] not in stages.made
        if not unheard or not np.isfinite(value):
            continue
        spread = float(stage.get(f"{name}_repeat_sd", np.nan))
        sd = spread if np.isfinite(spread) else 0.0
        told = predict_share(link, value, repeat_sd=sd, alpha=alpha, seed=seed)
        rows.append({"stage": str(stage["stage"]), "repeat_sd_known": np.isfinite(spread)})
        rows[-1] |= asdict(told)
    return rows
