"""Whole orders of work with their chances, and how the whole gain divides over the parts."""

from __future__ import annotations

from markupsafe import Markup

from analysis.report.figures.charts import interval_chart, row_interval
from analysis.report.page import Page, PageBlock

__all__ = ["order_shares", "part_shares"]


def order_shares(page: Page) -> list[PageBlock]:
    """Draw how often each whole order was taken in the resampled panels."""
    rows = page.evidence.rows("/results/upgrade/orders")
    if not rows:
        return []
    bars, lines = [], []
    for row in rows:
        path = row.get("path")
        steps = path if isinstance(path, list) else None
        if steps is None:
            label = page.say("up.other_orders")
        elif not steps:
            label = page.say("up.no_step")
        else:
            label = Markup(" → ").join(page.stage(step) for step in steps)
        if row.get("includes_zero") is True:
            label = Markup("{} <small>{}</small>").format(label, page.say("answer.zero_step"))
        chance = page.n(row.at("probability"), "chance")
        bars.append({"label": label, "share": row.number("probability"), "text": chance})
        named = " > ".join(map(str, steps)) if steps is not None else None
        lines.append([named, row.number("probability")])
    caption = Markup("{} ({})").format(page.say("up.orders"), page.panel("/results/upgrade"))
    data = page.csv("orders", ("order", "probability"), lines)
    return [PageBlock("heading", page.say("title.orders")), PageBlock("bars", bars, caption, data)]


def part_shares(page: Page) -> list[PageBlock]:
    """Draw each part's share of the whole gain, where all combinations were played."""
    rows = page.evidence.rows("/results/upgrade/shapley")
    if not rows:
        return []
    svg = interval_chart(
        [
            row_interval(
                page.numbers,
                row,
                str(row.get("label") or row.get("factor") or ""),
                ("estimate", "low", "high"),
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
    keys = ("factor", "level", "label", "estimate", "se", "low", "high", "p_positive")
    caption = [page.say("up.shapley"), Markup("({})").format(page.panel("/results/upgrade"))]
    cells = [
        [
            page.user(row.get("label") or row.get("factor") or ""),
            page.n(row.at("estimate"), "logit"),
            page.between(row, "low", "high", "logit"),
            page.n(row.at("p_positive"), "chance"),
        ]
        for row in rows
    ]
    return [
        PageBlock("heading", page.say("title.shapley")),
        page.figure(svg, caption, page.csv_of("shares-of-parts", rows, keys)),
        page.table(["effect", "share_gain", "interval", "p_gains"], cells),
    ]
