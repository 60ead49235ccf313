"""A study made of nothing but claims: who is asked what, so that each of them can be judged."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache, cached_property
from itertools import combinations
from typing import Any

import pandas as pd

from analysis.claims.finding import Claim
from analysis.claims.grammar import parse_claim
from analysis.hearing.dprime import CHANCE
from analysis.planning.families import Family
from analysis.planning.findings import PlanQuestion
from analysis.planning.simulated_panel import Panel, StudyTemplate
from analysis.planning.size import LARGEST
from analysis.planning.supposed import Sizes
from analysis.tables.trials import trial_table
from stimuli.files.errors import InputError

__all__ = ["ClaimDesign", "check_count"]

_PAIRED = ("prefer", "neither", "most", "most of")
_HEARD = ("hear", "similar")
_METHODS = ("abx", "duo-trio", "triangle")
#: Obvious controls of each listener, without which nobody can show that nothing is heard.
_CONTROLS = 4


def check_count(name: str, count: int, least: int) -> None:
    """Refuse a number that is too small.

    Raises
    ------
    InputError
        If it is smaller than ``least``.
    """
    if count < least:
        raise InputError(
            where=name,
            problem=f"{count!r} is fewer than {least}",
            remedy=f"Write a whole number from {least}",
        )


@dataclass(frozen=True)
class ClaimDesign:
    """Claims, and how listeners are asked about them.

    Attributes
    ----------
    claims, n_per_pair, method, stages, sizes, alpha
        As for :func:`analysis.planning.claim_plan.plan_answer`.
    """

    claims: tuple[str, ...]
    n_per_pair: int
    method: str
    stages: tuple[str, ...]
    sizes: Sizes
    alpha: float

    def question(self, n_listeners: int) -> PlanQuestion:
        """Return the question that simulated studies answer.

        Raises
        ------
        InputError
            The claims, counts or sizes cannot be simulated.
        """
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

    @cached_property
    def parsed(self) -> list[Claim]:
        """The claims and their parts."""
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
        """Refuse what cannot be simulated."""
        check_count("n_listeners", n_listeners, 2)
        check_count("n_per_pair", self.n_per_pair, 1)
        if n_listeners > LARGEST:
            raise InputError(
                where="n_listeners",
                problem=f"{n_listeners} are more than the {LARGEST} that are simulated",
                remedy=f"Plan for {LARGEST} or fewer",
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
        self._check_claims()
        self._check_sizes()

    def _check_claims(self) -> None:
        if not self.claims:
            raise InputError(
                where="claims", problem="nothing is claimed", remedy="Give at least one claim"
            )
        for number, claim in enumerate(self.parsed, start=1):
            if claim.kind not in (*_PAIRED, *_HEARD) or claim.who is not None:
                raise InputError(
                    where=f"claim {number}",
                    problem=f"{claim.text!r} needs groups, names, prices or measured figures",
                    remedy="Plan it with a study file and 'earwitness plan'",
                )
        if len(self._compared()) == 1:
            raise InputError(
                where="stages",
                problem=f"{self._compared()[0]!r} is compared with nothing",
                remedy="Name all stages that are compared, such as stages=['i', 'j', 'k']",
            )

    def _check_sizes(self) -> None:
        for name, guess in self._guessing().items():
            size = self.sizes.share if name == "share" else self.sizes.heard
            if size <= guess:
                raise InputError(
                    where=f"sizes, {name}",
                    problem=f"{size:g} is no better than guessing",
                    remedy=f"Suppose a share above {guess:.2f}",
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
