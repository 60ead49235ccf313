"""Whether and how preference differs: between stages, listeners, groups, programmes."""

from __future__ import annotations

import msgspec

from analysis.results.base import Real, ResultBlock

__all__ = [
    "EqualWorthsTest",
    "GroupFitRow",
    "GroupMember",
    "GroupRow",
    "GroupStepRow",
    "GroupsPower",
    "GroupsResult",
    "InteractionTest",
    "LeaveOutRow",
    "ListenerWorths",
    "ProgrammeWorthsRow",
    "ProgrammesResult",
    "TasteRow",
    "TastesResult",
]


class TasteRow(ResultBlock, frozen=True, kw_only=True):
    """How far listeners differ about one stage.

    Attributes
    ----------
    stage : str
    log_worth, se : float or None
        Of the mean listener.
    sd_between_listeners : float or None
    share_of_listeners_with_it_first : float or None
    """

    stage: str
    log_worth: Real
    se: Real
    sd_between_listeners: Real
    share_of_listeners_with_it_first: Real


class ListenerWorths(ResultBlock, frozen=True, kw_only=True):
    """One listener's own worths.

    Attributes
    ----------
    listener : str
    worths : tuple of float
        In the order of the stages, drawn towards the panel.
    """

    listener: str
    worths: tuple[Real, ...]


class TastesResult(ResultBlock, frozen=True, kw_only=True):
    """A model in which every listener has worths of his own.

    Attributes
    ----------
    method : str
    n_trials, n_listeners : int
    reference, structure : str
    stages : tuple of TasteRow
    difference_sd, correlation : tuple of tuple of float
        Stage by stage.
    log_likelihood, log_likelihood_alike : float or None
        The second without differences between listeners.
    n_parameters : int
    p_value : float or None
        Of the test that all want the same.
    converged : bool
    listeners : tuple of ListenerWorths
    """

    method: str
    n_trials: int
    n_listeners: int
    reference: str
    structure: str
    stages: tuple[TasteRow, ...]
    difference_sd: tuple[tuple[Real, ...], ...]
    correlation: tuple[tuple[Real, ...], ...]
    log_likelihood: Real
    log_likelihood_alike: Real
    n_parameters: int
    p_value: Real
    converged: bool
    listeners: tuple[ListenerWorths, ...]


class GroupFitRow(ResultBlock, frozen=True, kw_only=True):
    """A mixture of so many classes: a screening, no evidence of groups.

    Attributes
    ----------
    n_classes : int
    log_likelihood, bic : float or None
    n_parameters : int
    share : tuple of float
        By class.
    log_worth : tuple of tuple of float
        By class and stage.
    clearness : float or None
    converged : bool
    """

    n_classes: int
    log_likelihood: Real
    bic: Real
    n_parameters: int
    share: tuple[Real, ...]
    log_worth: tuple[tuple[Real, ...], ...]
    clearness: Real
    converged: bool


class GroupStepRow(ResultBlock, frozen=True, kw_only=True):
    """One comparison in the search for groups.

    Attributes
    ----------
    n_groups : int
        If it passes.
    n_listeners : int
    screening_passed : bool
    statistic, p_value, level : float or None
    n_bootstrap : int
        Panels simulated.
    stopped_early : bool
    sizes : tuple of int
        Of the parts, largest first.
    passed : bool
    """

    n_groups: int
    n_listeners: int
    screening_passed: bool
    statistic: Real
    p_value: Real
    level: Real
    n_bootstrap: int
    stopped_early: bool
    sizes: tuple[int, ...]
    passed: bool


class GroupRow(ResultBlock, frozen=True, kw_only=True):
    """A group that passed.

    Attributes
    ----------
    number : int
        ``class`` in JSON.
    n_listeners : int
    share : float or None
    log_worth : dict of str to float, or None
    """

    number: int = msgspec.field(name="class")
    n_listeners: int
    share: Real
    log_worth: dict[str, Real] | None


class GroupMember(ResultBlock, frozen=True, kw_only=True):
    """Which group a listener is in.

    Attributes
    ----------
    listener : str
    number : int
        ``class`` in JSON.
    probability : float or None
    """

    listener: str
    number: int = msgspec.field(name="class")
    probability: Real


class GroupsPower(ResultBlock, frozen=True, kw_only=True):
    """What a panel of this size finds.

    Attributes
    ----------
    n_listeners, n_trials_each : int
    difference : float or None
        Logits between two halves.
    found : float or None
        Share of simulated panels in which groups are claimed.
    """

    n_listeners: int
    n_trials_each: int
    difference: Real
    found: Real


class GroupsResult(ResultBlock, frozen=True, kw_only=True):
    """Whether there are groups of listeners who want different things.

    Attributes
    ----------
    method : str
    n_trials, n_listeners : int
    stages : tuple of str
    best_by_bic : int
    fits : tuple of GroupFitRow
    test : str
    n_groups : int
        1 where none passed.
    screening_passed, statistic, p_value, level, n_bootstrap, stopped_early
        Of the first comparison.
    least_size : int
        Listeners that a group needs.
    steps : tuple of GroupStepRow
    groups : tuple of GroupRow
        Empty where none passed.
    membership : tuple of GroupMember
        Empty where none passed.
    power : GroupsPower or None
    words : str
    """

    method: str
    n_trials: int
    n_listeners: int
    stages: tuple[str, ...]
    best_by_bic: int
    fits: tuple[GroupFitRow, ...]
    test: str
    n_groups: int
    screening_passed: bool | None
    statistic: Real
    p_value: Real
    level: Real
    n_bootstrap: int
    stopped_early: bool | None
    least_size: int
    steps: tuple[GroupStepRow, ...]
    groups: tuple[GroupRow, ...]
    membership: tuple[GroupMember, ...]
    power: GroupsPower | None
    words: str


class InteractionTest(ResultBlock, frozen=True, kw_only=True):
    """The test that worths are the same in every programme.

    Attributes
    ----------
    test : str
    statistic : float or None
    df : int
    p_value : float or None
    n_permutations, n_trials, n_listeners : int
    """

    test: str
    statistic: Real
    df: int
    p_value: Real
    n_permutations: int
    n_trials: int
    n_listeners: int


class ProgrammeWorthsRow(ResultBlock, frozen=True, kw_only=True):
    """Worths from the choices of one programme.

    Attributes
    ----------
    programme, method : str
    n_trials, n_listeners : int
    log_worth : dict of str to float, or None
        By stage, about their mean; None where the programme does not link its stages.
    """

    programme: str
    method: str
    n_trials: int
    n_listeners: int
    log_worth: dict[str, Real] | None


class LeaveOutRow(ResultBlock, frozen=True, kw_only=True):
    """Worths without one programme.

    Attributes
    ----------
    left_out : str
    n_trials : int
    log_worth : dict of str to float, or None
    best : str or None
    order : tuple of str, or None
        From best to worst.
    """

    left_out: str
    n_trials: int
    log_worth: dict[str, Real] | None
    best: str | None
    order: tuple[str, ...] | None


class ProgrammesResult(ResultBlock, frozen=True, kw_only=True):
    """Whether the preference depends on the programme.

    Attributes
    ----------
    interaction : InteractionTest or None
    by_programme : tuple of ProgrammeWorthsRow
    leave_one_out : tuple of LeaveOutRow
    """

    interaction: InteractionTest | None
    by_programme: tuple[ProgrammeWorthsRow, ...]
    leave_one_out: tuple[LeaveOutRow, ...]


class EqualWorthsTest(ResultBlock, frozen=True, kw_only=True):
    """The test that all stages are liked alike.

    Attributes
    ----------
    test : str
    df : int
    statistic, df_error, p_value : float or None
        Hotelling's T² between listeners.
    likelihood_ratio, p_value_trials : float or None
        Trials taken as independent.
    n_trials, n_listeners : int
    """

    test: str
    df: int
    statistic: Real
    df_error: int | None
    p_value: Real
    likelihood_ratio: Real
    p_value_trials: Real
    n_trials: int
    n_listeners: int
