"""Errors of the listening-test package.

``InputError``, which all packages share, says where a file is wrong and what to do about it.
``AbxError`` is the root of the others, which carry a sentence that can be shown to a listener or an
operator as it stands. ``SHOWN`` is both.
"""

from __future__ import annotations

from stimuli.files.errors import InputError

__all__ = [
    "SHOWN",
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


SHOWN = (AbxError, InputError)
"""What may be told to whoever is at the screen."""


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
