"""Make a study folder from uploaded files: tables grouped into stages, excerpts, a plan."""

from __future__ import annotations

import os
import re
import shutil
import tempfile
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from abx.errors import InputError
from abx.study.model import Prices
from abx.study_file.edit import insert_table, method_entries, save_study
from abx.study_file.reading import study_from_text
from abx.study_file.writing import Entries, file_text, one_table, table_of
from abx.text.names import identifiers, path_fault
from stimuli.programme.reading import ProgrammeSpec, read_programme
from stimuli.response.measured import read_response

__all__ = [
    "SOUND_ENDINGS",
    "TABLE_ENDINGS",
    "NewStage",
    "NewStudy",
    "add_to_study",
    "file_fault",
    "group_tables",
    "is_sound",
    "names_used_twice",
    "study_text",
    "write_new_study",
]

SOUND_ENDINGS = ("wav", "flac", "ogg", "mp3")
"""Endings of excerpts."""

TABLE_ENDINGS = ("csv", "txt", "frd", "tsv")
"""Endings of response tables."""

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
    cost, labour_h : float or None
        Price and working hours; None where they were left blank, and then left out of the file.
    """

    label: str
    tables: tuple[str, ...]
    cost: float | None = None
    labour_h: float | None = None


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
    methods : mapping of str to int
        Trials of each pair or set and listener, by method id.
    listeners : int
        Planned panel size.
    prices : Prices
        How money is counted.
    """

    title: str
    target: str
    stages: tuple[NewStage, ...]
    programmes: tuple[str, ...]
    methods: Mapping[str, int]
    listeners: int
    prices: Prices = field(default_factory=Prices)


def group_tables(names: Sequence[str]) -> dict[str, list[str]]:
    """Group tables whose names differ only in a position number at the end.

    Examples
    --------
    >>> group_tables(["found-p1.csv", "found-p2.csv", "aligned.csv"])
    {'found': ['found-p1.csv', 'found-p2.csv'], 'aligned': ['aligned.csv']}
    """
    groups: dict[str, list[str]] = {}
    for name in names:
        stem = Path(name).stem
        groups.setdefault(_POSITION.sub("", stem) or stem, []).append(name)
    return groups


def _stage_entries(stages: Sequence[NewStage], taken: Iterable[str] = ()) -> list[Entries]:
    ids = identifiers([stage.label for stage in stages], taken=taken)
    return [
        {
            "id": name,
            "label": stage.label,
            "responses": [f"responses/{Path(table).name}" for table in stage.tables],
        }
        | _amounts(cost=stage.cost, labour_h=stage.labour_h)
        for stage, name in zip(stages, ids, strict=True)
    ]


def _amounts(**values: float | None) -> dict[str, object]:
    """Return amounts to write; one that was left blank is not known and is left out."""
    return {key: float(value) for key, value in values.items() if value is not None}


def _price_entries(prices: Prices) -> Entries:
    texts = {"currency": prices.currency, "tax": prices.tax}
    said: dict[str, object] = {key: text for key, text in texts.items() if text.strip()}
    return said | _amounts(hourly_rate=prices.hourly_rate)


def _programme_entries(files: Sequence[str], taken: Iterable[str] = ()) -> list[Entries]:
    stems = [Path(name).stem for name in files]
    ids = identifiers(stems, taken=taken, otherwise="excerpt")
    return [
        {"id": own, "file": f"programmes/{Path(name).name}"}
        for name, own in zip(files, ids, strict=True)
    ]


def study_text(new: NewStudy) -> str:
    """Return the text of ``study.toml``."""
    stages = _stage_entries(new.stages)
    tables = [table_of("stages", entries) for entries in stages]
    tables += [table_of("programmes", entries) for entries in _programme_entries(new.programmes)]
    prices = _price_entries(new.prices)
    tables += [one_table("prices", prices)] if prices else []
    tables += [
        table_of("tests", method_entries(method, trials, reference=str(stages[0]["id"])))
        for method, trials in new.methods.items()
    ]
    tables.append(one_table("plan", {"listeners": new.listeners}))
    return file_text({"format": 1, "title": new.title, "target": new.target}, tables)


def file_fault(name: str, data: bytes) -> str | None:
    """Say what is wrong with a table or an excerpt, or None where it can be used.

    Parameters
    ----------
    name : str
        File name; its ending decides what it has to be.
    data : bytes
        Contents.
    """
    if Path(name).suffix.lower().lstrip(".") not in (*TABLE_ENDINGS, *SOUND_ENDINGS):
        return (
            f"{name}: by its ending neither a table ({', '.join(TABLE_ENDINGS)}) nor music "
            f"({', '.join(SOUND_ENDINGS)}). Export what you need from it as one of these."
        )
    misnamed = path_fault(Path(name).name)
    if misnamed is not None:
        problem, remedy = misnamed
        return f"{problem}. {remedy[0].upper()}{remedy[1:]}."
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / Path(name).name
        path.write_bytes(data)
        try:
            _read(path)
        except InputError as error:
            return str(error).replace(f"{folder}{os.sep}", "")
    return None


def _read(path: Path) -> None:
    if is_sound(path.name):
        read_programme(ProgrammeSpec(path.stem, path))
    else:
        read_response(path)


def is_sound(name: str) -> bool:
    """Tell whether a file is an excerpt, by its ending; everything else is a table."""
    return Path(name).suffix.lower().lstrip(".") in SOUND_ENDINGS


def names_used_twice(names: Sequence[str]) -> list[str]:
    """Return the names that stand for two files: one would silently take the other's place."""
    return [name for name, n in Counter(Path(name).name for name in names).items() if n > 1]


def write_new_study(root: Path, new: NewStudy, files: Mapping[str, bytes]) -> None:
    """Write a study folder; all is checked before anything is written.

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
    if (root / "study.toml").exists():
        raise InputError(
            source="study.toml",
            problem="there is a study in this folder already",
            remedy="choose another folder",
        )
    tables = [name for stage in new.stages for name in stage.tables]
    _write(root, study_text(new), [*tables, *new.programmes], files)


def add_to_study(
    root: Path,
    files: Mapping[str, bytes],
    *,
    stages: Sequence[NewStage] = (),
    programmes: Sequence[str] = (),
) -> None:
    """Add stages and excerpts to a study that nobody has listened to yet.

    Parameters
    ----------
    root : Path
        Study folder.
    files : mapping of str to bytes
        Contents of the new files by name.
    stages : sequence of NewStage, optional
        New stages; tests of ``stages = "all"`` ask about them too.
    programmes : sequence of str, optional
        Names of new excerpts.

    Raises
    ------
    InputError
        If a file or entry is wrong, or somebody has begun to listen; nothing is written then.
    """
    text = (root / "study.toml").read_text(encoding="utf-8")
    there = study_from_text(text, path=root / "study.toml")
    for entries in _stage_entries(stages, [stage.id for stage in there.stages]):
        text = insert_table(text, "stages", entries)
    for entries in _programme_entries(programmes, [one.id for one in there.programmes]):
        text = insert_table(text, "programmes", entries)
    names = [*(table for stage in stages for table in stage.tables), *programmes]
    for name in names:
        if (root / _folder(name) / Path(name).name).exists():
            raise InputError(
                source=Path(name).name,
                problem=f"there is a file of this name in {_folder(name)} already",
                remedy="give the new file another name",
            )
    _write(root, text, names, files)


def _folder(name: str) -> str:
    return "programmes" if is_sound(name) else "responses"


def _write(root: Path, text: str, names: Sequence[str], files: Mapping[str, bytes]) -> None:
    """Put the files into the folder and save the text; on any error the folder stays as it was."""
    for name in names:
        fault = file_fault(name, files[name])
        if fault:
            raise InputError(problem=fault.rstrip("."), remedy="nothing was written")
    root.mkdir(parents=True, exist_ok=True)
    written: list[Path] = []
    made = [root / name for name in ("responses", "programmes") if not (root / name).exists()]
    try:
        for name in names:
            path = root / _folder(name) / Path(name).name
            path.parent.mkdir(exist_ok=True)
            written.append(path)
            path.write_bytes(files[name])
        save_study(root, text)
    except BaseException:
        for path in written:
            path.unlink(missing_ok=True)
        for folder in made:
            shutil.rmtree(folder, ignore_errors=True)
        raise
