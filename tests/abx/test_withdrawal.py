"""Taking answers back: by the listener's own code, by staff, by the command."""

from __future__ import annotations

import re

import pytest
from click.testing import CliRunner

from abx.cli import cli
from abx.errors import Gone, NotFound
from abx.evidence.log_check import check_log
from abx.session.sessions import Sessions
from abx.session.withdrawal import withdraw, withdrawal_code
from abx.store import Store
from helpers.study_desk import Desk, answer_open_trial, sit_through


def words_of(desk: Desk, store: Store) -> dict[str, str]:
    found = check_log(store, desk.study, desk.manifest, desk.root / "stimuli")
    assert [one.words for one in found if not one.passed] == []
    return {one.name: one.words for one in found}


def test_a_listener_takes_one_sitting_back(sessions: Sessions, shared_desk: Desk) -> None:
    tokens = [sessions.begin(consent=True) for _ in range(2)]
    n_answers = sit_through(sessions, tokens[0])
    answer_open_trial(sessions, tokens[1])
    code = withdrawal_code(sessions, tokens[0])
    assert re.fullmatch(r"([2-9A-HJ-NP-Z]{4}-){3}[2-9A-HJ-NP-Z]{4}", code)
    assert code != withdrawal_code(sessions, tokens[1])
    assert "withdrawals" not in words_of(shared_desk, sessions.store)

    done = withdraw(sessions, f" {code.lower().replace('-', ' ')} ")
    rows = [row for row in sessions.store.rows(sessions.study_id) if row.body is None]
    assert done.n_sittings == 1
    assert done.n_rows == len(rows)
    assert sum(row.kind == "answer" for row in rows) == n_answers
    assert f"{len(rows)} rows" in done.words
    with pytest.raises(Gone, match="withdrawn"):
        sessions.next_trial(tokens[0])
    with pytest.raises(NotFound, match="No answers are kept under this code"):
        withdraw(sessions, code)
    assert sessions.next_trial(tokens[1])["state"] == "trial", "nobody else is touched"
    words = words_of(shared_desk, sessions.store)["withdrawals"]
    assert words.startswith("1 sitting was withdrawn (20")
    assert f"{n_answers} answers, {len(rows)} rows without content" in words


def test_a_listener_code_is_no_key_for_strangers(local_sessions: Sessions) -> None:
    token = local_sessions.begin(consent=True)
    listener = local_sessions.sitting(token).listener
    again = local_sessions.begin(consent=True, listener=listener)
    with pytest.raises(NotFound, match="No answers"):
        withdraw(local_sessions, listener)
    done = withdraw(local_sessions, listener, by_staff=True)
    assert (done.listener, done.n_sittings) == (listener, 2)
    with pytest.raises(Gone, match="withdrawn"):
        local_sessions.next_trial(again)


def test_withdrawing_after_closing_keeps_the_log_whole(
    sessions: Sessions, shared_desk: Desk
) -> None:
    token = sessions.begin(consent=True)
    sit_through(sessions, token)
    code = withdrawal_code(sessions, token)
    sessions.close()
    withdraw(sessions, code)
    assert "withdrawals" in words_of(shared_desk, sessions.store)


def test_a_withdrawal_that_left_contents_behind_is_named(
    local_sessions: Sessions, shared_desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    token = local_sessions.begin(consent=True)
    answer_open_trial(local_sessions, token)
    monkeypatch.setattr("abx.store.store.Appender.erase_bodies", lambda *_: 0)
    local_sessions.withdraw(token)
    found = check_log(
        local_sessions.store, shared_desk.study, shared_desk.manifest, shared_desk.root / "stimuli"
    )
    failed = {one.name: one.words for one in found if not one.passed}
    assert "still has its content" in failed["withdrawals"]


def test_the_command(desk: Desk) -> None:
    from abx.web.server import open_sessions

    sessions = open_sessions(desk.root)
    token = sessions.begin(consent=True)
    answer_open_trial(sessions, token)
    code = withdrawal_code(sessions, token)
    sessions.store.close()
    results = desk.root / "results"
    results.mkdir()
    (results / "trials.csv").write_text("kept")

    refused = CliRunner().invoke(cli, ["withdraw", str(desk.root), "--code", code], input="n\n")
    assert refused.exit_code == 1
    done = CliRunner().invoke(cli, ["withdraw", str(desk.root), "--code", code, "--yes"])
    assert done.exit_code == 0, done.output
    assert "1 sitting of L-" in done.output
    assert "still holding the answers: trials.csv in" in done.output
    twice = CliRunner().invoke(cli, ["withdraw", str(desk.root), "--code", code, "--yes"])
    assert isinstance(twice.exception, NotFound)
