"""Connections: SQLite that is durable on commit, PostgreSQL through psycopg 3."""

from __future__ import annotations

import selectors
import sqlite3
import time
from typing import Any

from sqlalchemy import URL, Connection, Engine, create_engine, event
from sqlalchemy.engine import make_url
from sqlalchemy.exc import ArgumentError, DisconnectionError, NoSuchModuleError
from sqlalchemy.pool import QueuePool

from abx.errors import InputError

__all__ = ["open_engine", "read_transaction", "write_transaction"]

_BUSY_TIMEOUT_S = 30.0


def open_engine(url: str | URL) -> Engine:
    """Open an engine for a database URL.

    Parameters
    ----------
    url : str or URL
        ``sqlite:///path/to/file.db`` or ``postgresql://user@host/database``.

    Returns
    -------
    Engine
        SQLite runs in WAL mode with ``synchronous=FULL``: a commit survives a power cut.

    Raises
    ------
    InputError
        If the URL cannot be read or names another database.
    """
    try:
        parsed = make_url(url)
        backend = parsed.get_backend_name()
    except (ArgumentError, NoSuchModuleError, ValueError) as error:  # ValueError: of the port
        raise _bad_url("the text is not a database URL") from error
    if backend == "sqlite":
        if isinstance(url, str) and "?" in url and "uri" not in parsed.query:
            raise _bad_url(f"a URL ends a file's name at its '?', here after '{parsed.database}'")
        return _sqlite(parsed)
    if backend == "postgresql":
        try:
            return _postgresql(parsed)
        except ModuleNotFoundError as error:
            raise InputError(
                where="--database",
                problem="the PostgreSQL driver is not installed",
                remedy="install it with: pip install 'earwitness[postgres]'",
            ) from error
    raise _bad_url(f"'{backend}' databases are not supported")


def _bad_url(problem: str) -> InputError:
    return InputError(
        where="--database",
        problem=problem,
        remedy="give sqlite:///FILE or postgresql://USER@HOST/DATABASE; in a password write "
        "@ : / ? # % as %40 %3A %2F %3F %23 %25",
    )


def _postgresql(url: URL) -> Engine:
    engine = create_engine(
        url.set(drivername="postgresql+psycopg"),
        # Opening a connection starts a process of the server: keep those that are needed at
        # busy moments, and use the same few, which know their statements.
        pool_size=8,
        max_overflow=4,
        pool_use_lifo=True,
        hide_parameters=True,
        # Each statement sees what was committed before it, the row before ours above all.
        isolation_level="READ COMMITTED",
    )
    event.listen(engine, "connect", _prepare_postgresql)
    event.listen(engine, "checkout", _refuse_ended)
    return engine


def _prepare_postgresql(connection: Any, _record: Any) -> None:
    """Make a commit durable whatever the server's default, and no wait endless."""
    connection.autocommit = True
    try:
        connection.execute("SET synchronous_commit TO on")
        connection.execute(f"SET lock_timeout TO '{_BUSY_TIMEOUT_S:.0f}s'")
    finally:
        connection.autocommit = False


def _refuse_ended(connection: Any, _record: Any, _proxy: Any) -> None:
    """Have a connection whose server has gone replaced by a new one.

    Its end makes it readable: one look at the socket says so without a round trip.
    """
    if connection.closed:
        raise DisconnectionError
    with selectors.DefaultSelector() as selector:
        selector.register(connection.fileno(), selectors.EVENT_READ)
        if selector.select(timeout=0):
            raise DisconnectionError


def _sqlite(url: URL) -> Engine:
    if url.host or "\0" in (url.database or ""):
        raise _bad_url("the text is not the URL of a file")
    engine = create_engine(
        url,
        poolclass=QueuePool,
        pool_size=5,
        max_overflow=20,
        hide_parameters=True,
        connect_args={"timeout": _BUSY_TIMEOUT_S, "check_same_thread": False},
    )
    event.listen(engine, "connect", _prepare_sqlite)
    event.listen(engine, "begin", _begin_sqlite)
    return engine


def _prepare_sqlite(connection: sqlite3.Connection, _record: Any) -> None:
    # The driver would otherwise open transactions by its own rules, too late for us.
    connection.isolation_level = None
    cursor = connection.cursor()
    try:
        # A busy timeout does not cover the switch to WAL when two processes start together,
        # so switch only where it has not been done.
        if cursor.execute("PRAGMA journal_mode").fetchone()[0] != "wal":
            _switch_to_wal(cursor)
        cursor.execute("PRAGMA synchronous=FULL")
        cursor.execute("PRAGMA foreign_keys=ON")
        cursor.execute("PRAGMA trusted_schema=OFF")
    finally:
        cursor.close()


def _switch_to_wal(cursor: sqlite3.Cursor) -> None:
    deadline = time.monotonic() + _BUSY_TIMEOUT_S
    while True:
        try:
            cursor.execute("PRAGMA journal_mode=WAL")
            return
        except sqlite3.OperationalError as error:
            if "locked" not in str(error) or time.monotonic() > deadline:
                raise
            time.sleep(0.02)


def _begin_sqlite(connection: Connection) -> None:
    # Writers take the lock at once; a later upgrade could fail with SQLITE_BUSY at once.
    writes = connection.get_execution_options().get("earwitness_writes", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")


def write_transaction(engine: Engine) -> Engine:
    """Return the engine with transactions that take the write lock at once."""
    return engine.execution_options(earwitness_writes=True)


def read_transaction(engine: Engine) -> Engine:
    """Return the engine for reading only.

    On PostgreSQL each statement sees what was committed before it with or without a transaction
    around it, so begin and end are spared; on SQLite a transaction is one consistent picture.
    """
    if engine.dialect.name == "postgresql":
        return engine.execution_options(isolation_level="AUTOCOMMIT")
    return engine
