"""Where a sitting stands, and what comes next in it."""

from __future__ import annotations

import hmac
from typing import Any

from abx.errors import Gone, NotFound
from abx.schedule.familiarisation import KIND, ListeningSet
from abx.schedule.panel import FEWEST_AFTER_BREAK, Slot
from abx.session.messages import (
    break_message,
    closed_message,
    done_message,
    listening_message,
    trial_message,
)
from abx.session.opened import OpenedStudy
from abx.session.sitting import Place, Sitting, is_tired
from abx.store import LogRow
from abx.store.store import Appender
from abx.study.trial import Trial

__all__ = ["Course"]


class Course(OpenedStudy):
    """The way of every sitting through its questions, read from the log."""

    def _place(self, sitting: Sitting, chain: Appender) -> Place:
        chain.fetch(keys=("study-closed",), sessions=(sitting.session,))
        last = chain.last(session=sitting.session)
        if last is None or last.kind == "withdrawal" or last.body is None:
            self._sittings.clear()
            raise Gone("This sitting was withdrawn and its answers were removed.")
        answered = int(last.content.get("number", 0))
        slot = self._slot(sitting.slot, sitting.simulated)
        return Place(
            answered=answered,
            on_break=last.kind == "answer" and self._break_due(sitting, slot, last, chain),
            closed=chain.find("study-closed") is not None,
            introduction=self._introduction(sitting, last),
        )

    def _break_due(self, sitting: Sitting, slot: Slot, last: LogRow, chain: Appender) -> bool:
        answered = int(last.content["number"])
        if answered in slot.breaks_after:
            return True
        few_left = len(slot.trials) - answered < FEWEST_AFTER_BREAK
        return not few_left and is_tired(sitting, last, chain)

    def _introduction(self, sitting: Sitting, last: LogRow) -> ListeningSet | None:
        """Return the set that is to be heard next, before the first question."""
        if not sitting.familiarise or last.kind not in ("session-begun", KIND):
            return None
        heard = int(last.content.get("set", 0))
        sets = self._sets(sitting.slot, sitting.simulated)
        return sets[heard] if heard < len(sets) else None

    def _message(self, token: str, sitting: Sitting, place: Place) -> dict[str, Any]:
        slot = self._slot(sitting.slot, sitting.simulated)
        if place.answered >= len(slot.trials):
            return done_message(slot)
        if place.closed:
            return closed_message()
        if place.introduction is not None:
            number = place.introduction.number
            key = self._tokens.trial_key(sitting.session, -number)
            audio = self._tokens.audio_name(sitting.session, f"set-{number}")
            return listening_message(token, place.introduction, key=key, audio=audio)
        trial = slot.trials[place.answered]
        if place.on_break:
            return break_message(token, slot, place.answered)
        key = self._tokens.trial_key(sitting.session, trial.number)
        audio = self._tokens.audio_name(sitting.session, f"trial-{trial.number}")
        return trial_message(token, slot, trial, key=key, audio=audio)

    def _trial_of_key(self, sitting: Sitting, slot: Slot, trial_key: object) -> Trial:
        if isinstance(trial_key, str) and trial_key.isascii():
            for trial in slot.trials:
                key = self._tokens.trial_key(sitting.session, trial.number)
                if hmac.compare_digest(key, trial_key):
                    return trial
        raise NotFound("This question does not belong to your sitting. Please reload the page.")

    def _set_of_key(self, sitting: Sitting, trial_key: object) -> ListeningSet | None:
        if not sitting.familiarise or not isinstance(trial_key, str) or not trial_key.isascii():
            return None
        for sounds in self._sets(sitting.slot, sitting.simulated):
            key = self._tokens.trial_key(sitting.session, -sounds.number)
            if hmac.compare_digest(key, trial_key):
                return sounds
        return None
