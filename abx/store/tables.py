"""Tables as SQLAlchemy Core sees them; the migrations make them."""

from __future__ import annotations

from sqlalchemy import (
    BigInteger,
    Column,
    Float,
    ForeignKeyConstraint,
    Index,
    Integer,
    MetaData,
    String,
    Table,
    Text,
    UniqueConstraint,
)

__all__ = ["attempts", "log", "log_body", "metadata", "operators", "vault"]

metadata = MetaData()

log = Table(
    "log",
    metadata,
    Column("study", String(64), primary_key=True),
    Column("seq", BigInteger().with_variant(Integer(), "sqlite"), primary_key=True),
    Column("kind", String(32), nullable=False),
    Column("session", String(64), nullable=False),
    Column("session_seq", Integer, nullable=False),
    Column("key", String(160), nullable=False),
    Column("at", String(40), nullable=False),
    Column("body_digest", String(64), nullable=False),
    Column("session_prev", String(64), nullable=False),
    Column("prev", String(64), nullable=False),
    Column("digest", String(64), nullable=False),
    UniqueConstraint("study", "key", name="log_key_once"),
    Index("log_by_session", "study", "session", "session_seq"),
    Index("log_by_kind", "study", "kind", "seq"),
)
"""The chain: inserted, never changed."""

log_body = Table(
    "log_body",
    metadata,
    Column("study", String(64), primary_key=True),
    Column("seq", BigInteger().with_variant(Integer(), "sqlite"), primary_key=True),
    Column("salt", String(64), nullable=False),
    Column("body", Text, nullable=False),
    ForeignKeyConstraint(["study", "seq"], ["log.study", "log.seq"], name="log_body_row"),
)
"""Bodies: removed only when the person withdraws."""

vault = Table(
    "vault",
    metadata,
    Column("study", String(64), primary_key=True),
    Column("seed", String(128), nullable=False),
    Column("token_key", String(128), nullable=False),
)
"""The schedule's seed and the key of trial tokens; no page or export reads it."""

operators = Table(
    "operators",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("passphrase_hash", Text, nullable=False),
    Column("set_at", String(40), nullable=False),
)
"""Argon2 hash of the staff passphrase; the newest row counts."""

attempts = Table(
    "sign_in_attempts",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("at_s", Float, nullable=False),
    Column("succeeded", Integer, nullable=False),
    Index("sign_in_attempts_by_time", "at_s"),
)
"""Times of sign-in attempts, for the rate limit."""
