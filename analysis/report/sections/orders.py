"""Whole orders of work with their chances, and how the whole gain divides over the parts."""

from __future__ import annotations

from markupsafe import Markup

from analysis.report.figures.charts import interval_chart, row_interval
from analysis.report.page import Page, PageBlock
from analysis.results.upgrade import PartRow

__all__ = ["order_shares", "part_shares"]


def order_shares(page: Page) -> list[PageBlock]:
    """Draw how often each whole order was taken in the resampled panels."""
    rows = () if page.results.upgrade is None else page.results.upgrade.orders
    if not rows:
        return []
    bars, lines = [], []
    for row in rows:
        steps = row.path
        if steps is None:
            label = page.say("up.other_orders")
        elif not steps:
            label = page.say("up.no_step")
        else:
            label = Markup(" → ").join(page.stage(step) for step in steps)
        if row.includes_zero is True:
            label = Markup("{} <small>{}</small>").format(label, page.say("answer.zero_step"))
        chance = page.n(page.at(row).probability, "chance")
        bars.append({"label": label, "share": row.probability, "text": chance})
        named = " > ".join(steps) if steps is not None else None
        lines.append([named, row.probability])
    caption = Markup("{} ({})").format(page.say("up.orders"), page.panel(page.results.upgrade))
    data = page.csv("orders", ("order", "probability"), lines)
    return [PageBlock("heading", page.say("title.orders")), PageBlock("bars", bars, caption, data)]


def part_shares(page: Page) -> list[PageBlock]:
    """Draw each part's share of the whole gain, where all combinations were played."""
    rows = () if page.results.upgrade is None else page.results.upgrade.shapley
    if not rows:
        return []
    svg = interval_chart(
        [
            row_interval(
                page.numbers,
                row.label or row.factor,
                (page.at(row).estimate, page.at(row).low, page.at(row).high),
                "logit",
            )
            for row in rows
        ],
        key="shapley",
        alt="Share of the whole gain that goes to each part, with its interval. The table below "
        "holds the figures.",
        axis=page.name("up.shapley_axis"),
        line=0.0,
        mark=page.mark,
    )
    keys = (
        PartRow.factor, PartRow.level, PartRow.label, PartRow.estimate, PartRow.se, PartRow.low,
        PartRow.high, PartRow.p_positive,
    )  # fmt: skip
    caption = [page.say("up.shapley"), Markup("({})").format(page.panel(page.results.upgrade))]
    cells = [
        [
            page.user(row.label or row.factor),
            page.n(page.at(row).estimate, "logit"),
            page.interval(page.at(row).low, page.at(row).high, "logit"),
            page.n(page.at(row).p_positive, "chance"),
        ]
        for row in rows
    ]
    return [
        PageBlock("heading", page.say("title.shapley")),
        page.figure(svg, caption, page.csv_of("shares-of-parts", rows, keys)),
        page.table(["effect", "share_gain", "interval", "p_gains"], cells),
    ]
