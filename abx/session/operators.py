"""The staff passphrase: stored as an Argon2 hash, tried at a limited rate."""

from __future__ import annotations

import time
import unicodedata
from collections.abc import Callable
from datetime import UTC, datetime

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError, VerifyMismatchError
from sqlalchemy import Connection, func, insert, select

from abx.errors import InputError, TooManyAttempts
from abx.store import Store
from abx.store.tables import attempts, operators

__all__ = ["FREE_ATTEMPTS", "MIN_LENGTH", "WINDOW_S", "Operators"]

MIN_LENGTH = 8
"""Shortest passphrase accepted."""

FREE_ATTEMPTS = 5
"""Wrong passphrases allowed within :data:`WINDOW_S`."""

WINDOW_S = 300.0
"""Length of the pause after too many wrong passphrases."""

_MAX_LENGTH = 1024


class Operators:
    """Set and check the staff passphrase of a store.

    Parameters
    ----------
    store : Store
        Where the hash and the attempts are kept; all processes share the rate limit.
    clock : callable, optional
        Seconds since the epoch.
    """

    def __init__(self, store: Store, *, clock: Callable[[], float] = time.time) -> None:
        self._store = store
        self._clock = clock
        self._hasher = PasswordHasher()

    @property
    def is_set(self) -> bool:
        """Whether there is a passphrase at all; without one nobody gets in."""
        with self._store.reading() as connection:
            return _newest_hash(connection) is not None

    def set_passphrase(self, passphrase: str) -> None:
        """Set the passphrase; the newest one counts.

        Raises
        ------
        InputError
            If it is too short or too long.
        """
        passphrase = _as_on_any_keyboard(passphrase)
        if not MIN_LENGTH <= len(passphrase) <= _MAX_LENGTH:
            raise InputError(
                where="passphrase",
                problem=f"it has {len(passphrase)} characters",
                remedy=f"use {MIN_LENGTH} to {_MAX_LENGTH} characters; a few words are best",
            )
        hashed = self._hasher.hash(passphrase)
        now = datetime.now(UTC).isoformat(timespec="seconds")
        with self._store.transaction() as connection:
            connection.execute(insert(operators).values(passphrase_hash=hashed, set_at=now))

    def check(self, passphrase: str) -> bool:
        """Tell whether a passphrase is right, and count the attempt.

        Raises
        ------
        TooManyAttempts
            After :data:`FREE_ATTEMPTS` wrong ones within :data:`WINDOW_S`, right or not.
        """
        with self._store.transaction() as connection:
            if self._recent_failures(connection) >= FREE_ATTEMPTS:
                raise TooManyAttempts(
                    "Too many wrong passphrases. Please wait five minutes and try again."
                )
            # Counted before the slow check, so that a burst of attempts cannot slip through.
            attempt = connection.execute(
                insert(attempts).values(at_s=self._clock(), succeeded=0)
            ).inserted_primary_key
            hashed = _newest_hash(connection)
        right = hashed is not None and self._matches(hashed, passphrase)
        if right and attempt is not None:
            with self._store.transaction() as connection:
                connection.execute(
                    attempts.update().where(attempts.c.id == attempt[0]).values(succeeded=1)
                )
        return right

    def _matches(self, hashed: str, passphrase: str) -> bool:
        if len(passphrase) > _MAX_LENGTH:
            return False
        try:
            return self._hasher.verify(hashed, _as_on_any_keyboard(passphrase))
        except VerifyMismatchError:
            return False
        except (VerificationError, InvalidHashError) as error:
            raise InputError(
                where="passphrase",
                problem="the stored hash is damaged",
                remedy="set the passphrase again with 'earwitness passphrase'",
            ) from error

    def _recent_failures(self, connection: Connection) -> int:
        query = select(func.count()).where(
            attempts.c.succeeded == 0, attempts.c.at_s > self._clock() - WINDOW_S
        )
        return int(connection.execute(query).scalar_one())


def _as_on_any_keyboard(passphrase: str) -> str:
    """Return one spelling of the same letters: an accent apart or not, any kind of space.

    Which of them a keyboard sends differs between systems (RFC 8265, section 4.2.2, from memory).
    """
    spaced = (" " if unicodedata.category(c) == "Zs" else c for c in passphrase)
    return unicodedata.normalize("NFC", "".join(spaced))


def _newest_hash(connection: Connection) -> str | None:
    query = select(operators.c.passphrase_hash).order_by(operators.c.id.desc()).limit(1)
    return connection.execute(query).scalar_one_or_none()
