"""Money and hours wherever a page shows them: both parts, and what is not known."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from markupsafe import Markup

from analysis.report.evidence import Row
from analysis.report.page import Page, PageBlock
from analysis.results.base import Real, known
from analysis.results.claims import PictureRow
from analysis.results.upgrade import BudgetRow, PricesResult

__all__ = [
    "budget_notes",
    "cost_block",
    "counting_notes",
    "has_sums",
    "hours_cell",
    "money",
    "money_cell",
    "plain_price",
    "price_notes",
]

_DASH = "\u2013"


def _prices(page: Page) -> PricesResult | None:
    return None if page.results.upgrade is None else page.results.upgrade.prices


def money(page: Page, place: object) -> Markup:
    """Write an amount with the study's currency, where it names one."""
    amount, currency = page.n(place, "money"), _currency(page)
    return Markup("{}\u00a0{}").format(amount, page.user(currency)) if currency else amount


def plain_price(page: Page, row: PictureRow) -> list[str]:
    """Return the price and hours of a step as a line of a picture; none where neither is known."""
    said = []
    if row.cost is not None:
        parts = (page.numbers.plain(page.at(row).cost, "money"), _currency(page))
        said.append(" ".join(part for part in parts if part))
    if row.labour_h is not None:
        said.append(page.numbers.plain(page.at(row).labour_h, "hours"))
    return [", ".join(said)] if said else []


def _currency(page: Page) -> str | None:
    prices = _prices(page)
    of_table = None if prices is None else prices.currency
    return page.evidence.text("/study/prices/currency") or of_table


def _rate(page: Page) -> Markup | None:
    if page.known("/study/prices/hourly_rate"):
        return money(page, "/study/prices/hourly_rate")
    prices = _prices(page)
    if prices is None or prices.hourly_rate is None:
        return None
    return money(page, page.at(prices).hourly_rate)


# one stage -----------------------------------------------------------------------------


def cost_block(page: Page, stage: str | None) -> PageBlock | None:
    """Say what the stage of the headline takes; None where no stage was named or declared."""
    row = page.evidence.stage_rows().get(stage or "")
    if row is None or stage in page.evidence.made_stages():
        return None
    return PageBlock("para", Markup(" ").join(_price_words(page, row, page.quoted(stage))))


def _price_words(page: Page, row: Row, stage: Markup) -> Iterator[Markup]:
    if row.number("cost") is None:
        yield page.say("price.cost_unknown", stage=stage)
    else:
        yield page.say("price.cost", stage=stage, cost=money(page, row.at("cost")))
    rate = _rate(page)
    if row.number("labour_h") is None:
        yield page.say("price.labour_unknown")
    elif rate is not None and row.number("labour_cost") is not None:
        yield page.say(
            "price.labour_money",
            hours=page.n(row.at("labour_h"), "hours"),
            labour=money(page, row.at("labour_cost")),
            rate=rate,
        )
    else:
        yield page.say("price.labour", hours=page.n(row.at("labour_h"), "hours"))
    if row.number("total") is not None:
        yield page.say("price.total", total=money(page, row.at("total")))
    tax = page.evidence.text("/study/prices/tax")
    if tax:
        yield page.say("price.tax", tax=page.user(tax))


# cells ---------------------------------------------------------------------------------


def money_cell(page: Page, amount: object, *, made: bool = False) -> object:
    """Write the amount at a place; what nobody can buy has none, all else may be unknown."""
    if made:
        return _DASH
    known = page.numbers.value(amount, "money") is not None
    return money(page, amount) if known else page.say("price.unknown")


def hours_cell(page: Page, hours: object, labour: object, *, made: bool = False) -> object:
    """Write the hours at a place, with what they are in money where there is an hourly rate."""
    if made:
        return _DASH
    if page.numbers.value(hours, "hours") is None:
        return page.say("price.unknown")
    shown = page.n(hours, "hours")
    if page.numbers.value(labour, "money") is None:
        return shown
    return Markup("{} ({})").format(shown, money(page, labour))


def has_sums(totals: Iterable[Real]) -> bool:
    """Whether cost and labour can be added for any row."""
    return any(total is not None for total in totals)


# notes ---------------------------------------------------------------------------------


def counting_notes(page: Page) -> list[PageBlock]:
    """Say how money is counted: the rate of labour, and the study's remark on tax."""
    rate, tax = _rate(page), page.evidence.text("/study/prices/tax")
    notes = [page.note("price.rate", rate=rate)] if rate is not None else []
    return [*notes, page.note("price.tax", tax=page.user(tax))] if tax else notes


def price_notes(page: Page) -> list[PageBlock]:
    """Say of which steps the price is not known, and what that leaves open."""
    prices = _prices(page)
    cost = None if prices is None else _listed(page, prices.cost_unknown)
    labour = None if prices is None else _listed(page, prices.labour_unknown)
    if _nothing_known(page):
        return [page.note("up.prices_unknown")]
    currency = _currency(page)
    notes = [page.note("up.currency", currency=page.user(currency))] if currency else []
    notes += [page.note("up.cost_unknown", stages=cost)] if cost else []
    return [*notes, page.note("up.labour_unknown", stages=labour)] if labour else notes


def budget_notes(page: Page, rows: Sequence[BudgetRow]) -> list[PageBlock]:
    """Say what no budget can buy since its price is not known, and that labour is in the sums."""
    prices = _prices(page)
    missing = None if prices is None else _listed(page, prices.unpriced)
    if not rows:
        asked = bool(page.evidence.get("/study/plan/budgets")) or not _nothing_known(page)
        return [page.para("up.budget_unknown", stages=missing)] if missing and asked else []
    notes = [page.para("up.unpriced", stages=missing)] if missing else []
    rate = _rate(page) if has_sums(known(row.total) for row in rows) else None
    return [*notes, page.note("up.with_labour", rate=rate)] if rate is not None else notes


def _nothing_known(page: Page) -> bool:
    """Whether the steps have neither a cost nor hours."""
    upgrade = page.results.upgrade
    if upgrade is None or not upgrade.prices.cost_unknown:
        return False
    figures = (
        value
        for row in upgrade.first_step
        for value in (row.cost, row.labour_h, row.per_cost, row.per_hour)
    )
    some = any(value is not None for value in figures)
    prices = upgrade.prices
    return sorted(prices.cost_unknown) == sorted(prices.labour_unknown) and not some


def _listed(page: Page, stages: Sequence[str]) -> Markup | None:
    named = [page.quoted(stage) for stage in stages]
    if len(named) < 2:
        return named[0] if named else None
    return Markup("{} and {}").format(Markup(", ").join(named[:-1]), named[-1])
