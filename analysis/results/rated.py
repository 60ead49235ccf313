"""Ratings, and grades against a hidden reference."""

from __future__ import annotations

from analysis.results.base import UNSET, Pair, Real, ResultBlock, UnsetType
from analysis.results.listeners import ScreeningResult

__all__ = [
    "AnovaTest",
    "DifferenceGradesRow",
    "FriedmanTest",
    "GradeRow",
    "GradingListenerRow",
    "GradingResult",
    "RatedStageRow",
    "RatingAgreement",
    "RatingCoefficient",
    "RatingDifferenceRow",
    "RatingPairRow",
    "RatingsModel",
    "RatingsResult",
    "WordsModel",
    "WordsRow",
]


class RatedStageRow(ResultBlock, frozen=True, kw_only=True):
    """Ratings of one stage, over listeners.

    Attributes
    ----------
    stage : str
    programme : str or None
        None for all.
    n_trials, n_listeners : int
    mean, sd, ci_low, ci_high : float or None
    minimum, q1, median, q3, maximum : float or None
    outliers : tuple of str
        Listeners beyond 1.5 quartile ranges.
    """

    stage: str
    programme: str | None
    n_trials: int
    n_listeners: int
    mean: Real
    sd: Real
    ci_low: Real
    ci_high: Real
    minimum: Real
    q1: Real
    median: Real
    q3: Real
    maximum: Real
    outliers: tuple[str, ...]


class GradeRow(RatedStageRow, frozen=True, kw_only=True):
    """Difference grades of one stage, over listeners.

    Attributes
    ----------
    told : float or None
        Share of trials in which the hidden reference got the higher grade.
    above_zero : int
    statistic, df, p_value : float or None
        Of the test that the mean is 0.
    p_holm : float or None
        Over the stages; left out for single programmes.
    """

    told: Real
    above_zero: int
    statistic: Real
    df: int | None
    p_value: Real
    p_holm: Real | UnsetType = UNSET


class DifferenceGradesRow(ResultBlock, frozen=True, kw_only=True):
    """Ratings of one stage less those of the hidden reference.

    Attributes
    ----------
    stage : str
    n_trials, n_listeners : int
    mean, ci_low, ci_high : float or None
    above_zero : int
        Grades above the reference.
    """

    stage: str
    n_trials: int
    n_listeners: int
    mean: Real
    ci_low: Real
    ci_high: Real
    above_zero: int


class RatingDifferenceRow(ResultBlock, frozen=True, kw_only=True):
    """One stage in the mixed model of ratings.

    Attributes
    ----------
    stage : str
    difference, se, ci_low, ci_high, p_value, p_holm : float or None
        From the reference.
    """

    stage: str
    difference: Real
    se: Real
    ci_low: Real
    ci_high: Real
    p_value: Real
    p_holm: Real


class RatingsModel(ResultBlock, frozen=True, kw_only=True):
    """A mixed model of ratings, with random listeners and their own taste for each stage.

    Attributes
    ----------
    method : str
    n_trials, n_listeners : int
    reference : str
    reference_mean : float or None
    stages : tuple of RatingDifferenceRow
    sd_listener, sd_listener_by_stage, sd_programme, sd_residual : float or None
        None where the model has no such part.
    log_likelihood : float or None
    converged : bool
    """

    method: str
    n_trials: int
    n_listeners: int
    reference: str
    reference_mean: Real
    stages: tuple[RatingDifferenceRow, ...]
    sd_listener: Real
    sd_listener_by_stage: Real
    sd_programme: Real
    sd_residual: Real
    log_likelihood: Real
    converged: bool


class WordsRow(ResultBlock, frozen=True, kw_only=True):
    """One stage in the model of ordered words.

    Attributes
    ----------
    stage : str
    log_odds : float or None
        Of a better word.
    se, se_cluster, ci_low, ci_high, p_value, p_holm : float or None
    """

    stage: str
    log_odds: Real
    se: Real
    se_cluster: Real
    ci_low: Real
    ci_high: Real
    p_value: Real
    p_holm: Real


class WordsModel(ResultBlock, frozen=True, kw_only=True):
    """The words of a scale as ordered steps.

    Attributes
    ----------
    method : str
    n_trials, n_listeners : int
    reference : str
    stages : tuple of WordsRow
    steps_used : tuple of int
        Words in use, the lowest is 1.
    thresholds : tuple of float
    sd_listener, log_likelihood : float or None
    penalty : float or None
        Grades added to every stage.
    converged : bool
    """

    method: str
    n_trials: int
    n_listeners: int
    reference: str
    stages: tuple[WordsRow, ...]
    steps_used: tuple[int, ...]
    thresholds: tuple[Real, ...]
    sd_listener: Real
    log_likelihood: Real
    penalty: Real
    converged: bool


class RatingPairRow(ResultBlock, frozen=True, kw_only=True):
    """Ratings of two stages compared.

    Attributes
    ----------
    pair : (str, str)
    difference, ci_low, ci_high, statistic, p_value, p_holm, p_permutation : float or None
    effect_size : float or None
    n_listeners : int
    """

    pair: Pair
    difference: Real
    ci_low: Real
    ci_high: Real
    statistic: Real
    p_value: Real
    p_holm: Real
    p_permutation: Real
    effect_size: Real
    n_listeners: int


class FriedmanTest(ResultBlock, frozen=True, kw_only=True):
    """Friedman's test over the listeners who rated every stage.

    Attributes
    ----------
    n_listeners, n_trials : int
    statistic, df, p_value, kendall_w : float or None
    """

    n_listeners: int
    n_trials: int
    statistic: Real
    df: Real
    p_value: Real
    kendall_w: Real


class AnovaTest(ResultBlock, frozen=True, kw_only=True):
    """Repeated measures over the listeners who rated every stage.

    Attributes
    ----------
    n_listeners, n_trials : int
    statistic, df, df_error, p_value : float or None
    epsilon_gg, epsilon_hf, p_gg, p_hf : float or None
        Corrections of Greenhouse-Geisser and Huynh-Feldt.
    partial_eta_squared : float or None
    """

    n_listeners: int
    n_trials: int
    statistic: Real
    df: Real
    df_error: Real
    p_value: Real
    epsilon_gg: Real
    epsilon_hf: Real
    p_gg: Real
    p_hf: Real
    partial_eta_squared: Real


class RatingCoefficient(ResultBlock, frozen=True, kw_only=True):
    """An intraclass correlation.

    Attributes
    ----------
    value, ci_low, ci_high : float or None
    """

    value: Real
    ci_low: Real
    ci_high: Real


class RatingAgreement(ResultBlock, frozen=True, kw_only=True):
    """Intraclass correlations of the listeners who rated every stage.

    Attributes
    ----------
    n_listeners, n_trials : int
    ICC1, ICC2, ICC3, ICC1k, ICC2k, ICC3k : RatingCoefficient
    """

    n_listeners: int
    n_trials: int
    ICC1: RatingCoefficient
    ICC2: RatingCoefficient
    ICC3: RatingCoefficient
    ICC1k: RatingCoefficient
    ICC2k: RatingCoefficient
    ICC3k: RatingCoefficient


class RatingsResult(ResultBlock, frozen=True, kw_only=True):
    """Ratings from 0 to 100.

    Attributes
    ----------
    method : str
    n_trials, n_listeners : int
    stages : tuple of RatedStageRow
    screening : ScreeningResult
    stages_screened : tuple of RatedStageRow, or None
        Without the excluded.
    difference_grades : tuple of DifferenceGradesRow
    mixed : RatingsModel or None
    ordinal : WordsModel or None
    n_complete : int
        Listeners with every stage.
    pairs : tuple of RatingPairRow
    friedman : FriedmanTest or None
    anova : AnovaTest or None
    agreement : RatingAgreement or None
    """

    method: str
    n_trials: int
    n_listeners: int
    stages: tuple[RatedStageRow, ...]
    screening: ScreeningResult
    stages_screened: tuple[RatedStageRow, ...] | None
    difference_grades: tuple[DifferenceGradesRow, ...]
    mixed: RatingsModel | None
    ordinal: WordsModel | None
    n_complete: int
    pairs: tuple[RatingPairRow, ...]
    friedman: FriedmanTest | None
    anova: AnovaTest | None
    agreement: RatingAgreement | None


class GradingListenerRow(ResultBlock, frozen=True, kw_only=True):
    """How one listener graded a hidden reference.

    Attributes
    ----------
    listener : str
    n_trials, n_told : int
    told, p_told : float or None
        Share in which the reference got the higher grade, and its exact p.
    mean, statistic, p_value : float or None
        One-sided t that the mean is below 0.
    df : int or None
    """

    listener: str
    n_trials: int
    n_told: int
    told: Real
    p_told: Real
    mean: Real
    statistic: Real
    df: int | None
    p_value: Real


class GradingResult(ResultBlock, frozen=True, kw_only=True):
    """Grades against one hidden reference, as stage less reference.

    Attributes
    ----------
    method, scale, reference : str
    n_trials, n_listeners : int
    stages : tuple of GradeRow
    listeners : tuple of GradingListenerRow
    mixed : RatingsModel or None
    ordinal : WordsModel or None
    n_complete : int
    pairs : tuple of RatingPairRow
    friedman : FriedmanTest or None
    anova : AnovaTest or None
    agreement : RatingAgreement or None
    """

    method: str
    scale: str
    reference: str
    n_trials: int
    n_listeners: int
    stages: tuple[GradeRow, ...]
    listeners: tuple[GradingListenerRow, ...]
    mixed: RatingsModel | None
    ordinal: WordsModel | None
    n_complete: int
    pairs: tuple[RatingPairRow, ...]
    friedman: FriedmanTest | None
    anova: AnovaTest | None
    agreement: RatingAgreement | None
