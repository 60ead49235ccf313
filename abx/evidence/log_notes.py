"""What the log tells beside its answers: stutters of the sound, and what it cannot show at all."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from abx.evidence.findings import CheckOutcome, note
from abx.store.chain import LogRow

__all__ = ["log_notes", "playback_faults", "playback_words", "row_name"]


def row_name(row: LogRow) -> str:
    """Return what a row of the log is called in a sentence."""
    return f"row {row.seq} ({row.kind})"


def _notes(rows: Sequence[LogRow]) -> dict[tuple[str, int], int]:
    """Return the booth's under-runs by sitting and question."""
    found: dict[tuple[str, int], int] = defaultdict(int)
    for row in rows:
        if row.kind == "playback-note" and row.body is not None:
            found[row.session, row.content["trial"]] += row.content["underruns"]
    return found


def playback_faults(rows: Sequence[LogRow]) -> Iterator[str]:
    """Find notes that stand behind the answer they belong to: they were added later."""
    answered = {
        (row.session, row.content.get("number")): row.seq
        for row in rows
        if row.kind == "answer" and row.body is not None
    }
    for row in rows:
        if row.kind == "playback-note" and row.body is not None:
            trial = row.content["trial"]
            if answered.get((row.session, trial), row.seq + 1) < row.seq:
                yield f"{row_name(row)} was added after question {trial} had been answered"


def playback_words(rows: Sequence[LogRow]) -> str:
    """Say how often the booth noted that its sound stuttered."""
    notes = _notes(rows)
    stuttered = sum(count > 0 for count in notes.values())
    if not stuttered:
        return f"the booth noted no stutter of its sound in {len(notes)} questions"
    return (
        f"the booth noted that its sound stuttered in {stuttered} of {len(notes)} questions "
        f"({sum(notes.values())} late buffers); the trial table marks them"
    )


def log_notes(
    rows: Sequence[LogRow], opened: Mapping[str, Any], *, head_known: bool
) -> Iterator[CheckOutcome]:
    """Say what the log cannot show about itself: who answered, and what happened outside it.

    Parameters
    ----------
    rows : sequence of LogRow
        The log, oldest first.
    opened : mapping
        Content of its first row.
    head_known : bool
        Whether its last row was held against a hash noted elsewhere.
    """
    yield from _panel_note(rows)
    commitment = str(opened.get("seed_commitment"))[:80]
    yield note(
        "publication",
        "whether the seed's hash was published before the first trial cannot be seen from here: "
        f"compare {commitment} with what was published",
    )
    if not head_known:
        yield note(
            "rewriting",
            "whether the whole log was written anew cannot be seen from here: compare its last "
            "hash with the one noted at closing (--head)",
        )


def _panel_note(rows: Sequence[LogRow]) -> Iterator[CheckOutcome]:
    sittings = [row for row in rows if row.kind == "session-begun" and row.body is not None]
    simulated = sum(bool(row.content.get("simulated")) for row in sittings)
    if simulated:
        who = "all" if simulated == len(sittings) else f"{simulated} of"
        words = (
            f"the listeners of {who} {len(sittings)} sittings are SIMULATED: nothing they "
            "answered is evidence about people"
        )
        yield note("listeners", words)
    elif sittings:
        yield note("listeners", "whether people gave these answers cannot be seen from here")
