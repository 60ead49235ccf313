"""What a sitting is, and what may be said at its beginning."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from abx.errors import AnswerRefused
from abx.tokens import new_pseudonym

__all__ = ["Acknowledgement", "Sitting", "Standing", "pseudonym", "session_id", "short_text"]


@dataclass(frozen=True, slots=True)
class Sitting:
    """One sitting of one listener, as begun.

    Attributes
    ----------
    session, listener : str
        Id of the sitting and pseudonym of the person.
    slot : int
        Place in the schedule.
    simulated : bool
        True for simulated listeners.
    familiarise : bool
        Whether the versions are got to know before the questions.
    """

    session: str
    listener: str
    slot: int
    simulated: bool
    familiarise: bool = False


@dataclass(frozen=True, slots=True)
class Acknowledgement:
    """What the server says once an answer is stored.

    Attributes
    ----------
    trial : str
        Trial key.
    feedback : dict or None
        ``{"correct": bool}`` in practice, where there is a right answer.
    next : dict
        The message that follows, as :meth:`Sessions.next_trial` gives it.
    """

    trial: str
    feedback: dict[str, bool] | None
    next: dict[str, Any]


@dataclass(frozen=True, slots=True)
class Standing:
    """State of a study.

    Attributes
    ----------
    state : str
        ``"open"`` or ``"closed"``.
    seed_commitment : str
        SHA-256 of the seed, hexadecimal.
    seed : str or None
        The seed, hexadecimal, once the study is closed.
    n_sessions : int
        Sittings begun.
    """

    state: str
    seed_commitment: str
    seed: str | None
    n_sessions: int


def session_id(hashed: str) -> str:
    """Return the id of a sitting from its token's hash."""
    return f"s-{hashed[:12]}"


def pseudonym(listener: str | None) -> str:
    """Return a fresh pseudonym, or check the one of somebody who comes back.

    Raises
    ------
    AnswerRefused
        If it has other than letters, digits and hyphens, or more than 20.
    """
    if listener is None:
        return new_pseudonym()
    if not (listener.isascii() and listener.replace("-", "").isalnum() and len(listener) <= 20):
        raise AnswerRefused("A listener code has letters, digits and hyphens, at most 20.")
    return listener


def short_text(value: str | Mapping[str, str]) -> str | dict[str, str]:
    """Return what a listener said about themselves, refusing what is too long to be that.

    Raises
    ------
    AnswerRefused
        If a text has more than 500 characters or there are more than 20.
    """
    if isinstance(value, str):
        if len(value) > 500:
            raise AnswerRefused("This text is too long; please use at most 500 characters.")
        return value
    if len(value) > 20:
        raise AnswerRefused("Too many answers about hearing.")
    return {str(short_text(str(key))): str(short_text(str(item))) for key, item in value.items()}
