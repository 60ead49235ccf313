"""The messages the player gets; nothing in them depends on what is played."""

from __future__ import annotations

from typing import Any

from abx.methods import get_method
from abx.schedule.familiarisation import ListeningSet
from abx.schedule.panel import Slot
from abx.study.trial import Trial

__all__ = [
    "break_message",
    "closed_message",
    "count_of_questions",
    "done_message",
    "level_message",
    "listening_message",
    "trial_message",
]

_REST_S = 120


def trial_message(token: str, slot: Slot, trial: Trial, *, key: str, audio: str) -> dict[str, Any]:
    """Return the message of an open trial."""
    method = get_method(trial.method)
    peers = [other for other in slot.trials if other.phase == trial.phase]
    if trial.phase == "practice":  # practice is counted within its own test
        peers = [other for other in peers if other.test == trial.test]
    number = 1 + sum(other.number < trial.number for other in peers)
    message: dict[str, Any] = {
        "state": "trial",
        "trial": key,
        "phase": trial.phase,
        "number": number,
        "of": len(peers),
        "method": trial.method,
        "screen": method.screen,
        "question": method.question(trial),
        "versions": list(trial.version_names),
        "labels": method.version_labels(trial),
        "answers": [
            {"value": answer.value, "label": answer.label} for answer in method.answers(trial)
        ],
        "must_hear": list(method.must_hear(trial)),
        "audio": f"/listen/{token}/audio/{audio}",
    }
    message.update(method.screen_fields(trial))
    return message


def listening_message(token: str, sounds: ListeningSet, *, key: str, audio: str) -> dict[str, Any]:
    """Return the message of a set that is only listened to: a trial without answers."""
    return {
        "state": "trial",
        "trial": key,
        "phase": "familiarisation",
        "number": sounds.number,
        "of": sounds.of,
        "method": "",
        "screen": "listen",
        "question": "Get to know the sound",
        "versions": list(sounds.version_names),
        "labels": {name: name.upper() for name in sounds.version_names},
        "answers": [],
        "must_hear": list(sounds.version_names),
        "audio": f"/listen/{token}/audio/{audio}",
        "hint": "Nothing is asked yet. The letters are dealt anew each time and stand for nothing.",
    }


def count_of_questions(n: int) -> str:
    """Return a number of questions in words that fit one, too."""
    return f"{n} question" if n == 1 else f"{n} questions"


def break_message(token: str, slot: Slot, answered: int) -> dict[str, Any]:
    """Return the message of a break; a POST to ``resume`` ends it."""
    done = sum(trial.phase == "test" and trial.number <= answered for trial in slot.trials)
    return {
        "state": "break",
        "number": done,
        "of": slot.n_test_trials,
        "rest_s": _REST_S,
        "message": "Rest your ears for a couple of minutes, then go on.",
        "resume": f"/listen/{token}/resume",
    }


def done_message(slot: Slot) -> dict[str, Any]:
    """Return the message after the last trial."""
    return {"state": "done", "number": slot.n_test_trials, "of": slot.n_test_trials}


def closed_message() -> dict[str, Any]:
    """Return the message of a closed study."""
    return {"state": "closed", "message": "This study is closed. Thank you for taking part."}


def level_message(
    token: str, audio: str, *, cap_db: float = 0.0, top_dba: float | None = None
) -> dict[str, Any]:
    """Return the message of the level step.

    Parameters
    ----------
    token, audio : str
        Token of the sitting; fresh name of the sound.
    cap_db : float, optional
        Highest setting, 0 dB or less.
    top_dba : float, optional
        Measured level of the loudest programme at 0 dB, where it is known.
    """
    message: dict[str, Any] = {
        "state": "level",
        "versions": ["level"],
        "labels": {"level": "Level"},
        "audio": f"/listen/{token}/audio/{audio}",
        "cap_db": round(cap_db, 2),
    }
    if top_dba is not None:
        message["top_dba"] = round(top_dba, 1)
    return message
