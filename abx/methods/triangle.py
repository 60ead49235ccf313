"""Triangle: three versions, two of them equal, and the question which one is different.

ISO 4120 practice: the six arrangements of two stages come up equally often over the panel.
Chance is one in three.
"""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, ClassVar

from abx.methods.base import Answer, Percept, Turn
from abx.methods.pairs import PairMethod
from abx.study.trial import Trial, Unit

if TYPE_CHECKING:
    from abx.study.model import TestPlan

__all__ = ["METHOD"]

_NAMES = ("a", "b", "c")


class _Triangle(PairMethod):
    id: ClassVar[str] = "triangle"
    label: ClassVar[str] = "Triangle"
    n_keys: ClassVar[int] = 3
    default_practice: ClassVar[int] = 2
    trial_s: ClassVar[float] = 35.0

    def arrange(self, unit: Unit, turn: Turn, plan: TestPlan) -> tuple[tuple[str, str], ...]:
        odd, other = unit.stages if turn.orientation == 0 else unit.stages[::-1]
        return tuple(
            (name, odd if place == turn.key else other) for place, name in enumerate(_NAMES)
        )

    def order_of(self, trial: Trial) -> tuple[str, str]:
        """Return the odd stage and the one heard twice: the two ways a pair can be asked."""
        ranked = Counter(source for _, source in trial.versions).most_common()
        return ranked[-1][0], ranked[0][0]

    def question(self, trial: Trial) -> str:
        return "Which one is different from the other two?"

    def answers(self, trial: Trial) -> tuple[Answer, ...]:
        return tuple(Answer(name, f"{name.upper()} is different") for name in _NAMES)

    def correct(self, trial: Trial, answer: object) -> bool | None:
        odd, other = self.order_of(trial)
        if odd == other:
            return None
        return isinstance(answer, str) and trial.plays(answer) == odd

    def simulate(self, trial: Trial, percept: Percept) -> str:
        if percept.lapses:
            return percept.guess(_NAMES)
        a, b, c = (trial.plays(name) for name in _NAMES)
        apart = {
            "a": percept.difference(b, c, trial.programme),
            "b": percept.difference(a, c, trial.programme),
            "c": percept.difference(a, b, trial.programme),
        }
        return min(apart, key=lambda name: apart[name])


METHOD = _Triangle()
