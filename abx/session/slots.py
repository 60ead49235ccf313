"""Give each sitting its place in the schedule."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from abx.store.chain import LogRow
from abx.store.store import Appender

__all__ = ["ABANDONED_AFTER", "free_slot"]

ABANDONED_AFTER = timedelta(hours=2)
"""A sitting without a single answer gives its slot back after this time."""


def free_slot(chain: Appender, *, simulated: bool, first: int = 0) -> int:
    """Return the lowest slot that nobody holds.

    Parameters
    ----------
    chain : Appender
        The study's chain, held, so that two sittings cannot get one slot.
    simulated : bool
        Simulated listeners have slots of their own.
    first : int, optional
        Where to begin: short visits have slots of their own, too.

    Returns
    -------
    int
        0-based slot. Slots of withdrawn sittings, and of sittings abandoned before the first
        answer, are given again, which keeps a panel balanced.
    """
    begun = [row for row in chain.rows("session-begun") if _counts(row, simulated)]
    answered = chain.sessions_with("answer")
    limit = (datetime.now(UTC) - ABANDONED_AFTER).isoformat(timespec="milliseconds")
    held = {row.content["slot"] for row in begun if row.session in answered or row.at > limit}
    slot = first
    while slot in held:
        slot += 1
    return slot


def _counts(row: LogRow, simulated: bool) -> bool:
    return row.body is not None and row.content["simulated"] == simulated
