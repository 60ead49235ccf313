"""What to do first: steps, order, budget, and what each part adds."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from markupsafe import Markup

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
from analysis.results.base import Real, known
from analysis.results.upgrade import (
    BudgetRow,
    EffectRow,
    InteractionRow,
    NextStepRow,
    OrderRow,
    StepRow,
)

__all__ = ["ByPrice", "gains_table", "upgrade_section"]

_DASH = "\u2013"
AnyStep = StepRow | NextStepRow


@dataclass(frozen=True, slots=True)
class ByPrice:
    """How a gain for its price is shown: column, way of writing, and where a step holds it.

    Attributes
    ----------
    column, kind : str
    figures : callable
        Gain for the price, its two ends, chance to gain most for it, and the price.
    """

    column: str
    kind: str
    figures: Callable[[AnyStep], tuple[Real, Real, Real, Real, Real]]


_PRICES = (
    ByPrice(
        "per_hundred",
        "per_hundred",
        lambda r: (r.per_cost, r.per_cost_low, r.per_cost_high, r.p_best_per_cost, r.cost),
    ),
    ByPrice(
        "per_hour",
        "logit",
        lambda r: (r.per_hour, r.per_hour_low, r.per_hour_high, r.p_best_per_hour, r.labour_h),
    ),
)


def _steps_figure(page: Page, rows: Sequence[StepRow]) -> PageBlock:
    drawn = [
        row_interval(
            page.numbers,
            page.evidence.stage_label(row.step),
            (page.at(row).gain, page.at(row).gain_low, page.at(row).gain_high),
            "chance",
            noted=page.at(row).p_best,
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
    keys = (
        StepRow.step, StepRow.p_best, StepRow.gain, StepRow.gain_low, StepRow.gain_high,
        StepRow.per_cost, StepRow.per_cost_low, StepRow.per_cost_high, StepRow.p_best_per_cost,
        StepRow.per_hour, StepRow.per_hour_low, StepRow.per_hour_high, StepRow.p_best_per_hour,
    )  # fmt: skip
    caption = [page.say("up.caption"), Markup("({})").format(page.panel(page.results.upgrade))]
    return page.figure(svg, caption, page.csv_of("first-steps", rows, keys))


def _known_prices(rows: Sequence[AnyStep]) -> list[ByPrice]:
    """Return the prices by which the gain of any step is known."""
    return [by for by in _PRICES if any(by.figures(row)[0] is not None for row in rows)]


def gains_table(page: Page, rows: Sequence[StepRow]) -> PageBlock:
    """Set gain, gain for money, gain for hours and chance of the first steps side by side."""
    prices = _known_prices(rows)
    cells = []
    for row in rows:
        at = page.at(row)
        gain = _with_interval(page, row, (at.gain, at.gain_low, at.gain_high), "logit")
        by_price = (_with_interval(page, row, by.figures(at)[:3], by.kind) for by in prices)
        cells.append([page.stage(row.step), gain, *by_price, _shown(page, at.p_best, "chance")])
    columns = ["step", "gain_worth", *(by.column for by in prices), "p_first"]
    return page.table(columns, cells)


def _with_interval(
    page: Page, row: StepRow, places: tuple[object, object, object], kind: str
) -> object:
    """Write an estimate, its interval, and a mark where that includes 0."""
    estimate, low, high = places
    if page.numbers.value(estimate, kind) is None:
        return _DASH
    said = page.n(estimate, kind)
    if page.numbers.value(low, kind) is not None:
        said = Markup("{} ({})").format(said, page.interval(low, high, kind))
    return _marked(page, row, said)


def _marked(page: Page, row: StepRow | OrderRow, said: Markup) -> Markup:
    """Mark a gain whose interval includes 0."""
    if not row.includes_zero:
        return said
    return Markup("{} <small>{}</small>").format(said, page.say("answer.zero"))


def _after(row: AnyStep) -> str | None:
    """Return the step before a second step."""
    return row.first if isinstance(row, NextStepRow) else None


def _steps_table(page: Page, rows: Sequence[AnyStep]) -> PageBlock:
    """Show the gain of steps, after another one where the rows name it."""
    after = any(_after(row) for row in rows)
    cells = [
        [
            *([page.stage(_after(row))] if after else []),
            page.stage(row.step),
            page.n(page.at(row).p_best, "chance"),
            page.n(page.at(row).gain, "logit"),
            page.interval(page.at(row).gain_low, page.at(row).gain_high, "logit"),
        ]
        for row in rows
    ]
    columns = [*(["after"] if after else []), "step", "p_first", "gain_worth", "interval"]
    return page.table(columns, cells)


def _price_table(page: Page, rows: Sequence[AnyStep]) -> PageBlock | None:
    """Show the gain of steps by cost and by labour; None where neither is known."""
    prices = _known_prices(rows)
    if not prices:
        return None
    after = any(_after(row) for row in rows)
    cells = []
    for row in rows:
        line: list[object] = [page.stage(_after(row))] if after else []
        line.append(page.stage(row.step))
        for by in prices:
            gain, low, _, _, price = by.figures(row)
            at_gain, at_low, at_high, at_best, _ = by.figures(page.at(row))
            is_open = gain is None and price is None
            line += [
                page.say("price.unknown") if is_open else _shown(page, at_gain, by.kind),
                _DASH if low is None else page.interval(at_low, at_high, by.kind),
                *([] if after else [_shown(page, at_best, "chance")]),
            ]
        cells.append(line)
    columns = [*(["after"] if after else []), "step"]
    for by in prices:
        columns += [by.column, "interval", *([] if after else ["p_first"])]
    return page.table(columns, cells)


def _second(page: Page) -> list[PageBlock | None]:
    rows = () if page.results.upgrade is None else page.results.upgrade.second_step
    if not rows:
        return []
    return [
        PageBlock("heading", page.say("title.second")),
        page.para("up.second"),
        _steps_table(page, rows),
        _price_table(page, rows),
    ]


def _shown(page: Page, place: object, kind: str) -> object:
    return page.n(place, kind) if page.numbers.value(place, kind) is not None else _DASH


def _path(page: Page, rows: Sequence[OrderRow]) -> list[Markup]:
    """Write the places of the order as steps with their chances."""
    lines = []
    for row in rows:
        step = page.stage(row.step)
        if row.change:
            step = Markup("{} ({})").format(step, page.user(row.change))
        step = _marked(page, row, step)
        lines.append(
            step
            if row.p_best is None
            else page.say("up.place", step=step, chance=page.n(page.at(row).p_best, "chance"))
        )
    return lines


def _order_table(page: Page, rows: Sequence[OrderRow]) -> PageBlock | None:
    """Show gain and price of each place; None where the analysis gives no gains."""
    if all(row.gain is None for row in rows):
        return None
    sums = has_sums(row.total for row in rows)
    cells = [
        [
            page.stage(row.step),
            _shown(page, at.gain, "logit"),
            page.interval(at.gain_low, at.gain_high, "logit"),
            money_cell(page, at.cost),
            hours_cell(page, at.labour_h, at.labour_cost),
            *([money_cell(page, at.total)] if sums else []),
        ]
        for row, at in ((row, page.at(row)) for row in rows)
    ]
    columns = ["step", "gain_worth", "interval", "cost", "labour", *(["sum"] if sums else [])]
    return page.table(columns, cells)


def _order(page: Page) -> list[PageBlock | None]:
    rows = () if page.results.upgrade is None else page.results.upgrade.order
    if not rows:
        return []
    return [
        PageBlock("heading", page.say("title.order")),
        page.para("up.order"),
        PageBlock("path", _path(page, rows)),
        page.note("answer.zero_note") if _any_zero(rows) else None,
        _order_table(page, rows),
    ]


def _any_zero(rows: Sequence[OrderRow]) -> bool:
    return any(row.includes_zero for row in rows)


def _budget(page: Page) -> list[PageBlock]:
    rows = () if page.results.upgrade is None else page.results.upgrade.budget
    notes = budget_notes(page, rows)
    heading = PageBlock("heading", page.say("title.budget"))
    if not rows:
        return [heading, *notes] if notes else []
    sums = has_sums(known(row.total) for row in rows)
    columns = ["budget", "choice", "spent", *(["cost"] if sums else []), "labour"]
    cells = [_budget_cells(page, row, sums=sums) for row in rows]
    table = page.table([*columns, "p_here", "interval"], cells)
    return [heading, page.para("up.budget"), table, *notes]


def _budget_cells(page: Page, row: BudgetRow, *, sums: bool) -> list[object]:
    """Write a budget's choice; without one there is nothing to pay for."""
    chosen, at = bool(row.stage), page.at(row)
    spent = [money_cell(page, place) for place in (at.spent, *([at.cost] if sums else []))]
    return [
        money(page, at.budget),
        page.stage(row.stage) if chosen else _DASH,
        *(spent if chosen else [_DASH] * len(spent)),
        hours_cell(page, at.labour_h, at.labour_cost) if chosen else _DASH,
        _shown(page, at.p_best, "chance"),
        page.interval(at.gain_low, at.gain_high, "logit"),
    ]


def _effects(page: Page) -> list[PageBlock]:
    upgrade = page.results.upgrade
    if upgrade is None:
        return []
    rows: list[EffectRow | InteractionRow] = [*upgrade.effects, *upgrade.interactions]
    if not rows:
        return []
    cells = [
        [
            page.user(row.label),
            _shown(page, page.at(row).estimate, "logit"),
            page.interval(page.at(row).low, page.at(row).high, "logit"),
            _shown(page, page.at(row).p_value, "p"),
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
    rows = () if page.results.upgrade is None else page.results.upgrade.classes
    lines = []
    for row in rows:
        names = [page.stage(step.step) for step in row.order]
        if names:
            people = page.counted(page.at(row).n_listeners, "listener")
            lines.append(Markup("{}: {}").format(people, Markup(" → ").join(names)))
    return [page.warning("up.groups"), PageBlock("list", lines)] if lines else []


def _notes(page: Page) -> list[PageBlock]:
    found = () if page.results.upgrade is None else page.results.upgrade.notes
    return [PageBlock("para", page.user(text), style="note") for text in found]


def upgrade_section(page: Page) -> Section | None:
    """Make the order of work; None where the analysis holds none."""
    rows = () if page.results.upgrade is None else page.results.upgrade.first_step
    order = _order(page)
    if not rows and not order:
        return None
    ranked = sorted(rows, key=lambda row: -(row.p_best or 0.0))
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
