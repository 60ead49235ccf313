"""Where each key and value of a TOML text stands.

``tomllib`` validates and parses but keeps no positions. :func:`line_map` walks a text that
``tomllib`` has already accepted, so it need not check anything, and records the line of every
key, array element and inline-table member; :func:`value_spans` records where each value begins
and ends.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping

__all__ = ["KeyPath", "LazyLines", "line_map", "value_spans"]

KeyPath = tuple[str | int, ...]

_BARE = frozenset("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789_-")
_VALUE_END = frozenset(",]}#\n\r")


def line_map(text: str) -> Mapping[KeyPath, int]:
    """Map every key path of a valid TOML text to its 1-based line.

    Parameters
    ----------
    text : str
        TOML that ``tomllib.loads`` accepts.

    Returns
    -------
    mapping
        Paths such as ``("stages", 2, "cost")`` to line numbers. The empty path maps to 1.
    """
    return _Scanner(text).scan().lines


def value_spans(text: str) -> Mapping[KeyPath, tuple[int, int]]:
    """Map the key path of every value that is written out to where it begins and ends.

    Parameters
    ----------
    text : str
        TOML that ``tomllib.loads`` accepts.

    Returns
    -------
    mapping
        Paths such as ``("plan", "listeners")`` to ``(start, end)``, so that
        ``text[start:end]`` is the value as it is written.
    """
    return _Scanner(text).scan().spans


class LazyLines(Mapping[KeyPath, int]):
    """A :func:`line_map` that is made when a line is first asked for: good files need none."""

    def __init__(self, text: str) -> None:
        self._text = text
        self._map: Mapping[KeyPath, int] | None = None

    def _made(self) -> Mapping[KeyPath, int]:
        if self._map is None:
            self._map = line_map(self._text)
        return self._map

    def __getitem__(self, path: KeyPath) -> int:
        return self._made()[path]

    def __iter__(self) -> Iterator[KeyPath]:
        return iter(self._made())

    def __len__(self) -> int:
        return len(self._made())


class _Scanner:
    """One pass over the text; every ``_skip``/``_read`` method advances ``pos``."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.pos = 0
        self.line = 1
        self.lines: dict[KeyPath, int] = {(): 1}
        self.spans: dict[KeyPath, tuple[int, int]] = {}
        self.array_length: dict[KeyPath, int] = {}

    def scan(self) -> _Scanner:
        base: KeyPath = ()
        while self._skip_blank():
            if self._peek() == "[":
                base = self._read_header()
            else:
                self._read_pair(base)
        return self

    def _peek(self) -> str:
        return self.text[self.pos] if self.pos < len(self.text) else ""

    def _advance(self, count: int = 1) -> None:
        self.line += self.text.count("\n", self.pos, self.pos + count)
        self.pos += count

    def _skip_blank(self) -> bool:
        """Skip white space, line ends and comments; False at the end of the text."""
        while self.pos < len(self.text):
            char = self._peek()
            if char == "#":
                end = self.text.find("\n", self.pos)
                self.pos = len(self.text) if end < 0 else end
            elif char in " \t\r\n":
                self._advance()
            else:
                return True
        return False

    def _read_header(self) -> KeyPath:
        is_array = self.text.startswith("[[", self.pos)
        line = self.line
        self._advance(2 if is_array else 1)
        path = self._resolve(self._read_key())
        if is_array:
            index = self.array_length.get(path, 0)
            self.array_length[path] = index + 1
            self.lines.setdefault(path, line)
            path = (*path, index)
        self.lines[path] = line
        self._advance(2 if is_array else 1)
        return path

    def _resolve(self, keys: list[str]) -> KeyPath:
        """Follow the last element of arrays of tables met on the way to a header."""
        path: KeyPath = ()
        for place, key in enumerate(keys):
            path = (*path, key)
            if path in self.array_length and place < len(keys) - 1:
                path = (*path, self.array_length[path] - 1)
        return path

    def _read_pair(self, base: KeyPath) -> None:
        line = self.line
        path = (*base, *self._read_key())
        for end in range(len(base) + 1, len(path) + 1):
            self.lines.setdefault(path[:end], line)
        self._advance()  # the equals sign
        self._skip_blank()
        self._read_value(path)

    def _read_key(self) -> list[str]:
        parts: list[str] = []
        while True:
            self._skip_blank()
            if self._peek() in "\"'":
                start = self.pos
                self._skip_string()
                parts.append(str(tomllib.loads("k = " + self.text[start : self.pos])["k"]))
            else:
                start = self.pos
                while self._peek() in _BARE and self._peek():
                    self.pos += 1
                parts.append(self.text[start : self.pos])
            self._skip_blank()
            if self._peek() != ".":
                return parts
            self._advance()

    def _read_value(self, path: KeyPath) -> None:
        self.lines[path] = self.line if path not in self.lines else self.lines[path]
        start, char = self.pos, self._peek()
        if char in "\"'" and char:
            self._skip_string()
        elif char == "[":
            self._read_array(path)
        elif char == "{":
            self._read_inline_table(path)
        else:
            while self.pos < len(self.text) and self._peek() not in _VALUE_END:
                self.pos += 1
        self.spans[path] = start, start + len(self.text[start : self.pos].rstrip())

    def _read_array(self, path: KeyPath) -> None:
        self._advance()
        index = 0
        while self._skip_blank() and self._peek() != "]":
            self._read_value((*path, index))
            index += 1
            self._skip_blank()
            if self._peek() == ",":
                self._advance()
        self._advance()

    def _read_inline_table(self, path: KeyPath) -> None:
        self._advance()
        while self._skip_blank() and self._peek() != "}":
            self._read_pair(path)
            self._skip_blank()
            if self._peek() == ",":
                self._advance()
        self._advance()

    def _skip_string(self) -> None:
        quote = self._peek()
        fence = quote * 3 if self.text.startswith(quote * 3, self.pos) else quote
        self._advance(len(fence))
        while not self.text.startswith(fence, self.pos):
            escaped = quote == '"' and self._peek() == "\\"
            self._advance(2 if escaped else 1)
        self._advance(len(fence))
        # A multi-line string may end in one or two quotes of its own before the fence.
        while len(fence) == 3 and self._peek() == quote:
            self._advance()
