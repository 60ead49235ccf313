"""The log, on SQLite and on a real PostgreSQL server: append-only, chained, exactly once."""

from __future__ import annotations

import hashlib
import json
import multiprocessing
import sqlite3
import threading
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import event, text
from sqlalchemy.exc import DBAPIError, OperationalError

from abx.errors import InputError, StoreError
from abx.store import Entry, Store, open_store
from abx.store.chain import GENESIS
from abx.store.engine import open_engine
from abx.store.migrate import current_revision, head_revision, migrate
from abx.store.store import Appender
from helpers.guards import GUARD_S, wait_until
from helpers.real_postgres import PostgresServer, postgres_server

SPAWN = multiprocessing.get_context("spawn")


def entry(number: int, *, session: str = "s-1") -> Entry:
    return Entry("answer", f"answer:{session}:{number}", {"number": number, "answer": "a"}, session)


def test_rows_come_back_as_they_went_in(store: Store) -> None:
    body = {"title": "Café “quoted” 日本", "n": [1, 2.5, None, True]}
    [row] = store.append("one", [Entry("study-opened", "study-opened", body)])
    assert store.rows("one") == [row]
    assert row.content == body
    assert (row.seq, row.session_seq, row.prev, row.session_prev) == (1, 0, GENESIS, GENESIS)
    assert datetime.fromisoformat(row.at).utcoffset() == timedelta(0)


def test_the_chain_is_what_the_documentation_says(store: Store) -> None:
    """Recomputed here from the rule alone."""
    store.append("one", [entry(1), entry(1, session="s-2"), entry(2)])
    rows = store.rows("one")
    assert [row.seq for row in rows] == [1, 2, 3]
    assert [row.session_seq for row in rows] == [1, 1, 2]
    assert rows[2].session_prev == rows[0].digest
    previous = GENESIS
    for row in rows:
        assert row.prev == previous
        assert row.body_digest == hashlib.sha256(f"{row.salt}\n{row.body}".encode()).hexdigest()
        fields = [
            row.study,
            row.seq,
            row.kind,
            row.session,
            row.session_seq,
            row.key,
            row.at,
            row.body_digest,
            row.session_prev,
            row.prev,
        ]
        listed = json.dumps(fields, separators=(",", ":")).encode()
        assert row.digest == hashlib.sha256(listed).hexdigest()
        previous = row.digest


def test_studies_have_chains_of_their_own(store: Store) -> None:
    store.append("one", [entry(1)])
    store.append("two", [entry(1), entry(2)])
    assert store.studies() == ["one", "two"]
    assert [row.seq for row in store.rows("two")] == [1, 2]


def test_the_same_key_is_stored_once(store: Store) -> None:
    [first] = store.append("one", [entry(1)])
    [again] = store.append("one", [Entry("answer", "answer:s-1:1", {"answer": "b"}, "s-1")])
    assert again == first
    assert len(store.rows("one")) == 1


def test_a_block_is_stored_whole_or_not_at_all(store: Store) -> None:
    def half() -> None:
        with store.writing("one") as chain:
            chain.append(entry(1))
            raise RuntimeError("in the middle")

    with pytest.raises(RuntimeError, match="in the middle"):
        half()
    assert store.rows("one") == []


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE log SET kind = 'other'",
        "UPDATE log SET seq = seq",
        "DELETE FROM log",
        "UPDATE log_body SET body = '{}'",
        "DELETE FROM log_body",
        "INSERT INTO log SELECT study, seq + 5, kind, session, session_seq, 'k9', at, body_digest,"
        " session_prev, prev, digest FROM log WHERE seq = 1",
    ],
)
def test_the_database_itself_refuses_changes(store: Store, statement: str) -> None:
    store.append("one", [entry(1), entry(2)])
    before = store.rows("one")
    with pytest.raises(DBAPIError, match="append-only"), store.engine.begin() as connection:
        connection.execute(text(statement))
    assert store.rows("one") == before


def test_sqlite_refuses_replacing_inserts(local_store: Store) -> None:
    local_store.append("one", [entry(1)])
    replacing = (
        "INSERT OR REPLACE INTO log SELECT study, seq, 'forged', session, session_seq, key, at,"
        " body_digest, session_prev, prev, digest FROM log"
    )
    body = "INSERT OR REPLACE INTO log_body SELECT study, seq, salt, '{}' FROM log_body"
    for statement in (replacing, body):
        with (
            pytest.raises(DBAPIError, match="append-only"),
            local_store.engine.begin() as connection,
        ):
            connection.execute(text(statement))


@pytest.mark.postgres
def test_postgresql_refuses_truncate(request: pytest.FixtureRequest) -> None:
    server = request.getfixturevalue("postgres")
    with open_store(server.new_database()) as store:
        store.append("one", [entry(1)])
        for table in ("log_body", "log, log_body"):
            with pytest.raises(DBAPIError, match="append-only"), store.engine.begin() as connection:
                connection.execute(text(f"TRUNCATE {table}"))
        assert len(store.rows("one")) == 1


def test_only_a_withdrawal_lets_bodies_go(store: Store) -> None:
    store.append("one", [entry(1), entry(1, session="s-2")])

    def erase(session: str) -> int:
        with store.writing("one") as chain:
            return chain.erase_bodies(session)

    with pytest.raises(StoreError, match="append-only: no delete without a withdrawal"):
        erase("s-1")
    store.append("one", [Entry("withdrawal", "withdrawal:s-1", {"slot": 0}, "s-1")])
    assert erase("s-1") == 1
    rows = store.rows("one")
    assert [row.body is None for row in rows] == [True, False, False]
    with pytest.raises(StoreError, match="no delete without"):
        erase("s-2")


def test_time_never_runs_backwards(store: Store) -> None:
    later = datetime(2031, 5, 1, tzinfo=UTC)
    with store.writing("one") as chain:
        first = chain.append(entry(1), now=lambda: later)
        second = chain.append(entry(2), now=lambda: later - timedelta(days=400))
    assert first.at == second.at == "2031-05-01T00:00:00.000+00:00"


def test_threads_share_a_store(store: Store) -> None:
    def work(name: str) -> None:
        for number in range(1, 11):
            store.append("one", [entry(number, session=name)])

    threads = [threading.Thread(target=work, args=(f"s-{n}",)) for n in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    rows = store.rows("one")
    assert [row.seq for row in rows] == list(range(1, 61))
    assert all(b.prev == a.digest for a, b in pairwise(rows))


def _append_many(url: str, name: str, count: int) -> None:
    with open_store(url) as store:
        for number in range(1, count + 1):
            store.append("one", [entry(number, session=name), entry(number, session="shared")])


def test_processes_share_a_database_from_its_first_second(database_url: str) -> None:
    """Three processes create, migrate and fill one database at the same time."""
    workers = [
        SPAWN.Process(target=_append_many, args=(database_url, f"s-{n}", 15)) for n in range(3)
    ]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join(GUARD_S)
        assert worker.exitcode == 0
    with open_store(database_url) as store:
        rows = store.rows("one")
    assert len(rows) == 3 * 15 + 15, "rows of the shared keys are there once"
    assert all(b.prev == a.digest for a, b in pairwise(rows))


def test_migrations_are_all_or_nothing(database_url: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """A migration that dies half-way leaves nothing behind; the next start finishes it."""
    from sqlalchemy import Connection

    execute = Connection.execute
    calls = 0

    def failing(self: Connection, statement: object, *args: object, **kwargs: object) -> object:
        nonlocal calls
        if "CREATE TABLE vault" in str(statement):
            calls += 1
            raise RuntimeError("pulled the plug")
        return execute(self, statement, *args, **kwargs)  # type: ignore[arg-type]

    engine = open_engine(database_url)
    with monkeypatch.context() as patched:
        patched.setattr(Connection, "execute", failing)
        with pytest.raises(RuntimeError, match="pulled the plug"):
            migrate(engine)
    assert calls == 1
    with engine.connect() as connection:
        assert current_revision(connection) is None
        names = engine.dialect.get_table_names(connection)
    assert names == []
    migrate(engine)
    with engine.connect() as connection:
        assert current_revision(connection) == head_revision()
    engine.dispose()


def test_a_database_of_a_newer_version_is_refused(database_url: str) -> None:
    with open_store(database_url) as store, store.engine.begin() as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = '9999'"))
    with pytest.raises(StoreError, match="schema '9999', which this version does not know"):
        open_store(database_url)


def test_sqlite_is_set_up_to_survive_a_power_cut(local_store: Store) -> None:
    with local_store.engine.connect() as connection:
        assert connection.exec_driver_sql("PRAGMA journal_mode").scalar() == "wal"
        assert connection.exec_driver_sql("PRAGMA synchronous").scalar() == 2  # FULL
        assert connection.exec_driver_sql("PRAGMA foreign_keys").scalar() == 1


def waiting(store: Store) -> int:
    """How many pieces of work wait for their turn."""
    return len(store._jobs)


def start_behind_each_other(store: Store, threads: list[threading.Thread]) -> None:
    """Start the first, which is held up at its work, and have the others wait in their order."""
    for place, thread in enumerate(threads):
        thread.start()
        wait_until(
            lambda n=place: store._lock.locked() and waiting(store) == n, "they never waited"
        )


def test_waiting_answers_share_a_commit(store: Store) -> None:
    """While one commit takes long, those that wait gather for the next."""
    commits = 0
    gate = threading.Event()

    @event.listens_for(store.engine, "commit")
    def slow(_connection: object) -> None:
        nonlocal commits
        commits += 1
        gate.wait(GUARD_S)

    results: list[int] = []

    def work(number: int) -> None:
        row = store.write("one", lambda chain: chain.append(entry(number)))
        results.append(row.seq)

    threads = [threading.Thread(target=work, args=(n,)) for n in range(12)]
    start_behind_each_other(store, threads)
    gate.set()
    for thread in threads:
        thread.join()
    assert sorted(results) == list(range(1, 13))
    assert commits == 2, "the first alone, then the eleven that waited"
    rows = store.rows("one")
    assert all(b.prev == a.digest for a, b in pairwise(rows))


def test_work_that_fails_undoes_itself_only(store: Store) -> None:
    gate = threading.Event()
    outcomes: dict[int, object] = {}

    def piece(number: int, chain: Appender) -> int:
        row = chain.append(entry(number))
        if number == 0:
            gate.wait(GUARD_S)  # the others gather meanwhile
        if number % 3 == 2:
            raise ValueError(f"piece {number}")
        return row.seq

    def work(number: int) -> None:
        try:
            outcomes[number] = store.write("one", lambda chain: piece(number, chain))
        except ValueError as error:
            outcomes[number] = str(error)

    threads = [threading.Thread(target=work, args=(n,)) for n in range(9)]
    start_behind_each_other(store, threads)
    gate.set()
    for thread in threads:
        thread.join()
    assert {n for n, outcome in outcomes.items() if isinstance(outcome, str)} == {2, 5, 8}
    rows = store.rows("one")
    assert [row.content["number"] for row in rows] == [0, 1, 3, 4, 6, 7]
    assert [row.seq for row in rows] == [1, 2, 3, 4, 5, 6]
    assert all(b.prev == a.digest for a, b in pairwise(rows))


def test_a_commit_that_fails_acknowledges_nobody(store: Store) -> None:
    gate = threading.Event()
    outcomes: list[object] = []

    @event.listens_for(store.engine, "commit")
    def fail(_connection: object) -> None:
        gate.wait(GUARD_S)
        raise OperationalError("COMMIT", None, Exception("disk I/O error"))

    def work(number: int) -> None:
        try:
            outcomes.append(store.write("one", lambda chain: chain.append(entry(number))))
        except StoreError as error:
            outcomes.append(str(error))

    threads = [threading.Thread(target=work, args=(n,)) for n in range(4)]
    start_behind_each_other(store, threads)
    gate.set()
    for thread in threads:
        thread.join()
    assert outcomes == ["The answer could not be stored: disk I/O error"] * 4
    event.remove(store.engine, "commit", fail)
    assert store.rows("one") == []
    assert store.write("one", lambda chain: chain.append(entry(1))).seq == 1


def test_an_interrupted_commit_acknowledges_nobody(
    store: Store,
) -> None:
    """The thread that commits for others dies of something that is no database error."""

    class Interrupted(BaseException):
        pass

    def interrupted(*_args: object) -> None:
        raise Interrupted

    gate = threading.Event()
    outcomes: list[object] = []

    def work(number: int) -> None:
        try:
            outcomes.append(store.write("one", lambda chain: gate.wait(GUARD_S) and number))
        except BaseException as error:
            outcomes.append(type(error).__name__)

    threads = [threading.Thread(target=work, args=(n,)) for n in range(3)]
    event.listen(store.engine, "commit", interrupted)
    start_behind_each_other(store, threads)
    gate.set()
    for thread in threads:
        thread.join()
    event.remove(store.engine, "commit", interrupted)
    assert sorted(map(str, outcomes)) == ["Interrupted", "Interrupted", "StoreError"]
    assert store.write("one", lambda chain: chain.append(entry(1))).seq == 1


def test_an_answer_that_is_durable_waits_for_no_other_commit(store: Store) -> None:
    """Those of the first commit are told at once, though the next one hangs."""
    first_begun, first, second = (threading.Event() for _ in range(3))
    gates = [first, second]

    @event.listens_for(store.engine, "commit")
    def slow(_connection: object) -> None:
        first_begun.set()
        gates.pop(0).wait(GUARD_S)

    told: list[int] = []

    def work(number: int) -> None:
        told.append(store.write("one", lambda chain: chain.append(entry(number))).seq)

    leader = threading.Thread(target=work, args=(1,))
    leader.start()
    assert first_begun.wait(GUARD_S)
    others = [threading.Thread(target=work, args=(n,)) for n in range(2, 8)]
    for thread in others:
        thread.start()
    wait_until(lambda: waiting(store) == 6, "six never waited")
    first.set()
    leader.join(GUARD_S / 2)  # sooner than the second commit gives up
    assert told == [1], "the second commit hangs, the first answer is acknowledged"
    second.set()
    for thread in others:
        thread.join()
    assert sorted(told) == list(range(1, 8))


def test_one_who_gives_up_waiting_leaves_the_others_their_turn(local_store: Store) -> None:
    """Whoever is interrupted before the commit stores nothing and holds nobody up."""
    gate, inside = threading.Event(), threading.Event()
    told: list[int] = []

    def work(number: int) -> None:
        def piece(chain: Appender) -> int:
            inside.set()
            gate.wait(GUARD_S)
            return chain.append(entry(number)).content["number"]

        told.append(local_store.write("one", piece))

    class GivesUp(threading.Event):
        def wait(self, timeout: float | None = None) -> bool:
            raise KeyboardInterrupt

    first = threading.Thread(target=work, args=(1,))
    first.start()
    assert inside.wait(GUARD_S)
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr("abx.store.store.threading.Event", GivesUp)
        with pytest.raises(KeyboardInterrupt, match=r"^$"):
            local_store.write("one", lambda chain: chain.append(entry(2)))
    last = threading.Thread(target=work, args=(3,))
    last.start()
    wait_until(lambda: waiting(local_store) == 1, "the last never waited")
    gate.set()
    first.join(GUARD_S)
    last.join(GUARD_S)
    assert told == [1, 3]
    assert [row.content["number"] for row in local_store.rows("one")] == [1, 3]


def test_rows_that_the_database_refuses_leave_nothing_behind(store: Store) -> None:
    """The refusal comes with the commit, since rows are written with it."""
    store.append("one", [entry(1)])

    def twice() -> None:
        with store.writing("one") as chain:
            chain.append(entry(2))
            chain._pending.append(chain._pending[0])

    for _ in range(20):  # more often than there are connections
        with pytest.raises(StoreError, match="append-only: rows follow one another"):
            twice()
    assert len(store.rows("one")) == 1
    assert store.write("one", lambda chain: chain.append(entry(2))).seq == 2


def rows_touched(plan: dict[str, Any]) -> float:
    """Count the rows that a plan's nodes gave or looked at in vain, from EXPLAIN ANALYZE."""
    removed = sum(value for name, value in plan.items() if name.startswith("Rows Removed by"))
    own = (plan["Actual Rows"] + removed) * plan["Actual Loops"]
    return own + sum(rows_touched(part) for part in plan.get("Plans", ()))


@pytest.mark.postgres
def test_postgresql_tries_no_row_against_every_other(postgres: PostgresServer) -> None:
    """A new study has no statistics, and the planner takes a few rows for granted.

    At a thousand rows, two million were touched by a join with the newest row of each session.
    """
    from abx.store.postgresql import _TO_BEGIN_WITH

    with open_store(postgres.new_database()) as store:
        store.append("one", [entry(n % 10, session=f"s-{n // 10}") for n in range(1000)])
        values = {
            "study": "one",
            "keys": ["answer:s-3:9", "study-closed"],
            "sessions": ["s-3", "s-70"],
        }
        with store.reading() as connection:
            driver = connection.connection.driver_connection
            assert driver is not None
            found = driver.execute(_TO_BEGIN_WITH, values).fetchall()
            explain = f"EXPLAIN (ANALYZE, FORMAT JSON) {_TO_BEGIN_WITH}"
            [[[explained]]] = driver.execute(explain, values).fetchall()
    assert {row[5] for row in found} == {"answer:s-3:9", "answer:s-70:9", "answer:s-99:9"}
    assert rows_touched(explained["Plan"]) < 3 * 1000, explained


@pytest.mark.postgres
def test_a_server_that_came_back_is_used_at_once() -> None:
    """Connections that ended with the server are replaced before anybody asks over them."""
    with postgres_server() as server, open_store(server.new_database()) as store:
        store.append("one", [entry(1)])
        for number in (2, 3):
            server.kill()
            server.start()
            assert len(store.rows("one")) == number - 1
            assert store.write("one", lambda chain, n=number: chain.append(entry(n))).seq == number


@pytest.mark.postgres
def test_a_server_killed_in_the_middle_acknowledges_nothing() -> None:
    with postgres_server() as server, open_store(server.new_database()) as store:

        def work(chain: Appender) -> int:
            chain.append(entry(1))
            server.kill()
            return 1

        with pytest.raises(StoreError, match=r"could not be stored: .*connection"):
            store.write("one", work)
        server.start()
        assert store.rows("one") == []
        assert store.write("one", lambda chain: chain.append(entry(1))).seq == 1


@pytest.mark.postgres
def test_postgresql_commits_durably_whatever_its_default(postgres: PostgresServer) -> None:
    url = postgres.new_database()
    with open_store(url) as store, store.engine.begin() as connection:
        name = connection.execute(text("SELECT current_database()")).scalar_one()
        connection.execute(text(f"ALTER DATABASE {name} SET synchronous_commit TO off"))
        connection.execute(
            text(f"ALTER DATABASE {name} SET default_transaction_isolation TO 'serializable'")
        )
    with open_store(url) as store, store.engine.connect() as connection:
        shown = {
            name: connection.execute(text(f"SHOW {name}")).scalar_one()
            for name in ("synchronous_commit", "transaction_isolation", "lock_timeout")
        }
    assert shown == {
        "synchronous_commit": "on",
        "transaction_isolation": "read committed",
        "lock_timeout": "30s",
    }


@pytest.mark.parametrize(
    ("url", "words"),
    [
        ("nonsense", "not a database URL"),
        ("mysql://u@h/d", "'mysql' databases are not supported"),
        ("x://", "not a database URL|not supported"),
        ("postgresql://u@h:port/d", "not a database URL.*write @ : / .* as %40"),
        ("postgresql://[::1/d", "not a database URL"),
        ("sqlite:///what?/log.db", "ends a file's name at its '\\?', here after 'what'"),
        ("sqlite://host/log.db", "not the URL of a file"),
        ("sqlite:///log\0.db", "not the URL of a file"),
    ],
)
def test_bad_urls_are_named(url: str, words: str) -> None:
    with pytest.raises(InputError, match=words):
        open_store(url)


def test_a_file_that_is_no_database_is_named(tmp_path: Path) -> None:
    file = tmp_path / "song.db"
    file.write_bytes(b"RIFF not a database at all, but long enough to be read as one" * 40)
    with pytest.raises(StoreError, match="could not be opened: file is not a database"):
        open_store(f"sqlite:///{file}")


def test_an_unreachable_server_is_named(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="could not be opened"):
        open_store(f"postgresql://nobody@/none?host={tmp_path}")


def test_the_vault_shows_nothing_by_accident(store: Store) -> None:
    from abx.store.store import Vault

    with store.writing("one") as chain:
        store.keep_vault(chain.connection, "one", Vault(seed=b"s" * 32, token_key=b"t" * 32))
    kept = store.vault("one")
    assert kept is not None
    assert kept.seed == b"s" * 32
    assert repr(kept) == "Vault(sealed)"
    assert store.vault("two") is None


def test_an_answer_waits_for_another_writer(local_store: Store) -> None:
    """A second process that holds the lock for a moment delays an answer and loses nothing."""
    path = local_store.engine.url.database
    assert path is not None
    other = sqlite3.connect(path, isolation_level=None, check_same_thread=False)
    other.execute("BEGIN IMMEDIATE")
    release = threading.Timer(0.3, lambda: other.execute("ROLLBACK"))
    release.start()
    local_store.append("one", [entry(1)])
    release.join()
    other.close()
    assert len(local_store.rows("one")) == 1
