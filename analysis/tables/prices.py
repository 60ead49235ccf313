"""What a stage table says of its money: the currency, and what an hour of labour costs.

Both hold for the whole table, so every row that says anything says the same. What no row says is
not known: an unknown rate is not a rate of 0.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from analysis.tables.money import currency_fault
from analysis.tables.text_tables import Faults, column_numbers

__all__ = ["read_currency", "read_hourly_rate"]


def read_currency(raw: pd.DataFrame, faults: Faults) -> str:
    """Return the currency of a stage table; "" where no row names one.

    Raises
    ------
    InputError
        A cell that is no currency, or two that differ.
    """
    if "currency" not in raw.columns:
        return ""
    found = ""
    for row, value in enumerate(raw["currency"]):
        text = "" if pd.isna(value) else str(value).strip()
        fault = currency_fault(text) if text else None
        if fault is not None:
            problem, remedy = fault
            raise faults.at(row, "currency", problem, remedy[0].upper() + remedy[1:])
        if text and found and text != found:
            raise faults.at(
                row,
                "currency",
                f"{text!r} after {found!r}",
                "Give all amounts of a table in one currency",
            )
        found = found or text
    return found


def read_hourly_rate(
    raw: pd.DataFrame, hours: np.ndarray, faults: Faults, decimal: str
) -> float | None:
    """Return the money for an hour of labour; None where no row says it.

    Parameters
    ----------
    raw : pandas.DataFrame
        The table as it was read.
    hours : numpy.ndarray
        Hours of labour of each row, NaN where unknown.
    faults : Faults
        Makes the error.
    decimal : str
        The table's decimal sign.

    Raises
    ------
    InputError
        A cell that is no number or negative, two that differ, or a rate where no row has hours.
    """
    if "hourly_rate" not in raw.columns:
        return None
    rates = column_numbers(raw["hourly_rate"], name="hourly_rate", faults=faults, decimal=decimal)
    known = np.flatnonzero(np.isfinite(rates))
    if not known.size:
        return None
    rate = float(rates[known[0]])
    for row in map(int, known):
        if rates[row] < 0:
            raise faults.at(row, "hourly_rate", f"{rates[row]:g} is negative", "Write 0 or more")
        if rates[row] != rate:
            problem = f"{rates[row]:g} after {rate:g}"
            raise faults.at(row, "hourly_rate", problem, "Give one rate for the whole table")
    if not np.isfinite(hours).any():
        raise faults.at(
            int(known[0]),
            "hourly_rate",
            "no stage has hours of labour",
            "Fill in labour_h, or leave the rate out",
        )
    return rate
