"""Read and append the rows of one study while its chain is held."""

from __future__ import annotations

import secrets
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import (
    Connection,
    RootTransaction,
    Row,
    Select,
    and_,
    bindparam,
    delete,
    func,
    insert,
    select,
    union_all,
)

from abx.store.chain import GENESIS, Entry, LogRow, body_digest, canonical_json, row_digest
from abx.store.tables import log, log_body

__all__ = ["Appender", "as_row", "select_rows"]


class Appender:
    """Reads and appends rows while the study's chain is held; see :meth:`Store.writing`.

    Since nobody else can append meanwhile, what was read once is not read again, and rows are
    written together at the end: the chain is held for as few round trips as can be.
    """

    def __init__(self, connection: Connection, study: str) -> None:
        self.connection = connection
        self.study = study
        self._by_key: dict[str, LogRow | None] = {}
        self._last: dict[str, LogRow | None] = {}
        self._pending: list[LogRow] = []

    def hold(self, *, keys: Sequence[str] = (), sessions: Sequence[str] = ()) -> None:
        """Take the study's chain until the transaction ends, and read as :meth:`fetch` does.

        SQLite's transactions hold it from their begin on.
        """
        self.fetch(keys=keys, sessions=sessions)

    def commit(self, transaction: RootTransaction) -> None:
        """Write the appended rows and wait until they are durable."""
        self.flush()
        transaction.commit()

    def fetch(self, *, keys: Sequence[str] = (), sessions: Sequence[str] = ()) -> None:
        """Read rows by key, and the newest rows of sessions and study, in one round trip."""
        missing_keys = [key for key in dict.fromkeys(keys) if key not in self._by_key]
        missing_sessions = [one for one in dict.fromkeys(sessions) if one not in self._last]
        if not missing_keys and not missing_sessions:
            return
        found = self._read(missing_keys, missing_sessions)
        self._remember(found, keys=missing_keys, sessions=missing_sessions)

    def _read(self, keys: Sequence[str], sessions: Sequence[str]) -> list[LogRow]:
        values = {"study": self.study, "keys": keys, "sessions": sessions}
        return [as_row(row) for row in self.connection.execute(_ROWS_TO_BEGIN_WITH, values)]

    def _remember(
        self, found: Sequence[LogRow], *, keys: Sequence[str], sessions: Sequence[str]
    ) -> None:
        by_key = {row.key: row for row in found}
        self._by_key.update({key: by_key.get(key) for key in keys})
        newest = {
            row.session: row
            for row in sorted(found, key=lambda row: row.session_seq)
            if row.session
        }
        self._last.update({one: newest.get(one) for one in sessions})
        self._last.setdefault("", max(found, key=lambda row: row.seq, default=None))

    def find(self, key: str) -> LogRow | None:
        """Return the row with an idempotency key."""
        if key not in self._by_key:
            self._by_key[key] = self._one(_ROW_BY_KEY, key=key)
        return self._by_key[key]

    def last(self, *, session: str = "") -> LogRow | None:
        """Return the newest row of a session, or of the whole study."""
        if session not in self._last:
            query = _LAST_OF_SESSION if session else _LAST_ROW
            self._last[session] = self._one(query, **({"session": session} if session else {}))
        return self._last[session]

    def _one(self, query: Select[Any], **values: str) -> LogRow | None:
        row = self.connection.execute(query, {"study": self.study, **values}).one_or_none()
        return None if row is None else as_row(row)

    def mark(self) -> tuple[int, dict[str, LogRow | None], dict[str, LogRow | None]]:
        """Return what :meth:`back_to` needs."""
        return len(self._pending), dict(self._by_key), dict(self._last)

    def back_to(
        self, before: tuple[int, dict[str, LogRow | None], dict[str, LogRow | None]]
    ) -> None:
        """Forget what was appended since a mark."""
        count, self._by_key, self._last = before
        del self._pending[count:]

    def flush(self) -> None:
        """Write the appended rows."""
        if not self._pending:
            return
        rows, self._pending = self._pending, []
        self._insert(rows)

    def _insert(self, rows: Sequence[LogRow]) -> None:
        self.connection.execute(
            _INSERT_ROW,
            [{column.name: getattr(row, column.name) for column in log.columns} for row in rows],
        )
        self.connection.execute(
            _INSERT_BODY,
            [
                {"study": row.study, "seq": row.seq, "salt": row.salt, "body": row.body}
                for row in rows
            ],
        )

    def erase_bodies(self, session: str) -> int:
        """Remove the bodies of a withdrawn session; the database refuses any other.

        Returns the number of bodies removed.
        """
        self.flush()
        rows = select(log.c.seq).where(
            log.c.study == self.study, log.c.session == session, log.c.kind != "withdrawal"
        )
        done = self.connection.execute(
            delete(log_body).where(log_body.c.study == self.study, log_body.c.seq.in_(rows))
        )
        self._by_key.clear()
        self._last.clear()
        return done.rowcount

    def rows(self, kind: str, *, session: str | None = None) -> list[LogRow]:
        """Return the rows of a kind, of one session or of all."""
        query = select_rows().where(log.c.study == self.study, log.c.kind == kind)
        if session is not None:
            query = query.where(log.c.session == session)
        found = [as_row(row) for row in self.connection.execute(query.order_by(log.c.seq))]
        return found + [
            row for row in self._pending if row.kind == kind and session in (None, row.session)
        ]

    def sessions_with(self, kind: str) -> set[str]:
        """Return the sessions that have a row of a kind."""
        query = select(log.c.session).where(log.c.study == self.study, log.c.kind == kind)
        found = set(self.connection.execute(query.distinct()).scalars())
        return found | {row.session for row in self._pending if row.kind == kind}

    def append(self, entry: Entry, *, now: Callable[[], datetime] | None = None) -> LogRow:
        """Append one row, or return the stored one when its key exists."""
        existing = self.find(entry.key)
        if existing is not None:
            return existing
        row = self._chained(entry, now or _utc_now)
        self._pending.append(row)
        self._by_key[entry.key] = self._last[""] = row
        if entry.session:
            self._last[entry.session] = row
        return row

    def _chained(self, entry: Entry, now: Callable[[], datetime]) -> LogRow:
        before = self.last()
        before_in_session = self.last(session=entry.session) if entry.session else None
        # A clock set back must not make the log look backdated: time never runs backwards.
        at = now().isoformat(timespec="milliseconds")
        if before is not None:
            at = max(at, before.at)
        salt = secrets.token_hex(16)
        body = canonical_json(entry.body)
        chained: dict[str, Any] = {
            "study": self.study,
            "seq": 1 if before is None else before.seq + 1,
            "kind": entry.kind,
            "session": entry.session,
            "session_seq": _next_in_session(entry, before_in_session),
            "key": entry.key,
            "at": at,
            "session_prev": GENESIS if before_in_session is None else before_in_session.digest,
            "prev": GENESIS if before is None else before.digest,
        }
        digest_of_body = body_digest(salt, body)
        digest = row_digest(digest_of_body=digest_of_body, **chained)
        return LogRow(**chained, body_digest=digest_of_body, digest=digest, salt=salt, body=body)


def _next_in_session(entry: Entry, before: LogRow | None) -> int:
    if not entry.session:
        return 0
    return 1 if before is None else before.session_seq + 1


def _utc_now() -> datetime:
    return datetime.now(UTC)


def select_rows() -> Select[Any]:
    """Return the query that reads whole rows, those without a body too."""
    joined = log.outerjoin(
        log_body, and_(log.c.study == log_body.c.study, log.c.seq == log_body.c.seq)
    )
    return select(*log.columns, log_body.c.salt, log_body.c.body).select_from(joined)


# Built once: putting a statement together costs more than running it.
_OF_STUDY = select_rows().where(log.c.study == bindparam("study"))
_ROW_BY_KEY = _OF_STUDY.where(log.c.key == bindparam("key"))
_LAST_ROW = _OF_STUDY.order_by(log.c.seq.desc()).limit(1)
_LAST_OF_SESSION = (
    _OF_STUDY.where(log.c.session == bindparam("session"))
    .order_by(log.c.session_seq.desc())
    .limit(1)
)
_NEWEST = (
    select(log.c.session, func.max(log.c.session_seq).label("session_seq"))
    .where(
        log.c.study == bindparam("study"),
        log.c.session.in_(bindparam("sessions", expanding=True)),
    )
    .group_by(log.c.session)
    .subquery()
)
_ROWS_TO_BEGIN_WITH = union_all(
    _OF_STUDY.where(log.c.key.in_(bindparam("keys", expanding=True))),
    _OF_STUDY.join(
        _NEWEST,
        and_(log.c.session == _NEWEST.c.session, log.c.session_seq == _NEWEST.c.session_seq),
    ),
    _OF_STUDY.where(
        log.c.seq
        == select(func.max(log.c.seq)).where(log.c.study == bindparam("study")).scalar_subquery()
    ),
)
_INSERT_ROW = insert(log)
_INSERT_BODY = insert(log_body)


def as_row(row: Row[Any]) -> LogRow:
    """Return a row of :func:`select_rows` as the log's own type."""
    return LogRow(**row._mapping)
