"""The log on PostgreSQL, with as few round trips as can be while its chain is held.

All processes of a study wait for one another's hold on the chain. A round trip costs little by
itself, but after each the thread waits for its turn in a busy process, and everybody waits with
it. So a hold takes two: one that takes the chain and reads, one that writes and commits. Both
put their statements into the wire one behind the other and wait once.

A commit waits for the disk before the chain is let go; a row can be seen by others only once it
is durable.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any, cast

import psycopg
from sqlalchemy import RootTransaction
from sqlalchemy.exc import OperationalError

from abx.store.appender import Appender
from abx.store.chain import LogRow
from abx.store.tables import log

__all__ = ["PostgresAppender"]

# Newest rows are found one session at a time and bodies one row at a time; OFFSET 0 forbids the
# planner any other way. A join with the newest row of each session had it try all rows of a
# study against all while it had no statistics, which is the first minutes of a study: 120 ms a
# statement at a thousand rows. Lists go as arrays, so that the text stays the same for any number
# and the server keeps its plan.
_ROWS = (
    f"SELECT {', '.join(f'l.{column.name}' for column in log.columns)}, b.salt, b.body"
    " FROM {found} AS l LEFT JOIN LATERAL (SELECT salt, body FROM log_body AS body"
    " WHERE body.study = l.study AND body.seq = l.seq OFFSET 0) AS b ON true"
)
_BY_KEY = "(SELECT * FROM log WHERE study = %(study)s AND key = ANY(%(keys)s) OFFSET 0)"
_NEWEST_OF_SESSIONS = (
    "(SELECT newest.* FROM unnest(%(sessions)s::text[]) AS wanted CROSS JOIN LATERAL"
    " (SELECT * FROM log WHERE study = %(study)s AND session = wanted"
    " ORDER BY session_seq DESC LIMIT 1) AS newest OFFSET 0)"
)
_NEWEST = "(SELECT * FROM log WHERE study = %(study)s ORDER BY seq DESC LIMIT 1)"
_TO_BEGIN_WITH = " UNION ALL ".join(
    _ROWS.format(found=found) for found in (_BY_KEY, _NEWEST_OF_SESSIONS, _NEWEST)
)
_HOLD = "SELECT pg_advisory_xact_lock(hashtextextended(%(study)s, 0))"
_COLUMNS = [column.name for column in log.columns]
_INSERT_ROW = (
    f"INSERT INTO log ({', '.join(_COLUMNS)}) VALUES ({', '.join(['%s'] * len(_COLUMNS))})"
)
_INSERT_BODY = "INSERT INTO log_body (study, seq, salt, body) VALUES (%s, %s, %s, %s)"


class PostgresAppender(Appender):
    """As :class:`abx.store.appender.Appender`; the statements are the driver's own."""

    def hold(self, *, keys: Sequence[str] = (), sessions: Sequence[str] = ()) -> None:
        """Take the study's chain until the transaction ends, and read as :meth:`fetch` does."""
        with self._at_once() as driver:
            driver.execute(_HOLD, {"study": self.study})
            # Its snapshot is taken once the chain is held: it sees the newest row.
            reading = driver.execute(_TO_BEGIN_WITH, self._values(keys, sessions))
        self._remember([LogRow(*row) for row in reading], keys=keys, sessions=sessions)

    def commit(self, transaction: RootTransaction) -> None:
        """Write the appended rows and wait until they are durable."""
        with self._at_once():
            self.flush()
            transaction.commit()

    def _read(self, keys: Sequence[str], sessions: Sequence[str]) -> list[LogRow]:
        with self._errors():
            found = self._driver.execute(_TO_BEGIN_WITH, self._values(keys, sessions))
            return [LogRow(*row) for row in found]

    def _insert(self, rows: Sequence[LogRow]) -> None:
        with self._errors(), self._driver.cursor() as cursor:
            cursor.executemany(
                _INSERT_ROW, [[getattr(row, name) for name in _COLUMNS] for row in rows]
            )
            cursor.executemany(
                _INSERT_BODY, [(row.study, row.seq, row.salt, row.body) for row in rows]
            )

    def _values(self, keys: Sequence[str], sessions: Sequence[str]) -> dict[str, Any]:
        return {"study": self.study, "keys": list(keys), "sessions": list(sessions)}

    @property
    def _driver(self) -> psycopg.Connection[tuple[Any, ...]]:
        driver = self.connection.connection.driver_connection
        return cast("psycopg.Connection[tuple[Any, ...]]", driver)

    @contextmanager
    def _at_once(self) -> Iterator[psycopg.Connection[tuple[Any, ...]]]:
        """Send what the block executes without waiting in between; results are there after it."""
        with self._errors():
            driver = self._driver
            with driver.pipeline():
                yield driver

    @contextmanager
    def _errors(self) -> Iterator[None]:
        """Raise the driver's errors as those of SQLAlchemy, which the store knows."""
        try:
            yield
        except psycopg.Error as error:
            if self.connection.invalidated or self._driver.closed:
                self.connection.invalidate(error)
            raise OperationalError(None, None, error) from error
