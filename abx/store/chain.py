"""What a row of the log is, and how rows are chained.

Every row carries the hash of the row before it in the study and of the row before it in its
session. The hash covers a salted digest of the body and not the body itself, so that a body
can be removed when a person withdraws while the chain stays checkable.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

__all__ = ["GENESIS", "Entry", "LogRow", "body_digest", "canonical_json", "row_digest"]

GENESIS = "0" * 64
"""The hash before the first row."""


@dataclass(frozen=True, slots=True)
class Entry:
    """A row about to be appended.

    Attributes
    ----------
    kind : str
        What happened: ``"study-opened"``, ``"session-begun"``, ``"answer"`` ...
    key : str
        Idempotency key, unique in the study.
    body : mapping
        JSON-ready content.
    session : str
        Session id, empty for rows about the study.
    """

    kind: str
    key: str
    body: Mapping[str, Any]
    session: str = ""


@dataclass(frozen=True, slots=True)
class LogRow:
    """A row of the log as stored.

    Attributes
    ----------
    study : str
        Study id.
    seq : int
        1-based place in the study's chain, without gaps.
    kind, session, key, at : str
        What, whose, idempotency key, time (ISO 8601 UTC).
    session_seq : int
        1-based place in the session, 0 for rows about the study.
    body_digest : str
        Salted SHA-256 of the body.
    session_prev, prev, digest : str
        Hash of the row before in the session, in the study, and of this row.
    salt, body : str or None
        Salt and canonical JSON; ``None`` after a withdrawal.
    """

    study: str
    seq: int
    kind: str
    session: str
    session_seq: int
    key: str
    at: str
    body_digest: str
    session_prev: str
    prev: str
    digest: str
    salt: str | None
    body: str | None

    @property
    def content(self) -> dict[str, Any]:
        """The body as a dictionary, empty after a withdrawal."""
        return {} if self.body is None else json.loads(self.body)


def canonical_json(content: Mapping[str, Any]) -> str:
    """Return JSON with sorted keys and no spaces; equal content gives equal text."""
    return json.dumps(
        content, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False
    )


def body_digest(salt: str, body: str) -> str:
    """Return the digest of a body; the salt keeps short bodies from being guessed."""
    return hashlib.sha256(f"{salt}\n{body}".encode()).hexdigest()


def row_digest(
    *,
    study: str,
    seq: int,
    kind: str,
    session: str,
    session_seq: int,
    key: str,
    at: str,
    digest_of_body: str,
    session_prev: str,
    prev: str,
) -> str:
    """Return the hash of a row: SHA-256 of its fields as a canonical JSON list."""
    fields = [
        study,
        seq,
        kind,
        session,
        session_seq,
        key,
        at,
        digest_of_body,
        session_prev,
        prev,
    ]
    text = json.dumps(fields, separators=(",", ":"), ensure_ascii=False)
    return hashlib.sha256(text.encode()).hexdigest()
