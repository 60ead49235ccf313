"""The study file: what is compared, how it is asked, and what is claimed beforehand.

:func:`read_study` reads ``study.toml`` into a frozen :class:`Study`. Everything is checked
before anything is used: unknown keys are errors, ids are resolved, files must exist and lie
inside the study folder. Every error names file, line, field, value and remedy.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING

from stimuli.response.target import built_in_target, piecewise_target, read_target

if TYPE_CHECKING:
    from stimuli.response.target import Target

__all__ = [
    "MAX_STUDY_BYTES",
    "Groups",
    "Plan",
    "Prices",
    "Programme",
    "Rendering",
    "Stage",
    "Study",
    "TargetSource",
    "TestPlan",
    "target_curve",
]

MAX_STUDY_BYTES = 1_000_000
"""Study files above this size are refused before parsing."""

_EMPTY: Mapping[str, str] = MappingProxyType({})


@dataclass(frozen=True, slots=True)
class TargetSource:
    """Where the target curve comes from: exactly one of the three is set.

    Attributes
    ----------
    name : str or None
        A built-in target.
    file : str or None
        Table inside the study folder, relative path.
    points : tuple of (float, float)
        Break points in Hz and dB, ascending in frequency.
    """

    name: str | None = None
    file: str | None = None
    points: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, slots=True)
class Made:
    """How a stage that was never built is made from measured ones.

    Attributes
    ----------
    base : str
        The measured stage it begins with.
    other : str or None
        The stage whose regions it gets, or that it goes towards; ``None`` for a copy with one
        region set to the target.
    regions : tuple of str
        Regions taken or set.
    share : float or None
        Part of the way in dB, 0 to 1.
    """

    base: str
    other: str | None = None
    regions: tuple[str, ...] = ()
    share: float | None = None

    @property
    def key(self) -> str:
        """Key of the study file that names the other stage."""
        return "of" if self.share is None else "to"

    @property
    def kind(self) -> str:
        """What it is, in the words of the stage table's column ``made``."""
        if self.share is not None:
            return "partial step"
        return "region swap" if self.other is not None else "corrected copy"


@dataclass(frozen=True, slots=True)
class Rendering:
    """How the sound is made.

    Attributes
    ----------
    phase, smoothing, fill_dips, boost_cap_db
        See :class:`stimuli.filters.design.FilterChoices`.
    loudness_model : str
        Model in which the stages of a programme are equally loud; one of
        :data:`stimuli.render.matching.MODELS`.
    listening_level_db : float
        Level assumed for the loudness sum over ERB bands, in dB SPL.
    """

    phase: str = "minimum"
    smoothing: str = "none"
    fill_dips: bool = False
    boost_cap_db: float = 12.0
    loudness_model: str = "bs1770"
    listening_level_db: float = 75.0


@dataclass(frozen=True, slots=True)
class Stage:
    """One named state of the sound system.

    Attributes
    ----------
    id, label : str
        Short id used everywhere, and the words shown in reports.
    responses : tuple of str
        Response tables, relative to the study folder; several positions are averaged.
    factors : mapping of str to str
        Design factors, for instance ``{"walls": "bare"}``.
    cost, labour_h : float or None
        Price in the study's currency and working hours, from the first stage; None where nobody
        entered them, which is not 0, and for a made stage, which nobody can buy.
    right_responses : tuple of str
        Tables of the right side alone; ``responses`` are then those of the left.
    again : tuple of str
        Tables of the same positions measured once more, for the repeat SD.
    impulse : str or None
        Measured impulse response, used as the filter.
    made : Made or None
        For a stage that was never built; it has no tables of its own.
    """

    id: str
    label: str
    responses: tuple[str, ...]
    factors: Mapping[str, str] = field(default_factory=lambda: _EMPTY, hash=False)
    cost: float | None = None
    labour_h: float | None = None
    right_responses: tuple[str, ...] = ()
    again: tuple[str, ...] = ()
    impulse: str | None = None
    made: Made | None = None


@dataclass(frozen=True, slots=True)
class Programme:
    """One excerpt of music or noise.

    Attributes
    ----------
    id, file : str
        Short id; audio file relative to the study folder.
    start_s, length_s : float, float or None
        Excerpt; ``None`` means to the end of the file.
    mono : bool
        Whether a one-channel file is meant and plays on both sides.
    """

    id: str
    file: str
    start_s: float = 0.0
    length_s: float | None = None
    mono: bool = False


@dataclass(frozen=True, slots=True)
class TestPlan:
    """One test of a study: a method applied to pairs or to a set of stages.

    Attributes
    ----------
    method : str
        Id of a module in :mod:`abx.methods`.
    pairs : tuple of (str, str)
        Stage pairs to compare, as written (or all pairs of ``stages``).
    stages : tuple of str
        Stages that take part, in the order of the study file.
    trials : int
        Trials for each pair (or, where a method presents a set, for each programme).
    repeats : int
        Trials asked a second time, later in the sitting.
    identical, obvious : int
        Control trials a listener.
    practice : int
        Practice trials before the test, with feedback where there is a right answer.
    options : mapping
        Settings of the method, for instance ``{"ties": True}``.
    """

    __test__ = False  # not a test class, whatever the collector thinks of its name

    method: str
    pairs: tuple[tuple[str, str], ...]
    stages: tuple[str, ...]
    trials: int
    repeats: int = 0
    identical: int = 0
    obvious: int = 0
    practice: int = 0
    options: Mapping[str, object] = field(default_factory=dict, hash=False)


@dataclass(frozen=True, slots=True)
class Groups:
    """One question that sorts listeners into groups, asked before they listen.

    Attributes
    ----------
    ask : str
        The question, in the study's words.
    answers : mapping of str to str
        Words of each answer by the group's name; nobody has to answer.
    """

    ask: str
    answers: Mapping[str, str] = field(hash=False)


@dataclass(frozen=True, slots=True)
class Prices:
    """How money is counted in a study; nothing here says what a stage costs.

    Attributes
    ----------
    currency : str
        Stands beside every amount; "" where the study does not say.
    hourly_rate : float or None
        Money for an hour of labour; None where it is not known.
    tax : str
        A remark for people, such as whether tax is included; nothing is worked out from it.
    """

    currency: str = ""
    hourly_rate: float | None = None
    tax: str = ""


@dataclass(frozen=True, slots=True)
class Plan:
    """What was decided before the first trial.

    Attributes
    ----------
    listeners : int
        Planned panel size.
    alpha : float
        Error rate of the claims.
    stopping : str
        Stopping rule; ``"fixed"`` means the planned number of listeners.
    primary_metric : str
        Measured figure that the link is judged by. It is primary in the analysis only where the
        study was opened, and so sealed, before anybody answered.
    break_after_min : float
        Listening time after which a pause is offered.
    claims : tuple of str
        Sentences the data are to support or not.
    screening : str or None
        Rule by which listeners are left out of a second look at the results; the main
        results keep everybody.
    budgets : tuple of float
        Amounts for which the recommended set of steps is worked out.
    counter_minutes : float
        Length of a visit at the counter.
    familiarisation : bool
        Whether listeners get to know all versions before the questions.
    smallest_effect : float or None
        The smallest effect that matters, in points of decisions; 5 is a split of 55 to 45.
    """

    listeners: int
    alpha: float = 0.05
    stopping: str = "fixed"
    primary_metric: str = "deviation_sd_db"
    break_after_min: float = 12.5
    claims: tuple[str, ...] = ()
    screening: str | None = None
    budgets: tuple[float, ...] = ()
    counter_minutes: float = 5.0
    familiarisation: bool = True
    smallest_effect: float | None = None


@dataclass(frozen=True, slots=True)
class Study:
    """A checked study file.

    Attributes
    ----------
    title, note : str
        Words for people.
    target : TargetSource
        Target curve.
    stages, programmes, tests : tuple
        What is compared, with which excerpts, and how it is asked.
    playback_response : str or None
        Response of the playback, relative to the study folder.
    playback_level_dba : float or None
        A-weighted level measured at the listening position with the level step at its top.
    plan : Plan
        Decisions made beforehand.
    groups : Groups or None
        How listeners are sorted, where claims are about some of them.
    path : Path or None
        The file it was read from.
    text : str
        The text itself; ``sha256`` is the hash of its UTF-8 bytes.
    playback_stage : str or None
        Stage that is installed where the test is played: stages are heard over it.
    rendering : Rendering
        Choices of the filters.
    prices : Prices
        How money is counted.
    """

    title: str
    note: str
    target: TargetSource
    stages: tuple[Stage, ...]
    programmes: tuple[Programme, ...]
    tests: tuple[TestPlan, ...]
    plan: Plan
    playback_response: str | None
    path: Path | None
    text: str = field(repr=False)
    playback_level_dba: float | None = None
    playback_stage: str | None = None
    rendering: Rendering = Rendering()
    groups: Groups | None = None
    prices: Prices = Prices()

    @property
    def sha256(self) -> str:
        """SHA-256 of the study file's bytes, in hexadecimal."""
        return hashlib.sha256(self.text.encode()).hexdigest()

    @property
    def folder(self) -> Path | None:
        """The study folder, ``None`` for a study that was not read from a file."""
        return None if self.path is None else self.path.parent

    @property
    def claims(self) -> tuple[str, ...]:
        """The claims of the plan."""
        return self.plan.claims

    def stage(self, stage_id: str) -> Stage:
        """Return the stage with this id.

        Raises
        ------
        KeyError
            If there is no such stage.
        """
        for stage in self.stages:
            if stage.id == stage_id:
                return stage
        raise KeyError(stage_id)

    def programme(self, programme_id: str) -> Programme:
        """Return the programme with this id.

        Raises
        ------
        KeyError
            If there is no such programme.
        """
        for programme in self.programmes:
            if programme.id == programme_id:
                return programme
        raise KeyError(programme_id)


def target_curve(study: Study, folder: Path) -> Target:
    """Return the target curve that a study declares.

    Parameters
    ----------
    study : Study
        The checked study file.
    folder : Path
        The study folder, where a target table lies.
    """
    source = study.target
    if source.name is not None:
        return built_in_target(source.name)
    if source.file is not None:
        return read_target(folder / source.file)
    return piecewise_target(source.points)
