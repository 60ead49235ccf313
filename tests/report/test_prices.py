"""Prices on the page: both parts, the currency as text from outside, and unknown never free."""

from __future__ import annotations

import html
import re
from typing import Any

import pytest

from analysis.report.build import render_report
from analysis.report.words.numbers import number_text
from helpers.report_example import choose_again
from helpers.whole_rows import whole_results

Evidence = dict[str, Any]


def read(page: str) -> str:
    """Return the words of a page as somebody reads them."""
    text = re.sub(r"<(style|svg|title)\b.*?</\1>", " ", page, flags=re.S)
    return re.sub(r"[\s\u00a0]+", " ", html.unescape(re.sub(r"<[^>]+>", "", text)))


def section(page: str, key: str) -> str:
    found = re.search(rf'<section id="{key}".*?</section>', page, re.S)
    assert found, key
    spaced = re.sub(r"</t[dh]>", " | ", found.group(0))
    return read(spaced)


def with_prices(
    decided: Evidence,
    *,
    cost: float | None = 410.0,
    hours: float | None = 3.0,
    rate: float | None = None,
    currency: str = "EUR",
    tax: str = "",
) -> Evidence:
    """Give the recommended step a price; the others keep theirs."""
    results = decided["results"]
    shown = {
        "text": "listeners prefer ceiling over as-found",
        "kind": "prefer",
        "stages": ["ceiling", "as-found"],
        "verdict": "supported",
    }
    results["claims"] = [results["claims"][0] | shown]
    choose_again(decided)
    assert results["answer"]["lead"]["asserts"]
    decided["study"]["prices"] = {"currency": currency, "hourly_rate": rate, "tax": tax}
    for row in decided["study"]["stages"]:
        if row["id"] == "ceiling":
            row["cost"], row["labour_h"] = cost, hours
        parts = (row["cost"], row["labour_h"], rate)
        row["labour_cost"] = None if None in parts[1:] else row["labour_h"] * rate
        row["total"] = None if None in parts else row["cost"] + row["labour_cost"]
    return decided


# first screen and card -----------------------------------------------------------------


@pytest.mark.parametrize("voice", ["full", "customer"])
@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({}, "Cost entered for “New loudspeakers”: 410 EUR. Labour entered: 3.0 h."),
        (
            {"rate": 60.0, "tax": "20 % included"},
            "Cost entered for “New loudspeakers”: 410 EUR. Labour entered: 3.0 h, which is "
            "180 EUR at 60 EUR an hour. Together: 590 EUR. On tax: 20 % included",
        ),
        (
            {"cost": None},
            "The cost of “New loudspeakers” is not known: none was entered. Labour entered: 3.0 h.",
        ),
        (
            {"cost": None, "rate": 60.0},
            "is not known: none was entered. Labour entered: 3.0 h, which is 180 EUR at 60 EUR an "
            "hour.",
        ),
        (
            {"hours": None, "rate": 60.0},
            "“New loudspeakers”: 410 EUR. Its hours of labour are not known.",
        ),
        ({"cost": 0.0, "hours": 0.0}, "“New loudspeakers”: 0 EUR. Labour entered: 0.0 h."),
        ({"cost": 0.4, "currency": ""}, "“New loudspeakers”: 0.40. Labour"),
    ],
)
def test_the_answer_shows_both_parts_of_a_price(
    decided: Evidence, voice: str, given: dict[str, Any], said: str
) -> None:
    text = read(render_report(with_prices(decided, **given), voice=voice))
    assert said in text
    if None in given.values():
        assert "Together:" not in text


@pytest.mark.parametrize("voice", ["full", "customer"])
@pytest.mark.parametrize(
    "currency", ["<script>alert(1)</script>", "<img src=x>", "{{x}}", "\u202eRUE", "E" * 500]
)
def test_a_forged_currency_is_text(decided: Evidence, voice: str, currency: str) -> None:
    page = render_report(with_prices(decided, currency=currency, tax=currency), voice=voice)
    assert "<script>alert" not in page
    assert "<img" not in page
    assert "\u202e" not in page
    amounts = re.findall(r"410</data>\u00a0(.{,40})", page)
    assert amounts
    assert all(beside.startswith('<bdi class="u">') for beside in amounts)


# the list of versions ------------------------------------------------------------------


def test_the_versions_show_what_is_known_of_each(decided: Evidence) -> None:
    decided["study"]["stages"].append({"id": "swap", "label": "Swap", "made": "region swap"})
    for row in decided["study"]["stages"]:
        row.setdefault("cost", None)
        row.setdefault("labour_h", None)
    page = render_report(with_prices(decided, cost=None, rate=60.0), voice="researcher")
    text = section(page, "stages")
    assert "520 EUR | 1.5 h (90 EUR) | 610 EUR |" in text
    assert "alignment: none | not known | 3.0 h (180 EUR) | not known |" in text
    assert "Swap (made) | swap | | – | – | – |" in text
    assert "An hour of labour is counted at 60 EUR." in text


def test_without_a_rate_there_is_no_column_of_sums(decided: Evidence) -> None:
    text = section(render_report(with_prices(decided, hours=None), voice="researcher"), "stages")
    assert "410 EUR | not known |" in text
    assert "Together" not in text


# the order of work ---------------------------------------------------------------------


def upgrade(decided: Evidence, **prices: Any) -> Evidence:
    block = decided["results"]["upgrade"]
    block["baseline"] = "as-found"
    known = {"currency": "EUR", "hourly_rate": None}
    unknown = {"cost_unknown": [], "labour_unknown": [], "unpriced": []}
    block["prices"] = known | unknown | prices
    return decided


def with_budget(decided: Evidence, *rows: dict[str, Any]) -> Evidence:
    decided["results"]["upgrade"]["budget"] = list(rows)
    whole_results(decided["results"])
    return decided


def test_a_step_of_unknown_price_is_not_called_free_or_best(decided: Evidence) -> None:
    first, second = upgrade(
        decided, cost_unknown=["ceiling"], unpriced=["ceiling"], labour_unknown=["aligned"]
    )["results"]["upgrade"]["first_step"]
    first |= {"cost": None, "per_cost": None, "labour_h": 3.0, "per_hour": 0.2}
    second |= {"cost": 520.0, "labour_h": 0.0}
    text = section(render_report(decided, voice="researcher"), "upgrade")
    assert "New loudspeakers | not known | – |" in text
    assert "Wall damping | +0.046 |" in text
    assert (
        "The cost of “New loudspeakers” is not known, which is not the same as free. "
        "A gain for its cost is given only for steps whose cost is known, and such gains are "
        "compared only where all of them are." in text
    )
    assert "The hours of labour of “Alignment” are not known" in text
    assert "Amounts are in EUR." in text


def test_where_no_price_is_known_one_sentence_says_so(decided: Evidence) -> None:
    every = [row["id"] for row in decided["study"]["stages"]]
    upgrade(decided, cost_unknown=every, labour_unknown=every, unpriced=every, currency=None)
    for row in decided["results"]["upgrade"]["first_step"]:
        row["per_cost"] = None
    text = section(render_report(decided, voice="researcher"), "upgrade")
    assert "No cost and no hours of labour are known here, so no gain for them is given." in text
    assert "not the same as free" not in text


BUDGET = {
    "budget": 700.0,
    "stage": "damped",
    "spent": 610.0,
    "cost": 520.0,
    "labour_h": 1.5,
    "labour_cost": 90.0,
    "total": 610.0,
    "p_best": 0.9,
    "gain_low": 0.1,
    "gain_high": 0.5,
}


def test_a_budget_shows_money_and_hours_and_what_it_cannot_buy(decided: Evidence) -> None:
    upgrade(decided, hourly_rate=60.0, cost_unknown=["ceiling"], unpriced=["ceiling"])
    text = section(render_report(with_budget(decided, BUDGET), voice="researcher"), "upgrade")
    assert "700 EUR | Wall damping | 610 EUR | 520 EUR | 1.5 h (90 EUR) | 90 % |" in text
    assert "No sum includes “New loudspeakers”, whose price is not known." in text
    assert "A sum has to cover the labour too, at 60 EUR an hour." in text


def test_a_budget_without_a_rate_shows_the_hours_beside_it(decided: Evidence) -> None:
    upgrade(decided)
    plain = BUDGET | {"spent": 520.0, "labour_cost": None, "total": None}
    with_budget(decided, plain, plain | {"labour_h": None})
    text = section(render_report(decided, voice="researcher"), "upgrade")
    assert "700 EUR | Wall damping | 520 EUR | 1.5 h | 90 % |" in text
    assert "700 EUR | Wall damping | 520 EUR | not known | 90 % |" in text
    assert "cover the labour" not in text
    assert "No sum includes" not in text


def test_a_budget_that_cannot_be_answered_says_why(decided: Evidence) -> None:
    upgrade(decided, cost_unknown=["as-found"], unpriced=["as-found"])
    decided["study"]["plan"]["budgets"] = [700.0]
    text = section(render_report(decided, voice="researcher"), "upgrade")
    assert (
        "What a sum of money buys cannot be worked out: the price of “As found” is not known."
        in text
    )


# numbers -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("value", "kind", "text"),
    [
        (0.0, "money", "0"),
        (0.4, "money", "0.40"),
        (0.004, "money", "under\u00a00.01"),
        (-12.5, "money", "\u221212.50"),
        (1620.0, "money", "1,620"),
        (0.0, "hours", "0.0\u00a0h"),
        (0.25, "hours", "0.25\u00a0h"),
        (0.004, "hours", "under\u00a00.01\u00a0h"),
    ],
)
def test_no_rounding_makes_a_price_read_as_nothing(value: float, kind: str, text: str) -> None:
    assert number_text(value, kind) == text
