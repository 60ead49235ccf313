"""Make a study folder from uploaded files: tables grouped into stages, excerpts, a plan."""

from __future__ import annotations

import re
import shutil
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from abx.errors import InputError

__all__ = ["NewStage", "NewStudy", "group_tables", "study_text", "write_new_study"]

_UNSAFE = re.compile(r"[^a-z0-9]+")
_POSITION = re.compile(r"[-_ ](p|pos|position|seat)?[-_ ]?[0-9]+$", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class NewStage:
    """One stage as it is going to be written.

    Attributes
    ----------
    label : str
        Words for reports; the id is made from it.
    tables : tuple of str
        Names of uploaded response tables, one for each microphone position.
    cost, labour_h : float
        Price and working hours.
    """

    label: str
    tables: tuple[str, ...]
    cost: float = 0.0
    labour_h: float = 0.0


@dataclass(frozen=True, slots=True)
class NewStudy:
    """Everything the form asks for.

    Attributes
    ----------
    title, target : str
        Title, and name of a built-in target.
    stages : tuple of NewStage
        Two or more.
    programmes : tuple of str
        Names of uploaded audio files.
    methods : tuple of str
        Ids of pair methods.
    trials, listeners : int
        Trials of each pair and listener; planned panel size.
    """

    title: str
    target: str
    stages: tuple[NewStage, ...]
    programmes: tuple[str, ...]
    methods: tuple[str, ...]
    trials: int
    listeners: int


def identifier(words: str) -> str:
    """Make an id of small letters, digits and hyphens.

    Examples
    --------
    >>> identifier("New speakers (front)")
    'new-speakers-front'
    """
    return _UNSAFE.sub("-", words.lower()).strip("-")[:40].strip("-") or "stage"


def group_tables(names: Sequence[str]) -> dict[str, list[str]]:
    """Group tables whose names differ only in a position number at the end.

    Examples
    --------
    >>> group_tables(["stock-p1.csv", "stock-p2.csv", "tuned.csv"])
    {'stock': ['stock-p1.csv', 'stock-p2.csv'], 'tuned': ['tuned.csv']}
    """
    groups: dict[str, list[str]] = {}
    for name in names:
        stem = Path(name).stem
        groups.setdefault(_POSITION.sub("", stem) or stem, []).append(name)
    return groups


def _quoted(words: str) -> str:
    escaped = words.replace("\\", "\\\\").replace('"', '\\"')
    return f'"{"".join(c for c in escaped if c.isprintable())}"'


def study_text(new: NewStudy) -> str:
    """Return the text of ``study.toml``."""
    lines = ["format = 1", f"title = {_quoted(new.title)}", f"target = {_quoted(new.target)}", ""]
    for stage in new.stages:
        files = ", ".join(_quoted(f"responses/{name}") for name in stage.tables)
        lines += [
            "[[stages]]",
            f"id = {_quoted(identifier(stage.label))}",
            f"label = {_quoted(stage.label)}",
            f"responses = [{files}]",
            f"cost = {float(stage.cost)}",
            f"labour_h = {float(stage.labour_h)}",
            "",
        ]
    for name in new.programmes:
        lines += [
            "[[programmes]]",
            f"id = {_quoted(identifier(Path(name).stem))}",
            f"file = {_quoted(f'programmes/{name}')}",
            "",
        ]
    for method in new.methods:
        lines += [
            "[[tests]]",
            f"method = {_quoted(method)}",
            'stages = "all"',
            f"trials = {new.trials}",
            "",
        ]
    return "\n".join([*lines, "[plan]", f"listeners = {new.listeners}", ""])


def write_new_study(root: Path, new: NewStudy, files: Mapping[str, bytes]) -> None:
    """Write a study folder; all is checked in a temporary folder first.

    Parameters
    ----------
    root : Path
        Study folder; must not hold a study yet.
    new : NewStudy
        The form.
    files : mapping of str to bytes
        Contents of the uploaded files by name.

    Raises
    ------
    InputError
        If a study is there already, or any file or entry is wrong; nothing is written then.
    """
    from abx.study import read_study
    from stimuli.response import read_response

    if (root / "study.toml").exists():
        raise InputError(
            source="study.toml",
            problem="there is a study in this folder already",
            remedy="choose another folder",
        )
    root.mkdir(parents=True, exist_ok=True)
    draft = Path(tempfile.mkdtemp(prefix=".draft-", dir=root))
    try:
        tables = [name for stage in new.stages for name in stage.tables]
        for folder, names in (("responses", tables), ("programmes", new.programmes)):
            (draft / folder).mkdir()
            for name in names:
                (draft / folder / Path(name).name).write_bytes(files[name])
        (draft / "study.toml").write_text(study_text(new), encoding="utf-8")
        study = read_study(draft / "study.toml")
        for stage in study.stages:
            for table in stage.responses:
                read_response(draft / table)
        for name in ("responses", "programmes"):
            shutil.copytree(draft / name, root / name, dirs_exist_ok=True)
        (draft / "study.toml").replace(root / "study.toml")
    finally:
        shutil.rmtree(draft)
