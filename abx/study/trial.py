"""One question as it stands in the schedule, before anyone answers it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any

__all__ = [
    "LOWPASS",
    "MID_LOWPASS",
    "Trial",
    "Unit",
    "is_treated",
    "stage_of",
    "treated",
    "treatment_of",
]

LOWPASS = "lowpass-3500"
"""Name of the treatment of obvious controls and low anchors: a 3.5 kHz low-pass copy."""

MID_LOWPASS = "lowpass-7000"
"""Name of the treatment of mid-range anchors: a 7 kHz low-pass copy."""


@dataclass(frozen=True, slots=True)
class Unit:
    """What a trial is about, whatever the order it is presented in.

    Attributes
    ----------
    stages : tuple of str
        Two stages for pair methods, the whole set for set methods.
    programme : str or None
        Fixed programme, or ``None`` when the schedule spreads programmes.
    """

    stages: tuple[str, ...]
    programme: str | None = None

    @property
    def about(self) -> tuple[str, ...]:
        """What the unit compares: its stages, and its programme where that is fixed."""
        return self.stages if self.programme is None else (*self.stages, self.programme)


@dataclass(frozen=True, slots=True)
class Trial:
    """One question of one listener.

    Attributes
    ----------
    number : int
        1-based place in the sitting.
    test : int
        0-based index of the test in the study file.
    method : str
        Method id.
    phase : str
        ``"practice"`` or ``"test"``.
    programme : str
        Programme id.
    versions : tuple of (str, str)
        Version name and what it plays: a stage id, or a treated stage.
    about : tuple of str
        What is compared, whatever the order: the pair, or the set and its programme.
    control : str
        ``""``, ``"identical"`` or ``"obvious"``.
    repeat_of : int or None
        Number of the trial this one repeats.
    options : mapping
        Settings of the method from the study file.
    """

    number: int
    test: int
    method: str
    phase: str
    programme: str
    versions: tuple[tuple[str, str], ...]
    about: tuple[str, ...]
    control: str = ""
    repeat_of: int | None = None
    options: Mapping[str, Any] = field(default_factory=lambda: MappingProxyType({}), hash=False)

    def plays(self, version: str) -> str:
        """Return what a version plays.

        Raises
        ------
        KeyError
            If the trial has no such version.
        """
        return dict(self.versions)[version]

    @property
    def version_names(self) -> tuple[str, ...]:
        """Names of the versions in presented order."""
        return tuple(name for name, _ in self.versions)

    @property
    def pair_key(self) -> frozenset[str]:
        """What is compared; equal for both orders of a pair."""
        return frozenset(self.about)


def treated(stage: str, treatment: str = LOWPASS) -> str:
    """Name a treated copy of a stage; by default the one obvious controls use."""
    return f"{treatment}:{stage}"


def treatment_of(source: str) -> str:
    """Return the treatment of a version, empty for the stage itself."""
    return source.split(":", 1)[0] if is_treated(source) else ""


def is_treated(source: str) -> bool:
    """Tell whether a version plays a treated copy and not the stage itself."""
    return ":" in source


def stage_of(source: str) -> str:
    """Return the stage behind a version, treated or not."""
    return source.rsplit(":", 1)[-1]
