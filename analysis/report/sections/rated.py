"""Ratings: their distribution, who was screened out, and which pairs differ."""

from __future__ import annotations

import math
from collections.abc import Sequence

from markupsafe import Markup

from analysis.report.figures.panel import Box, box_chart
from analysis.report.page import Page, PageBlock, Section
from analysis.results.rated import RatedStageRow, RatingsResult

__all__ = ["ratings_section"]

_SAVED = (
    RatedStageRow.stage, RatedStageRow.minimum, RatedStageRow.q1, RatedStageRow.median,
    RatedStageRow.q3, RatedStageRow.maximum, RatedStageRow.mean, RatedStageRow.ci_low,
    RatedStageRow.ci_high, RatedStageRow.n_trials, RatedStageRow.n_listeners,
)  # fmt: skip


def _box(page: Page, row: RatedStageRow) -> Box | None:
    values = [row.minimum, row.q1, row.median, row.q3, row.maximum]
    low, q1, median, q3, high = (math.nan if value is None else value for value in values)
    if None in values:
        return None
    label = page.evidence.stage_label(row.stage)
    return Box(label, low, q1, median, q3, high, row.mean)


def _rating_figure(
    page: Page, ratings: RatingsResult, rows: Sequence[RatedStageRow]
) -> PageBlock | None:
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
    caption = [page.say("rate.caption"), Markup("({})").format(page.panel(ratings))]
    return page.figure(svg, caption, page.csv_of("ratings", rows, _SAVED))


def _rating_table(page: Page, rows: Sequence[RatedStageRow]) -> PageBlock:
    cells = [
        [
            page.stage(row.stage),
            page.n(page.at(row).median, "rating"),
            page.interval(page.at(row).q1, page.at(row).q3, "rating"),
            page.n(page.at(row).mean, "rating"),
            page.interval(page.at(row).ci_low, page.at(row).ci_high, "rating"),
        ]
        for row in rows
    ]
    return page.table(["stage", "median", "quartiles", "mean", "interval"], cells)


def _screened(page: Page, ratings: RatingsResult) -> list[PageBlock]:
    """Show the ratings again without the listeners that the rule leaves out."""
    screening = ratings.screening
    rule = page.user(screening.rule)
    if not screening.excluded:
        return [page.note("rate.screen_none", rule=rule)]
    names = Markup(", ").join(page.user(name) for name in screening.excluded)
    kept = [row for row in ratings.stages_screened or () if row.programme is None]
    undeclared = screening.declared is False
    return [
        page.para(
            "rate.screen_undeclared" if undeclared else "rate.screen_out", rule=rule, names=names
        ),
        *([page.para("rate.without"), _rating_table(page, kept)] if kept else []),
    ]


def _pairs(page: Page, ratings: RatingsResult) -> list[PageBlock]:
    rows = page.in_order(ratings.pairs)
    if not rows:
        return []
    cells = [
        [
            page.pair(row),
            page.n(page.at(row).difference, "rating_signed"),
            page.interval(page.at(row).ci_low, page.at(row).ci_high, "rating_signed"),
            page.n(page.at(row).p_value, "p"),
            page.n(page.at(row).p_holm, "p"),
        ]
        for row in rows
    ]
    columns = ["pair", "difference", "interval", "p", "p_holm"]
    return [PageBlock("heading", page.say("title.pairs")), page.table(columns, cells)]


def ratings_section(page: Page) -> Section | None:
    """Make the distribution of the ratings; None where nobody rated."""
    ratings = page.results.ratings
    if ratings is None:
        return None
    rows = [row for row in ratings.stages if row.programme is None]
    if not rows:
        return None
    return page.section(
        "ratings",
        [
            page.para("rate.lead"),
            _rating_figure(page, ratings, rows),
            _rating_table(page, rows),
            *_screened(page, ratings),
            *_pairs(page, ratings),
        ],
    )
