"""Sittings through the service layer: in order, exactly once, blind, resumable."""

from __future__ import annotations

import json
import threading
from collections import Counter
from datetime import UTC, datetime, timedelta

import pytest
from scipy.stats import chisquare

from abx.errors import AnswerRefused, Conflict, Gone, InputError, NotFound, StudyChanged
from abx.evidence.export import trial_rows
from abx.evidence.log_check import check_log
from abx.schedule.familiarisation import listening_sets
from abx.schedule.visits import VISITS
from abx.session.sessions import Sessions
from abx.session.sitting import without_rest
from abx.store import Entry, Store
from abx.study_file.reading import study_from_text
from helpers.study_desk import STUDY, Desk, answer_open_trial, make_desk, sit_through

HEARD = {"a": 1.0, "b": 1.0, "x": 1.0}


def begin(sessions: Sessions) -> str:
    return sessions.begin(consent=True, hearing="fine", output="headphones")


def submit(sessions: Sessions, token: str, answer: str, key: str | None = None, **more: object):
    message = sessions.next_trial(token)
    details: dict[str, object] = {"listened_s": dict.fromkeys(message["versions"], 1.0), **more}
    return sessions.record_answer(token, key or message["trial"], answer, **details)


def test_a_whole_sitting(sessions: Sessions) -> None:
    token = begin(sessions)
    slot = sessions.slot(0)
    assert sit_through(sessions, token) == len(slot.trials)
    assert sessions.next_trial(token) == {
        "state": "done",
        "number": slot.n_test_trials,
        "of": slot.n_test_trials,
    }
    rows = sessions.store.rows(sessions.study_id)
    assert [row.kind for row in rows[:2]] == ["study-opened", "session-begun"]
    assert rows[-1].kind == "session-finished"
    numbers = [row.content["number"] for row in rows if row.kind == "answer"]
    assert numbers == list(range(1, len(slot.trials) + 1))


def test_the_message_follows_the_protocol(local_sessions: Sessions) -> None:
    token = begin(local_sessions)
    message = local_sessions.next_trial(token)
    assert message.pop("trial") != message.pop("audio").rsplit("/", 1)[-1]
    assert message == {
        "state": "trial",
        "phase": "practice",
        "number": 1,
        "of": 2,
        "method": "abx",
        "screen": "choice",
        "question": "Is X the same as A or the same as B?",
        "versions": ["a", "b", "x"],
        "labels": {"a": "A", "b": "B", "x": "X"},
        "answers": [{"value": "a", "label": "X is A"}, {"value": "b", "label": "X is B"}],
        "must_hear": ["a", "b", "x"],
    }


def test_asking_again_gives_the_same_trial(local_sessions: Sessions) -> None:
    token = begin(local_sessions)
    first, second = local_sessions.next_trial(token), local_sessions.next_trial(token)
    assert first["trial"] == second["trial"]
    assert first["audio"] != second["audio"]
    name = first["audio"].rsplit("/", 1)[-1]
    assert local_sessions.audio_blob(token, name)[:4] == b"EWA1", "the earlier name still works"


def test_numbers_shown_count_what_matters(local_sessions: Sessions) -> None:
    token = begin(local_sessions)
    seen = []
    while (message := local_sessions.next_trial(token))["state"] == "trial":
        seen.append((message["phase"], message["number"], message["of"]))
        answer_open_trial(local_sessions, token)
    tested = [number for phase, number, _ in seen if phase == "test"]
    assert tested == list(range(1, len(tested) + 1))
    assert {of for phase, _, of in seen if phase == "test"} == {len(tested)}


def test_no_consent_no_sitting(local_sessions: Sessions) -> None:
    with pytest.raises(AnswerRefused, match="agree to take part"):
        local_sessions.begin(consent=False)
    with pytest.raises(AnswerRefused, match="at most 500"):
        local_sessions.begin(consent=True, hearing="x" * 501)


def test_nothing_sent_depends_on_what_is_played(local_sessions: Sessions) -> None:
    """Same method, same phase: messages differ in keys and numbers only."""
    shapes = set()
    for _ in range(4):
        token = begin(local_sessions)
        while (message := local_sessions.next_trial(token))["state"] == "trial":
            sent = {k: v for k, v in message.items() if k not in ("trial", "audio", "number")}
            shapes.add(json.dumps(sent, sort_keys=True))
            text = json.dumps(message)
            for stage in ("untouched", "damped", "ceiling", "refit", "lowpass"):
                assert stage not in text
            answer_open_trial(local_sessions, token)
    assert len(shapes) == 4, "abx and paired, practice and test"


def test_the_same_answer_again_is_acknowledged_and_stored_once(sessions: Sessions) -> None:
    token = begin(sessions)
    key = sessions.next_trial(token)["trial"]
    first = sessions.record_answer(token, key, "a", listened_s=HEARD)
    again = sessions.record_answer(token, key, "a", listened_s=HEARD)
    assert (again.trial, again.feedback) == (first.trial, first.feedback)
    assert again.next["trial"] == first.next["trial"]
    assert len(sessions.store.rows(sessions.study_id, kind="answer")) == 1
    with pytest.raises(Conflict, match="first answer counts"):
        sessions.record_answer(token, key, "b", listened_s=HEARD)
    assert len(sessions.store.rows(sessions.study_id, kind="answer")) == 1


def test_a_double_click_from_two_threads_is_stored_once(sessions: Sessions) -> None:
    token = begin(sessions)
    key = sessions.next_trial(token)["trial"]
    outcomes: list[object] = []

    def click(answer: str) -> None:
        try:
            outcomes.append(sessions.record_answer(token, key, answer, listened_s=HEARD).trial)
        except Conflict as error:
            outcomes.append(error)

    threads = [threading.Thread(target=click, args=("ab"[n % 2],)) for n in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sum(outcome == key for outcome in outcomes) == 4
    assert sum(isinstance(outcome, Conflict) for outcome in outcomes) == 4
    assert len(sessions.store.rows(sessions.study_id, kind="answer")) == 1


def test_practice_gives_feedback_and_tests_do_not(local_sessions: Sessions) -> None:
    token = begin(local_sessions)
    slot = local_sessions.slot(0)
    practice = slot.trials[0]
    right = "a" if practice.plays("x") == practice.plays("a") else "b"
    assert submit(local_sessions, token, right).feedback == {"correct": True}
    second = slot.trials[1]
    wrong = "b" if second.plays("x") == second.plays("a") else "a"
    assert submit(local_sessions, token, wrong).feedback == {"correct": False}
    assert submit(local_sessions, token, "a").feedback is None


def test_practice_of_a_preference_says_what_there_was_to_hear(local_sessions: Sessions) -> None:
    """The second listener begins with the preference test."""
    begin(local_sessions)
    token = begin(local_sessions)
    told = submit(local_sessions, token, "a").feedback
    assert told is not None
    assert told["correct"] is None
    assert "copy with its treble taken away; you chose A." in str(told["message"])


def test_forged_stale_and_early_keys_are_unknown(local_sessions: Sessions) -> None:
    token, other = begin(local_sessions), begin(local_sessions)
    foreign = local_sessions.next_trial(other)["trial"]
    sitting = local_sessions.sitting(token)
    early = local_sessions._tokens.trial_key(sitting.session, 2)
    for key in (foreign, early, "", "x" * 32, "é" * 32, None, 7, ["a"]):
        with pytest.raises(NotFound, match="reload the page"):
            local_sessions.record_answer(token, key, "a", listened_s=HEARD)
    for forged in ("", "x", token[:-1], token + "A", token.swapcase()):
        with pytest.raises(NotFound, match="start again"):
            local_sessions.next_trial(forged)
    assert local_sessions.store.rows(local_sessions.study_id, kind="answer") == []


@pytest.mark.parametrize(
    ("answer", "details", "words"),
    [
        ("c", {}, "has to be one of: a, b"),
        (None, {}, "has to be one of"),
        (["a"], {}, "has to be one of"),
        ("a", {"response_s": "3"}, "number of seconds"),
        ("a", {"response_s": -1.0}, "between 0 and"),
        ("a", {"response_s": float("inf")}, "between 0 and"),
        ("a", {"response_s": True}, "number of seconds"),
        ("a", {"switches": 1.5}, "whole number"),
        ("a", {"switches": -1}, "whole number"),
        ("a", {"listened_s": {"a": 1.0, "b": 2.0}}, "listen to every version .*: X"),
        ("a", {"listened_s": {"a": 1.0, "b": 2.0, "x": 0}}, "listen to every version .*: X"),
        ("a", {"listened_s": {"q": 1.0}}, "name the versions"),
        ("a", {"listened_s": [1]}, "name the versions"),
        ("a", {"colour": "red"}, "fields that are not known"),
    ],
)
def test_answers_that_do_not_fit_are_refused(
    local_sessions: Sessions, answer: object, details: dict[str, object], words: str
) -> None:
    token = begin(local_sessions)
    key = local_sessions.next_trial(token)["trial"]
    with pytest.raises(AnswerRefused, match=words):
        local_sessions.record_answer(token, key, answer, **{"listened_s": HEARD, **details})
    assert local_sessions.next_trial(token)["trial"] == key
    assert local_sessions.store.rows(local_sessions.study_id, kind="answer") == []


def test_audio_is_served_for_the_open_trial_only(local_sessions: Sessions) -> None:
    token, other = begin(local_sessions), begin(local_sessions)
    name = local_sessions.next_trial(token)["audio"].rsplit("/", 1)[-1]
    level = local_sessions.level(token)["audio"].rsplit("/", 1)[-1]
    assert local_sessions.audio_blob(token, level)[4:6] == b"\x01\x00"
    assert local_sessions.audio_blob(token, name)[4:6] == b"\x03\x00"
    other_spelling = name[:-1] + chr(ord(name[-1]) + 1)  # decodes to the same bytes
    for wrong in ("", other_spelling, "../study.toml", name[:-2], name[:-1] + "!", "é", "A" * 5000):
        with pytest.raises(NotFound, match="no longer available"):
            local_sessions.audio_blob(token, wrong)
    with pytest.raises(NotFound, match="no longer available"):
        local_sessions.audio_blob(other, name)
    answer_open_trial(local_sessions, token)
    with pytest.raises(NotFound, match="no longer available"):
        local_sessions.audio_blob(token, name)


def test_breaks_hold_until_resumed(tmp_path, local_store: Store) -> None:
    text = STUDY.replace("listeners = 8", "listeners = 8\nbreak_after_min = 4.0")
    sessions = make_desk(tmp_path / "d", text=text).sessions(local_store)
    token = begin(sessions)
    place = sessions.slot(0).breaks_after[0]
    for _ in range(place):
        answer_open_trial(sessions, token)
    message = sessions.next_trial(token)
    assert message["state"] == "break"
    assert message["resume"] == f"/listen/{token}/resume"
    assert sessions.next_trial(token) == message, "a reload does not end the break"
    assert sessions.open_trial(token) is None
    sitting = sessions.sitting(token)
    key = sessions._tokens.trial_key(sitting.session, place + 1)
    with pytest.raises(NotFound, match="not open yet"):
        sessions.record_answer(token, key, "a", listened_s={"a": 1.0, "b": 1.0, "x": 1.0})
    assert sessions.resume(token)["state"] == "trial"
    assert sessions.resume(token)["state"] == "trial", "resuming twice changes nothing"
    sit_through(sessions, token)
    assert sessions.next_trial(token)["state"] == "done"


def test_the_clock_calls_for_a_break_as_well(
    sessions: Sessions, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whoever takes longer than expected gets the pause when the limit is over."""
    token = begin(sessions)
    answer_open_trial(sessions, token)
    assert sessions.next_trial(token)["state"] == "trial"
    monkeypatch.setattr("abx.session.sitting.FATIGUE_LIMIT", timedelta(milliseconds=1))
    assert sessions.next_trial(token)["state"] == "break"
    monkeypatch.setattr("abx.session.sitting.FATIGUE_LIMIT", timedelta(minutes=25))
    assert sessions.resume(token)["state"] == "trial"
    monkeypatch.setattr("abx.session.sitting.FATIGUE_LIMIT", timedelta(seconds=10))
    answer_open_trial(sessions, token)
    assert sessions.next_trial(token)["state"] == "trial", "the pause begins the count anew"


def test_whoever_was_away_has_rested() -> None:
    start = datetime(2026, 3, 1, 10, 0, tzinfo=UTC)
    steady = [start + timedelta(minutes=one) for one in range(0, 29, 4)]
    assert without_rest(steady) == timedelta(minutes=28)
    assert without_rest([*steady, start + timedelta(minutes=60)]) == timedelta(0)


def test_the_seal_covers_what_was_fixed(desk: Desk, sessions: Sessions) -> None:
    opened = sessions.store.rows(sessions.study_id, kind="study-opened")[0]
    assert sessions.seal == opened.digest
    assert opened.content["seed_commitment"] == sessions.commitment
    assert opened.content["study_sha256"] == desk.study.sha256
    assert opened.content["claims"] == ["listeners prefer refit over untouched"]
    assert opened.content["stopping"] == "fixed"
    assert set(opened.content) >= {"manifest_sha256", "rule", "software", "listeners"}
    assert sessions.opening.vault.seed.hex() not in (opened.body or "")


def test_a_sitting_survives_another_process(sessions: Sessions, shared_desk: Desk) -> None:
    """A second service layer on the same database, as after a restart."""
    token = begin(sessions)
    message = answer_open_trial(sessions, token)
    restarted = shared_desk.sessions(sessions.store)
    assert restarted.next_trial(token)["trial"] == message["trial"]
    name = str(message["audio"]).rsplit("/", 1)[-1]
    assert restarted.audio_blob(token, name)[:4] == b"EWA1"
    assert restarted.commitment == sessions.commitment


def test_slots_fill_in_order_and_come_back(local_sessions: Sessions) -> None:
    tokens = [begin(local_sessions) for _ in range(3)]
    assert [local_sessions.sitting(token).slot for token in tokens] == [0, 1, 2]
    simulated = local_sessions.begin(consent=True, simulated=True)
    assert local_sessions.sitting(simulated).slot == 0, "simulated listeners have slots apart"
    for token in tokens:
        answer_open_trial(local_sessions, token)
    local_sessions.withdraw(tokens[1])
    assert local_sessions.sitting(begin(local_sessions)).slot == 1
    assert local_sessions.sitting(begin(local_sessions)).slot == 3


def test_abandoned_slots_come_back_and_answered_ones_do_not(
    local_sessions: Sessions, monkeypatch: pytest.MonkeyPatch
) -> None:
    tokens = [begin(local_sessions) for _ in range(2)]
    answer_open_trial(local_sessions, tokens[1])
    assert local_sessions.sitting(begin(local_sessions)).slot == 2, "both are still at it"
    # As if all of them had begun more than the limit ago.
    monkeypatch.setattr("abx.session.slots.ABANDONED_AFTER", timedelta(minutes=-1))
    assert local_sessions.sitting(begin(local_sessions)).slot == 0
    answer_open_trial(local_sessions, tokens[0])
    assert local_sessions.sitting(begin(local_sessions)).slot == 2, "0 and 1 are answered"


def test_simulated_listeners_hear_another_schedule(local_sessions: Sessions) -> None:
    """A rehearsal shown to staff must not give away the schedule of people."""
    assert local_sessions.slot(0, simulated=True) != local_sessions.slot(0)


def test_withdrawing_forgets_and_keeps_the_chain(sessions: Sessions) -> None:
    token = begin(sessions)
    answer_open_trial(sessions, token)
    assert sessions.withdraw(token) == 2
    rows = sessions.store.rows(sessions.study_id)
    assert [row.body is None for row in rows] == [False, True, True, False]
    for call in (sessions.next_trial, sessions.level, sessions.resume, sessions.withdraw):
        with pytest.raises(Gone, match="withdrawn"):
            call(token)


def test_a_withdrawal_reaches_other_processes(sessions: Sessions, shared_desk: Desk) -> None:
    token = begin(sessions)
    key = sessions.next_trial(token)["trial"]
    shared_desk.sessions(sessions.store).withdraw(token)
    with pytest.raises(Gone, match="withdrawn"):
        sessions.record_answer(token, key, "a", listened_s=HEARD)


def test_closing_ends_everything_and_reveals_the_seed(sessions: Sessions) -> None:
    token = begin(sessions)
    key = sessions.next_trial(token)["trial"]
    before = sessions.standing()
    assert (before.state, before.seed) == ("open", None)
    seed = sessions.close()
    assert sessions.close() == seed
    after = sessions.standing()
    assert (after.state, after.seed, after.n_sessions) == ("closed", seed, 1)
    assert after.seed_commitment == before.seed_commitment
    assert sessions.closed
    assert sessions.next_trial(token)["state"] == "closed"
    with pytest.raises(Gone, match="too late"):
        sessions.record_answer(token, key, "a", listened_s=HEARD)
    with pytest.raises(Gone, match="closed"):
        begin(sessions)


def test_counts_tell_how_many_and_never_what(local_sessions: Sessions) -> None:
    """Two panels that answer in opposite ways look the same to staff."""
    tokens = [begin(local_sessions) for _ in range(2)]
    sit_through(local_sessions, tokens[0])
    for _ in range(6):
        answer_open_trial(local_sessions, tokens[1])
    counts = local_sessions.counts()
    slot = local_sessions.slot(0)
    first, second = counts["listeners"]
    assert (first["answered"], first["of"], first["finished"]) == (slot.n_test_trials,) * 2 + (
        True,
    )
    assert second["finished"] is False
    assert counts["state"] == "open"
    assert sum(counts["methods"].values()) == first["answered"] + second["answered"]
    assert {pair["method"] for pair in counts["pairs"]} == {"abx", "paired"}
    text = json.dumps(counts)
    for word in ('"answer"', "correct", "prefer", "seed", "slot"):
        assert word not in text


def test_an_edited_study_does_not_slip_in_beside_answers(desk: Desk, local_store: Store) -> None:
    sessions = desk.sessions(local_store)
    token = begin(sessions)
    file = desk.root / "study.toml"
    file.write_text(STUDY.replace("alpha", "alpha").replace("listeners = 8", "listeners = 9"))
    assert desk.sessions(local_store).study_id != sessions.study_id, "no answers yet: fine"
    answer_open_trial(sessions, token)
    file.write_text(STUDY.replace("listeners = 8", "listeners = 10"))
    with pytest.raises(StudyChanged, match="Restore the earlier files"):
        desk.sessions(local_store)
    file.write_text(STUDY)
    assert desk.sessions(local_store).next_trial(token)["state"] == "trial"
    sessions.close()
    file.write_text(STUDY.replace("listeners = 8", "listeners = 10"))
    assert desk.sessions(local_store).study_id != sessions.study_id, "a new version, own seal"


def test_a_swapped_stimulus_is_not_played(desk: Desk, local_store: Store) -> None:
    sessions = desk.sessions(local_store)
    files = sorted((desk.root / "stimuli").glob("*.flac"))
    one, other = files[0].read_bytes(), files[1].read_bytes()
    for file in files:
        file.write_bytes(other if file.read_bytes() == one else one)
    token = begin(sessions)
    name = sessions.next_trial(token)["audio"].rsplit("/", 1)[-1]
    with pytest.raises(InputError, match="hash differs"):
        sessions.audio_blob(token, name)


def test_tokens_are_unguessable_and_stored_as_hashes(local_sessions: Sessions) -> None:
    tokens = {begin(local_sessions) for _ in range(20)}
    assert len(tokens) == 20
    assert all(len(token) >= 43 for token in tokens), "256 bits"
    stored = json.dumps(
        [row.body or "" for row in local_sessions.store.rows(local_sessions.study_id)]
    )
    stored += " ".join(row.key for row in local_sessions.store.rows(local_sessions.study_id))
    assert not any(token in stored for token in tokens)


def test_a_listener_may_come_back(local_sessions: Sessions) -> None:
    token = local_sessions.begin(consent=True, listener="L-OLD2")
    assert local_sessions.sitting(token).listener == "L-OLD2"
    for bad in ("<script>", "a b", "x" * 30, "", "ANNA", "L-anna", "Anna Berg"):
        with pytest.raises(AnswerRefused, match="listener code"):
            local_sessions.begin(consent=True, listener=bad)


def test_the_database_browser_shows_no_result(local_sessions: Sessions) -> None:
    """Before closing, no row of the log tells which stage an answer was about."""
    token = begin(local_sessions)
    sit_through(local_sessions, token)
    for row in local_sessions.store.rows(local_sessions.study_id):
        if row.kind != "study-opened":
            for stage in ("untouched", "damped", "ceiling", "refit", "lowpass"):
                assert stage not in (row.body or "")
    seed = local_sessions.opening.vault.seed.hex()
    assert all(
        seed not in (row.body or "") for row in local_sessions.store.rows(local_sessions.study_id)
    )


# Getting to know the versions, and short visits -------------------------------------------------


def test_familiarisation_comes_first_and_is_no_answer(sessions: Sessions) -> None:
    """All four stages with all three programmes, each letter heard, nothing asked or told."""
    token = sessions.begin(consent=True, familiarise=True)
    seed = sessions.opening.vault.seed
    sets = listening_sets(sessions.study, seed, sessions.sitting(token).slot)
    heard = []
    for number in (1, 2, 3):
        message = sessions.next_trial(token)
        assert (message["state"], message["phase"]) == ("trial", "familiarisation")
        assert (message["number"], message["of"], message["answers"]) == (number, 3, [])
        assert sorted(message["versions"]) == list("abcd")
        assert not [
            stage for stage in ("untouched", "damped", "refit") if stage in json.dumps(message)
        ]
        assert sessions.next_trial(token)["trial"] == message["trial"], "a reload"
        assert sessions.open_trial(token) is None
        name = message["audio"].rsplit("/", 1)[-1]
        assert sessions.audio_blob(token, name)[4:6] == b"\x04\x00"
        with pytest.raises(AnswerRefused, match="listen to every version: D"):
            sessions.record_answer(
                token, message["trial"], "heard", listened_s=dict.fromkeys("abc", 1.0)
            )
        listened = dict.fromkeys("abcd", 1.5)
        done = sessions.record_answer(token, message["trial"], "heard", listened_s=listened)
        again = sessions.record_answer(token, message["trial"], "heard", listened_s=listened)
        assert done.feedback is None
        assert done.next["trial"] == again.next["trial"]
        heard.append(sets[number - 1])
    assert {one.programme for one in heard} == {"kite-street", "tin-roof", "low-tide"}
    for one in heard:
        assert {source for _, source in one.versions} == {"untouched", "damped", "ceiling", "refit"}
    assert sessions.next_trial(token)["phase"] == "practice"
    kinds = [row.kind for row in sessions.store.rows(sessions.study_id)]
    assert kinds == ["study-opened", "session-begun", *3 * ["familiarised"]]
    with pytest.raises(NotFound, match="no longer available"):
        sessions.audio_blob(token, name)


def test_questions_wait_until_the_versions_are_known(local_sessions: Sessions) -> None:
    token = local_sessions.begin(consent=True, familiarise=True)
    sitting = local_sessions.sitting(token)
    first = local_sessions._tokens.trial_key(sitting.session, 1)
    with pytest.raises(NotFound, match="not open yet"):
        local_sessions.record_answer(token, first, "a", listened_s=HEARD)
    second = local_sessions._tokens.trial_key(sitting.session, -2)
    with pytest.raises(NotFound, match="not open yet"):
        local_sessions.record_answer(token, second, "heard", listened_s=dict.fromkeys("abcd", 1.0))


def test_letters_are_dealt_anew(desk: Desk) -> None:
    """Over many listeners and sets each stage stands behind each letter as often."""
    places = Counter(
        (letter, source)
        for index in range(400)
        for one in listening_sets(desk.study, bytes(32), index)
        for letter, source in one.versions
    )
    assert len(places) == 16
    assert chisquare(list(places.values())).pvalue > 1e-4


def test_a_rating_is_got_to_know_with_its_anchors() -> None:
    """ITU-R BS.1534-3 trains listeners with all signals; more than six are spread evenly."""
    text = STUDY.split("[[tests]]", 1)[0] + (
        '[[tests]]\nmethod = "rating"\nstages = "all"\nreference = "refit"\ntrials = 1\n'
        "[plan]\nlisteners = 4\n"
    )
    sets = listening_sets(study_from_text(text), bytes(32), 0)
    assert [len(one.versions) for one in sets] == [6, 6, 6]
    assert {"lowpass-3500:refit", "lowpass-7000:refit"} < {s for _, s in sets[0].versions}


def test_a_visit_is_short_and_leaves_whole_sittings_alone(desk: Desk, sessions: Sessions) -> None:
    tokens = [sessions.begin(consent=True, visit=True, familiarise=True) for _ in range(4)]
    slots = [sessions.sitting(token).slot for token in tokens]
    assert slots == [VISITS, VISITS + 1, VISITS + 2, VISITS + 3]
    assert sessions.sitting(begin(sessions)).slot == 0
    for token in tokens:
        message = sessions.next_trial(token)
        assert (message["phase"], message["of"]) == ("familiarisation", 1)
        heard = dict.fromkeys(message["versions"], 1.0)
        sessions.record_answer(token, message["trial"], "heard", listened_s=heard)
        sit_through(sessions, token)
        assert sessions.next_trial(token)["state"] == "done"
    checks = check_log(sessions.store, sessions.study, desk.manifest, desk.root / "stimuli")
    assert [one.words for one in checks if not one.passed] == []
    sessions.close()
    frame = trial_rows(sessions.store, sessions.study)
    assert len(frame) == sum(sessions.slot(slot).n_test_trials for slot in slots)
    assert set(frame["method"]) == {"abx", "paired"}


def test_a_set_that_was_skipped_is_found(desk: Desk, local_sessions: Sessions) -> None:
    """Somebody takes the rows of familiarisation for granted and writes an answer at once."""
    token = local_sessions.begin(consent=True, familiarise=True)
    sitting = local_sessions.sitting(token)
    body = {"number": 1, "phase": "practice", "answer": "a"}
    entry = Entry("answer", f"answer:{sitting.session}:1", body, sitting.session)
    with local_sessions.store.writing(local_sessions.study_id) as chain:
        chain.append(entry)
    checks = check_log(
        local_sessions.store, local_sessions.study, desk.manifest, desk.root / "stimuli"
    )
    [failed] = [one for one in checks if not one.passed]
    assert "was given before all versions were known" in failed.words
