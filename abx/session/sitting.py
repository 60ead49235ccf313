"""What a sitting is, and what may be said at its beginning."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise
from typing import Any

from abx.errors import AnswerRefused, Conflict
from abx.methods import get_method
from abx.schedule.familiarisation import ListeningSet
from abx.session.answers import Submission
from abx.store import LogRow
from abx.store.store import Appender
from abx.study.trial import Trial
from abx.text.tokens import new_pseudonym

__all__ = [
    "FATIGUE_LIMIT",
    "Acknowledgement",
    "PanelStanding",
    "Place",
    "Sitting",
    "check_same",
    "feedback",
    "is_tired",
    "pseudonym",
    "session_id",
    "short_text",
    "without_rest",
]

FATIGUE_LIMIT = timedelta(minutes=25)
"""Nobody is asked on for longer than this without a pause (common practice, no source)."""

_CODE = re.compile(r"L-[A-Z0-9]{2,18}")

_REST = timedelta(minutes=5)
"""Whoever stays away for this long between two questions has rested."""


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
    begun_at : str
        When it was begun, as in the log.
    """

    session: str
    listener: str
    slot: int
    simulated: bool
    familiarise: bool = False
    begun_at: str = ""


@dataclass(frozen=True, slots=True)
class Acknowledgement:
    """What the server says once an answer is stored.

    Attributes
    ----------
    trial : str
        Trial key.
    feedback : dict or None
        In practice: ``correct``, true or false where there is a right answer and else None,
        then with ``message``, what there was to hear.
    next : dict
        The message that follows, as :meth:`Sessions.next_trial` gives it.
    """

    trial: str
    feedback: dict[str, bool | str | None] | None
    next: dict[str, Any]


@dataclass(frozen=True, slots=True)
class PanelStanding:
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
        If it does not look like a code that was given here: a name would be kept.
    """
    if listener is None:
        return new_pseudonym()
    if not _CODE.fullmatch(listener):
        raise AnswerRefused(
            "A listener code begins with L- and has letters and digits, as in L-7KQ2MXA. "
            "Please give no name; leave it empty the first time."
        )
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


@dataclass(frozen=True, slots=True)
class Place:
    """How far a sitting is.

    Attributes
    ----------
    answered : int
        Number of the last answered trial, 0 before the first.
    on_break : bool
        Whether a pause is due or under way.
    closed : bool
        Whether the study is closed.
    introduction : ListeningSet or None
        The set to be heard next, before the first question.
    """

    answered: int
    on_break: bool
    closed: bool
    introduction: ListeningSet | None


def feedback(trial: Trial, submission: Submission) -> dict[str, bool | str | None] | None:
    """Return whether a practice answer was right, or what there was to hear."""
    if trial.phase != "practice":
        return None
    method = get_method(trial.method)
    correct = method.correct(trial, submission.answer)
    if correct is not None:
        return {"correct": correct}
    words = method.practice_words(trial, submission.answer)
    return {"correct": None, "message": words} if words else None


def check_same(stored: LogRow, submission: Submission) -> None:
    """Refuse another answer to a question that has one.

    Raises
    ------
    Conflict
        If the stored answer is another one.
    """
    if stored.content.get("answer") != submission.answer:
        raise Conflict("You have answered this question already; your first answer counts.")


def is_tired(sitting: Sitting, last: LogRow, chain: Appender) -> bool:
    """Tell whether somebody has gone on without a pause for longer than ears and mind allow.

    The schedule's pauses assume typical trials; this one looks at the clock.

    Parameters
    ----------
    sitting : Sitting
        Who listens.
    last : LogRow
        The sitting's last row, an answer.
    chain : Appender
        The study's log.
    """
    now = datetime.fromisoformat(last.at)
    if now - datetime.fromisoformat(sitting.begun_at) <= FATIGUE_LIMIT:
        return False
    ended = chain.rows("break-ended", session=sitting.session)
    begun = ended[-1].at if ended else sitting.begun_at
    answers = chain.rows("answer", session=sitting.session)
    moments = [begun, *(row.at for row in answers if row.at > begun)]
    return without_rest([datetime.fromisoformat(moment) for moment in moments]) > FATIGUE_LIMIT


def without_rest(moments: Sequence[datetime]) -> timedelta:
    """Return how long the listening has gone on since it began or was last left for a while."""
    begun = moments[0]
    for before, after in pairwise(moments):
        if after - before >= _REST:
            begun = after
    return moments[-1] - begun
