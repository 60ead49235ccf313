"""Tampering: every way of bending the evidence is caught, and named."""

from __future__ import annotations

import dataclasses
import json
import sqlite3
from collections.abc import Callable
from pathlib import Path

import pytest

from abx.errors import StoreError
from abx.evidence.findings import CheckOutcome
from abx.evidence.log_check import chain_head, check_log
from abx.session.sessions import Sessions
from abx.session.simulate import run_panel
from abx.store import Store, open_store
from helpers.study_desk import STUDY, Desk, answer_open_trial, sit_through


def check(desk: Desk, store: Store, **options: str) -> dict[str, CheckOutcome]:
    found = check_log(store, desk.study, desk.manifest, desk.root / "stimuli", **options)
    return {one.name: one for one in found}


def failed(checks: dict[str, CheckOutcome]) -> set[str]:
    return {name for name, one in checks.items() if not one.passed}


def filled(desk: Desk, store: Store, *, close: bool = True) -> Sessions:
    """Two people, one who left half-way, one who withdrew, one simulated listener."""
    sessions = desk.sessions(store)
    tokens = [sessions.begin(consent=True) for _ in range(3)]
    sit_through(sessions, tokens[0])
    for _ in range(5):
        answer_open_trial(sessions, tokens[1])
        answer_open_trial(sessions, tokens[2])
    sessions.withdraw(tokens[2])
    run_panel(sessions, n_listeners=1, seed=1)
    if close:
        sessions.close()
    return sessions


def test_an_honest_study_holds(store: Store, shared_desk: Desk) -> None:
    sessions = filled(shared_desk, store, close=False)
    checks = check(shared_desk, store)
    assert failed(checks) == set(), checks
    assert "the study is open" in checks["closing"].words
    assert "sealed seed" in checks["seed"].words
    sessions.close()
    checks = check(shared_desk, store)
    assert failed(checks) == set(), checks
    assert "revealed seed" in checks["seed"].words
    count, head = chain_head(store, sessions.study_id)
    assert count == len(store.rows(sessions.study_id))
    assert failed(check(shared_desk, store, expected_head=head)) == set()
    assert failed(check(shared_desk, store, expected_head="0" * 64)) == {"head"}


def test_a_sitting_under_another_version_is_named(local_store: Store, shared_desk: Desk) -> None:
    sessions = filled(shared_desk, local_store, close=False)
    assert failed(check(shared_desk, local_store)) == set()
    sessions.opening = dataclasses.replace(sessions.opening, software="99.0")
    sessions.begin(consent=True)
    checks = check(shared_desk, local_store)
    assert failed(checks) == {"software"}
    assert "was run by version 99.0, the seal names" in checks["software"].words


def test_an_empty_database_is_named(local_store: Store, shared_desk: Desk) -> None:
    with pytest.raises(StoreError, match="holds no study"):
        check(shared_desk, local_store)


class Forger:
    """Somebody with full access to the database file, who drops the triggers first."""

    def __init__(self, file: Path) -> None:
        self.connection = sqlite3.connect(file)
        names = self.connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'")
        for (name,) in names.fetchall():
            self.connection.execute(f"DROP TRIGGER {name}")

    def run(self, statement: str, *values: object) -> None:
        assert self.connection.execute(statement, values).rowcount != 0, statement
        self.connection.commit()

    def seqs(self, kind: str) -> list[int]:
        query = "SELECT seq FROM log WHERE kind = ? ORDER BY seq"
        return [seq for (seq,) in self.connection.execute(query, (kind,))]

    def edit_body(self, seq: int, change: Callable[[dict[str, object]], object]) -> None:
        query = "SELECT body FROM log_body WHERE seq = ?"
        body = json.loads(self.connection.execute(query, (seq,)).fetchone()[0])
        change(body)
        text = json.dumps(body, sort_keys=True, separators=(",", ":"))
        self.run("UPDATE log_body SET body = ? WHERE seq = ?", text, seq)


def flip_answer(forger: Forger) -> None:
    forger.edit_body(
        forger.seqs("answer")[3], lambda body: body.update(answer="ab"[body["answer"] == "a"])
    )


def flip_one_byte(forger: Forger) -> None:
    seq = forger.seqs("answer")[2]
    forger.run("UPDATE log_body SET body = replace(body, '3.0', '3.1') WHERE seq = ?", seq)


def drop_trial(forger: Forger) -> None:
    seq = forger.seqs("answer")[4]
    forger.run("DELETE FROM log_body WHERE seq = ?", seq)
    forger.run("DELETE FROM log WHERE seq = ?", seq)


def drop_answer_before_closing(forger: Forger) -> None:
    seq = forger.seqs("study-closed")[0] - 1
    forger.run("DELETE FROM log_body WHERE seq = ?", seq)
    forger.run("DELETE FROM log WHERE seq = ?", seq)
    forger.run("UPDATE log SET seq = seq - 1 WHERE seq = ?", seq + 1)
    forger.run("UPDATE log_body SET seq = seq - 1 WHERE seq = ?", seq + 1)


def add_trial(forger: Forger) -> None:
    forger.run(
        "INSERT INTO log SELECT study, (SELECT max(seq) + 1 FROM log), kind, session,"
        " session_seq + 1, 'answer:forged:1', at, body_digest, digest, digest, digest"
        " FROM log WHERE seq = ?",
        forger.seqs("answer")[-1],
    )


def reorder_trials(forger: Forger) -> None:
    one, other = forger.seqs("answer")[1:3]
    for table in ("log", "log_body"):
        forger.run(f"UPDATE {table} SET seq = -1 WHERE seq = ?", one)
        forger.run(f"UPDATE {table} SET seq = ? WHERE seq = ?", one, other)
        forger.run(f"UPDATE {table} SET seq = ? WHERE seq = -1", other)


def backdate_trial(forger: Forger) -> None:
    forger.run(
        "UPDATE log SET at = '2001-01-01T00:00:00.000+00:00' WHERE seq = ?",
        forger.seqs("answer")[6],
    )


def erase_answer(forger: Forger) -> None:
    forger.run("DELETE FROM log_body WHERE seq = ?", forger.seqs("answer")[0])


def move_to_another_sitting(forger: Forger) -> None:
    begun = forger.seqs("session-begun")[1]
    forger.run(
        "UPDATE log SET session = (SELECT session FROM log WHERE seq = ?) WHERE seq = ?",
        begun,
        forger.seqs("answer")[0],
    )


def reveal_another_seed(forger: Forger) -> None:
    forger.edit_body(forger.seqs("study-closed")[0], lambda body: body.update(seed="ab" * 32))


def real_listener_made_simulated(forger: Forger) -> None:
    forger.edit_body(forger.seqs("session-begun")[0], lambda body: body.update(simulated=True))


@pytest.mark.parametrize(
    ("forge", "names", "words"),
    [
        (flip_answer, {"bodies"}, "holds other content than was stored"),
        (flip_one_byte, {"bodies"}, "holds other content than was stored"),
        (drop_trial, {"chain", "sittings"}, "are missing"),
        (drop_answer_before_closing, {"chain", "closing"}, "does not follow the row before it"),
        (add_trial, {"chain", "bodies", "closing"}, "does not match its hash"),
        (reorder_trials, {"chain", "sittings"}, "does not match its hash"),
        (backdate_trial, {"chain"}, "is dated before the row before it"),
        (erase_answer, {"bodies", "sittings"}, "lost its content, and nobody withdrew"),
        (move_to_another_sitting, {"chain", "sittings"}, "in its sitting"),
        (reveal_another_seed, {"bodies", "seed"}, "not the one whose hash was published"),
        (real_listener_made_simulated, {"bodies"}, "holds other content than was stored"),
    ],
)
def test_a_forged_database_is_caught(
    tmp_path: Path,
    shared_desk: Desk,
    forge: Callable[[Forger], None],
    names: set[str],
    words: str,
) -> None:
    file = tmp_path / "log.db"
    with open_store(f"sqlite:///{file}") as store:
        filled(shared_desk, store)
        assert failed(check(shared_desk, store)) == set()
    forger = Forger(file)
    forge(forger)
    forger.connection.close()
    with open_store(f"sqlite:///{file}") as store:
        checks = check(shared_desk, store)
    assert names <= failed(checks), checks
    assert words in " ".join(one.words for one in checks.values() if not one.passed)


def test_a_forger_who_recomputes_the_chain_needs_the_noted_head(
    tmp_path: Path, shared_desk: Desk
) -> None:
    """Whoever rewrites the whole log consistently is caught by the head noted elsewhere."""
    genuine, forged = tmp_path / "a.db", tmp_path / "b.db"
    with open_store(f"sqlite:///{genuine}") as store:
        sessions = filled(shared_desk, store)
        _, head = chain_head(store, sessions.study_id)
    with open_store(f"sqlite:///{forged}") as store:
        filled(shared_desk, store)
        assert failed(check(shared_desk, store)) == set(), "consistent in itself"
        assert failed(check(shared_desk, store, expected_head=head)) == {"head"}


def test_a_study_that_was_sealed_with_the_former_name_of_its_target_holds(
    desk: Desk, local_store: Store
) -> None:
    former = STUDY.replace('target = "house-curve"', 'target = "car-cabin"')
    (desk.root / "study.toml").write_text(former)
    filled(desk, local_store)
    assert failed(check(desk, local_store)) == set()
    (desk.root / "study.toml").write_text(STUDY)
    found = check(desk, local_store)["study file"]
    assert not found.passed, "the file of today is not the sealed one"
    assert "the target" not in found.words


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("prefer refit over untouched", "prefer refit over damped", "the claims"),
        ("listeners = 8", "listeners = 6", "the plan"),
        ("trials = 4", "trials = 3", "the tests"),
        ("cost = 400.0", "cost = 300.0", "the stages"),
        ("cost = 400.0", "", "the stages"),
        ("[plan]", '[prices]\ncurrency = "EUR"\n\n[plan]', "how money is counted"),
        ('target = "house-curve"', 'target = "flat"', "the target"),
    ],
)
def test_an_edited_study_file_is_caught(
    desk: Desk, local_store: Store, old: str, new: str, words: str
) -> None:
    filled(desk, local_store)
    (desk.root / "study.toml").write_text(STUDY.replace(old, new))
    checks = check(desk, local_store)
    assert "study file" in failed(checks)
    assert words in checks["study file"].words


def test_touched_stimuli_are_caught(desk: Desk, local_store: Store) -> None:
    filled(desk, local_store)
    folder = desk.root / "stimuli"
    one = folder / desk.manifest.stimulus("untouched", "low-tide").file_name
    other = folder / desk.manifest.stimulus("refit", "low-tide").file_name
    first, second = one.read_bytes(), other.read_bytes()

    one.write_bytes(second)
    other.write_bytes(first)
    words = check(desk, local_store)["stimuli"].words
    assert (
        "of untouched, low-tide holds the stimulus of refit, low-tide: they were swapped" in words
    )

    one.write_bytes(first[:-1] + bytes([first[-1] ^ 1]))
    other.write_bytes(second)
    words = check(desk, local_store)["stimuli"].words
    assert words == "the stimulus of untouched, low-tide was changed"

    one.unlink()
    assert "is missing" in check(desk, local_store)["stimuli"].words

    one.write_bytes(first)
    manifest = folder / "manifest.json"
    manifest.write_text(manifest.read_text() + " ")
    assert "manifest differs from the sealed one" in check(desk, local_store)["stimuli"].words
