"""The schedule as it was dealt: what every sitting of a panel was to be asked, in full.

A checker that does not want to make the schedule from its seed again can read it here; one that
does finds the same.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

from abx.evidence.findings import CheckOutcome
from abx.schedule.panel import RULE, slot_content

if TYPE_CHECKING:
    from abx.session.sessions import Sessions

__all__ = ["drawn_bytes", "drawn_finding", "drawn_schedule"]


def drawn_schedule(sessions: Sessions) -> dict[str, Any]:
    """Return rule, seed, commitment and the trials of every slot that a sitting held.

    Parameters
    ----------
    sessions : Sessions
        A closed panel; the seed of an open one is None.

    Returns
    -------
    dict
        ``rule``, ``study_sha256``, ``commitment``, ``seed`` (hexadecimal) and ``slots``: one entry
        for each slot, people first, with ``slot``, ``simulated``, ``breaks_after`` and ``trials``.
    """
    standing = sessions.standing()
    rows = sessions.store.rows(sessions.study_id, kind="session-begun")
    held = {
        (bool(row.content["simulated"]), int(row.content["slot"]))
        for row in rows
        if row.body is not None
    }
    slots = []
    for simulated, index in sorted(held):
        content = slot_content(sessions.slot(index, simulated=simulated))
        slots.append({"slot": content.pop("index"), "simulated": simulated, **content})
    return {
        "rule": RULE,
        "study_sha256": sessions.study.sha256,
        "commitment": standing.seed_commitment,
        "seed": standing.seed,
        "slots": slots,
    }


def drawn_bytes(sessions: Sessions) -> bytes:
    """Return the schedule as dealt in canonical form: JSON, sorted keys, no spaces, UTF-8."""
    content = drawn_schedule(sessions)
    text = json.dumps(content, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    return text.encode()


def drawn_finding(sessions: Sessions, file: Path) -> CheckOutcome:
    """Compare a stored schedule, byte for byte, with the one made from the seed again."""
    if not file.is_file():
        return CheckOutcome("schedule", False, f"{file.name} is missing")
    same = file.read_bytes() == drawn_bytes(sessions)
    words = "comes out of the seed again" if same else "is not the schedule that the seed gives"
    return CheckOutcome("schedule", same, f"{file.name} {words}")
