"""Impairment grading against a known reference, with the reference hidden once more.

ITU-R BS.1116-3: the reference is given openly; of A and B one equals it and the other is the
stage under test, and neither listener nor staff know which. Both get a grade from 5.0
(imperceptible) to 1.0 (very annoying) in steps of 0.1; whichever the listener takes for the
reference gets 5.0. What counts is the difference of the two grades. Words of the scale as in
stored copies of the Recommendation; the rule of the 5.0 from memory.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, ClassVar

from abx.errors import AnswerRefused
from abx.methods.base import Answer, Percept, Turn
from abx.methods.pairs import PairMethod
from abx.methods.scales import Scale, read_numbers
from abx.study.trial import Trial, Unit, treated

if TYPE_CHECKING:
    from abx.study.model import TestPlan
    from abx.text.toml_reader import Reader

__all__ = ["METHOD"]

_TOP = 5.0
_REFERENCE = "ref"
SCALE = Scale(
    1.0,
    _TOP,
    0.1,
    (
        (5.0, 5.0, "Imperceptible"),
        (4.0, 5.0, "Perceptible, but not annoying"),
        (3.0, 4.0, "Slightly annoying"),
        (2.0, 3.0, "Annoying"),
        (1.0, 2.0, "Very annoying"),
    ),
)


class _Grading(PairMethod):
    id: ClassVar[str] = "grading"
    label: ClassVar[str] = "Impairment grading"
    screen: ClassVar[str] = "sliders"
    n_keys: ClassVar[int] = 2
    default_practice: ClassVar[int] = 2
    option_keys: ClassVar[tuple[str, ...]] = ("reference",)
    trial_s: ClassVar[float] = 45.0

    def read_options(self, table: Reader, stage_ids: tuple[str, ...]) -> Mapping[str, object]:
        return {"reference": table.choice("reference", stage_ids)}

    def check_plan(self, plan: TestPlan, table: Reader) -> None:
        reference = plan.options["reference"]
        if "pairs" in table.data:
            raise table.error("pairs", "grading needs no pairs", 'write stages = "all"')
        if reference not in plan.stages:
            raise table.error(
                "reference",
                f"the reference '{reference}' is not among the stages of this test",
                "add it to 'stages'",
            )

    def units(self, plan: TestPlan, programmes: tuple[str, ...]) -> tuple[Unit, ...]:
        """Return one unit for each stage but the reference."""
        reference = str(plan.options["reference"])
        return tuple(Unit((reference, stage)) for stage in plan.stages if stage != reference)

    def control_unit(self, kind: str, stage: str, plan: TestPlan) -> Unit | None:
        reference = str(plan.options["reference"])
        return Unit((reference, reference if kind == "identical" else treated(stage)))

    def arrange(self, unit: Unit, turn: Turn, plan: TestPlan) -> tuple[tuple[str, str], ...]:
        reference, stage = unit.stages
        a, b = (reference, stage) if turn.key == 0 else (stage, reference)
        return ((_REFERENCE, reference), ("a", a), ("b", b))

    def question(self, trial: Trial) -> str:
        return "One of A and B is the reference. How much does the other differ from it?"

    def answers(self, trial: Trial) -> tuple[Answer, ...]:
        return ()

    def version_labels(self, trial: Trial) -> dict[str, str]:
        return {_REFERENCE: "Reference", "a": "A", "b": "B"}

    def screen_fields(self, trial: Trial) -> dict[str, Any]:
        return {
            "scale": SCALE.message(),
            "rate": ["a", "b"],
            "hint": "Give 5.0 to the one you take for the reference.",
        }

    def read_answer(self, trial: Trial, raw: object) -> dict[str, float]:
        grades = read_numbers(raw, ("a", "b"), SCALE)
        if max(grades.values()) < _TOP:
            raise AnswerRefused("Give 5.0 to the one you take for the reference.")
        return grades

    def correct(self, trial: Trial, answer: object) -> bool | None:
        """Tell whether the hidden reference got the higher grade; a draw is not right."""
        if trial.plays("a") == trial.plays("b") or not isinstance(answer, Mapping):
            return None
        hidden, stage = _hidden_first(trial)
        return bool(answer[hidden] > answer[stage])

    def rows(
        self, trial: Trial, answer: Any, listened_s: Mapping[str, float]
    ) -> list[dict[str, object]]:
        """Return one row; ``answer`` is the stage's grade less the hidden reference's."""
        hidden, stage = _hidden_first(trial)
        row: dict[str, object] = {
            "stage_a": trial.plays("a"),
            "stage_b": trial.plays("b"),
            "stage_x": trial.plays(_REFERENCE),
            "answer": round(answer[stage] - answer[hidden], 1),
            "grade": answer[stage],
            "grade_reference": answer[hidden],
        }
        return [row | {f"listened_{name}_s": seconds for name, seconds in listened_s.items()}]

    def simulate(self, trial: Trial, percept: Percept) -> dict[str, float]:
        reference = trial.plays(_REFERENCE)
        apart = {
            name: percept.difference(trial.plays(name), reference, trial.programme)
            for name in ("a", "b")
        }
        worse = percept.guess(("a", "b")) if percept.lapses else max(apart, key=lambda n: apart[n])
        grades = {"a": _TOP, "b": _TOP}
        grades[worse] = round(min(_TOP, max(SCALE.low, 5.4 - 0.5 * apart[worse])), 1)
        return grades


def _hidden_first(trial: Trial) -> tuple[str, str]:
    """Return the version that is the hidden reference, and the one under test."""
    return ("a", "b") if trial.plays("a") == trial.plays(_REFERENCE) else ("b", "a")


METHOD = _Grading()
