"""ABX: two known versions and an unknown one that equals one of them.

Chance is one in two. The differencing model of d' is given in the analysis.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from abx.methods.base import Answer, Percept, Turn
from abx.methods.pairs import PairMethod
from abx.study.trial import Trial, Unit

if TYPE_CHECKING:
    from abx.study.model import TestPlan

__all__ = ["METHOD"]


class _Abx(PairMethod):
    id: ClassVar[str] = "abx"
    label: ClassVar[str] = "ABX"
    n_keys: ClassVar[int] = 2
    default_practice: ClassVar[int] = 2
    trial_s: ClassVar[float] = 30.0

    def arrange(self, unit: Unit, turn: Turn, plan: TestPlan) -> tuple[tuple[str, str], ...]:
        a, b = unit.stages if turn.orientation == 0 else unit.stages[::-1]
        return (("a", a), ("b", b), ("x", (a, b)[turn.key]))

    def question(self, trial: Trial) -> str:
        return "Is X the same as A or the same as B?"

    def answers(self, trial: Trial) -> tuple[Answer, ...]:
        return (Answer("a", "X is A"), Answer("b", "X is B"))

    def correct(self, trial: Trial, answer: object) -> bool | None:
        a, b, x = (trial.plays(name) for name in "abx")
        if a == b:
            return None
        return answer == ("a" if x == a else "b")

    def simulate(self, trial: Trial, percept: Percept) -> str:
        if percept.lapses:
            return percept.guess(("a", "b"))
        a, b, x = (trial.plays(name) for name in "abx")
        to_a = percept.difference(a, x, trial.programme)
        to_b = percept.difference(b, x, trial.programme)
        return "a" if to_a < to_b else "b"


METHOD = _Abx()
