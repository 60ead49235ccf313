"""What a plan can show, asked with a few figures and without a study file.

Each listener is asked about every pair equally often, in balanced places; simulated studies then go
through the tests of the claims, as in ``earwitness plan``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from itertools import combinations
from typing import Any

import pandas as pd

from analysis.claims.finding import Claim
from analysis.claims.grammar import parse_claim
from analysis.hearing.dprime import CHANCE
from analysis.planning.families import Family
from analysis.planning.findings import FIRST, Findings, PlanQuestion, explore
from analysis.planning.simulated_panel import Panel, StudyTemplate
from analysis.planning.size import LARGEST
from analysis.planning.supposed import Sizes
from analysis.tables.trials import trial_table
from stimuli.files.errors import InputError

__all__ = ["ClaimChance", "ListenersNeeded", "PlanAnswer", "listeners_needed", "plan_answer"]

_PAIRED = ("prefer", "neither", "most", "most of")
_HEARD = ("hear", "similar")
_METHODS = ("abx", "duo-trio", "triangle")
#: Obvious controls of each listener, without which nobody can show that nothing is heard.
_CONTROLS = 4
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
        "listeners prefer neither I nor J beyond 55 to 45", "listeners hear I from J", "listeners
        do not hear I from J within 20 %".
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
    _check_counts(n_studies=(n_studies, 1))
    plan = _Plan(tuple(claims), n_per_pair, method, tuple(stages), sizes or Sizes(), alpha)
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
    ...     ["listeners hear damped from as-built"],
    ...     12,
    ...     sizes=Sizes(right=0.8),
    ...     n_studies=40,
    ...     processes=1,
    ... )
    >>> 2 < need.listeners < 16
    True
    """
    _check_counts(n_studies=(n_studies, 4))
    plan = _Plan(tuple(claims), n_per_pair, method, tuple(stages), sizes or Sizes(), alpha)
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


def _check_counts(**counts: tuple[int, int]) -> None:
    for name, (count, least) in counts.items():
        if count < least:
            raise InputError(
                where=name,
                problem=f"{count!r} is fewer than {least}",
                remedy=f"Write a whole number from {least}",
            )


@dataclass(frozen=True, slots=True)
class _Plan:
    """Claims and how listeners are asked about them; see :func:`plan_answer`."""

    claims: tuple[str, ...]
    n_per_pair: int
    method: str
    stages: tuple[str, ...]
    sizes: Sizes
    alpha: float

    def question(self, n_listeners: int) -> PlanQuestion:
        """Return the question that simulated studies answer."""
        self._check(n_listeners)

        @cache
        def panel_of(n: int) -> Panel:
            rows = [row for k in range(n) for row in self.asked(k)]
            return StudyTemplate.of(trial_table(pd.DataFrame(rows))).panel()

        return PlanQuestion(
            Family(self.claims, self.alpha),
            self.sizes,
            n_listeners,
            panel_of,
            guessing=max(self._guessing().values()),
        )

    @property
    def parsed(self) -> list[Claim]:
        return [parse_claim(text, where=f"claim {k}") for k, text in enumerate(self.claims, 1)]

    def asked(self, k: int) -> list[dict[str, Any]]:
        """Return the trials of a listener, with placeholders for answers."""
        compared, heard = self._compared(), self._heard()
        rows = [
            {"method": "paired"} | _placed(pair, k + turn + place)
            for turn in range(self.n_per_pair)
            for place, pair in enumerate(combinations(compared, 2))
        ]
        rows += [
            {"method": self.method} | _posed(self.method, pair, k + turn)
            for turn in range(self.n_per_pair)
            for pair in heard
        ]
        if any(claim.kind == "similar" for claim in self.parsed):
            rows += [
                {"method": self.method, "control": "obvious"} | _posed(self.method, heard[0], turn)
                for turn in range(_CONTROLS)
            ]
        who = {"listener": f"P{k + 1:03d}", "session": "1", "answer": "a", "simulated": 1}
        return [who | {"trial": number} | row for number, row in enumerate(rows, start=1)]

    def _compared(self) -> list[str]:
        voted = [claim for claim in self.parsed if claim.kind in _PAIRED]
        if not voted:
            return []
        return sorted({*self.stages, *(name for claim in voted for name in claim.stages)})

    def _heard(self) -> list[tuple[str, str]]:
        pairs = [sorted(claim.stages) for claim in self.parsed if claim.kind in _HEARD]
        return list(dict.fromkeys((first, second) for first, second in pairs))

    def _guessing(self) -> dict[str, float]:
        """Return the share that no difference would give, by the size it is compared with."""
        found = {"share": 0.5} if self._compared() else {}
        return found | ({"right": CHANCE[self.method]} if self._heard() else {})

    def _check(self, n_listeners: int) -> None:
        _check_counts(n_listeners=(n_listeners, 2), n_per_pair=(self.n_per_pair, 1))
        if n_listeners > LARGEST:
            raise InputError(
                where="n_listeners",
                problem=f"{n_listeners} are more than the {LARGEST} that are simulated",
                remedy=f"Plan for {LARGEST} or fewer",
            )
        if not self.claims or isinstance(self.claims, str):
            raise InputError(
                where="claims", problem="nothing is claimed", remedy="Give at least one claim"
            )
        if not 0 < self.alpha < 1:
            raise InputError(
                where="alpha",
                problem=f"{self.alpha!r} is not between 0 and 1",
                remedy="Write 0.05 or so",
            )
        if self.method not in _METHODS:
            raise InputError(
                where="method",
                problem=f"{self.method!r} does not ask about hearing here",
                remedy=f"Use one of: {', '.join(_METHODS)}; preference is asked in pairs anyway",
            )
        for number, claim in enumerate(self.parsed, start=1):
            if claim.kind not in (*_PAIRED, *_HEARD) or claim.who is not None:
                raise InputError(
                    where=f"claim {number}",
                    problem=f"{claim.text!r} needs groups, names, prices or measured figures",
                    remedy="Plan it with a study file and 'earwitness plan'",
                )
        self._check_stages()
        for name, guess in self._guessing().items():
            size = self.sizes.share if name == "share" else self.sizes.heard
            if size <= guess:
                raise InputError(
                    where=f"sizes, {name}",
                    problem=f"{size:g} is no better than guessing",
                    remedy=f"Suppose a share above {guess:.2f}",
                )

    def _check_stages(self) -> None:
        if len(self._compared()) == 1:
            raise InputError(
                where="stages",
                problem=f"{self._compared()[0]!r} is compared with nothing",
                remedy="Name all stages that are compared, such as stages=['i', 'j', 'k']",
            )


def _placed(pair: tuple[str, str], turn: int) -> dict[str, str]:
    """Return a pair in the places of a turn."""
    first, second = pair if turn % 2 == 0 else pair[::-1]
    return {"stage_a": first, "stage_b": second}


def _posed(method: str, pair: tuple[str, str], turn: int) -> dict[str, str]:
    """Return the stages of one question about hearing, balanced over turns."""
    if method == "triangle":
        other, odd = pair if turn % 2 == 0 else pair[::-1]
        places = [other] * 3
        places[turn % 3] = odd
        return dict(zip(("stage_a", "stage_b", "stage_c"), places, strict=True))
    return _placed(pair, turn) | {"stage_x": pair[turn // 2 % 2]}
