"""What to do first: steps, order, budget, and what each part adds."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from markupsafe import Markup

from analysis.report.evidence import Row
from analysis.report.figures.charts import interval_chart, row_interval
from analysis.report.page import Page, PageBlock, Section
from analysis.report.sections.orders import order_shares, part_shares
from analysis.report.sections.prices import (
    budget_notes,
    has_sums,
    hours_cell,
    money,
    money_cell,
    price_notes,
)

__all__ = ["gains_table", "upgrade_section"]

_DASH = "\u2013"
# Column, way of writing, and price of a gain by its price.
_PRICES = {
    "per_cost": ("per_hundred", "per_hundred", "cost"),
    "per_hour": ("per_hour", "logit", "labour_h"),
}


def _steps_figure(page: Page, rows: Sequence[Row]) -> PageBlock:
    drawn = [
        row_interval(
            page.numbers,
            row,
            page.evidence.stage_label(row.get("step")),
            ("gain", "gain_low", "gain_high"),
            "chance",
            noted="p_best",
        )
        for row in rows
    ]
    svg = interval_chart(
        drawn,
        key="steps",
        alt="Gain of each possible first step with its interval, and on the right its chance of "
        "being the most useful. The table below holds the figures.",
        axis=page.name("up.axis"),
        line=0.0,
        mark=page.mark,
    )
    gains = ("step", "p_best", "gain", "gain_low", "gain_high")
    by_cost = ("per_cost", "per_cost_low", "per_cost_high", "p_best_per_cost")
    keys = (*gains, *by_cost, "per_hour", "per_hour_low", "per_hour_high", "p_best_per_hour")
    caption = [page.say("up.caption"), Markup("({})").format(page.panel("/results/upgrade"))]
    return page.figure(svg, caption, page.csv_of("first-steps", rows, keys))


def gains_table(page: Page, rows: Sequence[Row]) -> PageBlock:
    """Set gain, gain for money, gain for hours and chance of the first steps side by side."""
    prices = [key for key in _PRICES if any(row.number(key) is not None for row in rows)]
    cells = [
        [
            page.stage(row.get("step")),
            _with_interval(page, row, "gain", "logit"),
            *(_with_interval(page, row, key, _PRICES[key][1]) for key in prices),
            _shown(page, row, "p_best", "chance"),
        ]
        for row in rows
    ]
    columns = ["step", "gain_worth", *(_PRICES[key][0] for key in prices), "p_first"]
    return page.table(columns, cells)


def _with_interval(page: Page, row: Row, key: str, kind: str) -> object:
    """Write an estimate, its interval, and a mark where that includes 0."""
    if row.number(key) is None:
        return _DASH
    said = page.n(row.at(key), kind)
    if row.number(f"{key}_low") is not None:
        bounds = page.between(row, f"{key}_low", f"{key}_high", kind)
        said = Markup("{} ({})").format(said, bounds)
    return _marked(page, row, said)


def _marked(page: Page, row: Row, said: Markup) -> Markup:
    """Mark a gain whose interval includes 0."""
    if row.get("includes_zero") is not True:
        return said
    return Markup("{} <small>{}</small>").format(said, page.say("answer.zero"))


def _steps_table(page: Page, rows: Sequence[Row]) -> PageBlock:
    """Show the gain of steps, after another one where the rows name it."""
    after = any(row.get("first") for row in rows)
    cells = [
        [
            *([page.stage(row.get("first"))] if after else []),
            page.stage(row.get("step")),
            page.n(row.at("p_best"), "chance"),
            page.n(row.at("gain"), "logit"),
            page.between(row, "gain_low", "gain_high", "logit"),
        ]
        for row in rows
    ]
    columns = [*(["after"] if after else []), "step", "p_first", "gain_worth", "interval"]
    return page.table(columns, cells)


def _price_table(page: Page, rows: Sequence[Row]) -> PageBlock | None:
    """Show the gain of steps by cost and by labour; None where neither is known."""
    prices = [key for key in _PRICES if any(row.number(key) is not None for row in rows)]
    if not prices:
        return None
    after = any(row.get("first") for row in rows)
    cells = []
    for row in rows:
        line: list[object] = [page.stage(row.get("first"))] if after else []
        line.append(page.stage(row.get("step")))
        for key in prices:
            _, kind, price = _PRICES[key]
            low = f"{key}_low"
            known = row.number(low) is not None
            is_open = row.number(key) is None and row.number(price) is None
            line += [
                page.say("price.unknown") if is_open else _shown(page, row, key, kind),
                page.between(row, low, f"{key}_high", kind) if known else _DASH,
                *([] if after else [_shown(page, row, f"p_best_{key}", "chance")]),
            ]
        cells.append(line)
    columns = [*(["after"] if after else []), "step"]
    for key in prices:
        columns += [_PRICES[key][0], "interval", *([] if after else ["p_first"])]
    return page.table(columns, cells)


def _second(page: Page) -> list[PageBlock | None]:
    rows = page.evidence.rows("/results/upgrade/second_step")
    if not rows:
        return []
    return [
        PageBlock("heading", page.say("title.second")),
        page.para("up.second"),
        _steps_table(page, rows),
        _price_table(page, rows),
    ]


def _shown(page: Page, row: Row, key: str, kind: str) -> object:
    return page.n(row.at(key), kind) if row.number(key) is not None else _DASH


def _path(page: Page, rows: Sequence[Row]) -> list[Markup]:
    """Write the places of the order as steps with their chances."""
    lines = []
    for row in rows:
        step = page.stage(row.get("step") or "")
        if row.get("change"):
            step = Markup("{} ({})").format(step, page.user(row.get("change")))
        step = _marked(page, row, step)
        known = row.number("p_best") is not None
        lines.append(
            page.say("up.place", step=step, chance=page.n(row.at("p_best"), "chance"))
            if known
            else step
        )
    return lines


def _order_table(page: Page, rows: Sequence[Row]) -> PageBlock | None:
    """Show gain and price of each place; None where the analysis gives no gains."""
    if all(row.number("gain") is None for row in rows):
        return None
    sums = has_sums(rows)
    cells = [
        [
            page.stage(row.get("step") or ""),
            _shown(page, row, "gain", "logit"),
            page.between(row, "gain_low", "gain_high", "logit"),
            money_cell(page, row, "cost"),
            hours_cell(page, row),
            *([money_cell(page, row, "total")] if sums else []),
        ]
        for row in rows
    ]
    columns = ["step", "gain_worth", "interval", "cost", "labour", *(["sum"] if sums else [])]
    return page.table(columns, cells)


def _order(page: Page) -> list[PageBlock | None]:
    rows = page.evidence.rows("/results/upgrade/order")
    if not rows:
        return []
    return [
        PageBlock("heading", page.say("title.order")),
        page.para("up.order"),
        PageBlock("path", _path(page, rows)),
        page.note("answer.zero_note") if _any_zero(rows) else None,
        _order_table(page, rows),
    ]


def _any_zero(rows: Sequence[Row]) -> bool:
    return any(row.get("includes_zero") is True for row in rows)


def _budget(page: Page) -> list[PageBlock]:
    rows = page.evidence.rows("/results/upgrade/budget")
    notes = budget_notes(page, rows)
    heading = PageBlock("heading", page.say("title.budget"))
    if not rows:
        return [heading, *notes] if notes else []
    sums = has_sums(rows)
    columns = ["budget", "choice", "spent", *(["cost"] if sums else []), "labour"]
    cells = [_budget_cells(page, row, sums=sums) for row in rows]
    table = page.table([*columns, "p_here", "interval"], cells)
    return [heading, page.para("up.budget"), table, *notes]


def _budget_cells(page: Page, row: Row, *, sums: bool) -> list[object]:
    """Write a budget's choice; without one there is nothing to pay for."""
    chosen = bool(row.get("stage"))
    spent = [money_cell(page, row, key) for key in ("spent", *(["cost"] if sums else []))]
    return [
        money(page, row.at("budget")),
        page.stage(row.get("stage")) if chosen else _DASH,
        *(spent if chosen else [_DASH] * len(spent)),
        hours_cell(page, row) if chosen else _DASH,
        _shown(page, row, "p_best", "chance"),
        page.between(row, "gain_low", "gain_high", "logit"),
    ]


def _effects(page: Page) -> list[PageBlock]:
    rows = page.evidence.rows("/results/upgrade/effects")
    rows = [*rows, *page.evidence.rows("/results/upgrade/interactions")]
    if not rows:
        return []
    cells = [
        [
            page.user(row.get("label") or row.get("factor") or ""),
            _shown(page, row, "estimate", "logit"),
            page.between(row, "low", "high", "logit"),
            _shown(page, row, "p_value", "p"),
        ]
        for row in rows
    ]
    return [
        PageBlock("heading", page.say("title.effects")),
        page.para("up.effects"),
        page.table(["effect", "gain_mean", "interval", "p"], cells),
    ]


def _groups(page: Page) -> list[PageBlock]:
    """Say that groups of listeners have orders of their own, and which."""
    rows = page.evidence.rows("/results/upgrade/classes")
    lines = []
    for row in rows:
        steps = row.get("order")
        names = [
            page.stage(step.get("step") if isinstance(step, Mapping) else step)
            for step in (steps if isinstance(steps, list) else [])
        ]
        if names:
            people = page.counted(row.at("n_listeners"), "listener")
            lines.append(Markup("{}: {}").format(people, Markup(" → ").join(names)))
    return [page.warning("up.groups"), PageBlock("list", lines)] if lines else []


def _notes(page: Page) -> list[PageBlock]:
    notes = page.evidence.get("/results/upgrade/notes")
    found = notes if isinstance(notes, list) else []
    return [PageBlock("para", page.user(text), style="note") for text in found]


def upgrade_section(page: Page) -> Section | None:
    """Make the order of work; None where the analysis holds none."""
    rows = page.evidence.rows("/results/upgrade/first_step")
    order = _order(page)
    if not rows and not order:
        return None
    ranked = sorted(rows, key=lambda row: -(row.number("p_best") or 0.0))
    return page.section(
        "upgrade",
        [
            page.para("up.lead"),
            _steps_figure(page, ranked) if ranked else None,
            _steps_table(page, ranked) if ranked else None,
            _price_table(page, ranked),
            *price_notes(page),
            *_second(page),
            *order,
            *order_shares(page),
            *_groups(page),
            *_budget(page),
            *_effects(page),
            *part_shares(page),
            *_notes(page),
            page.note("up.note"),
        ],
    )
