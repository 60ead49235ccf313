"""What the verdicts of one family settle between stages.

Nothing is tested here. A preference follows from others where they form a chain: whoever is shown
to be liked better than the second, and the second than the third, is liked better than the third,
in the same worths; so a chain adds no error of its own.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from analysis.answer.family import Design

__all__ = ["Comparison", "Standing"]

Row = Mapping[str, Any]
_SETTLED = {"supported": 1, "contradicted": -1}
_SMALL = "too small to matter"


@dataclass(frozen=True, slots=True)
class Comparison:
    """One claim of the family as a line of a list.

    Attributes
    ----------
    relation : str
        ``hear``, ``prefer`` (of two), ``most`` (one against several), or ``other``.
    first, second : str
        Stages; where the verdict is the opposite of the claim, turned round. `second` is empty
        for ``most`` and ``other``.
    outcome : str
        ``shown``, ``against`` (the opposite is shown), ``small`` or ``open``.
    claim : int
        Its place in the family.
    """

    relation: str
    first: str
    second: str
    outcome: str
    claim: int


class Standing:
    """The verdicts of a family, by what they are about.

    Parameters
    ----------
    rows : sequence of mapping
        Claims as :func:`analysis.claims.judge.judge_claims` returns them; those about some
        listeners only are left aside.
    design : Design
    """

    def __init__(self, rows: Sequence[Row], design: Design) -> None:
        self._design = design
        self._rows = rows
        self._edges: dict[tuple[str, str], int] = {}
        for k, row in enumerate(rows):
            for edge in self._shown_by(row):
                self._edges.setdefault(edge, k)

    def _everyones(self) -> list[tuple[int, Row]]:
        return [(k, row) for k, row in enumerate(self._rows) if not row.get("who")]

    def _shown_by(self, row: Row) -> list[tuple[str, str]]:
        """Return the preferences that the verdict of one claim states."""
        if row.get("who") or row.get("verdict") not in _SETTLED:
            return []
        kind, stages = row["kind"], list(row["stages"])
        if kind == "prefer" or self._is_plain_step(row):
            ahead, behind = stages if row["verdict"] == "supported" else stages[::-1]
            return [(ahead, behind)]
        if kind in ("most", "most of") and row["verdict"] == "supported":
            rivals = stages[1:] or [s for s in self._design.compared if s != stages[0]]
            return [(stages[0], rival) for rival in rivals]
        return []

    @staticmethod
    def _is_plain_step(row: Row) -> bool:
        """Whether a claim is about two first steps without their price: a preference of the two."""
        return row["kind"] == "step" and not row.get("per") and len(row["stages"]) == 2

    def preferred(self, first: str, second: str) -> list[int] | None:
        """Return the claims that show one stage to be liked better, along the shortest chain."""
        paths: dict[str, list[int]] = {first: []}
        ends = [first]
        while ends:
            here = ends.pop(0)
            for (start, end), claim in self._edges.items():
                if start == here and end not in paths:
                    paths[end] = [*paths[here], claim]
                    ends.append(end)
        return paths.get(second)

    def liking(self, first: str, second: str) -> str:
        """Return what the family settles of liking one stage better than another.

        ``shown``, ``against``, ``small`` (too small to matter), ``open``, or ``not claimed``.
        """
        if self.preferred(first, second) is not None:
            return "shown"
        if self.preferred(second, first) is not None:
            return "against"
        for _, row in self._everyones():
            plain = row["kind"] == "prefer" or self._is_plain_step(row)
            if plain and set(row["stages"]) == {first, second}:
                return _outcome(row)
        return "open" if self.asks_between([first, second]) else "not claimed"

    def shown_pairs(self) -> list[tuple[str, str, int]]:
        """Return every preference that a claim of two stages states, in the order of the claims."""
        return [
            (first, second, k)
            for (first, second), k in self._edges.items()
            if len(self._rows[k]["stages"]) == 2
        ]

    def heard(self, first: str, second: str) -> tuple[str, int] | None:
        """Return outcome and claim about telling two stages apart; None where none was made."""
        for k, row in self._everyones():
            if row["kind"] == "hear" and set(row["stages"]) == {first, second}:
                return _outcome(row), k
        return None

    def asks_preference(self) -> bool:
        """Whether any claim is about liking."""
        kinds = {row["kind"] for _, row in self._everyones()}
        return bool(kinds & {"prefer", "step", "most", "most of", "neither"})

    def asks_most(self) -> bool:
        """Whether a claim is about what is liked most of all; of two stages, about the two."""
        compared = set(self._design.compared)
        for _, row in self._everyones():
            whole = row["kind"] == "most" or set(row["stages"]) == compared
            if (
                whole
                and row["kind"] in ("most", "most of", "prefer", "step")
                and not row.get("per")
            ):
                return True
        return False

    def asks_between(self, stages: Sequence[str]) -> bool:
        """Whether a claim compares two of these stages, or one of them with all."""
        inside = set(stages)
        for _, row in self._everyones():
            named = set(row["stages"])
            plain = row["kind"] == "prefer" or self._is_plain_step(row)
            if (plain or row["kind"] == "most of") and len(named & inside) > 1:
                return True
            if row["kind"] == "most" and named <= inside:
                return True
        return False

    def comparisons(self) -> list[Comparison]:
        """Return the claims as lines: what failed first, then what is open, small, and shown."""
        lines = [_line(row, k) for k, row in self._everyones()]
        order = ("against", "open", "small", "shown")
        return sorted(lines, key=lambda line: order.index(line.outcome))

    def small(self) -> list[int]:
        """Return the claims whose difference is shown and too small to matter."""
        return [k for k, row in self._everyones() if row.get("verdict") == _SMALL]


def _outcome(row: Row) -> str:
    settled = {"supported": "shown", "contradicted": "against", _SMALL: "small"}
    return settled.get(str(row.get("verdict")), "open")


def _line(row: Row, k: int) -> Comparison:
    kind, stages, outcome = row["kind"], list(row["stages"]), _outcome(row)
    if kind == "hear":
        return Comparison("hear", stages[0], stages[1], outcome, k)
    if kind == "prefer" or Standing._is_plain_step(row):
        first, second = stages
        if outcome == "against":
            first, second = second, first
        return Comparison("prefer", first, second, outcome, k)
    if kind in ("most", "most of"):
        return Comparison("most", stages[0], "", outcome, k)
    return Comparison("other", stages[0] if stages else "", "", outcome, k)
