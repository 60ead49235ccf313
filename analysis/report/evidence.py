"""The evidence behind a report: typed results, and what a study adds to them.

All blocks are optional. ``results`` are those of :func:`analysis.run.analyse`, read into their
types (:mod:`analysis.results`); of a block of theirs :meth:`Evidence.at` tells where each field
stands. Beside them stand ``study``, ``conduct``, ``responses``, ``target``, ``deviation``,
``levels``, ``level_apart``, ``level_check``, ``audibility``, ``schedule``, ``software`` and
``hashes``, read by RFC 6901 pointer.

Nothing is computed here. Every number a report shows comes with its place, so that the page can
say where it came from.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterator, Mapping
from functools import cache
from pathlib import Path
from typing import Any, TypeVar, cast

import msgspec

from analysis.results.base import UNSET, ResultBlock
from analysis.results.reading import typed
from analysis.results.whole import Results
from stimuli.files.errors import InputError

__all__ = ["Evidence", "FieldPlace", "Row", "clean_text", "finite"]

T = TypeVar("T")

_BLOCKS_OF_ROWS = (
    "/conduct/earlier",
    "/conduct/outputs",
    "/conduct/software",
    "/conduct/tests",
    "/study/stages",
    "/study/programmes",
    "/study/tests",
    "/responses",
    "/deviation",
    "/levels",
    "/level_apart",
    "/level_check",
    "/audibility",
    "/schedule/pairs",
)
_BLOCKS_OF_FIELDS = (
    "/study",
    "/study/plan",
    "/study/elsewhere",
    "/conduct",
    "/conduct/sealed",
    "/conduct/present",
    "/target",
    "/schedule",
    "/software",
    "/hashes",
)

# Control characters are illegal in XML and HTML; the bidirectional overrides can make one
# label read as another. Neither has a place in a name or a note.
_UNPRINTABLE = re.compile(
    "[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069\ud800-\udfff\ufffe\uffff]"
)


def clean_text(value: object) -> str:
    """Return user text without control characters and direction overrides."""
    return _UNPRINTABLE.sub("\ufffd", str(value))


# Ends the label of a stage that was never built.
_MADE = " (made)"


class FieldPlace:
    """Where a value stands in the evidence, and the value.

    Stands for a block: each of its fields is the place of that field. What type checkers see are
    the fields of the block itself, so that a field that is not there is found by them.

    Parameters
    ----------
    pointer : str
        RFC 6901 pointer.
    value : object
        What stands there; None where nothing does.
    """

    # No field of a block begins so, or it could not be asked for.
    __slots__ = ("_held", "_pointer")

    def __init__(self, pointer: str, value: object) -> None:
        self._pointer = pointer
        self._held = None if value is UNSET else value

    def __getattr__(self, name: str) -> FieldPlace:
        if self._held is None:
            return FieldPlace(f"{self._pointer}/{name}", None)
        key = _names(type(self._held))[name] if isinstance(self._held, ResultBlock) else name
        return FieldPlace(f"{self._pointer}/{_escape(key)}", getattr(self._held, name))

    def __getitem__(self, key: str | int) -> FieldPlace:
        found: Any = self._held
        inside = key in found if isinstance(found, Mapping) else found is not None
        return FieldPlace(f"{self._pointer}/{_escape(key)}", found[key] if inside else None)

    @staticmethod
    def pointer_and_value(place: FieldPlace) -> tuple[str, Any]:
        """Return the pointer of a place, and what stands there."""
        return place._pointer, place._held


@cache
def _names(kind: type[ResultBlock]) -> dict[str, str]:
    """Return what each field of a block is called in JSON."""
    return {field.name: field.encode_name for field in msgspec.structs.fields(kind)}


class Row:
    """One object of a list in the evidence, with its pointer.

    Parameters
    ----------
    pointer : str
        Where the object stands.
    fields : Mapping
        Its keys and values.
    """

    def __init__(self, pointer: str, fields: Mapping[str, Any]) -> None:
        self.pointer = pointer
        self._fields = fields

    def get(self, key: str) -> Any:
        """Return the value of ``key`` or None."""
        return self._fields.get(key)

    def at(self, *keys: str | int) -> str:
        """Return the pointer of a value inside this row."""
        return "/".join([self.pointer, *(_escape(key) for key in keys)])

    def number(self, key: str) -> float | None:
        """Return a finite number, or None where there is none."""
        return finite(self.get(key), self.at(key))


class Evidence:
    """The evidence dict, read by pointer.

    Parameters
    ----------
    data : Mapping
        Plain JSON, as read by ``json.load``; ``results`` may also be those of
        :func:`analysis.run.analyse`. Blocks may be missing.

    Raises
    ------
    InputError
        If the dict is not an object or a block has the wrong shape.
    """

    def __init__(self, data: Mapping[str, Any]) -> None:
        if not isinstance(data, Mapping):
            raise _wrong(None, "the evidence is not a JSON object", "Pass the dict, not its text")
        results = data.get("results")
        if isinstance(results, Results):
            data = {**data, "results": results.to_dict()}
        self.data = data
        for pointer in _BLOCKS_OF_FIELDS:
            if not isinstance(self.get(pointer), Mapping | None):
                raise _wrong(pointer, "this is not an object", "Write it as {...} or leave it out")
        for pointer in _BLOCKS_OF_ROWS:
            self.rows(pointer)
        #: The results as typed blocks.
        self.results = typed(
            data.get("results") or {}, Results, source="evidence", place="/results"
        )
        self._places: dict[int, str] = {}
        self._remember(self.results, "/results")

    def _remember(self, value: object, pointer: str) -> None:
        """Note where every block stands; the evidence keeps them, so that none moves."""
        if isinstance(value, ResultBlock):
            self._places[id(value)] = pointer
            for name, key in _names(type(value)).items():
                self._remember(getattr(value, name), f"{pointer}/{key}")
        elif isinstance(value, tuple):
            for index, item in enumerate(value):
                self._remember(item, f"{pointer}/{index}")

    def at(self, block: T) -> T:
        """Return the places of the fields of a block, under the names and types of the fields.

        Parameters
        ----------
        block : ResultBlock
            A block of this evidence.
        """
        return cast(T, FieldPlace(self._places[id(block)], block))

    @classmethod
    def read(cls, path: str | Path) -> Evidence:
        """Read an evidence file.

        Raises
        ------
        InputError
            If the file is missing or is not JSON.
        """
        source = Path(path)
        try:
            return cls(json.loads(source.read_text(encoding="utf-8")))
        except OSError as error:
            raise InputError(
                source=str(source), problem=str(error.strerror or error), remedy="Check the path"
            ) from error
        except (UnicodeDecodeError, json.JSONDecodeError) as error:
            raise InputError(
                source=str(source), problem=f"not a JSON file: {error}", remedy="Write it again"
            ) from error

    def get(self, pointer: str) -> Any:
        """Return the value at ``pointer``, or None where the path ends early."""
        value: Any = self.data
        for key in _keys(pointer):
            if isinstance(value, Mapping):
                value = value.get(key)
            elif isinstance(value, list) and key.isdigit() and int(key) < len(value):
                value = value[int(key)]
            else:
                return None
        return value

    def rows(self, pointer: str) -> list[Row]:
        """Return the objects of the list at ``pointer``; empty where there is no list.

        Raises
        ------
        InputError
            If something other than a list of objects stands there.
        """
        value = self.get(pointer)
        if value is None:
            return []
        if not isinstance(value, list):
            raise _wrong(pointer, "this is not a list", "Write it as [...] or leave it out")
        for index, fields in enumerate(value):
            if not isinstance(fields, Mapping):
                raise _wrong(f"{pointer}/{index}", "this is not an object", "Write it as {...}")
        return [Row(f"{pointer}/{index}", fields) for index, fields in enumerate(value)]

    def fields(self, pointer: str) -> list[tuple[str, str, Any]]:
        """Return (key, pointer, value) of the object at ``pointer``, in its own order."""
        value = self.get(pointer)
        if not isinstance(value, Mapping):
            return []
        return [(str(key), f"{pointer}/{_escape(key)}", item) for key, item in value.items()]

    def number(self, pointer: str) -> float | None:
        """Return a finite number at ``pointer``, or None where there is none.

        Raises
        ------
        InputError
            If text or an object stands where a number belongs.
        """
        return finite(self.get(pointer), pointer)

    def text(self, pointer: str) -> str | None:
        """Return the cleaned text at ``pointer``; None where missing or empty."""
        value = self.get(pointer)
        if value is None or isinstance(value, Mapping | list):
            return None
        return clean_text(value).strip() or None

    def curve(self, row: Row, key: str) -> list[float]:
        """Return a list of numbers of a row, NaN where undefined.

        Raises
        ------
        InputError
            If the value is not a list of numbers.
        """
        value = row.get(key)
        if value is None:
            return []
        if not isinstance(value, list):
            raise _wrong(row.at(key), "this is not a list of numbers", "Write it as [...]")
        found = (finite(item, row.at(key, i)) for i, item in enumerate(value))
        return [math.nan if item is None else item for item in found]

    def curves(self, row: Row, *keys: str) -> list[list[float]]:
        """Return several lists of numbers of a row that belong to the same points.

        Raises
        ------
        InputError
            If they differ in length; a missing list is empty and fits.
        """
        found = [self.curve(row, key) for key in keys]
        for key, values in zip(keys, found, strict=True):
            if values and len(values) != len(found[0]):
                counts = f"{keys[0]} has {len(found[0])} values and {key} {len(values)}"
                raise _wrong(row.pointer, counts, "Give one value for each frequency")
        return found

    @property
    def simulated(self) -> bool:
        """Whether any part of the evidence says that listeners were simulated."""
        about = self.results.about
        return bool(self.get("/study/simulated")) or (about is not None and about.simulated)

    def stage_rows(self) -> dict[str, Row]:
        """Return the declared stages by id, in the order of the study."""
        return {str(row.get("id")): row for row in self.rows("/study/stages")}

    def made_stages(self) -> set[str]:
        """Return the stages that are experiments, which nobody can buy."""
        declared = {stage for stage, row in self.stage_rows().items() if row.get("made")}
        about = self.results.about
        return declared | set((about.made_stages if about else None) or ())

    def stage_label(self, stage: object) -> str:
        """Return the label of a stage, or its id where the study does not name it.

        A made stage is marked as such.
        """
        row = self.stage_rows().get(str(stage))
        label = str((row.get("label") if row else None) or stage)
        if str(stage) in self.made_stages() and not label.endswith(_MADE):
            label += _MADE
        return clean_text(label)

    def stage_order(self) -> dict[str, int]:
        """Return the rank of each stage in the study, for stable sorting."""
        return {stage: rank for rank, stage in enumerate(self.stage_rows())}

    def walk(self) -> Iterator[tuple[str, Any]]:
        """Yield every leaf with its pointer."""
        yield from _walk("", self.data)


def _walk(pointer: str, value: Any) -> Iterator[tuple[str, Any]]:
    if isinstance(value, Mapping):
        for key, item in value.items():
            yield from _walk(f"{pointer}/{_escape(key)}", item)
    elif isinstance(value, list):
        for index, item in enumerate(value):
            yield from _walk(f"{pointer}/{index}", item)
    else:
        yield pointer, value


def _escape(key: object) -> str:
    return str(key).replace("~", "~0").replace("/", "~1")


def _keys(pointer: str) -> list[str]:
    return [key.replace("~1", "/").replace("~0", "~") for key in pointer.split("/")[1:]]


def finite(value: Any, pointer: str) -> float | None:
    """Return a finite number, or None where there is none.

    Raises
    ------
    InputError
        Something else stands there.
    """
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise _wrong(pointer, f"{clean_text(value)!r} is not a number", "Write a number or null")
    return float(value) if math.isfinite(value) else None


def _wrong(where: str | None, problem: str, remedy: str) -> InputError:
    return InputError(source="evidence", where=where, problem=problem, remedy=remedy)
