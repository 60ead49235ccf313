"""What every method has to say about itself."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar, Protocol

from abx.errors import AnswerRefused
from abx.study.trial import Trial, Unit, treated

if TYPE_CHECKING:
    from abx.study.model import TestPlan
    from abx.text.toml_reader import Reader

__all__ = ["Answer", "Method", "Percept", "Turn"]


@dataclass(frozen=True, slots=True)
class Answer:
    """One answer a listener can give: the value stored and the words shown."""

    value: str
    label: str


@dataclass(frozen=True, slots=True)
class Turn:
    """How one trial is turned, decided by the schedule.

    Attributes
    ----------
    orientation : int
        0 or 1; balanced for each pair over trials and panel.
    key : int
        0 to ``n_keys - 1``; decides which answer is right. A fair die within a listener,
        rotated between listeners, so that guessing stays guessing and the panel is balanced.
    order : tuple of int
        A permutation of the unit's stages, for methods that present a set.
    """

    orientation: int
    key: int
    order: tuple[int, ...]


class Percept(Protocol):
    """What a simulated listener perceives; implemented in :mod:`abx.session.simulate`."""

    def clarity(self, source: str, programme: str) -> float:
        """Return a noisy inner judgement of quality, in just-noticeable steps."""
        ...

    def difference(self, one: str, other: str, programme: str) -> float:
        """Return a noisy inner impression of how different two versions are."""
        ...

    def guess(self, answers: Sequence[str]) -> str:
        """Return one of the answers at random."""
        ...

    @property
    def lapses(self) -> bool:
        """Tell whether attention lapsed in this trial."""
        ...

    @property
    def position_bias(self) -> float:
        """Return the listener's liking for whatever is presented first."""
        ...


class Method(ABC):
    """A way of asking: question, screen, schedule rule, scoring, table row, documentation.

    The docstring of a method's module is its entry in the documentation. A method whose answers
    are of a kind the analysis knows names that kind as ``method`` in its :meth:`rows`.

    Attributes
    ----------
    id, label : str
        Id used in study files and tables; the name shown to people.
    screen : str
        Screen the player shows: ``"choice"`` (one of a few answers) or ``"sliders"`` (a number
        for each of some versions, on the scale that :meth:`screen_fields` describes).
    n_keys : int
        How many equally likely right answers there are; 1 where none is right.
    default_practice : int
        Practice trials when the study file names no number.
    option_keys : tuple of str
        Keys of the study file that only this method knows.
    trial_s : float
        Typical duration of a trial in seconds, for the fatigue limit (common practice, no
        source).
    compares_pairs : bool
        Whether each trial is about two stages whose order is balanced.
    """

    id: ClassVar[str]
    label: ClassVar[str]
    screen: ClassVar[str] = "choice"
    n_keys: ClassVar[int] = 1
    default_practice: ClassVar[int] = 1
    option_keys: ClassVar[tuple[str, ...]] = ()
    trial_s: ClassVar[float] = 30.0
    compares_pairs: ClassVar[bool] = False

    # Documentation ------------------------------------------------------------------------

    def facts(self) -> list[str]:
        """Return what the documentation lists beside the words of the module."""
        found = [f'method = "{self.id}"']
        if self.n_keys > 1:
            found.append(f"guessing is right 1 time in {self.n_keys}")
        else:
            found.append("no answer is right or wrong")
        found.append(f"{self.default_practice} for practice unless the study file says otherwise")
        found.append(f"taken as {self.trial_s:.0f} s each")
        if self.option_keys:
            found.append(f"keys of its own: {', '.join(self.option_keys)}")
        return found

    # Study file ---------------------------------------------------------------------------

    def read_options(self, table: Reader, stage_ids: tuple[str, ...]) -> Mapping[str, object]:
        """Read this method's own keys from its ``[[tests]]`` table."""
        return {}

    def check_plan(self, plan: TestPlan, table: Reader) -> None:
        """Raise ``InputError`` through ``table.error`` where plan and method do not fit."""
        return

    # Schedule -----------------------------------------------------------------------------

    @abstractmethod
    def units(self, plan: TestPlan, programmes: tuple[str, ...]) -> tuple[Unit, ...]:
        """Return what one listener is asked about, each ``plan.trials`` times."""

    @abstractmethod
    def arrange(self, unit: Unit, turn: Turn, plan: TestPlan) -> tuple[tuple[str, str], ...]:
        """Return version names and what each plays, in presented order."""

    def control_unit(self, kind: str, stage: str, plan: TestPlan) -> Unit | None:
        """Return the unit of a control trial, or ``None`` where it makes no sense."""
        other = stage if kind == "identical" else treated(stage)
        return Unit((stage, other))

    def control_turn(self, kind: str, turn: Turn) -> Turn:
        """Return the turn of a control trial; a method may fix what must not be drawn."""
        return turn

    def order_of(self, trial: Trial) -> tuple[str, str]:
        """Return the two things compared in presented order (pair methods only).

        Raises
        ------
        TypeError
            If the method does not compare pairs.
        """
        raise TypeError(f"{self.id} does not compare pairs")

    # Screen -------------------------------------------------------------------------------

    @abstractmethod
    def question(self, trial: Trial) -> str:
        """Return the question in one sentence."""

    @abstractmethod
    def answers(self, trial: Trial) -> tuple[Answer, ...]:
        """Return the possible answers (empty where numbers are given)."""

    def version_labels(self, trial: Trial) -> dict[str, str]:
        """Return the words on the version buttons."""
        return {name: name.upper() for name in trial.version_names}

    def must_hear(self, trial: Trial) -> tuple[str, ...]:
        """Return the versions that have to be heard before an answer counts."""
        return trial.version_names

    def screen_fields(self, trial: Trial) -> dict[str, Any]:
        """Return further fields of the trial message, for instance a scale."""
        return {}

    # Answer -------------------------------------------------------------------------------

    def read_answer(self, trial: Trial, raw: object) -> str | dict[str, float]:
        """Check an answer as it came in and return it in stored form.

        Raises
        ------
        AnswerRefused
            If the answer is not one of the possible ones.
        """
        allowed = [answer.value for answer in self.answers(trial)]
        if not isinstance(raw, str) or raw not in allowed:
            raise AnswerRefused(f"The answer has to be one of: {', '.join(allowed)}.")
        return raw

    def correct(self, trial: Trial, answer: object) -> bool | None:
        """Tell whether the answer is right; ``None`` where nothing is right or wrong."""
        return None

    def practice_words(self, trial: Trial, answer: Any) -> str:
        """Say after a practice trial what there was to hear, where nothing is right or wrong."""
        return ""

    @abstractmethod
    def rows(
        self, trial: Trial, answer: Any, listened_s: Mapping[str, float]
    ) -> list[dict[str, object]]:
        """Return the method's columns of the trial table: one row, or one a stimulus."""

    # Rehearsal ----------------------------------------------------------------------------

    @abstractmethod
    def simulate(self, trial: Trial, percept: Percept) -> str | dict[str, float]:
        """Answer as a simulated listener would."""
