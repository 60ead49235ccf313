"""Sentences about money and hours: what was entered, and what is not known."""

from __future__ import annotations

from analysis.report.words.conditions import Sentence, limit, name

__all__ = ["PRICES"]

PRICES: dict[str, Sentence] = {
    "col.sum": name("Together"),
    "price.cost": Sentence("Cost entered for {stage}: {cost}."),
    "price.cost_unknown": limit("The cost of {stage} is not known: none was entered."),
    "price.labour": Sentence("Labour entered: {hours}."),
    "price.labour_money": Sentence("Labour entered: {hours}, which is {labour} at {rate} an hour."),
    "price.labour_unknown": limit("Its hours of labour are not known."),
    "price.total": Sentence("Together: {total}."),
    "price.tax": Sentence("On tax: {tax}"),
    "price.unknown": limit("not known"),
    "price.rate": Sentence("An hour of labour is counted at {rate}."),
    "up.currency": Sentence("Amounts are in {currency}."),
    "up.cost_unknown": limit(
        "The cost of {stages} is not known, which is not the same as free. A gain for its cost is "
        "given only for steps whose cost is known, and such gains are compared only where all of "
        "them are."
    ),
    "up.labour_unknown": limit(
        "The hours of labour of {stages} are not known, which is not the same as none. A gain by "
        "the hour is given only for steps whose hours are known, and such gains are compared only "
        "where all of them are."
    ),
    "up.prices_unknown": limit(
        "No cost and no hours of labour are known here, so no gain for them is given."
    ),
    "up.unpriced": limit("No sum includes {stages}, whose price is not known."),
    "up.with_labour": Sentence("A sum has to cover the labour too, at {rate} an hour."),
    "up.budget_unknown": limit(
        "What a sum of money buys cannot be worked out: the price of {stages} is not known."
    ),
}
