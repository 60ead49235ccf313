"""Ratings: their distribution, who was screened out, and which pairs differ."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from markupsafe import Markup

from analysis.report.evidence import Row
from analysis.report.figures.panel import Box, box_chart
from analysis.report.page import Page, PageBlock, Section

__all__ = ["ratings_section"]

_BOX_KEYS = ("minimum", "q1", "median", "q3", "maximum")


def _box(page: Page, row: Row) -> Box | None:
    values = [row.number(key) for key in _BOX_KEYS]
    low, q1, median, q3, high = (math.nan if value is None else value for value in values)
    if None in values:
        return None
    label = page.evidence.stage_label(row.get("stage"))
    return Box(label, low, q1, median, q3, high, row.number("mean"))


def _rating_rows(page: Page) -> list[Row]:
    """Return the rows of the ratings, whether the block is a list or holds one."""
    place = "/results/ratings"
    nested = isinstance(page.evidence.get(place), Mapping)
    return page.evidence.rows(f"{place}/stages" if nested else place)


def _rating_figure(page: Page, place: str, rows: Sequence[Row]) -> PageBlock | None:
    boxes = [box for box in (_box(page, row) for row in rows) if box is not None]
    if not boxes:
        return None
    svg = box_chart(
        boxes,
        key="ratings",
        alt="Ratings of each version on a scale from 0 to 100: range, quartiles and median. "
        "The table below holds the figures.",
        axis=page.name("rate.axis"),
        mark=page.mark,
    )
    panel = page.panel(place if page.known(f"{place}/n_trials") else rows[0].pointer)
    caption = [page.say("rate.caption"), Markup("({})").format(panel)]
    keys = ("stage", *_BOX_KEYS, "mean", "ci_low", "ci_high", "n_trials", "n_listeners")
    return page.figure(svg, caption, page.csv_of("ratings", rows, keys))


def _rating_table(page: Page, rows: Sequence[Row]) -> PageBlock:
    cells = [
        [
            page.stage(row.get("stage")),
            page.n(row.at("median"), "rating"),
            page.between(row, "q1", "q3", "rating"),
            page.n(row.at("mean"), "rating"),
            page.between(row, "ci_low", "ci_high", "rating"),
        ]
        for row in rows
    ]
    return page.table(["stage", "median", "quartiles", "mean", "interval"], cells)


def _screened(page: Page) -> list[PageBlock]:
    """Show the ratings again without the listeners that the rule leaves out."""
    base = "/results/ratings/screening"
    if not page.evidence.get(base):
        return []
    out = page.evidence.get(f"{base}/excluded") or []
    rule = page.user(page.evidence.text(f"{base}/rule") or "")
    if not out:
        return [page.note("rate.screen_none", rule=rule)]
    names = Markup(", ").join(page.user(name) for name in out)
    rows = page.evidence.rows("/results/ratings/stages_screened")
    kept = [row for row in rows if row.get("programme") is None]
    undeclared = page.evidence.get(f"{base}/declared") is False
    return [
        page.para(
            "rate.screen_undeclared" if undeclared else "rate.screen_out", rule=rule, names=names
        ),
        *([page.para("rate.without"), _rating_table(page, kept)] if kept else []),
    ]


def _pairs(page: Page) -> list[PageBlock]:
    rows = page.in_order(page.evidence.rows("/results/ratings/pairs"))
    if not rows:
        return []
    cells = [
        [
            page.pair(row),
            page.n(row.at("difference"), "rating_signed"),
            page.between(row, "ci_low", "ci_high", "rating_signed"),
            page.n(row.at("p_value"), "p"),
            page.n(row.at("p_holm"), "p"),
        ]
        for row in rows
    ]
    columns = ["pair", "difference", "interval", "p", "p_holm"]
    return [PageBlock("heading", page.say("title.pairs")), page.table(columns, cells)]


def ratings_section(page: Page) -> Section | None:
    """Make the distribution of the ratings; None where nobody rated."""
    rows = [row for row in _rating_rows(page) if row.get("programme") is None]
    if not rows:
        return None
    return page.section(
        "ratings",
        [
            page.para("rate.lead"),
            _rating_figure(page, "/results/ratings", rows),
            _rating_table(page, rows),
            *_screened(page),
            *_pairs(page),
        ],
    )
