"""Money and hours wherever a page shows them: both parts, and what is not known."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from markupsafe import Markup

from analysis.report.evidence import Row
from analysis.report.page import Page, PageBlock

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
_PRICES = "/results/upgrade/prices"


def money(page: Page, pointer: str) -> Markup:
    """Write an amount with the study's currency, where it names one."""
    amount, currency = page.n(pointer, "money"), _currency(page)
    return Markup("{}\u00a0{}").format(amount, page.user(currency)) if currency else amount


def plain_price(page: Page, row: Row) -> list[str]:
    """Return the price and hours of a step as a line of a picture; none where neither is known."""
    said = []
    if row.number("cost") is not None:
        parts = (page.numbers.plain(row.at("cost"), "money"), _currency(page))
        said.append(" ".join(part for part in parts if part))
    if row.number("labour_h") is not None:
        said.append(page.numbers.plain(row.at("labour_h"), "hours"))
    return [", ".join(said)] if said else []


def _currency(page: Page) -> str | None:
    places = ("/study/prices/currency", f"{_PRICES}/currency")
    return next((text for place in places if (text := page.evidence.text(place))), None)


def _rate(page: Page) -> Markup | None:
    places = ("/study/prices/hourly_rate", f"{_PRICES}/hourly_rate")
    return next((money(page, place) for place in places if page.known(place)), None)


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


def money_cell(page: Page, row: Row, key: str) -> object:
    """Write an amount of a row; what nobody can buy has none, anything else may be unknown."""
    if row.get("made"):
        return _DASH
    return money(page, row.at(key)) if row.number(key) is not None else page.say("price.unknown")


def hours_cell(page: Page, row: Row) -> object:
    """Write the hours of a row, with what they are in money where there is an hourly rate."""
    if row.get("made"):
        return _DASH
    if row.number("labour_h") is None:
        return page.say("price.unknown")
    hours = page.n(row.at("labour_h"), "hours")
    if row.number("labour_cost") is None:
        return hours
    return Markup("{} ({})").format(hours, money(page, row.at("labour_cost")))


def has_sums(rows: Sequence[Row]) -> bool:
    """Whether cost and labour can be added for any row."""
    return any(row.number("total") is not None for row in rows)


# notes ---------------------------------------------------------------------------------


def counting_notes(page: Page) -> list[PageBlock]:
    """Say how money is counted: the rate of labour, and the study's remark on tax."""
    rate, tax = _rate(page), page.evidence.text("/study/prices/tax")
    notes = [page.note("price.rate", rate=rate)] if rate is not None else []
    return [*notes, page.note("price.tax", tax=page.user(tax))] if tax else notes


def price_notes(page: Page) -> list[PageBlock]:
    """Say of which steps the price is not known, and what that leaves open."""
    cost, labour = _listed(page, "cost_unknown"), _listed(page, "labour_unknown")
    if _nothing_known(page):
        return [page.note("up.prices_unknown")]
    currency = _currency(page)
    notes = [page.note("up.currency", currency=page.user(currency))] if currency else []
    notes += [page.note("up.cost_unknown", stages=cost)] if cost else []
    return [*notes, page.note("up.labour_unknown", stages=labour)] if labour else notes


def budget_notes(page: Page, rows: Sequence[Row]) -> list[PageBlock]:
    """Say what no budget can buy since its price is not known, and that labour is in the sums."""
    missing = _listed(page, "unpriced")
    if not rows:
        asked = bool(page.evidence.get("/study/plan/budgets")) or not _nothing_known(page)
        return [page.para("up.budget_unknown", stages=missing)] if missing and asked else []
    notes = [page.para("up.unpriced", stages=missing)] if missing else []
    rate = _rate(page) if has_sums(rows) else None
    return [*notes, page.note("up.with_labour", rate=rate)] if rate is not None else notes


def _nothing_known(page: Page) -> bool:
    """Whether the steps have neither a cost nor hours."""
    first = page.evidence.rows("/results/upgrade/first_step")
    told = page.evidence.get(_PRICES) is not None
    keys = ("cost", "labour_h", "per_cost", "per_hour")
    stages = [_ids(page, key) for key in ("cost_unknown", "labour_unknown")]
    some = any(row.number(key) is not None for row in first for key in keys)
    return told and bool(stages[0]) and sorted(stages[0]) == sorted(stages[1]) and not some


def _ids(page: Page, key: str) -> list[str]:
    found = page.evidence.get(f"{_PRICES}/{key}")
    return [str(stage) for stage in found] if isinstance(found, list) else []


def _listed(page: Page, key: str) -> Markup | None:
    named = [page.quoted(stage) for stage in _ids(page, key)]
    if len(named) < 2:
        return named[0] if named else None
    return Markup("{} and {}").format(Markup(", ").join(named[:-1]), named[-1])
