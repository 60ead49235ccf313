"""The prices of a study file: what each stage takes, and how money is counted.

A blank entry is unknown, not free: it becomes None and never 0.
"""

from __future__ import annotations

from abx.study.model import Prices, Stage
from abx.text.toml_reader import Reader
from analysis.tables.money import CURRENCY_LENGTH, currency_fault

__all__ = ["read_amount", "read_prices"]


def read_amount(table: Reader, key: str) -> float | None:
    """Return ``cost`` or ``labour_h`` of a stage, None where it was left out."""
    return table.number(key, low=0.0) if key in table.data else None


def read_prices(root: Reader, stages: tuple[Stage, ...]) -> Prices:
    """Read ``[prices]``: currency, hourly rate, and a remark on tax.

    Raises
    ------
    InputError
        If an entry cannot be used, or a rate is given where no stage has hours of labour.
    """
    table = root.table("prices")
    if table is None:
        return Prices()
    table.only(("currency", "hourly_rate", "tax"))
    if not table.data:
        raise table.error(
            None, "[prices] says nothing", "give currency, hourly_rate or tax, or take it out"
        )
    rate = read_amount(table, "hourly_rate")
    if rate is not None and all(stage.labour_h is None for stage in stages):
        raise table.error(
            "hourly_rate",
            "a rate, and no stage says how many hours",
            "give stages labour_h, or take the rate out",
        )
    tax = table.text("tax") if "tax" in table.data else ""
    return Prices(_read_currency(table), rate, tax)


def _read_currency(table: Reader) -> str:
    if "currency" not in table.data:
        return ""
    text = table.text("currency", max_length=CURRENCY_LENGTH)
    fault = currency_fault(text)
    if fault is not None:
        raise table.error("currency", *fault)
    return text
