"""Reading the evidence dict by JSON pointer, with errors that name the place.

Blocks a report knows, all of them optional: ``study``, ``conduct``, ``responses``, ``target``,
``deviation``, ``levels``, ``level_apart``, ``level_check``, ``schedule``, ``software``, ``hashes``,
and in ``results`` those of :func:`analysis.run.analyse`. Where present these are drawn as well:

=========================================  =============================================
``results.discrimination[].n_critical``    fewest right answers below alpha; mark and column
``results.answer``                         lead, beside[], rests_on[], unheard[], family[]
``results.preference.chosen[]``            what the panel and each listener chose
``results.preference.mixed``               listener by listener, SD between listeners
``results.preference.classes``             groups that passed their test, or why there are none
``results.preference.programmes``          worths by programme, leave-one-out
``results.ratings.stages[]``               quartiles, means; screening, pairs
``results.grading[]``                      stages[], ordinal; one entry a reference
``results.preference.strength``            pairs[]
``results.link[].points``                  scatter; ``permutation_band`` (x, low, high)
``results.upgrade``                        first_step[], order[], orders[], budget[], shapley[]
``audibility[]``                           pair, programme, expected, sd_db, proportion, outcome
``results.link_programmes[]``              mean rank correlation over programmes, words
``results.predictions[]``                  share of versions that nobody compared
``results.regions``, ``results.dose``      effect of each region; right answers by part
``results.power[]``                        method, what, n_listeners[], power[], power_as_run
``results.power_claims``                   n_studies, share, claims[], all, any
``results.screened``                       rule, excluded, results.claims
=========================================  =============================================

Nothing is computed here. Every value a report shows is looked up by its RFC 6901
pointer, so that the page can say where the value came from.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from analysis.results.whole import Results
from stimuli.files.errors import InputError

__all__ = ["Evidence", "Row", "clean_text"]

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
    "/results/discrimination",
    "/results/claims",
    "/results/answer/family",
    "/results/answer/beside",
    "/results/answer/rests_on",
    "/results/answer/unheard",
    "/results/preference/stages",
    "/results/preference/pairs",
    "/results/preference/chosen",
    "/results/preference/listeners",
    "/results/preference/mixed/stages",
    "/results/preference/mixed/listeners",
    "/results/preference/classes/groups",
    "/results/preference/classes/steps",
    "/results/preference/programmes/by_programme",
    "/results/preference/programmes/leave_one_out",
    "/results/preference/strength/pairs",
    "/results/grading",
    "/results/reliability/listeners",
    "/results/link",
    "/results/power",
    "/results/power_claims/claims",
    "/results/link_programmes",
    "/results/predictions",
    "/results/regions/regions",
    "/results/dose/steps",
    "/results/upgrade/first_step",
    "/results/upgrade/second_step",
    "/results/upgrade/order",
    "/results/upgrade/orders",
    "/results/upgrade/shapley",
    "/results/upgrade/budget",
    "/results/upgrade/effects",
    "/results/upgrade/interactions",
    "/results/upgrade/classes",
    "/results/screened/results/claims",
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
    "/results",
    "/results/about",
    "/results/about/playback",
    "/results/preference",
    "/results/preference/mixed",
    "/results/preference/programmes",
    "/results/preference/classes",
    "/results/preference/classes/power",
    "/results/reliability",
    "/results/answer",
    "/results/answer/lead",
    "/results/answer/orders",
    "/results/upgrade",
    "/results/power_claims",
    "/results/screened",
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
        return _finite(self.get(key), self.at(key))


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
        return _finite(self.get(pointer), pointer)

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
        found = (_finite(item, row.at(key, i)) for i, item in enumerate(value))
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
        return bool(self.get("/study/simulated")) or bool(self.get("/results/about/simulated"))

    def stage_rows(self) -> dict[str, Row]:
        """Return the declared stages by id, in the order of the study."""
        return {str(row.get("id")): row for row in self.rows("/study/stages")}

    def made_stages(self) -> set[str]:
        """Return the stages that are experiments, which nobody can buy."""
        declared = {stage for stage, row in self.stage_rows().items() if row.get("made")}
        return declared | {key for key, _, _ in self.fields("/results/about/made_stages")}

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


def _finite(value: Any, pointer: str) -> float | None:
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise _wrong(pointer, f"{clean_text(value)!r} is not a number", "Write a number or null")
    return float(value) if math.isfinite(value) else None


def _wrong(where: str | None, problem: str, remedy: str) -> InputError:
    return InputError(source="evidence", where=where, problem=problem, remedy=remedy)
