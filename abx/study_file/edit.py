"""Change single entries of a study file and leave every other line, comments included, as it is.

The screens and the commands that add a stage or change the plan work on the text, because the
text is what people read and what is sealed. What is new is spelled by
:mod:`abx.study_file.writing` and put in its place; no other character is written again, also
where tables of two kinds take turns, which ``tomlkit`` would sort. Nothing here decides whether
the result is a study: :func:`save_study` checks that before anything is written.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from pathlib import Path

from abx.errors import InputError
from abx.methods import get_method, method_ids
from abx.store.begun import under_way
from abx.study.workspace import Workspace, replace_file
from abx.study_file.reading import study_from_text
from abx.study_file.writing import Entries, table_of, value_text, with_tables
from abx.text.toml_lines import line_map, value_spans

__all__ = [
    "asked_methods",
    "insert_table",
    "method_entries",
    "remove_table",
    "replace_number",
    "save_study",
    "with_plan",
]


def insert_table(text: str, kind: str, entries: Entries) -> str:
    """Insert a ``[[kind]]`` table behind the last one of its kind, or at the end.

    Parameters
    ----------
    text : str
        Text of a valid study file.
    kind : str
        ``"stages"``, ``"programmes"`` or ``"tests"``.
    entries : mapping of str to object
        What the new table says.
    """
    written = value_spans(text).get((kind,))
    if written is not None:
        return _respelled(text, written, with_tables(text[slice(*written)], add=entries))
    lines = _split(text)
    places = [path[1] for path in line_map(text) if path[:1] == (kind,) and len(path) > 1]
    last = max(places, default=-1)
    end = len(lines) if last == -1 else _extent(text, kind, int(last))[1]
    head, tail = lines[:end], lines[end:]
    while head and not head[-1].strip():
        head.pop()
    return "\n".join([*head, "", table_of(kind, entries), "", *_without_blank_start(tail), ""])


def remove_table(text: str, kind: str, index: int) -> str:
    """Remove the table number ``index`` (from 0) of a kind, with the comment right above it."""
    written = value_spans(text).get((kind,))
    if written is not None:
        return _respelled(text, written, with_tables(text[slice(*written)], remove=index))
    start, end = _extent(text, kind, index)
    lines = _split(text)
    while start > 1 and lines[start - 2].lstrip().startswith("#"):
        start -= 1
    return "\n".join([*lines[: start - 1], *_without_blank_start(lines[end:]), ""])


def replace_number(text: str, path: tuple[str | int, ...], value: int) -> str:
    """Replace the whole number that stands at a key path.

    Raises
    ------
    InputError
        If there is no whole number.
    """
    written = value_spans(text).get(path)
    if written is None or not _is_whole_number(text[slice(*written)]):
        raise InputError(
            source="study.toml",
            where=".".join(str(part) for part in path),
            problem="there is no whole number to change",
            remedy="write it into the study file by hand",
        )
    return _respelled(text, written, value_text(value))


def asked_methods(text: str) -> list[tuple[str, int]]:
    """Return method and trials of each ``[[tests]]`` table of a valid study file."""
    return [(test["method"], test["trials"]) for test in tomllib.loads(text)["tests"]]


def with_plan(
    text: str, *, listeners: int | None = None, trials: Mapping[str, int] | None = None
) -> str:
    """Change how many listeners are planned and what they are asked.

    Parameters
    ----------
    text : str
        Text of a valid study file.
    listeners : int, optional
        Planned panel.
    trials : mapping of str to int, optional
        Trials of each pair and listener by method: 0 takes the method out, a method that is
        not asked yet is put in for all stages.

    Raises
    ------
    InputError
        If a method is unknown, or the file has no number to change.
    """
    if listeners is not None:
        text = replace_number(text, ("plan", "listeners"), listeners)
    for method, number in (trials or {}).items():
        places = [place for place, (name, _) in enumerate(asked_methods(text)) if name == method]
        if not places and number:
            first = tomllib.loads(text)["stages"][0]["id"]
            text = insert_table(text, "tests", method_entries(method, number, reference=first))
        for place in reversed(places):
            if number:
                text = replace_number(text, ("tests", place, "trials"), number)
            else:
                text = remove_table(text, "tests", place)
    return text


def method_entries(method: str, trials: int, *, reference: str) -> Entries:
    """Return the ``[[tests]]`` table that asks about all stages by a method.

    Parameters
    ----------
    method : str
        Id of the method.
    trials : int
        Trials of each pair or set and listener.
    reference : str
        Id of the stage that methods with a known reference take for it.

    Raises
    ------
    InputError
        If there is no such method.
    """
    if method not in method_ids():
        raise InputError(
            where="--trials",
            problem=f"there is no method '{method}'",
            remedy=f"use one of: {', '.join(method_ids())}",
        )
    entries: dict[str, object] = {"method": method, "stages": "all", "trials": trials}
    if "reference" in get_method(method).option_keys:
        entries["reference"] = reference
    return entries


def save_study(root: Path, text: str) -> None:
    """Write the study file if it is a study and nobody has begun to listen.

    Raises
    ------
    InputError
        If the text is no study (naming the line), or somebody has begun. The file stays then.
    """
    path = root / "study.toml"
    study_from_text(text, path=path)
    if under_way(Workspace(root)):
        raise InputError(
            source="study.toml",
            problem="somebody has begun to listen, and what they were promised is sealed",
            remedy="close the study first, or begin another in a new folder",
        )
    with replace_file(path) as target:
        target.write_text(text, encoding="utf-8")


def _split(text: str) -> list[str]:
    """Return the lines of a text as TOML ends them; a text may hold other line ends inside."""
    return text.removesuffix("\n").split("\n")


def _respelled(text: str, written: tuple[int, int], value: str) -> str:
    """Put a value in the place of another; every other character stays."""
    start, end = written
    changed = text[:start] + value + text[end:]
    return changed if changed.endswith("\n") else changed + "\n"


def _is_whole_number(written: str) -> bool:
    value = tomllib.loads(f"k = {written}")["k"]
    return isinstance(value, int) and not isinstance(value, bool)


def _extent(text: str, kind: str, index: int) -> tuple[int, int]:
    """Return the first and the last line (from 1) of a table, without comments that follow."""
    places = line_map(text)
    own = [number for path, number in places.items() if path[:2] == (kind, index)]
    lines = _split(text)
    end = max(own)
    while end < len(lines) and not lines[end].lstrip().startswith("["):
        end += 1
    while lines[end - 1].strip() == "" or lines[end - 1].lstrip().startswith("#"):
        end -= 1
    return min(own), end


def _without_blank_start(lines: list[str]) -> list[str]:
    first = next((k for k, line in enumerate(lines) if line.strip()), len(lines))
    return lines[first:]
