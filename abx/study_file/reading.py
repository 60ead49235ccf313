"""Checks behind :func:`read_study`.

Each table of the file has one function here; :class:`abx.text.toml_reader.Reader` knows the lines.
"""

from __future__ import annotations

import difflib
import math
import re
import tomllib
from collections.abc import Callable, Mapping
from itertools import combinations
from pathlib import Path, PurePosixPath
from types import MappingProxyType
from typing import Any

from abx.errors import InputError
from abx.methods import Method, get_method, method_ids
from abx.study.model import (
    MAX_STUDY_BYTES,
    Groups,
    Plan,
    Programme,
    Stage,
    Study,
    TargetSource,
    TestPlan,
)
from abx.study.workspace import Workspace
from abx.study_file.claims import read_claims, read_groups, read_primary_metric
from abx.study_file.prices import read_amount, read_prices
from abx.study_file.sound import (
    MADE_MARK,
    add_region_runs,
    check_parents,
    read_made,
    read_playback_stage,
    read_rendering,
    read_sources,
)
from abx.text.files import read_utf8
from abx.text.names import id_fault, path_fault
from abx.text.shell import command_line
from abx.text.toml_lines import KeyPath, LazyLines
from abx.text.toml_reader import Reader, did_you_mean, show
from analysis.listeners.screening import parse_screening
from analysis.panels.smallest_effect import check_smallest_effect
from stimuli.response.target import BUILT_IN_TARGETS

__all__ = ["load_study", "parse_study", "read_study", "read_text", "study_from_text"]

_CHARTED = "Target"  # what charts call the target curve
_MAX_TRIALS = 1000
_MAX_STAGES = 64


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
    """Check the text of a study file; see :func:`study_from_text`."""
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
    files = _Files(None if path is None else path.parent, root.data)
    title = root.text("title")
    stages = add_region_runs(root, _read_stages(root, files))
    programmes = _read_programmes(root, files)
    tests = tuple(_read_test(table, stages) for table in root.tables("tests"))
    groups = read_groups(root)
    return Study(
        title=title,
        note=root.text("note", "", max_length=10_000, lines=True),
        target=_read_target(root, files),
        stages=stages,
        programmes=programmes,
        tests=tests,
        groups=groups,
        plan=_read_plan(root, stages, groups),
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


class _Files:
    """Paths of the study file: inside the folder, existing, POSIX style."""

    def __init__(self, folder: Path | None, data: Mapping[str, Any]) -> None:
        self.folder = folder
        self.data = data

    def check(self, name: str, fail: Callable[[str, str], InputError]) -> str:
        path = PurePosixPath(name.replace("\\", "/"))
        if "\0" in name or not name.strip():
            raise fail(f"{show(name)} is not a file name", "name a file in the study folder")
        if path.is_absolute() or ".." in path.parts or re.match(r"[A-Za-z]:", name):
            raise fail(
                f"'{name}' lies outside the study folder",
                "copy the file into the study folder and name it relative to that folder",
            )
        fault = path_fault(str(path))
        if fault is not None:
            raise fail(*fault)
        if self.folder is not None:
            full = self.folder / path
            if not full.resolve().is_relative_to(self.folder.resolve()):
                raise fail(
                    f"'{name}' is a link that leads outside the study folder",
                    "copy the file itself into the study folder",
                )
            if not full.is_file():
                others = self._others_missing(str(path))
                more = f", and {others} more that the study names are not there" if others else ""
                raise fail(f"there is no file '{name}'{more}", self._nearest(full))
        return str(path)

    def _others_missing(self, name: str) -> int:
        """Count further measured tables and excerpts that are named and not there."""
        named: set[str] = set()
        for table, key in (("stages", "responses"), ("programmes", "file")):
            entries = self.data.get(table)
            for entry in entries if isinstance(entries, list) else ():
                value = entry.get(key) if isinstance(entry, dict) else None
                listed = value if isinstance(value, list) else [value]
                named.update(other for other in listed if isinstance(other, str))
        assert self.folder is not None
        return sum(other != name and not (self.folder / other).is_file() for other in named)

    def _nearest(self, full: Path) -> str:
        try:
            names = [item.name for item in full.parent.iterdir()] if full.parent.is_dir() else []
        except OSError:
            names = []
        near = difflib.get_close_matches(full.name, names, n=1, cutoff=0.6)
        if near:
            return f"did you mean '{near[0]}'?"
        if full.parent.name == "responses":
            made = re.sub(r"-p\d+$", "", full.stem)
            how = f"measure it with '{command_line('measure', full.with_name(made))}'"
            return f"check the name, put the file there, or {how}"
        return "check the name, or put the file there"


def _read_id(table: Reader, seen: set[str]) -> str:
    value = table.text("id", max_length=1000)
    fault = id_fault(value)
    if fault is not None:
        raise table.error("id", *fault)
    if value in seen:
        raise table.error("id", f"'{value}' is used twice", "give each one an id of its own")
    seen.add(value)
    return value


def _read_stages(root: Reader, files: _Files) -> tuple[Stage, ...]:
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


def _read_stage(table: Reader, files: _Files, seen: set[str]) -> Stage:
    table.only(
        (
            *("id", "label", "responses", "right_responses", "again", "impulse", "made"),
            *("factors", "cost", "labour_h"),
        )
    )
    stage_id = _read_id(table, seen)
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


def _read_programmes(root: Reader, files: _Files) -> tuple[Programme, ...]:
    seen: set[str] = set()
    programmes = []
    for table in root.tables("programmes"):
        table.only(("id", "file", "start_s", "length_s", "mono"))
        length = table.number("length_s", low=0.5, high=7200) if "length_s" in table.data else None
        programmes.append(
            Programme(
                id=_read_id(table, seen),
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


def _read_target(root: Reader, files: _Files) -> TargetSource:
    value = root.data.get("target")
    if value is None:
        raise root.error(None, "'target' is missing", "add a line 'target = \"car-cabin\"'")
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
    if name not in BUILT_IN_TARGETS:
        problem = f"there is no built-in target '{name}'"
        raise root.error("target", problem, did_you_mean(name, BUILT_IN_TARGETS))
    return name


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


def _read_playback(root: Reader, files: _Files) -> str | None:
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


def _read_test(table: Reader, stages: tuple[Stage, ...]) -> TestPlan:
    method = get_method(table.choice("method", method_ids()))
    common = ("method", "pairs", "stages", "trials", "repeats", "controls", "practice")
    _refuse_foreign_options(table, method)
    table.only((*common, *method.option_keys))
    ids = tuple(stage.id for stage in stages)
    pairs, taking_part = _read_pairs(table, ids)
    identical, obvious = _read_controls(table)
    plan = TestPlan(
        method=method.id,
        pairs=pairs,
        stages=taking_part,
        trials=table.integer("trials", low=1, high=_MAX_TRIALS),
        repeats=table.integer("repeats", 0, low=0, high=_MAX_TRIALS),
        identical=identical,
        obvious=obvious,
        practice=table.integer("practice", method.default_practice, low=0, high=20),
        options=MappingProxyType(dict(method.read_options(table, ids))),
    )
    method.check_plan(plan, table)
    return plan


def _refuse_foreign_options(table: Reader, method: Method) -> None:
    """Name the method a key belongs to, where it is one of another method."""
    for key in set(table.data) - set(method.option_keys):
        owners = [name for name in method_ids() if key in get_method(name).option_keys]
        if owners:
            raise table.error(
                key,
                f"unknown key '{key}' for method '{method.id}'",
                f"remove it; it belongs to: {', '.join(owners)}",
            )


def _read_pairs(
    table: Reader, ids: tuple[str, ...]
) -> tuple[tuple[tuple[str, str], ...], tuple[str, ...]]:
    if ("pairs" in table.data) == ("stages" in table.data):
        raise table.error(
            None,
            "give either 'pairs' or 'stages'",
            'write pairs = [["one", "two"]] or stages = "all"',
        )
    if "stages" in table.data:
        taking_part = _read_taking_part(table, ids)
        return tuple(combinations(taking_part, 2)), taking_part
    value = table.data["pairs"]
    if not isinstance(value, list) or not value:
        raise table.error("pairs", f"{show(value)} is not a list", 'write [["one", "two"]]')
    pairs: list[tuple[str, str]] = []
    for index, pair in enumerate(value):
        pairs.append(_read_pair(table, index, pair, ids, pairs))
    used = {stage for pair in pairs for stage in pair}
    return tuple(pairs), tuple(stage for stage in ids if stage in used)


def _read_pair(
    table: Reader, index: int, pair: object, ids: tuple[str, ...], before: list[tuple[str, str]]
) -> tuple[str, str]:
    place: KeyPath = ("pairs", index)
    if not isinstance(pair, list) or len(pair) != 2 or not all(isinstance(s, str) for s in pair):
        raise table.at(place, f"{show(pair)} is not a pair", 'write ["one-stage", "other-stage"]')
    for part, stage in enumerate(pair):
        if stage not in ids:
            raise table.at((*place, part), f"there is no stage '{stage}'", did_you_mean(stage, ids))
    first, second = pair
    if first == second:
        raise table.at(
            place,
            f"'{first}' is paired with itself",
            "name two stages; identical pairs come from controls = { identical = 1 }",
        )
    if (first, second) in before or (second, first) in before:
        raise table.at(
            place,
            f"the pair '{first}', '{second}' is there twice",
            "list each pair once; both orders are played anyway",
        )
    return first, second


def _read_taking_part(table: Reader, ids: tuple[str, ...]) -> tuple[str, ...]:
    value = table.data["stages"]
    if value == "all":
        return ids
    if isinstance(value, str):
        raise table.error("stages", f"'{value}' is not known", 'write "all" or a list of stage ids')
    chosen = table.strings("stages", minimum=2)
    for index, stage in enumerate(chosen):
        if stage not in ids:
            raise table.at(
                ("stages", index), f"there is no stage '{stage}'", did_you_mean(stage, ids)
            )
        if stage in chosen[:index]:
            raise table.at(("stages", index), f"'{stage}' is there twice", "list each stage once")
    return tuple(stage for stage in ids if stage in chosen)


def _read_controls(table: Reader) -> tuple[int, int]:
    controls = table.table("controls")
    if controls is None:
        return 0, 0
    controls.only(("identical", "obvious"))
    return (
        controls.integer("identical", 0, low=0, high=20),
        controls.integer("obvious", 0, low=0, high=20),
    )


def _read_plan(root: Reader, stages: tuple[Stage, ...], groups: Groups | None) -> Plan:
    table = root.table("plan")
    if table is None:
        raise root.error(None, "no [plan] in the file", "add [plan] with 'listeners = 16'")
    table.only(
        (
            "listeners",
            "alpha",
            "stopping",
            "primary_metric",
            "break_after_min",
            "claims",
            "screening",
            "budgets",
            "counter_minutes",
            "familiarisation",
            "smallest_effect",
        )
    )
    return Plan(
        listeners=table.integer("listeners", low=1, high=10_000),
        alpha=table.number("alpha", 0.05, low=1e-6, high=0.5),
        stopping=table.choice("stopping", ("fixed",), "fixed"),
        primary_metric=read_primary_metric(table),
        break_after_min=table.number("break_after_min", 12.5, low=1.0, high=25.0),
        claims=read_claims(table, stages, groups),
        screening=_read_screening(table),
        budgets=_read_budgets(table),
        counter_minutes=table.number("counter_minutes", 5.0, low=2.0, high=25.0),
        familiarisation=table.boolean("familiarisation", True),
        smallest_effect=_read_smallest_effect(table),
    )


def _read_smallest_effect(table: Reader) -> float | None:
    if "smallest_effect" not in table.data:
        return None
    points = table.number("smallest_effect")
    try:
        check_smallest_effect(points)
    except InputError as error:
        raise table.error("smallest_effect", error.problem, error.remedy or "") from error
    return points


def _read_screening(table: Reader) -> str | None:
    if "screening" not in table.data:
        return None
    rule = table.text("screening")
    try:
        return parse_screening(rule).text
    except InputError as error:
        raise table.error("screening", error.problem, error.remedy or "") from error


def _read_budgets(table: Reader) -> tuple[float, ...]:
    budgets = table.data.get("budgets", [])
    if not isinstance(budgets, list):
        raise table.error("budgets", f"{show(budgets)} is not a list", "write [500, 1000]")
    for index, amount in enumerate(budgets):
        if isinstance(amount, bool) or not isinstance(amount, int | float) or not amount > 0:
            raise table.at(
                ("budgets", index), f"{show(amount)} is not an amount", "write numbers above 0"
            )
    return tuple(float(amount) for amount in budgets)


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
