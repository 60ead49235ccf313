"""What a check found, what no check can know, and in which order both are told."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from abx.errors import InputError

__all__ = ["CheckOutcome", "check", "in_order", "note", "told"]

_MAX_NAMED = 3
# By what a fault means for the verdicts: the verdicts, the answers behind them, what was asked, who
# was asked it and when, then measurements and sound. What is not named here comes after all of it.
_ORDER = (
    "claims",
    "trials.csv",
    "results.json",
    "content",
    "study file",
    "sittings",
    "bodies",
    "chain",
    "closing",
    "head",
    "seed",
    "schedule",
    "panel",
    "withdrawals",
    "software",
    "playback",
    "stages.csv",
    "programmes.csv",
    "stimuli",
    "sound",
)


@dataclass(frozen=True, slots=True)
class CheckOutcome:
    """One thing that was checked, or that has to be said because it cannot be.

    Attributes
    ----------
    name : str
        Short name.
    passed : bool
        Whether it holds; True for a note.
    words : str
        The finding as a sentence, naming rows or files that do not fit.
    checked : bool
        False for a note: what the evidence itself cannot show. It neither holds nor fails.
    """

    name: str
    passed: bool
    words: str
    checked: bool = True


def note(name: str, words: str) -> CheckOutcome:
    """Return a fact that no check stands behind."""
    return CheckOutcome(name, True, words, checked=False)


def check(name: str, faults: Iterable[str], words: str) -> CheckOutcome:
    """Return a finding that names the first faults, or says ``words`` where there are none."""
    found = list(faults)
    if not found:
        return CheckOutcome(name, True, words)
    more = f"; and {len(found) - _MAX_NAMED} more" if len(found) > _MAX_NAMED else ""
    return CheckOutcome(name, False, "; ".join(found[:_MAX_NAMED]) + more)


def told(error: Exception, root: Path) -> str:
    """Return an error's sentence with files named as they lie in the study, not in a temporary one.

    Parameters
    ----------
    error : Exception
        Its text may be shown.
    root : Path
        The study folder.
    """
    if isinstance(error, InputError) and error.source:
        shown = Path(error.source)
        if shown.is_relative_to(root):
            source = shown.relative_to(root).as_posix()
            return str(
                InputError(
                    source=source, where=error.where, problem=error.problem, remedy=error.remedy
                )
            )
    return str(error)


def in_order(findings: Iterable[CheckOutcome]) -> list[CheckOutcome]:
    """Sort findings for reading: what failed, what holds, notes; each by its weight."""
    weight = {name: place for place, name in enumerate(_ORDER)}

    def place(finding: CheckOutcome) -> tuple[bool, bool, int]:
        return not finding.checked, finding.passed, weight.get(finding.name, len(weight))

    return sorted(findings, key=place)
