"""What a plan can show, asked with a few figures and without a study file.

Each listener is asked about every pair equally often, in balanced places; simulated studies then go
through the tests of the claims, as in ``earwitness plan``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from analysis.planning.claim_design import ClaimDesign, check_count
from analysis.planning.findings import FIRST, Findings, explore
from analysis.planning.supposed import Sizes

__all__ = ["ClaimChance", "ListenersNeeded", "PlanAnswer", "listeners_needed", "plan_answer"]

#: Where the search for a size begins.
_START = 12


@dataclass(frozen=True, slots=True)
class ClaimChance:
    """How likely a claim is supported, if it is true.

    Attributes
    ----------
    claim : str
    alone, together : float
        Share of simulated studies that support it: as the only claim, and adjusted within its
        family.
    alone_error, together_error : float
        Monte Carlo error of these, half the width of a 95 % interval.
    impossible : str or None
        Where no answers of this panel could support it: what it would take.
    """

    claim: str
    alone: float
    alone_error: float
    together: float
    together_error: float
    impossible: str | None


@dataclass(frozen=True, slots=True)
class PlanAnswer:
    """What a plan can show.

    Attributes
    ----------
    claims : tuple of ClaimChance
        In the order of the call.
    every, some : float
        Chance that all claims are supported, and that at least one is.
    every_error, some_error : float
        Monte Carlo error of these.
    n_listeners, n_trials, n_studies : int
        Listeners, trials of each, and simulated studies.
    alpha : float
        Error rate of the family.
    sizes : Sizes
        What was supposed to be true.
    """

    claims: tuple[ClaimChance, ...]
    every: float
    every_error: float
    some: float
    some_error: float
    n_listeners: int
    n_trials: int
    n_studies: int
    alpha: float
    sizes: Sizes


@dataclass(frozen=True, slots=True)
class ListenersNeeded:
    """How many listeners support a claim in four studies of five, if it is true.

    Attributes
    ----------
    claim : str or None
        None for all claims at once.
    listeners : int or None
        The fewest; None where 200 are not enough.
    low, high : int or None
        The same with the Monte Carlo error of the chances taken off and added.
    """

    claim: str | None
    listeners: int | None
    low: int | None
    high: int | None


def plan_answer(
    claims: Sequence[str],
    n_listeners: int,
    n_per_pair: int,
    *,
    method: str = "abx",
    stages: Sequence[str] = (),
    sizes: Sizes | None = None,
    alpha: float = 0.05,
    n_studies: int = FIRST,
    seed: int = 1,
    processes: int | None = None,
) -> PlanAnswer:
    """Return how likely a planned study supports its claims, if they are true.

    Parameters
    ----------
    claims : sequence of str
        What is to be shown, as a family: "listeners prefer I over J", "listeners prefer I most",
        "listeners prefer neither I nor J beyond 55 to 45", "listeners can tell I from J",
        "listeners cannot tell I from J within 20 %".
    n_listeners : int
        Listeners.
    n_per_pair : int
        How often each listener is asked about every pair.
    method : {"abx", "duo-trio", "triangle"}, optional
        How claims about hearing are asked; claims about preference are asked in pairs.
    stages : sequence of str, optional
        Stages that are compared for preference, each with every other; those that claims name when
        not given.
    sizes : Sizes, optional
        How large the differences are and how much listeners differ: 0.7 of choices for the better
        stage, and of right answers, when not given.
    alpha : float, optional
        Error rate of the family, in (0, 1).
    n_studies : int, optional
        Simulated studies; 400 give a chance to 5 percentage points.
    seed : int, optional
    processes : int, optional
        Cores to use, all when not given.

    Returns
    -------
    PlanAnswer
        Chances between 0 and 1.

    Raises
    ------
    InputError
        A claim has no known form or needs a study file, too few listeners, trials or stages, or a
        share that is no better than guessing.

    See Also
    --------
    listeners_needed : the size of a new study.

    Notes
    -----
    Every simulated study goes through :func:`analysis.claims.judge.judge_claims`, adjusted by Holm
    (1979) Scand J Stat 6:65. Listeners differ: P(correct) is beta distributed, log-worths are
    normal.

    Examples
    --------
    >>> from analysis import plan_answer
    >>> answer = plan_answer(
    ...     ["listeners prefer damped over as-built"], 16, 6, n_studies=40, processes=1
    ... )
    >>> answer.n_trials, 0.5 < answer.claims[0].alone <= 1
    (6, True)
    """
    check_count("n_studies", n_studies, 1)
    plan = ClaimDesign(tuple(claims), n_per_pair, method, tuple(stages), sizes or Sizes(), alpha)
    question = plan.question(n_listeners)
    *_, found = explore(
        question, n_studies=n_studies, seed=seed, sizes=False, panels=False, processes=processes
    )
    rows = tuple(_chance_of(found, k, text) for k, text in enumerate(plan.claims))
    return PlanAnswer(
        claims=rows,
        every=found.every.share,
        every_error=found.every.error,
        some=found.some.share,
        some_error=found.some.error,
        n_listeners=n_listeners,
        n_trials=len(plan.asked(0)),
        n_studies=found.tally.n_studies,
        alpha=alpha,
        sizes=plan.sizes,
    )


def listeners_needed(
    claims: Sequence[str],
    n_per_pair: int,
    *,
    method: str = "abx",
    stages: Sequence[str] = (),
    sizes: Sizes | None = None,
    alpha: float = 0.05,
    n_studies: int = FIRST,
    seed: int = 1,
    processes: int | None = None,
) -> tuple[ListenersNeeded, ...]:
    """Return how many listeners a new study needs to support its claims with a chance of 80 %.

    Parameters
    ----------
    claims, n_per_pair, method, stages, sizes, alpha, seed, processes
        As for :func:`plan_answer`.
    n_studies : int, optional
        Simulated studies of the first panel; a quarter of them for every other size that is tried.

    Returns
    -------
    tuple of ListenersNeeded
        One a claim and, where there are several, one for all of them at once.

    Raises
    ------
    InputError
        As :func:`plan_answer`.

    Notes
    -----
    Chances of several sizes are smoothed by isotonic regression and joined by a line of their
    probit over the square root of the size, see :mod:`analysis.planning.size`.

    Examples
    --------
    >>> from analysis import Sizes, listeners_needed
    >>> (need,) = listeners_needed(
    ...     ["listeners can tell damped from as-built"],
    ...     12,
    ...     sizes=Sizes(right=0.8),
    ...     n_studies=40,
    ...     processes=1,
    ... )
    >>> 2 < need.listeners < 16
    True
    """
    check_count("n_studies", n_studies, 4)
    plan = ClaimDesign(tuple(claims), n_per_pair, method, tuple(stages), sizes or Sizes(), alpha)
    question = plan.question(_START)
    *_, found = explore(
        question, n_studies=n_studies, seed=seed, sizes=False, panels=True, processes=processes
    )
    asked: list[tuple[int | None, str | None]] = list(enumerate(plan.claims))
    if len(asked) > 1:
        asked.append((None, None))
    needs = [(text, found.needed(k)) for k, text in asked]
    return tuple(ListenersNeeded(text, n.listeners, n.low, n.high) for text, n in needs)


def _chance_of(found: Findings, k: int, text: str) -> ClaimChance:
    alone, together = found.alone(k), found.together(k)
    return ClaimChance(
        text, alone.share, alone.error, together.share, together.error, found.impossible.get(k)
    )
