"""The ``[[stages]]`` tables: ids, labels, measured files, factors, prices."""

from __future__ import annotations

import re
from collections.abc import Mapping
from types import MappingProxyType

from abx.study.model import Stage
from abx.study_file.paths import StudyFiles
from abx.study_file.prices import read_amount
from abx.study_file.sound import MADE_MARK, check_parents, read_made, read_sources
from abx.text.names import id_fault
from abx.text.toml_reader import Reader, show

__all__ = ["read_id", "read_stages"]

_CHARTED = "Target"  # what charts call the target curve
_MAX_STAGES = 64


def read_id(table: Reader, seen: set[str]) -> str:
    """Read an id that can be used and is not in ``seen`` yet, where it is put.

    Raises
    ------
    InputError
        If it cannot be used, or is used twice.
    """
    value = table.text("id", max_length=1000)
    fault = id_fault(value)
    if fault is not None:
        raise table.error("id", *fault)
    if value in seen:
        raise table.error("id", f"'{value}' is used twice", "give each one an id of its own")
    seen.add(value)
    return value


def read_stages(root: Reader, files: StudyFiles) -> tuple[Stage, ...]:
    """Read every stage that the file lists.

    Raises
    ------
    InputError
        If there are too few or too many, or one of them is wrong.
    """
    seen: set[str] = set()
    tables = root.tables("stages")
    if not 2 <= len(tables) <= _MAX_STAGES:
        raise root.error(
            "stages", f"{len(tables)} stages", f"a study compares 2 to {_MAX_STAGES} stages"
        )
    stages = tuple(_read_stage(table, files, seen) for table in tables)
    _check_labels(tables, stages)
    check_parents(tables, stages)
    return stages


def _check_labels(tables: list[Reader], stages: tuple[Stage, ...]) -> None:
    """Refuse labels that a reader of a page could not tell apart, or not see."""
    seen = {_CHARTED.casefold(): "the target curve"}
    for table, stage in zip(tables, stages, strict=True):
        label = " ".join(stage.label.casefold().split())
        if not label or label == MADE_MARK.strip():
            raise table.error("label", "the label is empty", "give it words, or leave it out")
        if label in seen:
            raise table.error(
                "label",
                f"{show(stage.label)} is also what {seen[label]} is called",
                "word each label differently",
            )
        seen[label] = f"stage '{stage.id}'"


def _read_stage(table: Reader, files: StudyFiles, seen: set[str]) -> Stage:
    table.only(
        (
            *("id", "label", "responses", "right_responses", "again", "impulse", "made"),
            *("factors", "cost", "labour_h"),
        )
    )
    stage_id = read_id(table, seen)
    made = read_made(table)
    names = table.strings("responses", minimum=1) if made is None else []
    responses = [
        files.check(name, table.failing("responses", index)) for index, name in enumerate(names)
    ]
    sources = read_sources(table, files.check)
    return Stage(
        id=stage_id,
        label=table.text("label", stage_id) + (MADE_MARK if made else ""),
        responses=tuple(responses),
        factors=_read_factors(table),
        cost=read_amount(table, "cost"),
        labour_h=read_amount(table, "labour_h"),
        right_responses=sources.right_responses,
        again=sources.again,
        impulse=sources.impulse,
        made=made,
    )


def _read_factors(table: Reader) -> Mapping[str, str]:
    factors = table.table("factors")
    if factors is None:
        return MappingProxyType({})
    for name in factors.data:
        if not re.fullmatch(r"[a-z][a-z0-9_]{0,39}", name):
            raise factors.error(
                name,
                f"'{name}' is not a factor name",
                "use lower-case letters, digits and underscores, starting with a letter",
            )
    return MappingProxyType({name: factors.text(name, max_length=60) for name in factors.data})
