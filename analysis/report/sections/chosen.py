"""Who chose what, and how settled the order is: choices by listener, chances of each place."""

from __future__ import annotations

from collections.abc import Sequence

from markupsafe import Markup

from analysis.report.evidence import Row, clean_text
from analysis.report.figures.panel import choice_matrix, listener_strip
from analysis.report.page import Page, PageBlock
from analysis.report.words.numbers import rule

__all__ = ["choice_bars", "own_choices", "places"]

_CHOSEN = "/results/preference/chosen"
# More rows than this do not fit a page; then listeners with the same share are counted together.
_MOST_ROWS = 45
# A cell is shaded from these chances on (this project's choice).
_SHADES = (0.05, 0.25, 0.75)


def _by_listener(page: Page) -> dict[str, dict[str, Row]]:
    """Return the choices of each listener by stage."""
    found: dict[str, dict[str, Row]] = {}
    for row in page.evidence.rows(_CHOSEN):
        if row.get("listener") is not None:
            found.setdefault(str(row.get("listener")), {})[str(row.get("stage"))] = row
    return found


def own_choices(page: Page, ranked: Sequence[Row]) -> list[PageBlock]:
    """Draw what each listener chose, stages in the order of their worth."""
    people = _by_listener(page)
    stages = [str(row.get("stage")) for row in ranked]
    if not people:
        return []
    labels = [page.evidence.stage_label(stage) for stage in stages]
    shares = {
        name: [own[s].number("share") if s in own else None for s in stages]
        for name, own in people.items()
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
    caption = [said, Markup("({})").format(page.panel("/results/preference"))]
    saved = [row for own in people.values() for row in own.values()]
    keys = ("listener", "stage", "n_chosen", "n_compared", "share")
    figure = page.figure(svg, caption, page.csv_of("choices-by-listener", saved, keys))
    pairs = page.evidence.rows("/results/preference/listeners")
    more = page.csv_of(
        "choices-by-listener-and-pair",
        pairs,
        ("listener", "pair", "wins", "losses", "ties", "share", "n_trials"),
    )
    note = PageBlock("also", page.say("own.pairs"), data=more)
    return [PageBlock("heading", page.say("title.own")), figure, *([note] if pairs else [])]


def _shade(chance: float | None) -> str:
    depth = sum(chance is not None and chance >= limit for limit in _SHADES)
    return f"down{depth}" if depth else "flat"


def places(page: Page, ranked: Sequence[Row]) -> list[PageBlock]:
    """Make the table of chances of each place, from the first to the last."""
    known = [row for row in ranked if isinstance(row.get("rank_probabilities"), list)]
    if not known:
        return []
    chances = [page.evidence.curve(row, "rank_probabilities") for row in known]
    size = max(len(values) for values in chances)
    head = [page.say("col.stage"), *(rule(place + 1, "count") for place in range(size))]
    rows = [
        {
            "stage": page.stage(row.get("stage")),
            "cells": [
                {"shade": _shade(value), "text": page.n(row.at("rank_probabilities", k), "chance")}
                for k, value in enumerate(values)
            ],
        }
        for row, values in zip(known, chances, strict=True)
    ]
    lines = [
        [row.get("stage"), place + 1, value]
        for row, values in zip(known, chances, strict=True)
        for place, value in enumerate(values)
    ]
    data = page.csv("places", ("stage", "place", "probability"), lines)
    caption = Markup("{} ({})").format(page.say("rank.caption"), page.panel("/results/preference"))
    return [
        PageBlock("heading", page.say("title.places")),
        PageBlock("heat", {"head": head, "rows": rows}, caption, data),
    ]


def choice_bars(page: Page, listener: str | None) -> PageBlock | None:
    """Make bars of how often each version was chosen, by the panel or by one listener."""
    rows = [r for r in page.evidence.rows(_CHOSEN) if r.get("listener") == listener]
    if not rows:
        return None
    ranked = sorted(rows, key=lambda row: -(row.number("share") or 0.0))
    return PageBlock(
        "bars",
        [
            {
                "label": page.stage(row.get("stage")),
                "share": row.number("share"),
                "text": page.say(
                    "card.chosen_of",
                    chosen=page.n(row.at("n_chosen"), "count"),
                    of=page.n(row.at("n_compared"), "count"),
                ),
            }
            for row in ranked
        ],
    )
