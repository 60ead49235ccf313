"""Multi-stimulus rating: all versions of a programme side by side, 0 to 100 each.

With a reference it follows ITU-R BS.1534-3: the reference is given openly and hidden once more
among the versions, together with low-pass anchors at 3.5 and 7 kHz; at most 12 signals; every
signal has to be heard before the answer counts. Without a reference, versions are rated against
the listener's own idea of good sound, and there are no anchors.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, ClassVar

from abx.methods.base import Answer, Method, Percept, Turn
from abx.methods.scales import Scale, read_numbers
from abx.study.trial import LOWPASS, MID_LOWPASS, Trial, Unit, is_treated, treated

if TYPE_CHECKING:
    from abx.study.model import TestPlan
    from abx.text.toml_reader import Reader

__all__ = ["METHOD"]

_LETTERS = "abcdefghijkl"
_MAX_SIGNALS = 12  # BS.1534-3, the hidden reference and both anchors included
_REFERENCE = "ref"
SCALE = Scale(
    0.0,
    100.0,
    1.0,
    (
        (80.0, 100.0, "Excellent"),
        (60.0, 80.0, "Good"),
        (40.0, 60.0, "Fair"),
        (20.0, 40.0, "Poor"),
        (0.0, 20.0, "Bad"),
    ),
)


class _Rating(Method):
    id: ClassVar[str] = "rating"
    label: ClassVar[str] = "Multi-stimulus rating"
    screen: ClassVar[str] = "sliders"
    option_keys: ClassVar[tuple[str, ...]] = ("reference", "anchors")
    trial_s: ClassVar[float] = 100.0

    def read_options(self, table: Reader, stage_ids: tuple[str, ...]) -> Mapping[str, object]:
        reference = None
        if "reference" in table.data:
            reference = table.choice("reference", stage_ids)
        return {"reference": reference, "anchors": table.boolean("anchors", reference is not None)}

    def check_plan(self, plan: TestPlan, table: Reader) -> None:
        reference, anchors = plan.options["reference"], plan.options["anchors"]
        if "pairs" in table.data:
            raise table.error("pairs", "ratings present a whole set", 'write stages = "all"')
        if plan.identical or plan.obvious:
            raise table.error(
                "controls",
                "ratings have no control trials",
                "remove it; hidden reference and anchors do their work",
            )
        if anchors and reference is None:
            raise table.error(
                "anchors", "anchors are copies of a reference", "add reference = ... or remove it"
            )
        if reference is not None and reference not in plan.stages:
            raise table.error(
                "reference",
                f"the reference '{reference}' is not among the stages of this test",
                "add it to 'stages'; it is hidden among them once",
            )
        signals = len(plan.stages) + (2 if anchors else 0)
        if signals > _MAX_SIGNALS:
            raise table.error(
                "stages",
                f"{signals} signals in one trial",
                f"present at most {_MAX_SIGNALS}, hidden reference and anchors included",
            )

    def units(self, plan: TestPlan, programmes: tuple[str, ...]) -> tuple[Unit, ...]:
        """Return one unit a programme, with all stages and anchors."""
        sources = plan.stages
        reference = plan.options["reference"]
        if plan.options["anchors"]:
            low, mid = (treated(str(reference), name) for name in (LOWPASS, MID_LOWPASS))
            sources = (*sources, low, mid)
        return tuple(Unit(sources, programme) for programme in programmes)

    def control_unit(self, kind: str, stage: str, plan: TestPlan) -> Unit | None:
        return None

    def arrange(self, unit: Unit, turn: Turn, plan: TestPlan) -> tuple[tuple[str, str], ...]:
        versions = tuple(
            (_LETTERS[place], unit.stages[index]) for place, index in enumerate(turn.order)
        )
        reference = plan.options["reference"]
        return versions if reference is None else ((_REFERENCE, str(reference)), *versions)

    def question(self, trial: Trial) -> str:
        if _REFERENCE in trial.version_names:
            return "How good is each version, compared with the reference?"
        return "How good does each version sound?"

    def answers(self, trial: Trial) -> tuple[Answer, ...]:
        return ()

    def version_labels(self, trial: Trial) -> dict[str, str]:
        return {
            name: "Reference" if name == _REFERENCE else name.upper()
            for name in trial.version_names
        }

    def screen_fields(self, trial: Trial) -> dict[str, Any]:
        return {"scale": SCALE.message(), "rate": list(_rated(trial))}

    def read_answer(self, trial: Trial, raw: object) -> dict[str, float]:
        return read_numbers(raw, _rated(trial), SCALE)

    def practice_words(self, trial: Trial, answer: Any) -> str:
        """Name the hidden reference and the low anchor, and what they got."""
        roles = {self._role(trial, name): name for name in _rated(trial)}
        said = []
        for role, words in (
            ("hidden-reference", "{} was the reference itself"),
            ("low-anchor", "{} was a copy with its treble taken away"),
        ):
            if role in roles:
                name = roles[role]
                said.append(f"{words.format(name.upper())}; you gave it {answer[name]:.0f}.")
        return " ".join(said)

    def rows(
        self, trial: Trial, answer: Any, listened_s: Mapping[str, float]
    ) -> list[dict[str, object]]:
        """Return one row a stimulus.

        ``stage_a`` of hidden reference and anchors names their role, because they stand for no
        stage of the comparison; ``played`` tells what it was.
        """
        return [
            {
                "stage_a": self._role(trial, name) or trial.plays(name),
                "answer": answer[name],
                "played": trial.plays(name),
                "position": name,
                "listened_a_s": listened_s.get(name),
            }
            for name in _rated(trial)
        ]

    def _role(self, trial: Trial, name: str) -> str:
        source = trial.plays(name)
        if is_treated(source):
            return "low-anchor" if source.startswith(LOWPASS) else "mid-anchor"
        return "hidden-reference" if source == trial.options.get("reference") else ""

    def simulate(self, trial: Trial, percept: Percept) -> dict[str, float]:
        reference = trial.options.get("reference")
        answer = {}
        for name in _rated(trial):
            source = trial.plays(name)
            if reference is None:
                value = 75.0 + 9.0 * percept.clarity(source, trial.programme)
            else:
                apart = percept.difference(source, str(reference), trial.programme)
                value = 104.0 - 9.0 * apart
            answer[name] = float(round(min(100.0, max(0.0, value))))
        return answer


def _rated(trial: Trial) -> tuple[str, ...]:
    return tuple(name for name in trial.version_names if name != _REFERENCE)


METHOD = _Rating()
