"""How steady the listeners were, and how far they agree."""

from __future__ import annotations

from analysis.results.base import UNSET, Real, ResultBlock, UnsetType

__all__ = [
    "AgreementResult",
    "ControlCount",
    "ControlsRow",
    "Drift",
    "RatingF",
    "ReliabilityResult",
    "RoundRobin",
    "ScreenedListener",
    "ScreeningResult",
    "SteadinessRow",
]


class RatingF(ResultBlock, frozen=True, kw_only=True):
    """F of stages in a listener's own ratings.

    Attributes
    ----------
    statistic : float or None
    df, df_error : int
    p_value : float or None
    n_trials : float
    """

    statistic: Real
    df: int
    df_error: int
    p_value: Real
    n_trials: float


class ControlCount(ResultBlock, frozen=True, kw_only=True):
    """Control trials of one kind.

    Attributes
    ----------
    given, scored : int
    passed : int or None
        None where none can be scored.
    """

    given: int
    scored: int
    passed: int | None


class ControlsRow(ResultBlock, frozen=True, kw_only=True):
    """Control trials of one listener.

    Attributes
    ----------
    identical, obvious : ControlCount
    """

    identical: ControlCount
    obvious: ControlCount


class RoundRobin(ResultBlock, frozen=True, kw_only=True):
    """A complete round-robin of one listener.

    Attributes
    ----------
    listener : str
    programme : str or None
    repetition, n_trials, n_stages : int
    circular_triads, most : int or None
    expected : float or None
        Circular triads that guessing gives on average.
        Found, and possible.
    zeta, p_value : float or None
        Coefficient of consistence; p of so few circles by guessing.
    """

    listener: str
    programme: str | None
    repetition: int
    n_trials: int
    n_stages: int
    circular_triads: int | None
    most: int | None
    expected: Real
    zeta: Real
    p_value: Real


class SteadinessRow(ResultBlock, frozen=True, kw_only=True):
    """How steady one listener was.

    Attributes
    ----------
    listener : str
    n_trials, n_repeats : int
    repeat_agreement, repeat_chance, repeat_p_value : float or None
        Share of repeats answered alike, the same by guessing, and its p.
    rating_f : RatingF or None
    controls : ControlsRow
    circular_triads : int or None
    circular_chance : float or None
        As many as guessing gives on average.
    zeta : float or None
    round_robins : tuple of RoundRobin
    """

    listener: str
    n_trials: int
    n_repeats: int
    repeat_agreement: Real
    repeat_chance: Real
    repeat_p_value: Real
    rating_f: RatingF | None
    controls: ControlsRow
    circular_triads: int | None
    circular_chance: Real
    zeta: Real
    round_robins: tuple[RoundRobin, ...]


class AgreementResult(ResultBlock, frozen=True, kw_only=True):
    """Kendall's u of a panel.

    Attributes
    ----------
    programme : str or None
        None for all together.
    u : float or None
    n_listeners, n_trials : int
    u_min, statistic, df, p_value : float or None
        Left out where no two listeners judged paired trials.
    n_pairs : int
    """

    programme: str | None
    u: Real
    n_listeners: int
    n_trials: int
    u_min: Real | UnsetType = UNSET
    statistic: Real | UnsetType = UNSET
    df: Real | UnsetType = UNSET
    p_value: Real | UnsetType = UNSET
    n_pairs: int | UnsetType = UNSET


class Drift(ResultBlock, frozen=True, kw_only=True):
    """Whether answers change over a sitting.

    Attributes
    ----------
    method : str
    n_trials, n_listeners : int
    first_half, second_half : float or None
        Shares right; of ratings, points about the panel's mean.
    slope, se, statistic, p_value : float or None
        From start to end, between listeners.
    df : int or None
    """

    method: str
    n_trials: int
    n_listeners: int
    first_half: Real
    second_half: Real
    slope: Real
    se: Real
    statistic: Real
    df: int | None
    p_value: Real


class ReliabilityResult(ResultBlock, frozen=True, kw_only=True):
    """Repeats, controls, consistency, agreement.

    Attributes
    ----------
    method : str
    n_trials, n_listeners : int
    listeners : tuple of SteadinessRow
    kendall_u : float or None
        Of the panel.
    panel : AgreementResult
    drift, drift_ratings : Drift or None
    agreement : tuple of AgreementResult
        By programme.
    """

    method: str
    n_trials: int
    n_listeners: int
    listeners: tuple[SteadinessRow, ...]
    kendall_u: Real
    panel: AgreementResult
    drift: Drift | None
    drift_ratings: Drift | None
    agreement: tuple[AgreementResult, ...]


class ScreenedListener(ResultBlock, frozen=True, kw_only=True):
    """One listener against the rules of post-screening.

    Attributes
    ----------
    listener : str
    n_items, n_reference_below_90, n_anchor_items, n_mid_anchor_above_90 : int
    excluded_by : tuple of str
    """

    listener: str
    n_items: int
    n_reference_below_90: int
    n_anchor_items: int
    n_mid_anchor_above_90: int
    excluded_by: tuple[str, ...]


class ScreeningResult(ResultBlock, frozen=True, kw_only=True):
    """Whom the post-screening of ratings would leave out.

    Attributes
    ----------
    rule : str
    declared : bool or None
        Whether the plan named it; the figures keep everybody either way.
    excluded : tuple of str
    listeners : tuple of ScreenedListener
    """

    rule: str
    declared: bool | None
    excluded: tuple[str, ...]
    listeners: tuple[ScreenedListener, ...]
