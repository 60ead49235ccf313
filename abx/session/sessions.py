"""Sittings: who listens, which trial is next, what was answered.

:class:`Sessions` is the one service layer. The HTTP routes, the simulated listeners and the
booth all go through it, so a rehearsal exercises the very code that people use.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from abx.errors import AnswerRefused, Gone, NotFound
from abx.schedule.familiarisation import KIND, ListeningSet
from abx.schedule.panel import Slot
from abx.schedule.visits import VISITS
from abx.session.answers import Submission, read_heard, read_submission
from abx.session.blobs import build_blob
from abx.session.counts import count_answers
from abx.session.course import Course
from abx.session.messages import level_message
from abx.session.sitting import (
    Acknowledgement,
    PanelStanding,
    Place,
    Sitting,
    check_same,
    feedback,
    pseudonym,
    session_id,
    short_text,
)
from abx.session.slots import free_slot
from abx.session.withdrawal import erase_sitting
from abx.store import Entry
from abx.store.store import Appender
from abx.study.exposure import level_cap_db, level_source
from abx.study.trial import Trial
from abx.text.tokens import new_session_token, token_hash

__all__ = ["Acknowledgement", "PanelStanding", "Sessions", "Sitting"]


class Sessions(Course):
    """Sittings of one study; made like :class:`abx.session.opened.OpenedStudy`."""

    def begin(
        self,
        *,
        consent: bool,
        hearing: str | Mapping[str, str] = "",
        output: str = "",
        group: str = "",
        simulated: bool = False,
        listener: str | None = None,
        familiarise: bool = False,
        visit: bool = False,
    ) -> str:
        """Begin a sitting and return its token.

        Parameters
        ----------
        consent : bool
            Must be true: nobody listens without having agreed.
        hearing : str or mapping
            The listener's own words about their hearing, at most 500 characters.
        output : str
            Headphones, loudspeakers ...
        group : str, optional
            Name of the study's group that the listener chose; empty for no answer.
        simulated : bool, optional
            Marks a simulated listener, for ever.
        listener : str, optional
            Pseudonym of somebody who comes back; a fresh one otherwise.
        familiarise : bool, optional
            Let the listener get to know all versions before the questions; see
            :mod:`abx.schedule.familiarisation`.
        visit : bool, optional
            A short visit instead of a whole sitting; see :mod:`abx.schedule.visits`.

        Raises
        ------
        AnswerRefused
            Without consent, with texts that are too long, or with a group that the study does
            not ask for.
        Gone
            If the study is closed.
        """
        if consent is not True:
            raise AnswerRefused("Please agree to take part first.")
        token = new_session_token()
        body: dict[str, Any] = {
            "consent": True,
            "hearing": short_text(hearing),
            "output": short_text(output),
            "simulated": bool(simulated),
            "listener": pseudonym(listener),
            "software": self.opening.software,
        }
        if self.study.groups is not None or group:
            body["group"] = self._group(group)
        if familiarise:
            body["familiarise"] = True
        hashed = token_hash(token)
        with self.store.writing(self.study_id) as chain:
            self._refuse_if_closed(chain)
            first = VISITS if visit else 0
            body["slot"] = free_slot(chain, simulated=bool(simulated), first=first)
            chain.append(Entry("session-begun", f"session:{hashed}", body, session_id(hashed)))
        return token

    def sitting(self, token: str) -> Sitting:
        """Return the sitting of a token.

        Raises
        ------
        NotFound
            If there is none.
        Gone
            If it was withdrawn.
        """
        hashed = token_hash(token)
        known = self._sittings.get(hashed)
        if known is not None:
            return known
        row = self.store.row_by_key(self.study_id, f"session:{hashed}")
        if row is None:
            raise NotFound("This link does not belong to a sitting. Please start again.")
        if row.body is None:
            raise Gone("This sitting was withdrawn and its answers were removed.")
        body = row.content
        found = Sitting(
            row.session,
            body["listener"],
            body["slot"],
            body["simulated"],
            familiarise=body.get("familiarise", False),
            begun_at=row.at,
        )
        if len(self._sittings) > 10_000:
            self._sittings.clear()
        self._sittings[hashed] = found
        return found

    def next_trial(self, token: str) -> dict[str, Any]:
        """Return what comes next: a trial, a break, done or closed.

        Asking again gives the same open trial, with a fresh name for its audio.

        Raises
        ------
        NotFound, Gone
            As :meth:`sitting`.
        """
        sitting = self.sitting(token)
        with self.store.looking(self.study_id) as chain:
            place = self._place(sitting, chain)
        return self._message(token, sitting, place)

    def resume(self, token: str) -> dict[str, Any]:
        """End a break and return what comes next."""
        sitting = self.sitting(token)
        with self.store.writing(self.study_id) as chain:
            place = self._place(sitting, chain)
            if place.on_break:
                entry = Entry(
                    "break-ended",
                    f"break:{sitting.session}:{place.answered}",
                    {"number": place.answered},
                    sitting.session,
                )
                chain.append(entry)
                place = self._place(sitting, chain)
        return self._message(token, sitting, place)

    def level(self, token: str) -> dict[str, Any]:
        """Return the message of the level step."""
        sitting = self.sitting(token)
        audio = self._tokens.audio_name(sitting.session, "level")
        known = self.study.playback_level_dba
        if known is None:
            return level_message(token, audio)
        louder_db = self.louder_db
        cap_db = level_cap_db(self.study, louder_db=louder_db)
        return level_message(token, audio, cap_db=cap_db, top_dba=known + louder_db)

    def record_answer(
        self, token: str, trial_key: object, answer: object, **details: object
    ) -> Acknowledgement:
        """Store an answer durably, exactly once.

        Parameters
        ----------
        token : str
            Session token.
        trial_key : str
            Key of the trial as served.
        answer : str or mapping
            The answer; checked by the method.
        **details
            ``response_s``, ``switches``, ``listened_s`` as in the HTTP protocol.

        Returns
        -------
        Acknowledgement
            Given only after the answer is on disk. The same key and answer again give the same
            acknowledgement.

        Raises
        ------
        NotFound
            If the trial is unknown or has not been served yet.
        Conflict
            If it was answered differently before.
        AnswerRefused
            If the answer does not fit the question.
        Gone
            If the study is closed or the sitting withdrawn.
        StoreError
            If the answer could not be stored; nothing was.
        """
        sitting = self.sitting(token)
        sounds = self._set_of_key(sitting, trial_key)
        if sounds is not None:
            return self._record_heard(token, sitting, sounds, str(trial_key), details)
        slot = self._slot(sitting.slot, sitting.simulated)
        trial = self._trial_of_key(sitting, slot, trial_key)
        submission = read_submission(trial, answer, details)

        def work(chain: Appender) -> Place:
            self._store_answer(sitting, slot, trial, submission, chain)
            return self._place(sitting, chain)

        place = self.store.write(
            self.study_id,
            work,
            keys=(f"answer:{sitting.session}:{trial.number}", "study-closed"),
            sessions=(sitting.session,),
        )
        message = self._message(token, sitting, place)
        return Acknowledgement(str(trial_key), feedback(trial, submission), message)

    def audio_blob(self, token: str, name: str) -> memoryview:
        """Return the audio block a name stands for: the open trial's, or the level step's.

        Raises
        ------
        NotFound
            If the name is unknown, or its trial is no longer open.
        """
        sitting = self.sitting(token)
        if self._tokens.audio_matches(name, sitting.session, "level"):
            return self._blob((level_source(self.study, self.manifest),))
        with self.store.looking(self.study_id) as chain:
            place = self._place(sitting, chain)
        slot = self._slot(sitting.slot, sitting.simulated)
        if place.closed or place.answered >= len(slot.trials):
            raise NotFound("This sound is no longer available.")
        if place.introduction is not None:
            return self._introduction_blob(name, sitting, place.introduction)
        trial = slot.trials[place.answered]
        if not self._tokens.audio_matches(name, sitting.session, f"trial-{trial.number}"):
            raise NotFound("This sound is no longer available. Please reload the page.")
        return self._blob(tuple((source, trial.programme) for _, source in trial.versions))

    def open_trial(self, token: str) -> tuple[str, Trial] | None:
        """Return key and trial that are open in a sitting, for players inside this process."""
        sitting = self.sitting(token)
        with self.store.looking(self.study_id) as chain:
            place = self._place(sitting, chain)
        slot = self._slot(sitting.slot, sitting.simulated)
        if place.closed or place.on_break or place.answered >= len(slot.trials):
            return None
        if place.introduction is not None:
            return None
        trial = slot.trials[place.answered]
        return self._tokens.trial_key(sitting.session, trial.number), trial

    def withdraw(self, token: str) -> int:
        """Forget a sitting: its answers are removed, the chain stays checkable.

        Returns
        -------
        int
            Number of rows whose content was removed.
        """
        self.sitting(token)  # says what is wrong with a token
        begun = self.store.row_by_key(self.study_id, f"session:{token_hash(token)}")
        assert begun is not None
        erased = erase_sitting(self, begun)
        self._sittings.clear()
        return erased

    def counts(self) -> dict[str, Any]:
        """Return counts for the staff page; see :func:`abx.session.counts.count_answers`."""
        return count_answers(self)

    # Inside -------------------------------------------------------------------------------

    def _record_heard(
        self,
        token: str,
        sitting: Sitting,
        sounds: ListeningSet,
        trial_key: str,
        details: Mapping[str, object],
    ) -> Acknowledgement:
        """Keep that a set was heard, exactly once, in a row that is no answer."""
        listened_s = read_heard(sounds.version_names, details)
        sounds.refuse_unheard(listened_s)
        key = f"{KIND}:{sitting.session}:{sounds.number}"
        body = {"set": sounds.number, "listened_s": listened_s}

        def work(chain: Appender) -> Place:
            if chain.find(key) is None:
                place = self._place(sitting, chain)
                if place.closed:
                    raise Gone("This study is closed. Thank you for your interest.")
                if place.introduction != sounds:
                    raise NotFound("This set is not open yet. Please reload the page.")
                chain.append(Entry(KIND, key, body, sitting.session))
            return self._place(sitting, chain)

        place = self.store.write(
            self.study_id, work, keys=(key, "study-closed"), sessions=(sitting.session,)
        )
        return Acknowledgement(trial_key, None, self._message(token, sitting, place))

    def _introduction_blob(
        self, name: str, sitting: Sitting, sounds: ListeningSet
    ) -> memoryview[int]:
        if not self._tokens.audio_matches(name, sitting.session, f"set-{sounds.number}"):
            raise NotFound("This sound is no longer available. Please reload the page.")
        return self._blob(tuple((source, sounds.programme) for _, source in sounds.versions))

    def _store_answer(
        self, sitting: Sitting, slot: Slot, trial: Trial, submission: Submission, chain: Appender
    ) -> None:
        key = f"answer:{sitting.session}:{trial.number}"
        stored = chain.find(key)
        if stored is not None:
            check_same(stored, submission)
            return
        place = self._place(sitting, chain)
        if place.closed:
            raise Gone("This study is closed; this answer came too late to be stored.")
        early = place.on_break or place.introduction is not None
        if trial.number != place.answered + 1 or early:
            raise NotFound("This question is not open yet. Please reload the page.")
        body = {"number": trial.number, "phase": trial.phase, **submission.body()}
        chain.append(Entry("answer", key, body, sitting.session))
        if trial.number == len(slot.trials):
            end = Entry(
                "session-finished",
                f"finished:{sitting.session}",
                {"number": trial.number},
                sitting.session,
            )
            chain.append(end)

    def _blob(self, sources: tuple[tuple[str, str], ...]) -> memoryview:
        loaded = [self.stimuli.get(source, programme) for source, programme in sources]
        return build_blob([samples for samples, _ in loaded], loaded[0][1])
