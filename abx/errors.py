"""Errors of the listening-test package.

``AbxError`` is the root. ``InputError`` says where a file is wrong and what to do about it;
the others carry a sentence that can be shown to a listener or an operator as it stands.
"""

from __future__ import annotations

__all__ = [
    "AbxError",
    "AnswerRefused",
    "Conflict",
    "Gone",
    "InputError",
    "NotFound",
    "StillOpen",
    "StoreError",
    "StudyChanged",
    "TooManyAttempts",
]


class AbxError(Exception):
    """Root of the errors raised by this package."""


class InputError(AbxError, ValueError):
    """A file or value given by the user is wrong; names where, and what to do.

    Parameters
    ----------
    source : str or None
        File name.
    where : str or None
        Line, field or column, for instance ``"line 12, stages[2].cost"``.
    problem : str
        What is wrong, with the offending value, without a full stop.
    remedy : str
        What to do about it, without a full stop.
    """

    def __init__(
        self,
        *,
        source: str | None = None,
        where: str | None = None,
        problem: str,
        remedy: str,
    ) -> None:
        self.source = source
        self.where = where
        self.problem = problem
        self.remedy = remedy
        super().__init__(str(self))

    def __str__(self) -> str:
        place = ", ".join(part for part in (self.source, self.where) if part)
        words = f"{self.problem}. {self.remedy[:1].upper()}{self.remedy[1:]}."
        return f"{place}: {words}" if place else words

    def __reduce__(self) -> tuple[object, ...]:
        """Allow the error to cross process borders."""
        return (_rebuild, (self.source, self.where, self.problem, self.remedy))


def _rebuild(source: str | None, where: str | None, problem: str, remedy: str) -> InputError:
    return InputError(source=source, where=where, problem=problem, remedy=remedy)


class NotFound(AbxError):
    """No such session, trial or audio: an unknown, forged or outdated token."""


class Conflict(AbxError):
    """The same trial was answered before, with a different answer."""


class Gone(AbxError):
    """The study is closed, or the session was withdrawn."""


class AnswerRefused(AbxError):
    """The body of an answer does not fit the trial's question."""


class StillOpen(AbxError):
    """Results were asked for before the study was closed."""


class StoreError(AbxError):
    """The database refused or could not be reached; nothing was half-written."""


class StudyChanged(AbxError):
    """The study file or the stimuli differ from what was sealed at opening."""


class TooManyAttempts(AbxError):
    """Too many wrong passphrases; sign-in pauses for a while."""
