"""Append and read the log; nothing else changes it."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from types import TracebackType
from typing import Any, Generic, Self, TypeVar, cast

from sqlalchemy import (
    URL,
    Connection,
    Engine,
    Select,
    insert,
    select,
)
from sqlalchemy.exc import DBAPIError, SQLAlchemyError

from abx.errors import StoreError
from abx.store.appender import Appender, as_row, select_rows
from abx.store.chain import Entry, LogRow
from abx.store.engine import open_engine, read_transaction, write_transaction
from abx.store.migrate import migrate
from abx.store.tables import log, vault

__all__ = ["Appender", "Store", "Vault", "open_store"]

_T = TypeVar("_T")


class Vault:
    """The two secrets of a study: the schedule's seed and the key of trial tokens."""

    __slots__ = ("seed", "token_key")

    def __init__(self, *, seed: bytes, token_key: bytes) -> None:
        self.seed = seed
        self.token_key = token_key

    def __repr__(self) -> str:
        return "Vault(sealed)"


def open_store(url: str | URL) -> Store:
    """Open a store, creating or upgrading the schema where needed.

    Parameters
    ----------
    url : str or URL
        ``sqlite:///FILE`` or ``postgresql://USER@HOST/DATABASE``.

    Raises
    ------
    InputError
        If the URL is wrong.
    StoreError
        If the database cannot be reached or is newer than the program.
    """
    engine = open_engine(url)
    try:
        migrate(engine)
    except SQLAlchemyError as error:
        engine.dispose()
        raise StoreError(f"The database could not be opened: {_reason(error)}") from error
    except BaseException:
        engine.dispose()
        raise
    return Store(engine)


class Store:
    """Append-only log of one or several studies in one database.

    Use :func:`open_store`. A store is safe to share between threads, and several processes may
    have one open on the same database.
    """

    def __init__(self, engine: Engine) -> None:
        self.engine = engine
        self._writer = write_transaction(engine)
        # One writer at a time within the process spares the database its lock waits.
        self._lock = threading.Lock()
        self._jobs: list[_Job[Any]] = []
        self._jobs_lock = threading.Lock()
        self._leader: _Job[Any] | None = None  # whose thread commits for all that wait
        self._reader = read_transaction(engine)
        self._appender: type[Appender] = Appender
        if engine.dialect.name == "postgresql":  # its driver is there then, and only then
            from abx.store.postgresql import PostgresAppender

            self._appender = PostgresAppender

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close all connections."""
        self.engine.dispose()

    # Writing ------------------------------------------------------------------------------

    @contextmanager
    def writing(self, study: str) -> Iterator[Appender]:
        """Hold the study's chain for a transaction; rows are durable when the block ends.

        Raises
        ------
        StoreError
            If the database refuses; nothing of the block is stored then.
        """
        try:
            with self._lock, self._holding(study) as chain:
                yield chain
        except SQLAlchemyError as error:
            raise StoreError(f"The answer could not be stored: {_reason(error)}") from error

    def write(
        self,
        study: str,
        work: Callable[[Appender], _T],
        *,
        keys: Sequence[str] = (),
        sessions: Sequence[str] = (),
    ) -> _T:
        """Run one piece of work on the study's chain and return its result once it is durable.

        Pieces that threads bring while another commits share the next commit, so that a slow
        disk is waited for once and not once an answer. A piece that raises undoes itself only.

        Parameters
        ----------
        study : str
            Study id.
        work : callable
            Gets an :class:`Appender`; must not keep it, and appends only.
        keys, sessions : sequence of str, optional
            Rows and sessions that the work is going to ask for, read for all pieces at once.

        Raises
        ------
        StoreError
            If the database refuses; then nothing of the piece is stored.
        Exception
            Whatever ``work`` raises.
        """
        job = _Job(study, work, keys=keys, sessions=sessions)
        with self._jobs_lock:
            self._jobs.append(job)
            if self._leader is None:
                self._leader = job
        try:
            if self._leader is not job:
                job.called.wait()
            if self._leader is job:  # else another thread has done it along with its own
                with self._lock:
                    self._run_jobs(study)
        finally:
            self._leave(job)
        return job.outcome()

    def _leave(self, job: _Job[Any]) -> None:
        """Have the next one that waits commit for all; nobody waits behind those that are done."""
        with self._jobs_lock:
            if job in self._jobs:  # interrupted before its turn
                self._jobs.remove(job)
            if self._leader is job:
                self._leader = next(iter(self._jobs), None)
                if self._leader is not None:
                    self._leader.called.set()

    def _run_jobs(self, study: str) -> None:
        with self._jobs_lock:
            batch = [job for job in self._jobs if job.study == study]
            self._jobs = [job for job in self._jobs if job.study != study]
        try:
            keys = {key: None for job in batch for key in job.keys}
            sessions = {session: None for job in batch for session in job.sessions}
            with self._holding(study, keys=[*keys], sessions=[*sessions]) as chain:
                for job in batch:
                    job.run(chain)
            for job in batch:
                job.durable = True
        except SQLAlchemyError as error:
            for job in batch:
                refused = StoreError(f"The answer could not be stored: {_reason(error)}")
                refused.__cause__ = error
                job.refuse(refused)
        finally:
            for job in batch:
                job.done = True
                job.called.set()

    @contextmanager
    def _holding(
        self, study: str, *, keys: Sequence[str] = (), sessions: Sequence[str] = ()
    ) -> Iterator[Appender]:
        with self._writer.connect() as connection, connection.begin() as transaction:
            chain = self._appender(connection, study)
            chain.hold(keys=keys, sessions=sessions)
            yield chain
            try:
                chain.commit(transaction)
            except BaseException:
                transaction.rollback()  # a commit that failed is not the end of it
                raise

    @contextmanager
    def looking(self, study: str) -> Iterator[Appender]:
        """Read the study's chain without holding it; what is read at once is one picture."""
        with self.reading() as connection:
            yield self._appender(connection, study)

    def append(self, study: str, entries: Sequence[Entry]) -> list[LogRow]:
        """Append rows in one transaction.

        Parameters
        ----------
        study : str
            Study id.
        entries : sequence of Entry
            Rows; a key that exists already gives the stored row back and adds nothing.

        Returns
        -------
        list of LogRow
            One for each entry, durable.
        """
        with self.writing(study) as appender:
            return [appender.append(entry) for entry in entries]

    def keep_vault(self, connection: Connection, study: str, contents: Vault) -> None:
        """Store the secrets of a study, inside the transaction that opens it."""
        connection.execute(
            insert(vault).values(
                study=study, seed=contents.seed.hex(), token_key=contents.token_key.hex()
            )
        )

    # Reading ------------------------------------------------------------------------------

    def vault(self, study: str) -> Vault | None:
        """Return the secrets of a study, for the scheduler only."""
        with self.reading() as connection:
            row = connection.execute(select(vault).where(vault.c.study == study)).one_or_none()
        if row is None:
            return None
        return Vault(seed=bytes.fromhex(row.seed), token_key=bytes.fromhex(row.token_key))

    def studies(self) -> list[str]:
        """Return the ids of the studies in this database."""
        query = select(log.c.study).where(log.c.seq == 1).order_by(log.c.study)
        with self.reading() as connection:
            return list(connection.execute(query).scalars())

    def rows(
        self, study: str, *, kind: str | None = None, session: str | None = None
    ) -> list[LogRow]:
        """Return rows in the order of the chain."""
        query = select_rows().where(log.c.study == study).order_by(log.c.seq)
        if kind is not None:
            query = query.where(log.c.kind == kind)
        if session is not None:
            query = query.where(log.c.session == session)
        return self._fetch(query)

    def row_by_key(self, study: str, key: str) -> LogRow | None:
        """Return the row with an idempotency key."""
        found = self._fetch(select_rows().where(log.c.study == study, log.c.key == key))
        return found[0] if found else None

    def _fetch(self, query: Select[Any]) -> list[LogRow]:
        with self.reading() as connection:
            return [as_row(row) for row in connection.execute(query)]

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """Yield a connection for reading.

        Raises
        ------
        StoreError
            If the database cannot be reached.
        """
        with self._writing_guard(), self._reader.connect() as connection:
            yield connection

    @contextmanager
    def transaction(self) -> Iterator[Connection]:
        """Yield a writing transaction for the tables outside the log."""
        with self._writing_guard(), self._lock, self._writer.begin() as connection:
            yield connection

    @contextmanager
    def _writing_guard(self) -> Iterator[None]:
        try:
            yield
        except SQLAlchemyError as error:
            raise StoreError(f"The database did not answer: {_reason(error)}") from error


class _Job(Generic[_T]):
    """One piece of work waiting for a commit, and how it went."""

    def __init__(
        self,
        study: str,
        work: Callable[[Appender], _T],
        *,
        keys: Sequence[str],
        sessions: Sequence[str],
    ) -> None:
        self.study = study
        self.keys = keys
        self.sessions = sessions
        self.done = False
        self.durable = False
        self.called = threading.Event()  # set once it is done, or its thread is to commit
        self._work = work
        self._result: _T | None = None
        self._error: BaseException | None = None

    def run(self, chain: Appender) -> None:
        """Do the work; what it appended goes away if it fails."""
        before = chain.mark()
        try:
            self._result = self._work(chain)
        except SQLAlchemyError:
            raise  # the database itself failed: nobody's work is safe in this transaction
        except BaseException as error:
            chain.back_to(before)
            self._error = error

    def refuse(self, error: BaseException) -> None:
        """Note that the commit failed."""
        self._result, self._error = None, error

    def outcome(self) -> _T:
        """Return the result or raise what went wrong."""
        if self._error is not None:
            raise self._error
        if not self.durable:  # whoever was to commit it was interrupted
            raise StoreError("The answer could not be stored: interrupted")
        return cast("_T", self._result)


def _reason(error: SQLAlchemyError) -> str:
    """Return the database's own words, without the statement and its parameters."""
    cause = error.orig if isinstance(error, DBAPIError) and error.orig is not None else error
    return str(cause).strip().splitlines()[0] if str(cause).strip() else type(cause).__name__
