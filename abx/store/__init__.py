"""The append-only, hash-chained log of a study, on SQLite or PostgreSQL."""

from __future__ import annotations

from abx.store.chain import Entry, LogRow
from abx.store.engine import open_engine
from abx.store.store import Store, open_store

__all__ = ["Entry", "LogRow", "Store", "open_engine", "open_store"]
