"""From plain JSON data to typed blocks, and back; what does not fit is named by its place."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any, TypeVar

import msgspec

from stimuli.files.errors import InputError

__all__ = ["plain", "typed"]

T = TypeVar("T")

_PLACE = re.compile(r" - at `\$(?P<path>.*)`$", re.S)
_KEY = re.compile(r"\.(?P<name>[^.\[]+)|\[(?P<index>\d+|\.\.\.)\]")
_FIELD = re.compile(r"^Object (?P<what>missing required|contains unknown) field `(?P<name>.*?)`")
_EXPECTED = re.compile(r"^Expected `(?P<wanted>.*)`, got `(?P<found>.*)`$")
#: What was expected, in words, and how to write it; the first that stands in the message.
_KINDS = (
    ("array", "this is not a list", "Write it as [...]"),
    ("object", "this is not an object", "Write it as {...}"),
    ("float", "{value} is not a number", "Write a number or null"),
    ("int", "{value} is not a whole number", "Write a whole number"),
    ("bool", "{value} is neither true nor false", "Write true or false"),
    ("str", "{value} is not a text", "Write it in quotation marks"),
)


def plain(block: object) -> Any:
    """Return a block as plain dictionaries, lists, texts and numbers.

    Parameters
    ----------
    block : object
        A block, or lists and dictionaries of blocks. Figures that are not finite become None.
    """
    return msgspec.json.decode(msgspec.json.encode(block))


def typed(data: Any, kind: type[T], *, source: str | None = None, place: str = "") -> T:
    """Return plain data as a typed block.

    Parameters
    ----------
    data : object
        As read by ``json.load``.
    kind : type
        Of the block.
    source : str, optional
        File or part that an error names.
    place : str, optional
        Pointer of the data inside the source, put before the place in an error.

    Raises
    ------
    InputError
        A field is missing, is not known, or holds something of another type; names it.
    """
    try:
        return msgspec.convert(data, kind)
    except msgspec.ValidationError as error:
        raise _named(str(error), data, source, place) from error


def _named(message: str, data: Any, source: str | None, place: str) -> InputError:
    found = _PLACE.search(message)
    what = message[: found.start()] if found else message
    keys = _keys(found["path"]) if found else []
    field = _FIELD.match(what)
    if field:
        keys.append(field["name"])
        missing = field["what"].startswith("missing")
        problem = "this field is missing" if missing else "nothing is known of this field"
        remedy = "Add it" if missing else "Leave it out, or use the version that wrote it"
    else:
        problem, remedy = _mismatch(what, _value(data, keys))
    where = place + "".join(f"/{key}" for key in keys)
    return InputError(source=source, where=where or None, problem=problem, remedy=remedy)


def _mismatch(what: str, value: Any) -> tuple[str, str]:
    match = _EXPECTED.match(what)
    wanted = match["wanted"] if match else ""
    for name, problem, remedy in _KINDS:
        if name in wanted:
            return problem.format(value=_short(value)), remedy
    return what, "Write it as the description of the results says"


def _short(value: Any) -> str:
    text = "null" if value is None else repr(value)
    return text if len(text) <= 60 else f"{text[:57]}..."


def _keys(path: str) -> list[str]:
    return [match["name"] or match["index"] for match in _KEY.finditer(path)]


def _value(data: Any, keys: list[str]) -> Any:
    """Return what stands at a place; None where the path does not lead there."""
    for key in keys:
        if isinstance(data, Mapping):
            data = data.get(key)
        elif isinstance(data, list | tuple) and key.isdigit() and int(key) < len(data):
            data = data[int(key)]
        else:
            return None
    return data
