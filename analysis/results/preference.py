"""What they prefer: worths, pairs, choices, and how well the model fits."""

from __future__ import annotations

from analysis.results.base import UNSET, Pair, Real, ResultBlock, UnsetType
from analysis.results.tastes import EqualWorthsTest, GroupsResult, ProgrammesResult, TastesResult

__all__ = [
    "ChoicesRow",
    "ListenerChoicesRow",
    "OrderEffect",
    "PairRow",
    "PreferenceResult",
    "StrengthModel",
    "StrengthModelRow",
    "StrengthResult",
    "StrengthRow",
    "ThurstoneResult",
    "ThurstoneRow",
    "TiesModel",
    "WorthFit",
    "WorthRow",
]


class WorthRow(ResultBlock, frozen=True, kw_only=True):
    """What one stage is worth.

    Every figure is None for a stage that no chain of comparisons links with the reference.

    Attributes
    ----------
    stage : str
    log_worth, se, se_cluster : float or None
        Logits, every answer counting once; naive error, and error between listeners.
    worth, se_worth : float or None
        Shares that add up to 1.
    log_worth_listeners, se_listeners, worth_listeners : float or None
        The same with every listener counting once.
    p_best : float or None
        Share of resampled panels in which the stage comes first.
    rank_probabilities : tuple of float, or None
        The same for each place, the first place first.
    centred, centred_low, centred_high : float or None
        Log-worth about the mean of the stages, with its interval between listeners.
    centred_listeners, centred_listeners_low, centred_listeners_high : float or None
        The same with every listener counting once.
    resampled_low, resampled_high : float or None
        Of resampled panels.
    """

    stage: str
    log_worth: Real
    se: Real
    se_cluster: Real
    worth: Real
    se_worth: Real
    log_worth_listeners: Real
    se_listeners: Real
    worth_listeners: Real
    p_best: Real
    rank_probabilities: tuple[Real, ...] | None
    centred: Real
    centred_low: Real
    centred_high: Real
    centred_listeners: Real
    centred_listeners_low: Real
    centred_listeners_high: Real
    resampled_low: Real
    resampled_high: Real


class TiesModel(ResultBlock, frozen=True, kw_only=True):
    """Answers without a preference.

    Attributes
    ----------
    n_ties : int
    log_nu, se, se_cluster : float or None
        Davidson's parameter of ties.
    nu : float
        Left out where it could not be fitted.
    """

    n_ties: int
    log_nu: Real
    se: Real
    se_cluster: Real
    nu: Real | UnsetType = UNSET


class OrderEffect(ResultBlock, frozen=True, kw_only=True):
    """The gain of the stage that is played first.

    Attributes
    ----------
    estimate, se, se_cluster : float or None
        Logits, every answer counting once.
    estimate_listeners, se_listeners, p_value : float or None
        Every listener counting once.
    meaning : str
    n_trials, n_listeners : int
    penalty : float or None
        Answers added to every compared pair.
    """

    estimate: Real
    se: Real
    se_cluster: Real
    estimate_listeners: Real
    se_listeners: Real
    p_value: Real
    meaning: str
    n_trials: int
    n_listeners: int
    penalty: Real


class PairRow(ResultBlock, frozen=True, kw_only=True):
    """Choices between two stages.

    Attributes
    ----------
    pair : (str, str)
    wins, losses, ties : int
        Of the first stage.
    share : float or None
        Of decided answers.
    share_listeners, share_low, share_high : float or None
        Mean over listeners, with its interval.
    wilson_low, wilson_high, p_value : float or None
        Every answer taken as independent.
    n_trials, n_listeners : int
    """

    pair: Pair
    wins: int
    losses: int
    ties: int
    share: Real
    share_listeners: Real
    share_low: Real
    share_high: Real
    wilson_low: Real
    wilson_high: Real
    p_value: Real
    n_trials: int
    n_listeners: int


class ChoicesRow(ResultBlock, frozen=True, kw_only=True):
    """How often a stage was chosen, by the panel or by one listener.

    Attributes
    ----------
    listener : str or None
        None for the panel.
    stage : str
    n_chosen, n_compared : int
        Choices in which the stage was one of the two, ties included.
    share : float or None
    """

    listener: str | None
    stage: str
    n_chosen: int
    n_compared: int
    share: Real


class ListenerChoicesRow(ResultBlock, frozen=True, kw_only=True):
    """One listener's choices between two stages.

    Attributes
    ----------
    listener : str
    pair : (str, str)
    wins, losses, ties : int
        Of the first stage.
    share : float or None
        Of decided answers.
    n_trials : int
    """

    listener: str
    pair: Pair
    wins: int
    losses: int
    ties: int
    share: Real
    n_trials: int


class WorthFit(ResultBlock, frozen=True, kw_only=True):
    """How well the model of worths fits.

    Attributes
    ----------
    deviance, df, p_value : float or None
    penalty : float or None
        Answers of every kind added to every compared pair; 0 for maximum likelihood.
    converged : bool
        Left out where nothing was fitted.
    """

    deviance: Real
    df: int | None
    p_value: Real
    penalty: Real
    converged: bool | UnsetType = UNSET


class ThurstoneRow(ResultBlock, frozen=True, kw_only=True):
    """One stage on Thurstone's scale.

    Attributes
    ----------
    stage : str
    scale, se, se_cluster : float or None
    """

    stage: str
    scale: Real
    se: Real
    se_cluster: Real


class ThurstoneResult(ResultBlock, frozen=True, kw_only=True):
    """The paired answers by Thurstone's Case V.

    Attributes
    ----------
    method : str
    n_trials, n_listeners : int
    reference : str
    stages : tuple of ThurstoneRow
    log_likelihood, deviance : float or None
    df : int
    penalty : float or None
    """

    method: str
    n_trials: int
    n_listeners: int
    reference: str
    stages: tuple[ThurstoneRow, ...]
    log_likelihood: Real
    deviance: Real
    df: int
    penalty: Real


class StrengthRow(ResultBlock, frozen=True, kw_only=True):
    """How much better the first of a pair was called.

    Attributes
    ----------
    pair : (str, str)
    mean, ci_low, ci_high, p_value : float or None
        Over listeners, towards the first.
    n_trials, n_listeners : int
    p_holm : float or None
    """

    pair: Pair
    mean: Real
    ci_low: Real
    ci_high: Real
    p_value: Real
    n_trials: int
    n_listeners: int
    p_holm: Real


class StrengthModelRow(ResultBlock, frozen=True, kw_only=True):
    """One stage in the model of ordered strengths.

    Attributes
    ----------
    stage : str
    log_odds, se, se_cluster, ci_low, ci_high : float or None
    """

    stage: str
    log_odds: Real
    se: Real
    se_cluster: Real
    ci_low: Real
    ci_high: Real


class StrengthModel(ResultBlock, frozen=True, kw_only=True):
    """Strengths as ordered steps.

    Attributes
    ----------
    method, reference : str
    stages : tuple of StrengthModelRow
    sd_position : float or None
        Of listeners' leanings to a position.
    log_likelihood, penalty : float or None
    converged : bool
    """

    method: str
    reference: str
    stages: tuple[StrengthModelRow, ...]
    sd_position: Real
    log_likelihood: Real
    penalty: Real
    converged: bool


class StrengthResult(ResultBlock, frozen=True, kw_only=True):
    """Paired answers that say how much.

    Attributes
    ----------
    method, scale : str
    n_trials, n_listeners : int
    pairs : tuple of StrengthRow
    ordinal : StrengthModel or None
    """

    method: str
    scale: str
    n_trials: int
    n_listeners: int
    pairs: tuple[StrengthRow, ...]
    ordinal: StrengthModel | None


class PreferenceResult(ResultBlock, frozen=True, kw_only=True):
    """What they prefer, from paired answers.

    Attributes
    ----------
    method : str
    estimand, model : str or None
    n_trials, n_listeners : int
    reference : str or None
        The stage with log-worth 0.
    stages : tuple of WorthRow
    log_likelihood : float or None
    ties : TiesModel or None
    order_effect : OrderEffect or None
    pairs : tuple of PairRow
    chosen : tuple of ChoicesRow
    listeners : tuple of ListenerChoicesRow
    fit : WorthFit
    places : str or None
        Whether the two places were used equally often.
    equal_worths : EqualWorthsTest or None
    connected : bool or None
        Whether comparisons link all stages.
    groups : tuple of tuple of str
        Stages linked by comparisons.
    notes : tuple of str
        What could not be done.
    thurstone : ThurstoneResult or None
    strength : StrengthResult or None
    programmes : ProgrammesResult or None
    mixed : TastesResult or None
        Listeners with worths of their own.
    classes : GroupsResult or None
        Groups of listeners.
    """

    method: str
    estimand: str | None
    model: str | None
    n_trials: int
    n_listeners: int
    reference: str | None
    stages: tuple[WorthRow, ...]
    log_likelihood: Real
    ties: TiesModel | None
    order_effect: OrderEffect | None
    pairs: tuple[PairRow, ...]
    chosen: tuple[ChoicesRow, ...]
    listeners: tuple[ListenerChoicesRow, ...]
    fit: WorthFit
    places: str | None
    equal_worths: EqualWorthsTest | None
    connected: bool | None
    groups: tuple[tuple[str, ...], ...]
    notes: tuple[str, ...]
    thurstone: ThurstoneResult | None
    strength: StrengthResult | None
    programmes: ProgrammesResult | None
    mixed: TastesResult | None
    classes: GroupsResult | None
