"""Paired preference: two versions, which one is better, with or without a tie.

Nothing is right or wrong; the answers scale the stages by a Bradley-Terry model.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, ClassVar

from abx.methods.base import Answer, Percept, Turn
from abx.methods.pairs import PairMethod
from abx.trial import Trial, Unit

if TYPE_CHECKING:
    from abx.study import TestPlan
    from abx.study_file import Reader

__all__ = ["METHOD"]

_TIE_WIDTH = 0.35
"""Simulated listeners call it a tie inside this many just-noticeable steps."""


class _Paired(PairMethod):
    id: ClassVar[str] = "paired"
    label: ClassVar[str] = "Paired preference"
    option_keys: ClassVar[tuple[str, ...]] = ("ties",)
    trial_s: ClassVar[float] = 25.0

    def read_options(self, table: Reader, stage_ids: tuple[str, ...]) -> Mapping[str, object]:
        return {"ties": table.boolean("ties", False)}

    def arrange(self, unit: Unit, turn: Turn, plan: TestPlan) -> tuple[tuple[str, str], ...]:
        a, b = unit.stages if turn.orientation == 0 else unit.stages[::-1]
        return (("a", a), ("b", b))

    def question(self, trial: Trial) -> str:
        return "Which version do you prefer?"

    def answers(self, trial: Trial) -> tuple[Answer, ...]:
        answers = (Answer("a", "I prefer A"), Answer("b", "I prefer B"))
        if trial.options.get("ties"):
            return (*answers, Answer("tie", "No preference"))
        return answers

    def simulate(self, trial: Trial, percept: Percept) -> str:
        allowed = [answer.value for answer in self.answers(trial)]
        if percept.lapses:
            return percept.guess(allowed)
        lead = percept.clarity(trial.plays("a"), trial.programme) + percept.position_bias
        lead -= percept.clarity(trial.plays("b"), trial.programme)
        if "tie" in allowed and abs(lead) < _TIE_WIDTH:
            return "tie"
        return "a" if lead > 0 else "b"


METHOD = _Paired()
