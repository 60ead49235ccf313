"""Sittings: who listens, which trial is next, what was answered.

:class:`Sessions` is the one service layer. The HTTP routes, the simulated listeners and the
booth all go through it, so a rehearsal exercises the very code that people use.
"""

from __future__ import annotations

import hmac
from collections.abc import Mapping
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from abx.errors import AnswerRefused, Gone, NotFound
from abx.schedule.familiarisation import KIND, ListeningSet, listening_sets
from abx.schedule.panel import FEWEST_AFTER_BREAK, Slot, make_slot, rehearsal_seed, seed_commitment
from abx.schedule.visits import VISITS
from abx.session.answers import Submission, read_heard, read_submission
from abx.session.blobs import StimulusCache, build_blob
from abx.session.counts import count_answers
from abx.session.messages import (
    break_message,
    closed_message,
    done_message,
    level_message,
    listening_message,
    trial_message,
)
from abx.session.opening import Opening, open_study
from abx.session.operators import Operators
from abx.session.sitting import (
    Acknowledgement,
    PanelStanding,
    Place,
    Sitting,
    check_same,
    feedback,
    is_tired,
    pseudonym,
    session_id,
    short_text,
)
from abx.session.slots import free_slot
from abx.session.withdrawal import erase_sitting
from abx.store import Entry, LogRow, Store
from abx.store.store import Appender
from abx.study.exposure import level_cap_db, level_source, louder_than_level_step
from abx.study.model import Study
from abx.study.trial import Trial
from abx.text.tokens import Tokens, new_session_token, token_hash

if TYPE_CHECKING:
    from stimuli.render.manifest import Manifest

__all__ = ["Acknowledgement", "PanelStanding", "Sessions", "Sitting"]


class Sessions:
    """Sittings of one study.

    Parameters
    ----------
    store : Store
        Open store.
    study : Study
        The checked study file.
    manifest : Manifest
        The rendered stimuli.
    stimuli_dir : Path
        Their folder, with ``manifest.json``.
    seed : bytes, optional
        Schedule seed of a rehearsal; for people it is drawn when the study is opened.

    Raises
    ------
    StudyChanged
        If the store holds answers to another version of this study that is still open.
    """

    def __init__(
        self,
        store: Store,
        study: Study,
        manifest: Manifest,
        stimuli_dir: str | Path,
        *,
        seed: bytes | None = None,
    ) -> None:
        self.store = store
        self.study = study
        self.manifest = manifest
        self.opening: Opening = open_study(store, study, Path(stimuli_dir), seed=seed)
        self.stimuli = StimulusCache(Path(stimuli_dir), manifest)
        self._tokens = Tokens(self.opening.vault.token_key)
        self._slot = lru_cache(maxsize=512)(self._make_slot)
        self._sets = lru_cache(maxsize=512)(self._make_sets)
        self._sittings: dict[str, Sitting] = {}

    @property
    def study_id(self) -> str:
        """Id of this version of the study in the store."""
        return self.opening.study_id

    @property
    def seal(self) -> str:
        """Hash of the opening row: study file, stimuli, claims, rule and seed commitment."""
        opened = self.store.row_by_key(self.study_id, "study-opened")
        assert opened is not None
        return opened.digest

    @property
    def tokens(self) -> Tokens:
        """Makes and checks what is derived from the study's token key."""
        return self._tokens

    @property
    def commitment(self) -> str:
        """SHA-256 of the schedule's seed, published before the first trial."""
        return seed_commitment(self.opening.vault.seed)

    @property
    def louder_db(self) -> float:
        """How much louder than the level step's sound the loudest stimulus is, in LU."""
        return louder_than_level_step(self.manifest, *level_source(self.study, self.manifest))

    # A sitting ----------------------------------------------------------------------------

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

    # The study ----------------------------------------------------------------------------

    @property
    def closed(self) -> bool:
        """Whether the study is closed."""
        return self.store.row_by_key(self.study_id, "study-closed") is not None

    def close(self) -> str:
        """Close the study and reveal the seed; returns it in hexadecimal.

        Closing twice changes nothing.
        """
        seed = self.opening.vault.seed.hex()
        with self.store.writing(self.study_id) as chain:
            last = chain.last()
            head = "" if last is None else last.digest
            chain.append(Entry("study-closed", "study-closed", {"seed": seed, "head": head}))
        return seed

    def slot(self, index: int, *, simulated: bool = False) -> Slot:
        """Return a slot of the schedule; never shown to staff before closing."""
        return self._slot(index, simulated)

    def standing(self) -> PanelStanding:
        """Return the state of the study; the seed only once it is closed."""
        closed = self.store.row_by_key(self.study_id, "study-closed")
        return PanelStanding(
            state="open" if closed is None else "closed",
            seed_commitment=self.commitment,
            seed=None if closed is None else str(closed.content["seed"]),
            n_sessions=len(self.store.rows(self.study_id, kind="session-begun")),
        )

    def set_passphrase(self, passphrase: str) -> None:
        """Set the staff passphrase; see :class:`abx.session.operators.Operators`."""
        Operators(self.store).set_passphrase(passphrase)

    def check_passphrase(self, passphrase: str) -> bool:
        """Check the staff passphrase; see :class:`abx.session.operators.Operators`."""
        return Operators(self.store).check(passphrase)

    @property
    def passphrase_is_set(self) -> bool:
        """Whether staff can sign in at all."""
        return Operators(self.store).is_set

    def counts(self) -> dict[str, Any]:
        """Return counts for the staff page; see :func:`abx.session.counts.count_answers`."""
        return count_answers(self)

    # Inside -------------------------------------------------------------------------------

    def _group(self, name: str) -> str:
        known = () if self.study.groups is None else tuple(self.study.groups.answers)
        if name and name not in known:
            raise AnswerRefused("That is not one of the answers. Please choose one of them.")
        return name

    def _make_slot(self, index: int, simulated: bool) -> Slot:
        seed = self.opening.vault.seed
        return make_slot(self.study, rehearsal_seed(seed) if simulated else seed, index)

    def _make_sets(self, index: int, simulated: bool) -> tuple[ListeningSet, ...]:
        seed = self.opening.vault.seed
        return listening_sets(self.study, rehearsal_seed(seed) if simulated else seed, index)

    def _refuse_if_closed(self, chain: Appender) -> None:
        if chain.find("study-closed") is not None:
            raise Gone("This study is closed. Thank you for your interest.")

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
