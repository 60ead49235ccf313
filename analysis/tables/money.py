"""How money is written: what may be a currency, and an amount in it."""

from __future__ import annotations

import unicodedata

__all__ = ["CURRENCY_LENGTH", "amount_text", "currency_fault"]

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
