"""Which step first, which next, and what for a budget."""

from __future__ import annotations

import msgspec

from analysis.results.base import UNSET, Real, ResultBlock, UnsetType

__all__ = [
    "BudgetRow",
    "EffectRow",
    "GroupOrder",
    "InteractionRow",
    "NextStepRow",
    "OrderRow",
    "OrderShare",
    "PartRow",
    "PricesResult",
    "StepRow",
    "UpgradeResult",
]


class EffectRow(ResultBlock, frozen=True, kw_only=True):
    """What changing one factor adds.

    Attributes
    ----------
    factor, level, kind, label : str
    from_stage, to_stage : str
    place : int
        Increments only: between which stages, and at which place of the chain.
    estimate, se, low, high, p_value, p_positive : float or None
        Logits.
    n_trials, n_listeners : int
    """

    factor: str
    level: str
    kind: str
    label: str
    from_stage: str | UnsetType = UNSET
    to_stage: str | UnsetType = UNSET
    place: int | UnsetType = UNSET
    estimate: Real
    se: Real
    low: Real
    high: Real
    p_value: Real
    p_positive: Real
    n_trials: int
    n_listeners: int


class InteractionRow(ResultBlock, frozen=True, kw_only=True):
    """What factors do together beyond the sum of their parts.

    Attributes
    ----------
    factors : tuple of str
    label : str
    estimate, se, low, high, p_value, p_positive : float or None
        Logits.
    n_trials, n_listeners : int
    """

    factors: tuple[str, ...]
    label: str
    estimate: Real
    se: Real
    low: Real
    high: Real
    p_value: Real
    p_positive: Real
    n_trials: int
    n_listeners: int


class PartRow(ResultBlock, frozen=True, kw_only=True):
    """Shapley's share of one factor in the whole gain.

    Attributes
    ----------
    factor, level, label : str
    estimate, se, low, high, p_value, p_positive : float or None
        Logits.
    n_trials, n_listeners : int
    """

    factor: str
    level: str
    label: str
    estimate: Real
    se: Real
    low: Real
    high: Real
    p_value: Real
    p_positive: Real
    n_trials: int
    n_listeners: int


class StepRow(ResultBlock, frozen=True, kw_only=True):
    """One step that was heard from a stage.

    Attributes
    ----------
    step : str
        The stage that it leads to.
    change, factor, level, from_stage : str
    p_best, p_gain : float or None
        Shares of resampled panels in which it gains most, and gains.
    gain, gain_low, gain_high : float or None
        Logits.
    includes_zero : bool
        Whether that interval does.
    share : float or None
    cost, labour_h, labour_cost, total : float or None
    per_cost, per_cost_low, per_cost_high, p_best_per_cost : float or None
    per_hour, per_hour_low, per_hour_high, p_best_per_hour : float or None
    """

    step: str
    change: str
    factor: str
    level: str
    from_stage: str
    p_best: Real
    p_gain: Real
    gain: Real
    gain_low: Real
    gain_high: Real
    includes_zero: bool
    share: Real
    cost: Real
    labour_h: Real
    labour_cost: Real
    total: Real
    per_cost: Real
    per_cost_low: Real
    per_cost_high: Real
    p_best_per_cost: Real
    per_hour: Real
    per_hour_low: Real
    per_hour_high: Real
    p_best_per_hour: Real


class NextStepRow(ResultBlock, frozen=True, kw_only=True):
    """A second step: as :class:`StepRow`, after a first one.

    Attributes
    ----------
    first : str
        The stage that the first step led to.
    """

    first: str
    step: str
    change: str
    factor: str
    level: str
    from_stage: str
    p_best: Real
    p_gain: Real
    gain: Real
    gain_low: Real
    gain_high: Real
    includes_zero: bool
    share: Real
    cost: Real
    labour_h: Real
    labour_cost: Real
    total: Real
    per_cost: Real
    per_cost_low: Real
    per_cost_high: Real
    p_best_per_cost: Real
    per_hour: Real
    per_hour_low: Real
    per_hour_high: Real
    p_best_per_hour: Real


class OrderRow(ResultBlock, frozen=True, kw_only=True):
    """One place in the path of single best steps.

    Attributes
    ----------
    place : int
    step, change, from_stage : str
    p_best, p_gain, gain, gain_low, gain_high : float or None
    includes_zero : bool
    cost, labour_h, labour_cost, total, per_cost, per_hour : float or None
    p_stop : float or None
        Share of resampled panels in which nothing above gains.
    rivals : int
    """

    place: int
    step: str
    change: str
    from_stage: str
    p_best: Real
    p_gain: Real
    gain: Real
    gain_low: Real
    gain_high: Real
    includes_zero: bool
    cost: Real
    labour_h: Real
    labour_cost: Real
    total: Real
    per_cost: Real
    per_hour: Real
    p_stop: Real
    rivals: int


class OrderShare(ResultBlock, frozen=True, kw_only=True):
    """A whole order, and how many resampled panels would take it.

    Attributes
    ----------
    path : tuple of str, or None
        None for all others together.
    probability : float or None
    includes_zero : bool or None
        Whether the interval of the gain of some step does.
    """

    path: tuple[str, ...] | None
    probability: Real
    includes_zero: bool | None


class BudgetRow(ResultBlock, frozen=True, kw_only=True):
    """What to buy for a budget.

    Attributes
    ----------
    budget : float or None
    stage : str or None
        None where nothing is within it; then what it takes and gains is left out.
    steps : str or None
    spent, cost, labour_h, labour_cost, total : float or None
    unpriced : tuple of str
        Stages in no budget, since their price is not known.
    p_best, gain, gain_low, gain_high : float or None
    n_choices : int
    runner_up : str or None
    p_runner_up : float or None
    """

    budget: Real
    stage: str | None
    steps: str | UnsetType | None = UNSET
    spent: Real | UnsetType = UNSET
    cost: Real | UnsetType = UNSET
    labour_h: Real | UnsetType = UNSET
    labour_cost: Real | UnsetType = UNSET
    total: Real | UnsetType = UNSET
    unpriced: tuple[str, ...]
    p_best: Real
    gain: Real | UnsetType = UNSET
    gain_low: Real | UnsetType = UNSET
    gain_high: Real | UnsetType = UNSET
    n_choices: int
    runner_up: str | UnsetType | None = UNSET
    p_runner_up: Real | UnsetType = UNSET


class PricesResult(ResultBlock, frozen=True, kw_only=True):
    """How money is counted, and whose price is not known.

    Attributes
    ----------
    currency : str or None
    hourly_rate : float or None
    cost_unknown, labour_unknown, unpriced : tuple of str
    """

    currency: str | None
    hourly_rate: Real
    cost_unknown: tuple[str, ...]
    labour_unknown: tuple[str, ...]
    unpriced: tuple[str, ...]


class GroupOrder(ResultBlock, frozen=True, kw_only=True):
    """The steps of one group of listeners.

    Attributes
    ----------
    number : int
        ``class`` in JSON.
    n_listeners : int
    n_trials : int
        Left out for a group too small, or whose choices link nothing.
    first_step : tuple of StepRow
    order : tuple of OrderRow
    orders : tuple of OrderShare
    """

    number: int = msgspec.field(name="class")
    n_listeners: int
    n_trials: int | UnsetType = UNSET
    first_step: tuple[StepRow, ...]
    order: tuple[OrderRow, ...]
    orders: tuple[OrderShare, ...]


class UpgradeResult(ResultBlock, frozen=True, kw_only=True):
    """Which step first, from the worths of listeners drawn with replacement.

    Attributes
    ----------
    method : str
    n_trials, n_listeners, n_draws : int
    baseline : str
        Where the path begins.
    effects : tuple of EffectRow
    interactions : tuple of InteractionRow
    shapley : tuple of PartRow
    first_step : tuple of StepRow
    second_step : tuple of NextStepRow
    order : tuple of OrderRow
    orders : tuple of OrderShare
    budget : tuple of BudgetRow
    prices : PricesResult
    classes : tuple of GroupOrder
    notes : tuple of str
    """

    method: str
    n_trials: int
    n_listeners: int
    n_draws: int
    baseline: str
    effects: tuple[EffectRow, ...]
    interactions: tuple[InteractionRow, ...]
    shapley: tuple[PartRow, ...]
    first_step: tuple[StepRow, ...]
    second_step: tuple[NextStepRow, ...]
    order: tuple[OrderRow, ...]
    orders: tuple[OrderShare, ...]
    budget: tuple[BudgetRow, ...]
    prices: PricesResult
    classes: tuple[GroupOrder, ...]
    notes: tuple[str, ...]
