"""Same-different: two versions, and the question whether they are the same or different.

Half of the trials are different pairs in either order, half are one of the two stages twice.
The answers depend on where a listener draws the line, so the analysis needs both kinds.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any, ClassVar

from abx.methods.base import Answer, Percept, Turn
from abx.methods.pairs import PairMethod
from abx.study.trial import Trial, Unit

if TYPE_CHECKING:
    from abx.study.model import TestPlan

__all__ = ["METHOD"]

_DIFFERENT, _SAME = 0, 1
_CRITERION = 2.4
"""Simulated listeners call versions different above this many just-noticeable steps."""


class _SameDifferent(PairMethod):
    id: ClassVar[str] = "same-different"
    label: ClassVar[str] = "Same or different"
    n_keys: ClassVar[int] = 2
    default_practice: ClassVar[int] = 2
    trial_s: ClassVar[float] = 20.0

    def arrange(self, unit: Unit, turn: Turn, plan: TestPlan) -> tuple[tuple[str, str], ...]:
        first, second = unit.stages if turn.orientation == 0 else unit.stages[::-1]
        return (("a", first), ("b", first if turn.key == _SAME else second))

    def control_turn(self, kind: str, turn: Turn) -> Turn:
        """Make an obvious control a different pair, or nothing about it is obvious."""
        return replace(turn, key=_DIFFERENT) if kind == "obvious" else turn

    def order_of(self, trial: Trial) -> tuple[str, str]:
        """Return the pair with the stage that was heard first in front."""
        first = trial.plays("a")
        others = [stage for stage in trial.about if stage != first]
        return first, others[0] if others else first

    def question(self, trial: Trial) -> str:
        return "Are A and B the same or different?"

    def answers(self, trial: Trial) -> tuple[Answer, ...]:
        return (Answer("same", "The same"), Answer("different", "Different"))

    def correct(self, trial: Trial, answer: object) -> bool | None:
        return (answer == "same") == (trial.plays("a") == trial.plays("b"))

    def rows(
        self, trial: Trial, answer: Any, listened_s: Mapping[str, float]
    ) -> list[dict[str, object]]:
        """Return one row; ``stage_x`` names the pair's other stage where both are the same."""
        [row] = super().rows(trial, answer, listened_s)
        first, other = self.order_of(trial)
        if trial.plays("a") == trial.plays("b") and other != first:
            row["stage_x"] = other
        return [row]

    def simulate(self, trial: Trial, percept: Percept) -> str:
        if percept.lapses:
            return percept.guess(("same", "different"))
        apart = percept.difference(trial.plays("a"), trial.plays("b"), trial.programme)
        return "different" if apart > _CRITERION else "same"


METHOD = _SameDifferent()
