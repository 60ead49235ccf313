"""Read values out of parsed TOML with their place in hand, so that errors name the line."""

from __future__ import annotations

import difflib
import math
from collections.abc import Callable, Iterable, Mapping
from typing import Any

from abx.errors import InputError
from abx.text.names import unprintable
from abx.text.toml_lines import KeyPath

__all__ = ["Reader", "did_you_mean", "show"]


class Reader:
    """A table of the file with its place, and the errors that name it."""

    def __init__(
        self, data: Mapping[str, Any], path: KeyPath, lines: Mapping[KeyPath, int], source: str
    ) -> None:
        self.data = data
        self.path = path
        self.lines = lines
        self.source = source

    def error(self, key: str | int | None, problem: str, remedy: str) -> InputError:
        """Make the error for one field of this table."""
        path = self.path if key is None else (*self.path, key)
        return InputError(
            source=self.source, where=_place(path, self.lines), problem=problem, remedy=remedy
        )

    def at(self, path: KeyPath, problem: str, remedy: str) -> InputError:
        """Make the error for a deeper place below this table."""
        full = (*self.path, *path)
        return InputError(
            source=self.source, where=_place(full, self.lines), problem=problem, remedy=remedy
        )

    def failing(self, *path: str | int) -> Callable[[str, str], InputError]:
        """Return a maker of errors for one place below this table."""
        return lambda problem, remedy: self.at(path, problem, remedy)

    def only(self, allowed: Iterable[str]) -> None:
        """Refuse keys that are not known here.

        Raises
        ------
        InputError
            If there is another key.
        """
        names = tuple(allowed)
        for key in self.data:
            if key not in names:
                raise self.error(key, f"unknown key '{key}'", did_you_mean(key, names))

    def table(self, key: str) -> Reader | None:
        """Return a sub-table, ``None`` when absent.

        Raises
        ------
        InputError
            If the entry is no table.
        """
        if key not in self.data:
            return None
        value = self.data[key]
        if not isinstance(value, dict):
            raise self.error(key, f"{show(value)} is not a table", f"write [{key}] with its keys")
        return Reader(value, (*self.path, key), self.lines, self.source)

    def tables(self, key: str, *, required: bool = True) -> list[Reader]:
        """Return an array of tables.

        Raises
        ------
        InputError
            If the entry is no list of tables, or is missing or empty where one is needed.
        """
        value = self.data.get(key, [])
        if not isinstance(value, list) or not all(isinstance(item, dict) for item in value):
            raise self.error(key, f"'{key}' is not a list of tables", f"write [[{key}]] for each")
        if required and not value:
            raise self.error(None, f"no [[{key}]] in the file", f"add at least one [[{key}]] table")
        return [
            Reader(item, (*self.path, key, index), self.lines, self.source)
            for index, item in enumerate(value)
        ]

    def text(
        self,
        key: str,
        default: str | None = None,
        *,
        max_length: int = 200,
        lines: bool = False,
    ) -> str:
        """Return a string, of one line unless several are allowed.

        Raises
        ------
        InputError
            If it is no text, is too long, empty, has several lines or control characters.
        """
        value = self._get(key, default)
        if not isinstance(value, str):
            raise self.error(key, f"{show(value)} is not text", "put it in quotation marks")
        if len(value) > max_length:
            raise self.error(
                key, f"the text has {len(value)} characters", f"use at most {max_length}"
            )
        if unprintable(value.replace("\r\n", "\n")):
            raise self.error(key, "the text holds control characters", "remove them")
        if "\n" in value and not lines:
            raise self.error(key, "the text has several lines", "write it on one line")
        if default is None and not value.strip():
            raise self.error(key, "the text is empty", f"give '{key}' a value")
        return value

    def number(
        self,
        key: str,
        default: float | None = None,
        *,
        low: float = -math.inf,
        high: float = math.inf,
    ) -> float:
        """Return a finite number inside a range.

        Raises
        ------
        InputError
            If it is no number, or out of range.
        """
        value = self._get(key, default)
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise self.error(key, f"{show(value)} is not a number", "write digits, no quotes")
        self._check_range(key, value, low, high)
        return float(value)

    def integer(self, key: str, default: int | None = None, *, low: int, high: int) -> int:
        """Return a whole number inside a range.

        Raises
        ------
        InputError
            If it is no whole number, or out of range.
        """
        value = self._get(key, default)
        if isinstance(value, bool) or not isinstance(value, int):
            raise self.error(key, f"{show(value)} is not a whole number", "write a whole number")
        self._check_range(key, value, low, high)
        return value

    def boolean(self, key: str, default: bool) -> bool:
        """Return true or false.

        Raises
        ------
        InputError
            If it is neither.
        """
        value = self._get(key, default)
        if not isinstance(value, bool):
            raise self.error(key, f"{show(value)} is not true or false", "write true or false")
        return value

    def choice(self, key: str, allowed: Iterable[str], default: str | None = None) -> str:
        """Return one of a set of words.

        Raises
        ------
        InputError
            If it is another word.
        """
        value = self.text(key, default)
        names = tuple(allowed)
        if value not in names:
            raise self.error(key, f"'{value}' is not known", did_you_mean(value, names))
        return value

    def strings(self, key: str, *, minimum: int = 0, default: list[str] | None = None) -> list[str]:
        """Return a list of strings.

        Raises
        ------
        InputError
            If it is no list of texts, or too short.
        """
        value = self._get(key, default)
        if not isinstance(value, list) or not all(isinstance(item, str) for item in value):
            raise self.error(
                key, f"{show(value)} is not a list of texts", 'write ["first", "second"]'
            )
        if len(value) < minimum:
            raise self.error(key, f"the list has {len(value)} entries", f"give at least {minimum}")
        return value

    def _get(self, key: str, default: object) -> Any:
        if key in self.data:
            return self.data[key]
        if default is None:
            raise self.error(None, f"'{key}' is missing", f"add a line '{key} = ...'")
        return default

    def _check_range(self, key: str, value: float, low: float, high: float) -> None:
        if not math.isfinite(value) or not low <= value <= high:
            if math.isinf(high):
                rule = f"give a number of at least {low:g}"
            else:
                rule = f"give a number from {low:g} to {high:g}"
            raise self.error(key, f"{value} is out of range", rule)


def _place(path: KeyPath, lines: Mapping[KeyPath, int]) -> str:
    known = path
    while known not in lines:
        known = known[:-1]
    words = ""
    for part in path:
        words += f"[{part}]" if isinstance(part, int) else f".{part}" if words else part
    return f"line {lines[known]}, {words}" if words else f"line {lines[known]}"


def did_you_mean(word: str, names: Iterable[str]) -> str:
    """Return the remedy for an unknown word."""
    names = tuple(names)
    near = difflib.get_close_matches(word, names, n=1, cutoff=0.6)
    if near:
        return f"did you mean '{near[0]}'?"
    return f"use one of: {', '.join(names)}"


def show(value: object) -> str:
    """Return a value for a message, shortened."""
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "..."
