"""Measured figures against preference, and versions that nobody compared."""

from __future__ import annotations

from analysis.results.base import UNSET, Real, ResultBlock, UnsetType

__all__ = [
    "LackOfFitTest",
    "LeftOutFit",
    "LinkBand",
    "LinkPoint",
    "LinkRow",
    "PredictedPoint",
    "PredictionRow",
    "ProgrammeLinkPart",
    "ProgrammeLinkRow",
    "ProgrammePoint",
    "ResampledLink",
    "WithinProgrammes",
]


class LackOfFitTest(ResultBlock, frozen=True, kw_only=True):
    """Whether stages differ by more than the figure explains.

    Attributes
    ----------
    statistic : float or None
    df : int or None
    p_value, design_effect, p_value_trials, slope_trials : float or None
    """

    statistic: Real
    df: int | None
    p_value: Real
    design_effect: Real
    p_value_trials: Real
    slope_trials: Real


class PredictedPoint(ResultBlock, frozen=True, kw_only=True):
    """One stage predicted from the others.

    Attributes
    ----------
    stage : str
    worth, predicted : float or None
    """

    stage: str
    worth: Real
    predicted: Real


class LeftOutFit(ResultBlock, frozen=True, kw_only=True):
    """Each stage predicted from the others.

    Attributes
    ----------
    rmse, rmse_mean : float or None
        The second of the mean of the others.
    predicted : tuple of PredictedPoint
    """

    rmse: Real
    rmse_mean: Real
    predicted: tuple[PredictedPoint, ...]


class ResampledLink(ResultBlock, frozen=True, kw_only=True):
    """The link with listeners and repeats of the measurement resampled.

    Attributes
    ----------
    n_draws : int
    measurement_included : bool
    spearman, spearman_low, spearman_high, p_negative, slope_low, slope_high : float or None
    """

    n_draws: int
    measurement_included: bool
    spearman: Real
    spearman_low: Real
    spearman_high: Real
    p_negative: Real
    slope_low: Real
    slope_high: Real


class LinkPoint(ResultBlock, frozen=True, kw_only=True):
    """One stage by figure and worth.

    Attributes
    ----------
    stage : str
    x, repeat_sd, y : float or None
    """

    stage: str
    x: Real
    repeat_sd: Real
    y: Real


class LinkBand(ResultBlock, frozen=True, kw_only=True):
    """Where fitted lines fall when stages are shuffled.

    Attributes
    ----------
    x, low, high : tuple of float
    """

    x: tuple[Real, ...]
    low: tuple[Real, ...]
    high: tuple[Real, ...]


class LinkRow(ResultBlock, frozen=True, kw_only=True):
    """One measured figure against the worths.

    Attributes
    ----------
    metric : str
    primary, exploratory : bool
        Whether a sealed plan names it.
    named_by : str or None
        ``plan``, ``analysis`` or None.
    n_metrics, n_adjusted : int
        Figures tried, and figures adjusted for.
    planned : bool
        Whether any sealed plan names one.
    method : str
    n_stages, n_trials, n_listeners : int
    slope, se, df, statistic, p_value, ci_low, ci_high, tau, intercept, se_measurement
        The line, in logits per unit; None below six stages.
    covariance : str or None
    p_adjusted : float or None
    p_exact, p_smallest : float or None
        Permutation p of the order, and the smallest that so few stages allow.
    p_exact_is_exact : bool or None
    spearman, pearson, pearson_without_extreme : float or None
    extreme_stage : str or None
    pairs_agree, pairs_opposed, pairs_total, pairs_resolved : int or None
    p_exact_adjusted : float or None
    lack_of_fit : LackOfFitTest
    compatible : bool or None
        Whether the figure alone can stand in for the worths.
    reliability : float or None
        Share of its variance that is not repeat error.
    leave_one_out : LeftOutFit or None
    chain : tuple of str, or None
        The stages in order where each keeps all changes of the one before.
    predicts : bool
    resampled : ResampledLink or None
    points : tuple of LinkPoint
    permutation_band : LinkBand or None
        First row only.
    verdict : str
    declined_reason : str or None
    words : str
    """

    metric: str
    primary: bool
    exploratory: bool
    named_by: str | None
    n_metrics: int
    n_adjusted: int
    planned: bool
    method: str
    n_stages: int
    n_trials: int
    n_listeners: int
    slope: Real
    se: Real
    df: Real
    statistic: Real
    p_value: Real
    ci_low: Real
    ci_high: Real
    tau: Real
    intercept: Real
    se_measurement: Real
    covariance: str | None
    p_adjusted: Real
    p_exact: Real
    p_exact_is_exact: bool | None
    p_smallest: Real
    spearman: Real
    pearson: Real
    pearson_without_extreme: Real
    extreme_stage: str | None
    pairs_agree: int | None
    pairs_opposed: int | None
    pairs_total: int | None
    pairs_resolved: int | UnsetType | None = UNSET
    p_exact_adjusted: Real
    lack_of_fit: LackOfFitTest
    compatible: bool | None
    reliability: Real
    leave_one_out: LeftOutFit | None
    chain: tuple[str, ...] | None
    predicts: bool
    resampled: ResampledLink | None
    points: tuple[LinkPoint, ...]
    permutation_band: LinkBand | None
    verdict: str
    declined_reason: str | None
    words: str


class ProgrammePoint(ResultBlock, frozen=True, kw_only=True):
    """One stage by figure and worth, with one programme.

    Attributes
    ----------
    stage : str
    x, y : float or None
    """

    stage: str
    x: Real
    y: Real


class ProgrammeLinkPart(ResultBlock, frozen=True, kw_only=True):
    """A figure against the worths of one programme.

    Attributes
    ----------
    programme : str
    n_stages, n_trials, n_listeners : int
    spearman, p_exact, slope : float or None
    points : tuple of ProgrammePoint
    """

    programme: str
    n_stages: int
    n_trials: int
    n_listeners: int
    spearman: Real
    p_exact: Real
    slope: Real
    points: tuple[ProgrammePoint, ...]


class WithinProgrammes(ResultBlock, frozen=True, kw_only=True):
    """What differs between programmes once means of stages and programmes are taken out.

    Attributes
    ----------
    worth_sd, sampling_sd, correlation : float or None
    n_cells : int
    """

    worth_sd: Real
    sampling_sd: Real
    correlation: Real
    n_cells: int


class ProgrammeLinkRow(ResultBlock, frozen=True, kw_only=True):
    """One figure against the worths, programme by programme.

    Attributes
    ----------
    metric, method : str
    n_programmes, n_stages, n_trials, n_listeners : int
    programmes : tuple of ProgrammeLinkPart
    mean_spearman, p_exact : float or None
    p_exact_is_exact : bool
    inside : WithinProgrammes
    exploratory : bool
    p_adjusted : float or None
    n_adjusted : int
    words : str
    """

    metric: str
    method: str
    n_programmes: int
    n_stages: int
    n_trials: int
    n_listeners: int
    programmes: tuple[ProgrammeLinkPart, ...]
    mean_spearman: Real
    p_exact: Real
    p_exact_is_exact: bool
    inside: WithinProgrammes
    exploratory: bool
    p_adjusted: Real
    n_adjusted: int
    words: str


class PredictionRow(ResultBlock, frozen=True, kw_only=True):
    """The share of a measured stage that nobody compared, or why none is given.

    Attributes
    ----------
    stage : str
    repeat_sd_known : bool
    metric : str
    value : float or None
    against : str or None
        The current best.
    share, share_low, share_high, p_better, confidence : float or None
    n_stages : int
    error : float or None
        Leaving one stage out, logits.
    declined_reason : str or None
    words : str
    """

    stage: str
    repeat_sd_known: bool
    metric: str
    value: Real
    against: str | None
    share: Real
    share_low: Real
    share_high: Real
    p_better: Real
    confidence: Real
    n_stages: int
    error: Real
    declined_reason: str | None
    words: str
