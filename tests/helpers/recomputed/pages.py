"""The marked numbers of the documents, held against the independent values."""

from __future__ import annotations

from dataclasses import dataclass
from html.parser import HTMLParser
from typing import Any

# Each of these registers its values.
from helpers.recomputed import (  # noqa: F401
    chances,
    claims,
    hearing,
    link,
    listeners,
    preference,
    record,
    steps,
)
from helpers.recomputed.record import ELSEWHERE
from helpers.recomputed.study import EXACT, RECIPES, Drawn, Recomputed

DOCUMENTS = ("report", "researcher-report", "reviewer-sheet", "customer-card")
#: Monte Carlo errors by which a share of random draws may lie off.
ERRORS = 4


@dataclass(frozen=True)
class Marked:
    """A number as a page holds it: where it stands, how it is written, exactly and in words."""

    pointer: str
    kind: str
    value: str
    text: str


class _Reader(HTMLParser):
    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.open: dict[str, str] | None = None
        self.text = ""
        self.found: list[Marked] = []

    def handle_starttag(self, tag: str, attrs: Any) -> None:
        if tag == "data":
            self.open, self.text = dict(attrs), ""

    def handle_data(self, data: str) -> None:
        self.text += data

    def handle_endtag(self, tag: str) -> None:
        if tag == "data" and self.open is not None:
            mark, self.open = self.open, None
            if mark.get("class") != "rule":
                self.found.append(
                    Marked(mark["data-at"], mark["data-as"], mark["value"], self.text)
                )


def marked(html: str) -> list[Marked]:
    """Return the numbers of a page that come from data, in order."""
    reader = _Reader()
    reader.feed(html)
    return reader.found


def fault(study: Recomputed, number: Marked) -> str | None:
    """Say how a number differs from the independent one; None where it does not."""
    pattern, _ = study.pattern(number.pointer)
    if pattern in ELSEWHERE:
        return None
    if pattern not in RECIPES:
        return f"{number.pointer}: nothing works this number out, and it is not said why"
    own, tolerance = study.value(number.pointer)
    told = f"{number.pointer}: {number.value or 'not defined'} ({number.text}), independently {own}"
    if number.value == "" or own is None:
        return None if number.value == "" and own is None else told
    value = float(number.value)
    if isinstance(own, Drawn):
        return None if abs(value - own.value) <= ERRORS * own.error else told
    # Sums that cancel leave rounding; a fit's last step is as large for small values.
    floor = 1e-9 if tolerance == EXACT else tolerance
    return None if abs(value - own) <= max(tolerance * abs(own), floor) else told


def faults(study: Recomputed, html: str) -> list[str]:
    """Return what is wrong with the numbers of a page, each place once."""
    once = dict.fromkeys(marked(html))
    return [told for number in once if (told := fault(study, number)) is not None]
