"""Paired preference: two versions, which one is better, with or without a tie.

Nothing is right or wrong; the answers scale the stages by a Bradley-Terry model. With
``strength = true`` the answer is a grade on the seven-grade comparison scale of ITU-R BS.1284
(wording from memory), stored as ``a3`` (A much better) over ``tie`` to ``b3`` (B much better).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, ClassVar

from abx.methods.base import Answer, Percept, Turn
from abx.methods.pairs import PairMethod
from abx.study.trial import Trial, Unit, is_treated

if TYPE_CHECKING:
    from abx.study.model import TestPlan
    from abx.text.toml_reader import Reader

__all__ = ["METHOD"]

_GRADES = (
    Answer("a3", "A is much better"),
    Answer("a2", "A is better"),
    Answer("a1", "A is slightly better"),
    Answer("tie", "A and B are the same"),
    Answer("b1", "B is slightly better"),
    Answer("b2", "B is better"),
    Answer("b3", "B is much better"),
)

_TIE_WIDTH = 0.35
"""Simulated listeners call it a tie inside this many just-noticeable steps."""


class _PairedMethod(PairMethod):
    id: ClassVar[str] = "paired"
    label: ClassVar[str] = "Paired preference"
    option_keys: ClassVar[tuple[str, ...]] = ("ties", "strength")
    trial_s: ClassVar[float] = 25.0

    def read_options(self, table: Reader, stage_ids: tuple[str, ...]) -> Mapping[str, object]:
        strength = table.boolean("strength", False)
        ties = table.boolean("ties", strength)
        if strength and not ties:
            raise table.error(
                "ties",
                "the comparison scale of strength has 'the same' in its middle",
                "remove 'ties = false', or remove 'strength = true'",
            )
        return {"ties": ties, "strength": strength}

    def arrange(self, unit: Unit, turn: Turn, plan: TestPlan) -> tuple[tuple[str, str], ...]:
        a, b = unit.stages if turn.orientation == 0 else unit.stages[::-1]
        return (("a", a), ("b", b))

    def question(self, trial: Trial) -> str:
        if trial.options.get("strength"):
            return "How do A and B compare?"
        return "Which version do you prefer?"

    def answers(self, trial: Trial) -> tuple[Answer, ...]:
        if trial.options.get("strength"):
            return _GRADES
        answers = (Answer("a", "I prefer A"), Answer("b", "I prefer B"))
        if trial.options.get("ties"):
            return (*answers, Answer("tie", "No preference"))
        return answers

    def practice_words(self, trial: Trial, answer: Any) -> str:
        """Name the copy without treble, which practice has on one side."""
        dull = [name for name, source in trial.versions if is_treated(source)]
        if len(dull) != 1:
            return ""
        said = "you found no difference" if answer == "tie" else f"you chose {answer[0].upper()}"
        return f"{dull[0].upper()} was a copy with its treble taken away; {said}."

    def rows(
        self, trial: Trial, answer: Any, listened_s: Mapping[str, float]
    ) -> list[dict[str, object]]:
        """Return one row; a graded answer gives its side, and ``strength`` from -3 to 3."""
        [row] = super().rows(trial, answer, listened_s)
        if trial.options.get("strength"):
            row["answer"] = answer if answer == "tie" else answer[0]
            row["strength"] = 0 if answer == "tie" else int(answer[1]) * (1, -1)[answer[0] == "b"]
        return [row]

    def simulate(self, trial: Trial, percept: Percept) -> str:
        allowed = [answer.value for answer in self.answers(trial)]
        if percept.lapses:
            return percept.guess(allowed)
        lead = percept.clarity(trial.plays("a"), trial.programme) + percept.position_bias
        lead -= percept.clarity(trial.plays("b"), trial.programme)
        if "tie" in allowed and abs(lead) < _TIE_WIDTH:
            return "tie"
        side = "a" if lead > 0 else "b"
        if trial.options.get("strength"):
            return f"{side}{min(3, 1 + int(abs(lead) / 2))}"
        return side


METHOD = _PairedMethod()
