"""The one place where a report turns a number into text.

Every number on the page is written by :class:`Numbers` as
``<data value="exact" data-at="/json/pointer" data-as="kind">text</data>``: a reader
sees the rounded text, a checker finds the exact value and where it stands in the
evidence. Limits that belong to the report itself (such as the 0.5 dB at which loudness
models are said to disagree) are written as ``<data class="rule">``.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from decimal import ROUND_HALF_UP, Decimal
from typing import Any

from markupsafe import Markup

from analysis.report.evidence import Evidence, FieldPlace, clean_text, finite
from stimuli.files.errors import InputError

__all__ = ["KINDS", "Numbers", "noun", "number_text", "rule"]

MINUS = "\u2212"
NBSP = "\u00a0"
UNDEFINED = "not defined"


def _decimals(places: int, unit: str = "", *, signed: bool = False) -> Callable[[float], str]:
    def write(value: float) -> str:
        text = f"{abs(value):,.{places}f}"
        is_zero = not any(digit in "123456789" for digit in text)
        sign = "" if is_zero else MINUS if value < 0 else "+" if signed else ""
        return f"{sign}{text}{NBSP}{unit}" if unit else f"{sign}{text}"

    return write


def _amount(least: int, unit: str = "") -> Callable[[float], str]:
    """Write a price with two decimals where fewer would not be exact; none reads as nothing."""

    def write(value: float) -> str:
        if 0 < value < 0.005:
            text = f"under{NBSP}0.01"
            return f"{text}{NBSP}{unit}" if unit else text
        return _decimals(least if round(value, least) == value else 2, unit)(value)

    return write


def _half_up(value: float, places: int) -> str:
    """Round as a reader would: 12.5 becomes 13, by the decimal digits of the number."""
    return str(Decimal(repr(value)).quantize(Decimal(1).scaleb(-places), ROUND_HALF_UP))


#: Shares that agree with one half to so many decimals of a percentage are one half.
_MOST_PLACES = 6


def _percent(value: float) -> str:
    """Write a proportion; never round an unsure one to 0 or 100 %, nor across one half."""
    if 0 < value < 0.01:
        return f"under{NBSP}1{NBSP}%"
    if 0.99 < value < 1:
        return f"over{NBSP}99{NBSP}%"
    percent = float(Decimal(repr(value)) * 100)
    places = 0
    while places < _MOST_PLACES and value != 0.5 and float(_half_up(percent, places)) == 50:
        places += 1
    return f"{_half_up(percent, places)}{NBSP}%"


def _chance(value: float) -> str:
    """Write a probability counted over random draws, which is never quite 0 or 1."""
    if value < 0.01:
        return f"under{NBSP}1{NBSP}%"
    return f"over{NBSP}99{NBSP}%" if value > 0.99 else _percent(value)


def _p_value(value: float) -> str:
    """Write a p-value with enough digits that it stays on its side of 0.05."""
    if value < 0.001:
        return f"<{NBSP}0.001"
    if value < 0.1:
        return f"{value:.4f}"
    return f">{NBSP}0.99" if value > 0.99 else f"{value:.2f}"


def _one_in(value: float) -> str:
    """Write a probability as how seldom something happens."""
    if value >= 0.4:
        return f"about every {'second ' if value < 0.75 else ''}time"
    if value < 0.001:
        return f"less than 1{NBSP}time in 1,000"
    return f"about 1{NBSP}time in {_half_up(1 / value, 0)}"


def _hertz(value: float) -> str:
    if value >= 1000:
        return f"{value / 1000:.3g}{NBSP}kHz"
    return f"{value:.3g}{NBSP}Hz"


def _count(value: float) -> str:
    return f"{value:,.0f}" if float(value).is_integer() else _decimals(1)(value)


def _small(value: float) -> str:
    """Write a measured check figure; what is too small to matter is not spelled out."""
    return f"under{NBSP}0.001" if 0 < abs(value) < 0.001 else _plain(value)


def _plain(value: float) -> str:
    text = f"{abs(value):.4g}"
    return f"{MINUS}{text}" if value < 0 and text != "0" else text


def _per_hundred(value: float) -> str:
    """Write a gain per unit of money as the gain of a hundred units."""
    text = f"{100 * abs(value):.3g}"
    sign = "" if value == 0 else MINUS if value < 0 else "+"
    return f"{sign}{text}"


KINDS: dict[str, Callable[[float], str]] = {
    "count": _count,
    "length": _count,
    "percent": _percent,
    "points": lambda value: f"{round(100 * value, 9):g}",
    "chance": _chance,
    "one_in": _one_in,
    "p": _p_value,
    "dprime": _decimals(2),
    "logit": _decimals(2, signed=True),
    "se": _decimals(2),
    "statistic": _decimals(2),
    "agreement": _decimals(2),
    "rating": _decimals(1),
    "rating_signed": _decimals(1, signed=True),
    "per_hundred": _per_hundred,
    "dose": lambda value: f"{value:.3g}{NBSP}%",
    "money": _amount(0),
    "hours": _amount(1, "h"),
    "db": _decimals(1, "dB"),
    "db_signed": _decimals(1, "dB", signed=True),
    "db_bare": _decimals(1, signed=True),
    "db_bare_unsigned": _decimals(1),
    "tilt_bare": _decimals(2, signed=True),
    "lufs_bare": _decimals(1),
    "dbtp_bare": _decimals(2),
    "lu_bare": _decimals(2, signed=True),
    "lu_apart": _decimals(1, "LU"),
    "hz": _hertz,
    "seconds": _decimals(1, "s"),
    "plain": _plain,
    "check": _small,
}


def number_text(value: float | None, kind: str) -> str:
    """Write ``value`` as ``kind``; "not defined" for None, NaN and infinities."""
    if value is None or not math.isfinite(value):
        return UNDEFINED
    return KINDS[kind](value)


def noun(value: float | None, singular: str, plural: str) -> str:
    """Choose the form of a unit word: 1 listener, 2 listeners, 0 listeners."""
    return singular if value == 1 else plural


def rule(value: float, kind: str = "plain") -> Markup:
    """Write a limit that belongs to the report, not to the data."""
    return Markup('<data class="rule" value="{}">{}</data>').format(value, KINDS[kind](value))


class Numbers:
    """Writes numbers of one evidence dict.

    Parameters
    ----------
    evidence : Evidence
        Where the numbers stand.
    """

    def __init__(self, evidence: Evidence) -> None:
        self._evidence = evidence

    def value(self, place: object, kind: str) -> float | None:
        """Return the number at a place; for kind ``length`` the length of the list there.

        A place is what :meth:`analysis.report.evidence.Evidence.at` gives, or a pointer.

        Raises
        ------
        InputError
            If text stands where a number belongs.
        """
        pointer, found = self._looked_up(place)
        if kind == "length":
            return None if found is None else float(len(found))
        return finite(found, pointer)

    def _looked_up(self, place: object) -> tuple[str, Any]:
        """Return the pointer of a place, and what stands there."""
        if isinstance(place, FieldPlace):
            return FieldPlace.pointer_and_value(place)
        return str(place), self._evidence.get(str(place))

    def show(self, place: object, kind: str) -> Markup:
        """Write the number at a place with its exact value and where it stands."""
        value = self.value(place, kind)
        return Markup('<data value="{}" data-at="{}" data-as="{}">{}</data>').format(
            "" if value is None else repr(value),
            clean_text(self._looked_up(place)[0]),
            kind,
            number_text(value, kind),
        )

    def counted(self, place: object, singular: str, plural: str, kind: str = "count") -> Markup:
        """Write a count with its unit word in the right form."""
        word = noun(self.value(place, kind), singular, plural)
        return Markup("{}\u00a0{}").format(self.show(place, kind), word)

    def between(self, low: object, high: object, kind: str) -> Markup:
        """Write an interval, "low to high"; an open end is said in words."""
        ends = self.value(low, kind), self.value(high, kind)
        form = "{low} to {high}"
        if ends[0] is None and ends[1] is not None:
            form = "up to {high}"
        elif ends[1] is None and ends[0] is not None:
            form = "{low} or more"
        elif ends == (None, None):
            return Markup(UNDEFINED)
        text = Markup(form).format(low=self.show(low, kind), high=self.show(high, kind))
        return Markup('<span class="i">{}</span>').format(text)

    def plain(self, place: object, kind: str) -> str:
        """Return the same text without markup, for figures and alternative texts."""
        return number_text(self.value(place, kind), kind)

    def required(self, pointer: str) -> float:
        """Return a number that must be there.

        Raises
        ------
        InputError
            If it is missing.
        """
        value = self._evidence.number(pointer)
        if value is None:
            raise InputError(
                source="evidence", where=pointer, problem="a number is missing", remedy="Add it"
            )
        return value
