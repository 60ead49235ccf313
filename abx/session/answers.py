"""Check what came in with an answer before it is stored."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from abx.errors import AnswerRefused
from abx.methods import get_method
from abx.study.trial import Trial

__all__ = ["Submission", "read_heard", "read_submission"]

_MAX_SECONDS = 86_400.0
_MAX_SWITCHES = 1_000_000


@dataclass(frozen=True, slots=True)
class Submission:
    """A checked answer with its circumstances.

    Attributes
    ----------
    answer : str or dict
        In the form the method stores.
    response_s : float or None
        Seconds from ready to answered.
    switches : int or None
        How often the listener switched.
    listened_s : dict of str to float
        Seconds heard of each version.
    """

    answer: str | dict[str, float]
    response_s: float | None
    switches: int | None
    listened_s: dict[str, float]

    def body(self) -> dict[str, Any]:
        """Return the JSON-ready content."""
        return {
            "answer": self.answer,
            "response_s": self.response_s,
            "switches": self.switches,
            "listened_s": self.listened_s,
        }


def read_submission(trial: Trial, answer: object, details: Mapping[str, object]) -> Submission:
    """Check an answer and its circumstances.

    Raises
    ------
    AnswerRefused
        If the answer is none of the possible ones, a number is not plausible, or a version
        that has to be heard was not.
    """
    unknown = set(details) - {"response_s", "switches", "listened_s"}
    if unknown:
        raise AnswerRefused("The answer has fields that are not known.")
    method = get_method(trial.method)
    submission = Submission(
        answer=method.read_answer(trial, answer),
        response_s=_seconds(details.get("response_s"), "response_s"),
        switches=_switches(details.get("switches")),
        listened_s=_listened(details.get("listened_s"), trial.version_names),
    )
    missing = [name for name in method.must_hear(trial) if not submission.listened_s.get(name)]
    if missing:
        labels = method.version_labels(trial)
        names = ", ".join(labels[name] for name in missing)
        raise AnswerRefused(f"Please listen to every version before you answer: {names}.")
    return submission


def read_heard(names: tuple[str, ...], details: Mapping[str, object]) -> dict[str, float]:
    """Check how long each version of a set was heard, where nothing is asked.

    Raises
    ------
    AnswerRefused
        If a number is not plausible or a name is unknown.
    """
    return _listened(details.get("listened_s"), names)


def _seconds(value: object, name: str) -> float | None:
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise AnswerRefused(f"{name} has to be a number of seconds.")
    if not math.isfinite(value) or not 0 <= value <= _MAX_SECONDS:
        raise AnswerRefused(f"{name} has to lie between 0 and {_MAX_SECONDS:.0f} seconds.")
    return float(value)


def _switches(value: object) -> int | None:
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value <= _MAX_SWITCHES:
        raise AnswerRefused("switches has to be a whole number, 0 or more.")
    return value


def _listened(value: object, names: tuple[str, ...]) -> dict[str, float]:
    if value is None:
        return {}
    if not isinstance(value, Mapping) or not set(value) <= set(names):
        raise AnswerRefused("listened_s has to name the versions of this question.")
    result = {}
    for name, seconds in value.items():
        checked = _seconds(seconds, "listened_s")
        result[str(name)] = 0.0 if checked is None else checked
    return result
