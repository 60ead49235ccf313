"""Verdicts on claims, what turns them, and what a first screen may say by them."""

from __future__ import annotations

from analysis.results.base import UNSET, Pair, Real, ResultBlock, UnsetType

__all__ = [
    "AnswerDesign",
    "AnswerResult",
    "AnswerSentence",
    "ClaimRow",
    "ComparisonRow",
    "JudgedClaim",
    "OtherMusic",
    "PictureRow",
    "PriceOrders",
    "Sensitivity",
    "UnheardRow",
    "VariantRow",
]


class ClaimRow(ResultBlock, frozen=True, kw_only=True):
    """One claim and its verdict.

    Attributes
    ----------
    text : str
    parts : tuple of str
        The claim as words and stage ids in turn, words first and last.
    kind : str
    stages : tuple of str
    verdict : str
        ``supported``, ``contradicted``, ``too small to matter``, ``undecided``.
    direction : int
        1 where the data lean to the claim, -1 against it, 0 where it was held open.
    matters : str or None
        ``yes``, ``no``, ``open``; None without a smallest effect.
    smallest_effect, effect_low, effect_high : float or None
        Shares from an even split, or half the share of trials heard.
    test : str
    statistic, df, estimate, ci_low, ci_high : float or None
    n_trials, n_listeners : int or None
    method : str or None
    rests_on : str
        Claims of hearing: ``listeners``, ``trials``, or both.
    per : str or None
        Steps: price that the gain is held against.
    p_first, p_best : float or None
        Shares of resampled panels.
    share, share_low, share_high : float or None
        Decisions for the first stage, with the interval of `estimate` as shares.
    rival : str
        ``most``: the closest rival, whom `share` and `estimate` are held against.
    n_bearing : int
        Listeners whose answers bear on it.
    n_stages : int
    exploratory : bool
    n_adjusted : int
    p_unadjusted : float or None
        Claims about a metric.
    places : str
        Whether places or sides were used equally often.
    ci_confidence : float
        Of the interval, where it is not 0.95.
    margin : float or None
    inside_low, inside_high, inside_confidence : float or None
        The interval that is held against the split.
    shown_to_listen : str or None
    controls_scored, controls_passed, controls_listeners : int
    controls_p : float or None
    least_panel : int
        Fewest listeners with whom it can be decided.
    p_value, p_holm : float or None
    alpha : float or None
    needs : str or None
        What it would take to decide.
    words : str
    who : str or None
        Group of listeners; None for everybody.
    conditions : str or None
        What it holds for.
    """

    text: str
    parts: tuple[str, ...]
    kind: str
    stages: tuple[str, ...]
    verdict: str
    direction: int
    matters: str | None
    smallest_effect: Real
    effect_low: Real
    effect_high: Real
    test: str
    statistic: Real
    df: Real
    estimate: Real
    ci_low: Real
    ci_high: Real
    n_trials: int | None
    n_listeners: int | None
    method: str | None
    rests_on: str | UnsetType = UNSET
    per: str | UnsetType | None = UNSET
    p_first: Real | UnsetType = UNSET
    share: Real | UnsetType = UNSET
    share_low: Real | UnsetType = UNSET
    share_high: Real | UnsetType = UNSET
    rival: str | UnsetType = UNSET
    n_bearing: int | UnsetType = UNSET
    p_best: Real | UnsetType = UNSET
    n_stages: int | UnsetType = UNSET
    exploratory: bool | UnsetType = UNSET
    n_adjusted: int | UnsetType = UNSET
    p_unadjusted: Real | UnsetType = UNSET
    places: str | UnsetType = UNSET
    ci_confidence: Real | UnsetType = UNSET
    margin: Real | UnsetType = UNSET
    inside_low: Real | UnsetType = UNSET
    inside_high: Real | UnsetType = UNSET
    inside_confidence: Real | UnsetType = UNSET
    shown_to_listen: str | UnsetType | None = UNSET
    controls_scored: int | UnsetType = UNSET
    controls_passed: int | UnsetType = UNSET
    controls_listeners: int | UnsetType = UNSET
    controls_p: Real | UnsetType = UNSET
    least_panel: int | UnsetType = UNSET
    p_value: Real
    p_holm: Real
    alpha: Real
    needs: str | None
    words: str
    who: str | None
    conditions: str | None


class OtherMusic(ResultBlock, frozen=True, kw_only=True):
    """The second verdict on a claim, for music like this.

    Attributes
    ----------
    verdict : str
    p_value, p_holm, ci_low, ci_high, estimate : float or None
        On the scale of the first.
    n_programmes : int or None
        Effective number.
    df : float or None
    words : str
    declined_reason : str or None
        None where a verdict could be given.
    """

    verdict: str
    p_value: Real
    p_holm: Real
    ci_low: Real
    ci_high: Real
    estimate: Real
    n_programmes: int | None
    df: Real
    words: str
    declined_reason: str | None


class VariantRow(ResultBlock, frozen=True, kw_only=True):
    """A claim judged in another way.

    Attributes
    ----------
    kind : str
        ``listeners``, ``answers``, ``extremes``, ``flagged``, ``programme``, ``one out``.
    variant : str
    left_out : tuple of str
    verdict : str
    p_value, p_holm, estimate, ci_low, ci_high : float or None
    n_listeners : int or None
    """

    kind: str
    variant: str
    left_out: tuple[str, ...]
    verdict: str
    p_value: Real
    p_holm: Real
    estimate: Real
    ci_low: Real
    ci_high: Real
    n_listeners: int | None


class Sensitivity(ResultBlock, frozen=True, kw_only=True):
    """What turns a verdict.

    Attributes
    ----------
    stable : bool
    turns : tuple of str
    word : str
        The same in one line.
    flagged : tuple of str
        Listeners of this claim whose conduct is flagged.
    rows : tuple of VariantRow
    """

    stable: bool
    turns: tuple[str, ...]
    word: str
    flagged: tuple[str, ...]
    rows: tuple[VariantRow, ...]


class JudgedClaim(ClaimRow, frozen=True, kw_only=True):
    """A declared claim: its verdict, the one for music like this, and what turns it.

    Attributes
    ----------
    music_like_this : OtherMusic or None
    sensitivity : Sensitivity or None
        None for claims about one person, and where nothing was asked.
    """

    music_like_this: OtherMusic | None
    sensitivity: Sensitivity | None


class AnswerSentence(ResultBlock, frozen=True, kw_only=True):
    """One sentence.

    Attributes
    ----------
    say : str
        Its key in the report's words.
    names : dict of str to tuple of str
        Stages by their place in it.
    asserts : tuple of (str, str, str)
        ``("prefer", I, J)`` or ``("hear", I, J)``.
    claims : tuple of int
        Places in the claims, or in the family, that carry it.
    p : float
    n, n_shown, n_asked : int
        Numbers in it; left out where it has none.
    """

    say: str
    names: dict[str, tuple[str, ...]]
    asserts: tuple[tuple[str, str, str], ...]
    claims: tuple[int, ...]
    p: Real | UnsetType = UNSET
    n: int | UnsetType = UNSET
    n_shown: int | UnsetType = UNSET
    n_asked: int | UnsetType = UNSET


class ComparisonRow(ResultBlock, frozen=True, kw_only=True):
    """A comparison that the answer rests on.

    Attributes
    ----------
    relation : str
        ``hear``, ``prefer``, ``most``, ``other``.
    first : str
    second : str or None
    rivals : tuple of str
    outcome : str
        ``against``, ``open``, ``small``, ``shown``, ``not claimed``.
    claim : int or None
        Place in the claims, or in the family.
    share : float or None
    n_trials, n_listeners : int or None
    discrimination : int or None
        Place of the answers of a pair without a claim.
    """

    relation: str
    first: str
    second: str | None
    rivals: tuple[str, ...]
    outcome: str
    claim: int | None
    share: Real
    n_trials: int | None
    n_listeners: int | None
    discrimination: int | None


class UnheardRow(ResultBlock, frozen=True, kw_only=True):
    """A pair of which a preference is shown, and no difference to be heard.

    Attributes
    ----------
    first, second : str
        The first is preferred.
    claims : tuple of int
    """

    first: str
    second: str
    claims: tuple[int, ...]


class PriceOrders(ResultBlock, frozen=True, kw_only=True):
    """First steps in order, largest estimate first.

    Attributes
    ----------
    gain, cost, hour : tuple of str, or None
        By gain, by gain for the cost, and for the hour.
    differ : tuple of str
        Those whose order is not that of the gain.
    """

    gain: tuple[str, ...] | None
    cost: tuple[str, ...] | None
    hour: tuple[str, ...] | None
    differ: tuple[str, ...]


class AnswerDesign(ResultBlock, frozen=True, kw_only=True):
    """What was compared and asked.

    Attributes
    ----------
    compared, made : tuple of str
    baseline : str or None
    first_steps : tuple of str
    asked : tuple of (str, str)
    """

    compared: tuple[str, ...]
    made: tuple[str, ...]
    baseline: str | None
    first_steps: tuple[str, ...]
    asked: tuple[Pair, ...]


class PictureRow(ResultBlock, frozen=True, kw_only=True):
    """A step of the first screen's picture, held against what was there before it.

    Attributes
    ----------
    step, before : str
    share, share_low, share_high : float or None
        Decisions for the step, the mean over listeners, with the interval of its gain.
    preferred, heard : str
        What the claims settle: ``shown``, ``against``, ``small``, ``open`` or ``not claimed``.
    cost, labour_h, total : float or None
        Of the step alone; None where not known.
    """

    step: str
    before: str
    share: Real
    share_low: Real
    share_high: Real
    preferred: str
    heard: str
    cost: Real
    labour_h: Real
    total: Real


class AnswerResult(ResultBlock, frozen=True, kw_only=True):
    """What the first screen, the card and the sheet may say of people.

    Attributes
    ----------
    family : tuple of ClaimRow
        Where no claim was given: those that the design suggests.
    exploratory : bool
    question : str or None
        ``first step``, ``liked most`` or ``told apart``.
    lead : AnswerSentence or None
    beside : tuple of AnswerSentence
    rests_on : tuple of ComparisonRow
        Failed ones first.
    unheard : tuple of UnheardRow
    small : tuple of int
        Claims whose difference is too small to matter.
    orders : PriceOrders or None
    picture : tuple of PictureRow
        The steps in their order; empty without a question of steps.
    design : AnswerDesign
    n_trials, n_listeners : int or None
        Answers that bear on the first sentence.
    """

    family: tuple[ClaimRow, ...]
    exploratory: bool
    question: str | None
    lead: AnswerSentence | None
    beside: tuple[AnswerSentence, ...]
    rests_on: tuple[ComparisonRow, ...]
    unheard: tuple[UnheardRow, ...]
    small: tuple[int, ...]
    orders: PriceOrders | None
    picture: tuple[PictureRow, ...]
    design: AnswerDesign
    n_trials: int | None
    n_listeners: int | None
