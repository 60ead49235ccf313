"""Fixtures: a small real study, and stores on SQLite and on a real PostgreSQL server."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from abx.session.sessions import Sessions
from abx.store import Store, open_store
from helpers.real_postgres import PostgresServer, postgres_server
from helpers.study_desk import Desk, make_desk


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    return make_desk(tmp_path / "study")


@pytest.fixture(scope="session")
def shared_desk(tmp_path_factory: pytest.TempPathFactory) -> Desk:
    """A study folder that tests only read."""
    return make_desk(tmp_path_factory.mktemp("shared") / "study")


@pytest.fixture(scope="session")
def postgres() -> Iterator[PostgresServer]:
    with postgres_server() as server:
        yield server


@pytest.fixture(params=["sqlite", pytest.param("postgresql", marks=pytest.mark.postgres)])
def database_url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """URL of an empty database; tests that use it run on both kinds."""
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path / 'log.db'}"
    server: PostgresServer = request.getfixturevalue("postgres")
    return server.new_database()


@pytest.fixture
def store(database_url: str) -> Iterator[Store]:
    with open_store(database_url) as opened:
        yield opened


@pytest.fixture
def local_store(tmp_path: Path) -> Iterator[Store]:
    """SQLite only, for what does not depend on the database."""
    with open_store(f"sqlite:///{tmp_path / 'local.db'}") as opened:
        yield opened


@pytest.fixture
def sessions(shared_desk: Desk, store: Store) -> Sessions:
    return shared_desk.sessions(store)


@pytest.fixture
def local_sessions(shared_desk: Desk, local_store: Store) -> Sessions:
    return shared_desk.sessions(local_store)
