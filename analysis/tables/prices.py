"""What a stage table says of its money: the currency, and what an hour of labour costs.

Both hold for the whole table, so every row that says anything says the same. What no row says is
not known: an unknown rate is not a rate of 0.
"""

from __future__ import annotations

import unicodedata

import numpy as np
import pandas as pd

from analysis.tables.text_tables import Faults, column_numbers

__all__ = [
    "CURRENCY_LENGTH",
    "amount_text",
    "currency_fault",
    "read_currency",
    "read_hourly_rate",
]

CURRENCY_LENGTH = 12
"""Most characters of a currency: it stands beside every amount."""


def amount_text(value: float, currency: str = "", *, space: str = " ") -> str:
    """Write an amount of money; parts of a unit are shown, so that no price reads as 0.

    Examples
    --------
    >>> amount_text(1200.0, "EUR"), amount_text(0.4)
    ('1,200 EUR', '0.40')
    """
    text = f"{value:,.{0 if float(value).is_integer() else 2}f}"
    return f"{text}{space}{currency}" if currency else text


def currency_fault(text: str) -> tuple[str, str] | None:
    """Say what is wrong with the name or the sign of a currency, and the remedy.

    Parameters
    ----------
    text : str
        Letters, currency signs, dots and single spaces in between. Digits would run into the
        amount beside it.

    Returns
    -------
    tuple of (str, str), or None
        Problem and remedy; None where it can be used.

    Examples
    --------
    >>> currency_fault("US$") is None, currency_fault("100")[0]
    (True, "'100' is no currency")
    """
    if len(text) > CURRENCY_LENGTH:
        return f"the text has {len(text)} characters", f"use at most {CURRENCY_LENGTH}"
    # Letters, their marks, currency signs.
    of_words = (unicodedata.category(c)[0] == "L" for c in text)
    signs = (unicodedata.category(c) in ("Sc", "Mn", "Mc") or c in ". " for c in text)
    named = any(unicodedata.category(c)[0] == "L" or unicodedata.category(c) == "Sc" for c in text)
    if not named or not all(a or b for a, b in zip(of_words, signs, strict=True)):
        return f"{text!r} is no currency", "write letters or a sign, for example EUR or €"
    return None


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
