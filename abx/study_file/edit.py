"""Change single entries of a study file and leave every other line, comments included, as it is.

The screens and the commands that add a stage or change the plan work on the text, because the
text is what people read and what is sealed. Nothing here decides whether the result is a study:
:func:`save_study` checks that before anything is written.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from pathlib import Path

from abx.errors import InputError
from abx.store.begun import under_way
from abx.study.workspace import Workspace, replace_file
from abx.text.toml_lines import line_map

__all__ = [
    "asked_methods",
    "insert_table",
    "remove_table",
    "replace_number",
    "save_study",
    "with_plan",
]


def insert_table(text: str, kind: str, block: str) -> str:
    """Insert a ``[[kind]]`` table behind the last one of its kind, or at the end.

    Parameters
    ----------
    text : str
        Text of a valid study file.
    kind : str
        ``"stages"``, ``"programmes"`` or ``"tests"``.
    block : str
        The new table, with its ``[[kind]]`` line.
    """
    lines = _split(text)
    places = [path[1] for path in _lines(text) if path[:1] == (kind,) and len(path) > 1]
    last = max(places, default=-1)
    end = len(lines) if last == -1 else _extent(text, kind, int(last))[1]
    head, tail = lines[:end], lines[end:]
    while head and not head[-1].strip():
        head.pop()
    return "\n".join([*head, "", block.strip(), "", *_without_blank_start(tail), ""])


def remove_table(text: str, kind: str, index: int) -> str:
    """Remove the table number ``index`` (from 0) of a kind, with the comment right above it."""
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
        If there is no whole number on that line.
    """
    number = _lines(text).get(path)
    lines = _split(text)
    if number is not None:
        pattern = rf"(\b{re.escape(str(path[-1]))}\s*=\s*)[0-9_]+"
        changed, n = re.subn(pattern, rf"\g<1>{value}", lines[number - 1], count=1)
        if n:
            lines[number - 1] = changed
            return "\n".join([*lines, ""])
    raise InputError(
        source="study.toml",
        where=".".join(str(part) for part in path),
        problem="there is no whole number to change",
        remedy="write it into the study file by hand",
    )


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
            text = insert_table(text, "tests", method_block(text, method, number))
        for place in reversed(places):
            if number:
                text = replace_number(text, ("tests", place, "trials"), number)
            else:
                text = remove_table(text, "tests", place)
    return text


def method_block(text: str, method: str, trials: int) -> str:
    """Return the ``[[tests]]`` table that asks about all stages by a method.

    Methods that need a known reference take the first stage for it.

    Raises
    ------
    InputError
        If there is no such method.
    """
    from abx.methods import get_method, method_ids

    if method not in method_ids():
        raise InputError(
            where="--trials",
            problem=f"there is no method '{method}'",
            remedy=f"use one of: {', '.join(method_ids())}",
        )
    first = tomllib.loads(text)["stages"][0]["id"]
    lines = ["[[tests]]", f'method = "{method}"', 'stages = "all"', f"trials = {trials}"]
    if "reference" in get_method(method).option_keys:
        lines.append(f'reference = "{first}"')
    return "\n".join(lines)


def save_study(root: Path, text: str) -> None:
    """Write the study file if it is a study and nobody has begun to listen.

    Raises
    ------
    InputError
        If the text is no study (naming the line), or somebody has begun. The file stays then.
    """
    from abx.study_file.reading import study_from_text

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


def _lines(text: str) -> Mapping[tuple[str | int, ...], int]:
    return line_map(text)


def _extent(text: str, kind: str, index: int) -> tuple[int, int]:
    """Return the first and the last line (from 1) of a table, without comments that follow."""
    places = _lines(text)
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
