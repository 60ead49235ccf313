"""Rows of results with every field: tests write the figures they are about, the rest is neutral."""

from __future__ import annotations

import types
import typing
from typing import Any

import msgspec

from analysis.results.base import ResultBlock
from analysis.results.whole import Results


def whole_results(results: dict[str, Any]) -> dict[str, Any]:
    """Give every block and row of some results all their fields, and return the same results."""
    _fill(results, Results)
    return results


def _fill(data: Any, hint: Any) -> None:
    kinds = [
        part for part in _parts(hint) if isinstance(part, type) and issubclass(part, ResultBlock)
    ]
    if isinstance(data, dict) and kinds:
        for field in msgspec.structs.fields(kinds[0]):
            if field.encode_name in data:
                _fill(data[field.encode_name], field.type)
            elif field.required:
                data[field.encode_name] = _neutral(field.type)
    elif isinstance(data, list):
        for part in _parts(hint):
            if typing.get_origin(part) is tuple:
                for item in data:
                    _fill(item, typing.get_args(part)[0])


def _parts(hint: Any) -> tuple[Any, ...]:
    union = typing.get_origin(hint) in (types.UnionType, typing.Union)
    return typing.get_args(hint) if union else (hint,)


def _neutral(hint: Any) -> Any:
    parts = _parts(hint)
    if types.NoneType in parts:
        return None
    kind = parts[0]
    if typing.get_origin(kind) is tuple:
        args = typing.get_args(kind)
        return [] if args[-1] is ... else [_neutral(arg) for arg in args]
    if typing.get_origin(kind) is dict:
        return {}
    if issubclass(kind, ResultBlock):
        found: dict[str, Any] = {}
        _fill(found, kind)
        return found
    return kind()
