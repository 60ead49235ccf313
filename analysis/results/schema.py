"""The description of ``results.json`` as JSON Schema, made from the types and their docstrings."""

from __future__ import annotations

import inspect
import json
import re
from collections.abc import Iterator
from functools import cache
from typing import Any

import msgspec

from analysis.results.base import ResultBlock
from analysis.results.whole import Results

__all__ = ["results_schema", "schema_text"]

_DIALECT = "https://json-schema.org/draft/2020-12/schema"
_SECTION = re.compile(r"^(Attributes|Examples)\n-+\n", re.M)
_FIELD = re.compile(r"^(?P<names>\w+(?:, \w+)*)(?: : (?P<kind>.*))?$")


def results_schema() -> dict[str, Any]:
    """Return the JSON Schema of ``results.json``.

    Returns
    -------
    dict
        Draft 2020-12: one definition a type, each field described as in the type's docstring.
    """
    (found,), parts = msgspec.json.schema_components([Results], ref_template="#/$defs/{name}")
    kinds = {kind.__name__: kind for kind in _kinds(ResultBlock)}
    for name, part in parts.items():
        _describe(part, kinds[name])
    return {"$schema": _DIALECT, "title": "results.json of earwitness", **found, "$defs": parts}


def schema_text() -> str:
    """Return the text of the published schema file."""
    return json.dumps(results_schema(), indent=1, ensure_ascii=False) + "\n"


def _kinds(kind: type[ResultBlock]) -> Iterator[type[ResultBlock]]:
    for own in kind.__subclasses__():
        yield own
        yield from _kinds(own)


def _describe(part: dict[str, Any], kind: type[ResultBlock]) -> None:
    """Put the words of a type's docstring beside its fields."""
    text = inspect.getdoc(kind) or ""
    part["description"] = _SECTION.split(text)[0].split("\n\n")[0].replace("\n", " ")
    names = {field.name: field.encode_name for field in msgspec.structs.fields(kind)}
    for name, words in _fields(kind).items():
        described = part["properties"].get(names.get(name, name))
        if words and described is not None:
            described["description"] = words


@cache
def _fields(kind: type[ResultBlock]) -> dict[str, str]:
    """Return what a docstring says of each field, those of the types above it included."""
    found: dict[str, str] = {}
    for own in reversed(
        [k for k in kind.__mro__ if issubclass(k, ResultBlock) and k is not ResultBlock]
    ):
        pieces = _SECTION.split(inspect.getdoc(own) or "")
        if "Attributes" not in pieces:
            continue
        names: list[str] = []
        for line in pieces[pieces.index("Attributes") + 1].splitlines():
            match = _FIELD.match(line)
            if match:
                names = match["names"].split(", ")
                found |= dict.fromkeys(names, "")
            elif line.startswith("    "):
                found |= {name: f"{found[name]} {line.strip()}".strip() for name in names}
    return found
