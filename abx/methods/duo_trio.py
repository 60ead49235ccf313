"""Duo-trio: a marked reference, and two versions of which one equals it.

ISO 10399 practice, balanced-reference form: each stage is the reference equally often. Chance is
one in two.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from abx.methods.base import Answer, Percept, Turn
from abx.methods.pairs import PairMethod
from abx.study.trial import Trial, Unit

if TYPE_CHECKING:
    from abx.study.model import TestPlan

__all__ = ["METHOD"]


class _DuoTrio(PairMethod):
    id: ClassVar[str] = "duo-trio"
    label: ClassVar[str] = "Duo-trio"
    n_keys: ClassVar[int] = 2
    default_practice: ClassVar[int] = 2
    trial_s: ClassVar[float] = 30.0

    def arrange(self, unit: Unit, turn: Turn, plan: TestPlan) -> tuple[tuple[str, str], ...]:
        a, b = unit.stages if turn.orientation == 0 else unit.stages[::-1]
        return (("x", (a, b)[turn.key]), ("a", a), ("b", b))

    def question(self, trial: Trial) -> str:
        return "Which one is the same as the reference?"

    def answers(self, trial: Trial) -> tuple[Answer, ...]:
        return (Answer("a", "A is the same"), Answer("b", "B is the same"))

    def version_labels(self, trial: Trial) -> dict[str, str]:
        return {"x": "Reference", "a": "A", "b": "B"}

    def correct(self, trial: Trial, answer: object) -> bool | None:
        a, b, reference = (trial.plays(name) for name in "abx")
        if a == b:
            return None
        return answer == ("a" if reference == a else "b")

    def simulate(self, trial: Trial, percept: Percept) -> str:
        if percept.lapses:
            return percept.guess(("a", "b"))
        a, b, reference = (trial.plays(name) for name in "abx")
        to_a = percept.difference(a, reference, trial.programme)
        to_b = percept.difference(b, reference, trial.programme)
        return "a" if to_a < to_b else "b"


METHOD = _DuoTrio()
