"""Checks behind :func:`read_study`.

Each table of the file has one function here; :class:`abx.text.toml_reader.Reader` knows the lines.
"""

from __future__ import annotations

import math
import re
import tomllib
from pathlib import Path
from typing import Any

from abx.errors import InputError
from abx.study.model import MAX_STUDY_BYTES, Programme, Stage, Study, TargetSource
from abx.study.workspace import Workspace
from abx.study_file.claims import read_groups
from abx.study_file.paths import StudyFiles
from abx.study_file.plan import read_plan
from abx.study_file.prices import read_prices
from abx.study_file.questions import read_test
from abx.study_file.sound import add_region_runs, read_playback_stage, read_rendering
from abx.study_file.stages import read_id, read_stages
from abx.text.files import read_utf8
from abx.text.toml_lines import LazyLines
from abx.text.toml_reader import Reader, did_you_mean, show
from stimuli.response.target import BUILT_IN_TARGETS, current_name

__all__ = ["load_study", "parse_study", "read_study", "read_text", "study_from_text"]


def read_text(file: Path) -> str:
    """Read a study file as UTF-8, refusing what cannot be one.

    Raises
    ------
    InputError
        If the file is missing, too large or not UTF-8.
    """
    return read_utf8(
        file,
        kind="a study file",
        most_bytes=MAX_STUDY_BYTES,
        too_large="check that this is the study file and not an audio file",
        missing="check the path, or start a study with 'earwitness new'",
    )


def parse_study(text: str, *, path: Path | None = None) -> Study:
    """Check the text of a study file; see :func:`study_from_text`.

    Raises
    ------
    InputError
        If anything in the text is wrong.
    """
    source = "study.toml" if path is None else path.name
    root = Reader(_load(text, source), (), LazyLines(text), source)
    root.only(
        (
            *("format", "title", "target", "note", "stages", "programmes", "playback"),
            *("region_runs", "rendering", "groups", "prices", "tests", "plan"),
        )
    )
    if root.integer("format", low=0, high=999) != 1:
        raise root.error(
            "format",
            f"format {root.data['format']} is not known to this version",
            "write 'format = 1', or use a newer version of earwitness",
        )
    files = StudyFiles(None if path is None else path.parent, root.data)
    title = root.text("title")
    stages = add_region_runs(root, read_stages(root, files))
    programmes = _read_programmes(root, files)
    tests = tuple(read_test(table, stages) for table in root.tables("tests"))
    groups = read_groups(root)
    return Study(
        title=title,
        note=root.text("note", "", max_length=10_000, lines=True),
        target=_read_target(root, files),
        stages=stages,
        programmes=programmes,
        tests=tests,
        groups=groups,
        plan=read_plan(root, stages, groups),
        playback_response=_read_playback(root, files),
        path=path,
        text=text,
        playback_level_dba=_read_playback_level(root),
        playback_stage=_read_playback_stage(root, stages),
        rendering=read_rendering(root),
        prices=read_prices(root, stages),
    )


def _load(text: str, source: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        message, place = _split_toml_message(str(error), text)
        raise InputError(
            source=source,
            where=place,
            problem=message,
            remedy="correct the line; texts need quotation marks, lists need square brackets",
        ) from error
    except (RecursionError, ValueError) as error:
        raise InputError(
            source=source,
            problem="the file is nested too deeply or holds a number that cannot be read",
            remedy="compare it with the study file that 'earwitness new' writes",
        ) from error


def _split_toml_message(message: str, text: str) -> tuple[str, str]:
    found = re.search(r"^(.*?) \(at line (\d+), column (\d+)\)$", message, re.DOTALL)
    if found:
        return found[1], f"line {found[2]}, column {found[3]}"
    words = message.replace(" (at end of document)", "")
    return words, f"line {max(text.count(chr(10)), 0) + 1}, the end of the file"


def _read_programmes(root: Reader, files: StudyFiles) -> tuple[Programme, ...]:
    seen: set[str] = set()
    programmes = []
    for table in root.tables("programmes"):
        table.only(("id", "file", "start_s", "length_s", "mono"))
        length = table.number("length_s", low=0.5, high=7200) if "length_s" in table.data else None
        programmes.append(
            Programme(
                id=read_id(table, seen),
                file=files.check(
                    table.text("file", max_length=400),
                    table.failing("file"),
                ),
                start_s=table.number("start_s", 0.0, low=0.0, high=86_400),
                length_s=length,
                mono=table.boolean("mono", False),
            )
        )
    return tuple(programmes)


def _read_target(root: Reader, files: StudyFiles) -> TargetSource:
    value = root.data.get("target")
    if value is None:
        raise root.error(None, "'target' is missing", "add a line 'target = \"house-curve\"'")
    if isinstance(value, str):
        return TargetSource(name=_built_in(root, value))
    table = root.table("target")
    assert table is not None
    table.only(("file", "points"))
    if len(table.data) != 1:
        raise root.error("target", "neither or both of file and points", "give one of the two")
    if "file" in table.data:
        name = table.text("file", max_length=400)
        return TargetSource(file=files.check(name, table.failing("file")))
    return TargetSource(points=_read_points(table))


def _built_in(root: Reader, name: str) -> str:
    known = current_name(name)
    if known not in BUILT_IN_TARGETS:
        problem = f"there is no built-in target '{name}'"
        raise root.error("target", problem, did_you_mean(name, BUILT_IN_TARGETS))
    return known


def _read_points(table: Reader) -> tuple[tuple[float, float], ...]:
    points: list[tuple[float, float]] = []
    value = table.data["points"]
    if not isinstance(value, list) or len(value) < 2:
        raise table.error("points", "fewer than two points", "write [[25, 6.0], [200, 0.0]]")
    for index, point in enumerate(value):
        good = isinstance(point, list) and len(point) == 2 and all(map(_is_finite, point))
        if not good or point[0] <= 0:
            raise table.at(
                ("points", index),
                f"{show(point)} is not a point",
                "write [frequency in Hz above 0, level in dB]",
            )
        if points and point[0] <= points[-1][0]:
            raise table.at(
                ("points", index),
                f"{point[0]} Hz does not ascend",
                "sort the points by frequency, each frequency once",
            )
        points.append((float(point[0]), float(point[1])))
    return tuple(points)


def _is_finite(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def _read_playback(root: Reader, files: StudyFiles) -> str | None:
    table = root.table("playback")
    if table is None:
        return None
    table.only(("response", "stage", "level_dba"))
    if not table.data:
        raise table.error(None, "[playback] says nothing", "give response or stage, or level_dba")
    if "response" not in table.data:
        return None
    name = table.text("response", max_length=400)
    return files.check(name, table.failing("response"))


def _read_playback_stage(root: Reader, stages: tuple[Stage, ...]) -> str | None:
    table = root.table("playback")
    return None if table is None else read_playback_stage(table, stages)


def _read_playback_level(root: Reader) -> float | None:
    table = root.table("playback")
    if table is None or "level_dba" not in table.data:
        return None
    return table.number("level_dba", low=30.0, high=130.0)


def read_study(path: str | Path) -> Study:
    """Read and check a study file.

    Parameters
    ----------
    path : str or Path
        ``study.toml`` or the folder that holds it.

    Returns
    -------
    Study
        Frozen; equal text gives an equal study.

    Raises
    ------
    InputError
        If anything in the file is wrong; names line, field, value and remedy.
    """
    file = Path(path)
    if file.is_dir():
        file = file / "study.toml"
    return study_from_text(read_text(file), path=file)


def study_from_text(text: str, *, path: Path | None = None) -> Study:
    """Check the text of a study file.

    Parameters
    ----------
    text : str
        TOML.
    path : Path, optional
        Where it came from; without it files are not looked for.

    Raises
    ------
    InputError
        As :func:`read_study`.
    """
    return parse_study(text, path=path)


def load_study(workspace: Workspace) -> Study:
    """Read and validate ``study.toml``."""
    if workspace.partial:
        return study_from_text(workspace.study_file.read_text(encoding="utf-8"))
    return read_study(workspace.study_file)
