"""Common ground of the methods that compare two stages at a time."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, ClassVar

from abx.methods.base import Method
from abx.study.trial import Trial, Unit

if TYPE_CHECKING:
    from abx.study.model import TestPlan

__all__ = ["PairMethod"]


class PairMethod(Method):
    """A method whose trials are about one pair of stages each."""

    compares_pairs: ClassVar[bool] = True

    def order_of(self, trial: Trial) -> tuple[str, str]:
        """Return what versions A and B play."""
        return trial.plays("a"), trial.plays("b")

    def units(self, plan: TestPlan, programmes: tuple[str, ...]) -> tuple[Unit, ...]:
        """Return one unit a pair; the schedule spreads the programmes."""
        return tuple(Unit(pair) for pair in plan.pairs)

    def rows(
        self, trial: Trial, answer: Any, listened_s: Mapping[str, float]
    ) -> list[dict[str, object]]:
        """Return one row with the stages by presented position."""
        row: dict[str, object] = {f"stage_{name}": source for name, source in trial.versions}
        row["answer"] = answer
        row |= {f"listened_{name}_s": seconds for name, seconds in listened_s.items()}
        return [row]
