"""Who chose what, and how settled the order is: choices by listener, chances of each place."""

from __future__ import annotations

from collections.abc import Sequence

from markupsafe import Markup

from analysis.report.evidence import clean_text
from analysis.report.figures.panel import choice_matrix, listener_strip
from analysis.report.page import Page, PageBlock
from analysis.report.words.numbers import rule
from analysis.results.base import Real
from analysis.results.preference import ChoicesRow, ListenerChoicesRow, WorthRow

__all__ = ["choice_bars", "own_choices", "places"]

# More rows than this do not fit a page; then listeners with the same share are counted together.
_MOST_ROWS = 45
# A cell is shaded from these chances on (this project's choice).
_SHADES = (0.05, 0.25, 0.75)


def _chosen(page: Page) -> tuple[ChoicesRow, ...]:
    return () if page.results.preference is None else page.results.preference.chosen


def _by_listener(page: Page) -> dict[str, dict[str, ChoicesRow]]:
    """Return the choices of each listener by stage."""
    found: dict[str, dict[str, ChoicesRow]] = {}
    for row in _chosen(page):
        if row.listener is not None:
            found.setdefault(row.listener, {})[row.stage] = row
    return found


def own_choices(page: Page, ranked: Sequence[WorthRow]) -> list[PageBlock]:
    """Draw what each listener chose, stages in the order of their worth."""
    people = _by_listener(page)
    stages = [row.stage for row in ranked]
    if not people:
        return []
    labels = [page.evidence.stage_label(stage) for stage in stages]
    shares = {
        name: [own[s].share if s in own else None for s in stages] for name, own in people.items()
    }
    alt = "How often each listener chose each version. The saved table holds the counts."
    if len(people) <= _MOST_ROWS:
        rows = [(clean_text(name), values) for name, values in shares.items()]
        svg = choice_matrix(rows, labels, key="chosen", alt=alt, mark=page.mark)
        said = page.say("own.caption")
    else:
        columns = zip(*shares.values(), strict=True)
        strips = [
            (label, [share for share in column if share is not None], None)
            for label, column in zip(labels, columns, strict=True)
        ]
        axis = page.name("own.axis")
        svg = listener_strip(strips, key="chosen", alt=alt, axis=axis, mark=page.mark)
        said = page.say("own.caption_many")
    caption = [said, Markup("({})").format(page.panel(page.results.preference))]
    saved = [row for own in people.values() for row in own.values()]
    keys = (
        ChoicesRow.listener, ChoicesRow.stage, ChoicesRow.n_chosen, ChoicesRow.n_compared,
        ChoicesRow.share,
    )  # fmt: skip
    figure = page.figure(svg, caption, page.csv_of("choices-by-listener", saved, keys))
    pairs = () if page.results.preference is None else page.results.preference.listeners
    more = page.csv_of(
        "choices-by-listener-and-pair",
        pairs,
        (
            *(ListenerChoicesRow.listener, ListenerChoicesRow.pair, ListenerChoicesRow.wins),
            *(ListenerChoicesRow.losses, ListenerChoicesRow.ties, ListenerChoicesRow.share),
            ListenerChoicesRow.n_trials,
        ),
    )
    note = PageBlock("also", page.say("own.pairs"), data=more)
    return [PageBlock("heading", page.say("title.own")), figure, *([note] if pairs else [])]


def _shade(chance: float | None) -> str:
    depth = sum(chance is not None and chance >= limit for limit in _SHADES)
    return f"down{depth}" if depth else "flat"


def _place(page: Page, row: WorthRow, rank: int) -> Real:
    """Return where the chance of a place stands."""
    places = page.at(row).rank_probabilities
    return None if places is None else places[rank]


def places(page: Page, ranked: Sequence[WorthRow]) -> list[PageBlock]:
    """Make the table of chances of each place, from the first to the last."""
    held = [(row, row.rank_probabilities) for row in ranked]
    known = [(row, values) for row, values in held if values is not None]
    if not known:
        return []
    chances = [values for _, values in known]
    size = max(len(values) for values in chances)
    head = [page.say("col.stage"), *(rule(place + 1, "count") for place in range(size))]
    rows = [
        {
            "stage": page.stage(row.stage),
            "cells": [
                {"shade": _shade(value), "text": page.n(_place(page, row, k), "chance")}
                for k, value in enumerate(values)
            ],
        }
        for row, values in known
    ]
    lines = [
        [row.stage, place + 1, value] for row, values in known for place, value in enumerate(values)
    ]
    data = page.csv("places", ("stage", "place", "probability"), lines)
    caption = Markup("{} ({})").format(
        page.say("rank.caption"), page.panel(page.results.preference)
    )
    return [
        PageBlock("heading", page.say("title.places")),
        PageBlock("heat", {"head": head, "rows": rows}, caption, data),
    ]


def choice_bars(page: Page, listener: str | None) -> PageBlock | None:
    """Make bars of how often each version was chosen, by the panel or by one listener."""
    rows = [r for r in _chosen(page) if r.listener == listener]
    if not rows:
        return None
    ranked = sorted(rows, key=lambda row: -(row.share or 0.0))
    return PageBlock(
        "bars",
        [
            {
                "label": page.stage(row.stage),
                "share": row.share,
                "text": page.say(
                    "card.chosen_of",
                    chosen=page.n(page.at(row).n_chosen, "count"),
                    of=page.n(page.at(row).n_compared, "count"),
                ),
            }
            for row in ranked
        ],
    )
