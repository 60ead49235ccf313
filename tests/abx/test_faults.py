"""Killed processes, killed databases, full disks: every acknowledged answer is there once."""

from __future__ import annotations

import threading
import time
from pathlib import Path
from random import Random

import pytest
from sqlalchemy import event, text

from abx.errors import StoreError
from abx.evidence.log_check import check_log
from abx.session.sessions import Sessions
from abx.store import Store, open_store
from helpers.fault_harness import AppProcess, Listener, check_every_answer, run_listeners, wait_for
from helpers.guards import wait_until
from helpers.real_postgres import PostgresServer, postgres_server
from helpers.study_desk import Desk, answer_open_trial, sit_through


def begin(sessions: Sessions, count: int) -> list[str]:
    return [sessions.begin(consent=True) for _ in range(count)]


def everybody_answers(listeners: list[Listener]) -> bool:
    return all(listener.acknowledged for listener in listeners)


def wait_until_noticed(listeners: list[Listener]) -> None:
    """Wait until somebody had to ask again."""
    before = sum(listener.retries for listener in listeners)
    wait_until(
        lambda: sum(listener.retries for listener in listeners) > before, "nobody noticed the kill"
    )


def assert_log_holds(desk: Desk, store: Store) -> None:
    checks = check_log(store, desk.study, desk.manifest, desk.root / "stimuli")
    assert [check.words for check in checks if not check.passed] == []


def test_kill_9_of_the_app_at_random_moments(shared_desk: Desk, tmp_path: Path) -> None:
    """Two app processes on one SQLite file, each killed and started again while people answer."""
    url = f"sqlite:///{tmp_path / 'log.db'}"
    rng, killed = Random(11), threading.Event()
    with open_store(url) as store:
        sessions = shared_desk.sessions(store)
        apps = [AppProcess(shared_desk.root, url) for _ in range(2)]
        try:
            for app in apps:
                app.start()
            for app in apps:
                app.wait()
            urls = [app.url for app in apps]
            tokens = begin(sessions, 4)
            listeners = [
                Listener(urls, token, n, pause_s=0.04, may_finish=killed)
                for n, token in enumerate(tokens)
            ]
            for listener in listeners:
                listener.start()
            for app in apps:
                wait_until(lambda: everybody_answers(listeners), "nobody answers")
                time.sleep(rng.uniform(0.0, 0.2))  # a kill at any moment of an answer
                app.kill()
                wait_until_noticed(listeners)
                app.start()
                app.wait()
            killed.set()
            wait_for(listeners)
        finally:
            for app in apps:
                app.stop()
        answers = check_every_answer(store, sessions, listeners)
        assert answers == sum(len(sessions.slot(n).trials) for n in range(4))
        assert_log_holds(shared_desk, store)


@pytest.mark.postgres
def test_kill_9_of_postgresql_while_people_answer(shared_desk: Desk) -> None:
    with postgres_server() as server:
        url = server.new_database()
        app = AppProcess(shared_desk.root, url)
        with open_store(url) as store:
            sessions = shared_desk.sessions(store)
            tokens = begin(sessions, 4)
            try:
                app.start()
                app.wait()
                killed = threading.Event()
                listeners = [
                    Listener([app.url], token, n, pause_s=0.04, may_finish=killed)
                    for n, token in enumerate(tokens)
                ]
                for listener in listeners:
                    listener.start()
                wait_until(lambda: everybody_answers(listeners), "nobody answers")
                server.kill()
                wait_until_noticed(listeners)
                server.start()
                killed.set()
                wait_for(listeners)
            finally:
                app.stop()
            check_every_answer(store, sessions, listeners)
            assert_log_holds(shared_desk, store)


def test_two_service_layers_share_a_sitting(sessions: Sessions, shared_desk: Desk) -> None:
    """Two tabs that land on two processes: every trial once, in order."""
    other = shared_desk.sessions(sessions.store)
    token = sessions.begin(consent=True)
    count = 0
    while sessions.next_trial(token)["state"] == "trial":
        answer_open_trial((sessions, other)[count % 2], token)
        count += 1
    assert count == len(sessions.slot(0).trials)
    assert_log_holds(shared_desk, sessions.store)


def test_a_full_disk_refuses_and_recovers(desk: Desk, tmp_path: Path) -> None:
    """SQLite's own limit on pages gives the error of a full disk: nothing half-written."""
    limit = 1_000_000
    with open_store(f"sqlite:///{tmp_path / 'log.db'}") as store:

        @event.listens_for(store.engine, "begin")
        def cap(connection: object) -> None:
            connection.exec_driver_sql(f"PRAGMA max_page_count = {limit}")  # type: ignore[attr-defined]

        sessions = desk.sessions(store)
        token = sessions.begin(consent=True)
        with store.reading() as connection:
            limit = connection.execute(text("PRAGMA page_count")).scalar_one()

        def fill() -> None:
            for _ in range(60):
                sessions.begin(consent=True)
                answer_open_trial(sessions, token)

        with pytest.raises(StoreError, match="full"):
            fill()
        message = sessions.next_trial(token)
        assert message["state"] == "trial", "reading goes on"
        limit = 1_000_000
        sit_through(sessions, token)
        assert_log_holds(desk, store)


def test_a_read_only_file_refuses(desk: Desk, tmp_path: Path) -> None:
    file = tmp_path / "log.db"
    with open_store(f"sqlite:///{file}") as store:
        token = desk.sessions(store).begin(consent=True)
    with open_store(f"sqlite:///file:{file}?mode=ro&uri=true") as store:
        sessions = desk.sessions(store)
        message = sessions.next_trial(token)
        heard = dict.fromkeys(message["versions"], 1.0)
        with pytest.raises(StoreError, match="readonly"):
            sessions.record_answer(token, message["trial"], "a", listened_s=heard)


@pytest.mark.postgres
def test_listeners_on_two_healthy_apps(shared_desk: Desk, postgres: PostgresServer) -> None:
    """Several tabs across two processes, double clicks and reloads."""
    database_url = postgres.new_database()
    apps = [AppProcess(shared_desk.root, database_url) for _ in range(2)]
    try:
        for app in apps:
            app.start()
        for app in apps:
            app.wait()
        with open_store(database_url) as store:
            sessions = shared_desk.sessions(store)
            urls = [app.url for app in apps]
            listeners = [Listener(urls, token, n) for n, token in enumerate(begin(sessions, 6))]
            run_listeners(listeners)
            check_every_answer(store, sessions, listeners)
            assert_log_holds(shared_desk, store)
    finally:
        for app in apps:
            app.stop()
