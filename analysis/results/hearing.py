"""Could they hear it: counts and tests of forced choices."""

from __future__ import annotations

from analysis.results.base import UNSET, Pair, Real, ResultBlock, UnsetType

__all__ = ["GrowingPanel", "HearingRow", "HearingTest", "ListenerSpread", "RightAnswersModel"]


class ListenerSpread(ResultBlock, frozen=True, kw_only=True):
    """How much listeners differ in their shares of right answers.

    Attributes
    ----------
    model : str
    mean, correlation, sd : float or None
        Of the beta-binomial model.
    p_value : float or None
        Against listeners who are all alike.
    """

    model: str
    mean: Real
    correlation: Real
    sd: Real
    p_value: Real


class HearingTest(ResultBlock, frozen=True, kw_only=True):
    """The test between listeners of one pair.

    Attributes
    ----------
    test : str
    places : str or None
        Whether every possible answer was right equally often: ``balanced``, ``allowed for``,
        ``confounded``; None where the counts do not tell.
    rests_on : str
        ``listeners`` or ``trials``, whichever error is larger.
    n_trials, n_listeners : int
    estimate, se : float or None
        Mean over listeners of their shares right.
    statistic, df, p_value : float or None
        One-sided t.
    ci_low, ci_high : float or None
    d_prime, d_prime_low, d_prime_high : float or None
        By the model of the method.
    design_effect : float or None
        Variance between listeners over that of independent trials.
    overdispersion : ListenerSpread or None
    """

    test: str
    places: str | None
    rests_on: str
    n_trials: int
    n_listeners: int
    estimate: Real
    se: Real
    statistic: Real
    df: Real
    p_value: Real
    ci_low: Real
    ci_high: Real
    d_prime: Real
    d_prime_low: Real
    d_prime_high: Real
    design_effect: Real
    overdispersion: ListenerSpread | None


class HearingRow(ResultBlock, frozen=True, kw_only=True):
    """Forced choices of one method and pair: of the panel, of a listener, or on a programme.

    Attributes
    ----------
    pair : (str, str)
    method : str
    listener, programme : str or None
        Both None: the whole panel.
    n_listeners, n_trials, n_correct : int
    proportion : float or None
    p_value, p_mid : float or None
        Exact one-sided binomial, and its mid-p.
    ci_low, ci_high : float or None
        Clopper-Pearson 95 % interval.
    discriminators, discriminators_low, discriminators_high : float or None
    d_prime, d_prime_low, d_prime_high : float or None
        By the model of the method, with its likelihood interval.
    d_prime_independent, d_prime_independent_low, d_prime_independent_high : float or None
        By independent observation; left out for methods without it.
    n_same_pairs : int
        Same-different only.
    criterion_tau, p_value_free_of_bias : float or None
        Same-different only: criterion, and Fisher's exact p.
    n_critical : int or None
        Fewest right answers that guessing reaches with probability at most alpha.
    panel : HearingTest or None
        Rows of the panel: the test between listeners.
    p_holm, p_bh : float or None
        Adjusted within the family of rows of the same kind.
    family_size : int
    """

    pair: Pair
    method: str
    listener: str | None
    programme: str | None
    n_listeners: int
    n_trials: int
    n_correct: int
    proportion: Real
    p_value: Real
    p_mid: Real
    ci_low: Real
    ci_high: Real
    discriminators: Real
    discriminators_low: Real
    discriminators_high: Real
    d_prime: Real
    d_prime_low: Real
    d_prime_high: Real
    d_prime_independent: Real | UnsetType = UNSET
    d_prime_independent_low: Real | UnsetType = UNSET
    d_prime_independent_high: Real | UnsetType = UNSET
    n_same_pairs: int | UnsetType = UNSET
    criterion_tau: Real | UnsetType = UNSET
    p_value_free_of_bias: Real | UnsetType = UNSET
    n_critical: int | None
    panel: HearingTest | None = None
    p_holm: Real
    p_bh: Real
    family_size: int


class RightAnswersModel(ResultBlock, frozen=True, kw_only=True):
    """A mixed model of right answers: how listeners and pairs differ.

    Attributes
    ----------
    method, model : str
    n_trials, n_listeners, n_pairs : int
    log_odds, se : float or None
        Of a right answer.
    proportion, chance : float or None
        The same as a share, and the share of guessing.
    sd_listener, sd_pair : float or None
        On the logit scale; None with one pair.
    log_likelihood, log_likelihood_alike : float or None
        The second without differences.
    converged : bool
    """

    method: str
    model: str
    n_trials: int
    n_listeners: int
    n_pairs: int
    log_odds: Real
    se: Real
    proportion: Real
    chance: Real
    sd_listener: Real
    sd_pair: Real
    log_likelihood: Real
    log_likelihood_alike: Real
    converged: bool


class GrowingPanel(ResultBlock, frozen=True, kw_only=True):
    """A statement about one pair that holds however often one looks.

    Attributes
    ----------
    pair : (str, str)
    method, test : str
    n_trials, n_listeners : int
    estimate : float or None
        Mean over listeners of their shares right, or of their choices of the first.
    ci_low, ci_high, e_value, p_value : float or None
        Valid under any number of looks.
    chance : float or None
    """

    pair: Pair
    method: str
    test: str
    n_trials: int
    n_listeners: int
    estimate: Real
    ci_low: Real
    ci_high: Real
    e_value: Real
    p_value: Real
    chance: Real
