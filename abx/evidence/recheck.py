"""Recompute everything a study rests on and say in words what holds.

Nothing is trusted that can be measured or computed again: the stimulus files, the
schedule from its seed, the chain of the answer log, the exported tables, the results.
"""

from __future__ import annotations

import csv
import io
import json
import math
import re
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

from abx.errors import SHOWN, StillOpen
from abx.evidence.collect import stage_table
from abx.evidence.export import trial_rows, write_table
from abx.evidence.findings import CheckOutcome, check, note, told
from abx.evidence.log_check import check_log
from abx.evidence.results import analyse_tables
from abx.session.panels import open_sessions
from abx.sound.audibility import programme_figures
from abx.sound.stimuli import check_stimuli, load_manifest
from abx.store import open_store
from abx.study.workspace import Area, Workspace
from abx.study_file.reading import load_study
from analysis.link.programmes import read_programmes
from analysis.results.whole import Results
from analysis.tables.stages import read_stages
from analysis.tables.trials import read_trials
from stimuli.files.errors import InputError

__all__ = ["CheckOutcome", "check_study"]

Progress = Callable[[int, int, str], None]

# Results computed again on another machine differ in the last digits of linear algebra.
_RELATIVE_TOLERANCE = 1e-6
_ABSOLUTE_TOLERANCE = 1e-9
_VERDICT = re.compile(r"claims\[\d+\]\.verdict ")


def check_study(
    workspace: Workspace,
    area: Area,
    *,
    database: str | None = None,
    expected_head: str | None = None,
    progress: Progress | None = None,
) -> list[CheckOutcome]:
    """Check stimuli, log, tables and results of a panel.

    Parameters
    ----------
    workspace : Workspace
        The study.
    area : Area
        The panel: real or rehearsal. A study nobody has answered is checked as far as
        it goes: study file and stimuli.
    database : str, optional
        Database URL when not the SQLite file of the area.
    expected_head : str, optional
        Hash of the log's last row as noted elsewhere.
    progress : callable, optional
        ``progress(done, total, what)``.

    Returns
    -------
    list of CheckOutcome
        Every check, passed or not, and notes on what cannot be known from here.

    Raises
    ------
    InputError
        If the study file cannot be read, or nothing has been rendered yet.
    StoreError
        If the database cannot be read or holds no study.
    """
    load_study(workspace)  # a study file that cannot be read ends the check here
    if not (workspace.stimuli / "manifest.json").is_file():
        load_manifest(workspace)  # says that there is nothing to check yet
    root = workspace.root
    findings = [CheckOutcome("study file", True, "the study file is complete and consistent")]
    findings += _part("sound", root, lambda: _sound_findings(workspace, progress))
    if database is None and not area.database.is_file():
        return [*findings, note("answers", "nobody has been asked yet: no answers")]
    findings += _part(
        "chain", root, lambda: _log_findings(workspace, area, database, expected_head)
    )
    findings += _part("trials.csv", root, lambda: _table_findings(workspace, area, database))
    findings += _part("stages.csv", root, lambda: _stage_findings(workspace, area))
    findings += _part("programmes.csv", root, lambda: _programme_findings(workspace, area))
    unread = list(_unreadable_tables(area, root))
    findings += unread
    unreadable = [finding.name for finding in unread]
    findings += _part(
        "results.json", root, lambda: _result_findings(workspace, area, database, unreadable)
    )
    return findings


def _part(name: str, root: Path, work: Callable[[], list[CheckOutcome]]) -> list[CheckOutcome]:
    """Run a part of the check; input that stops it is its finding, and the others still run."""
    try:
        return work()
    except InputError as error:
        return [CheckOutcome(name, False, told(error, root))]


def _sound_findings(workspace: Workspace, progress: Progress | None) -> list[CheckOutcome]:
    if workspace.partial:
        words = "the sound was not passed on: stimuli are known by their hashes only"
        return [note("sound", words)]
    outcome = check_stimuli(workspace, progress)
    return [CheckOutcome(c.name, bool(c.passed), c.words) for c in outcome.checks]


def _log_findings(
    workspace: Workspace, area: Area, database: str | None, expected_head: str | None
) -> list[CheckOutcome]:
    store = open_store(area.database_url(database))
    try:
        return check_log(
            store,
            load_study(workspace),
            load_manifest(workspace),
            workspace.stimuli,
            expected_head=expected_head,
            with_sound=not workspace.partial,
        )
    finally:
        store.close()


def _table_findings(workspace: Workspace, area: Area, database: str | None) -> list[CheckOutcome]:
    """Hold the exported trial table against the log."""
    exported = area.result("trials.csv")
    if not exported.is_file():
        return []
    try:
        sessions = open_sessions(workspace, area, database=database)
    except SHOWN as error:
        return [CheckOutcome("trials.csv", False, f"trials.csv: {told(error, workspace.root)}")]
    try:
        rows = trial_rows(sessions.store, load_study(workspace))
    except StillOpen:
        return []
    except SHOWN as error:
        return [CheckOutcome("trials.csv", False, f"trials.csv: {told(error, workspace.root)}")]
    finally:
        sessions.store.close()
    return _same_table(
        workspace, area, "trials.csv", "the log", lambda path: write_table(rows, path)
    )


def _same_table(
    workspace: Workspace, area: Area, name: str, origin: str, write: Callable[[Path], object]
) -> list[CheckOutcome]:
    """Compare an exported table, byte for byte, with the same table made again."""
    exported = area.result(name)
    if not exported.is_file():
        return []
    with tempfile.TemporaryDirectory() as folder:
        again = Path(folder) / name
        try:
            write(again)
        except InputError as error:
            words = f"{name} cannot be made again from {origin}: {told(error, workspace.root)}"
            return [CheckOutcome(name, False, words)]
        kept, made = exported.read_bytes(), again.read_bytes()
    if kept == made:
        return [CheckOutcome(name, True, f"{name} comes out of {origin} again")]
    place = _first_difference(kept, made)
    return [CheckOutcome(name, False, f"{name} differs from {origin}{place}; export it again")]


def _first_difference(kept: bytes, made: bytes) -> str:
    """Name the first cell in which two tables differ; nothing where it is no matter of cells."""
    try:
        ours, theirs = (list(csv.reader(io.StringIO(text.decode()))) for text in (made, kept))
    except (UnicodeDecodeError, csv.Error):
        return ""
    for line, (cells, right) in enumerate(zip(theirs, ours, strict=False), start=1):
        if len(cells) != len(right):
            return f" (line {line}: {len(cells)} cells, not {len(right)})"
        for column, cell, due in zip(ours[0], cells, right, strict=False):
            if cell != due:
                return f" (line {line}, column {column}: {_short(cell)}, not {_short(due)})"
    return f" ({len(theirs)} lines, not {len(ours)})" if len(theirs) != len(ours) else ""


def _unreadable_tables(area: Area, root: Path) -> Iterator[CheckOutcome]:
    """Read the tables that the results were computed from; name the cell that cannot be read."""
    readers: dict[str, Callable[[Path], object]] = {
        "trials.csv": read_trials,
        "stages.csv": read_stages,
        "programmes.csv": read_programmes,
    }
    for name, read in readers.items():
        file = area.result(name)
        if file.is_file():
            try:
                read(file)
            except InputError as error:
                yield CheckOutcome(name, False, told(error, root))


def _stage_findings(workspace: Workspace, area: Area) -> list[CheckOutcome]:
    """Make the stage table again from the measured responses."""
    return _same_table(
        workspace,
        area,
        "stages.csv",
        "the responses",
        lambda path: write_table(stage_table(workspace, load_study(workspace)), path),
    )


def _programme_findings(workspace: Workspace, area: Area) -> list[CheckOutcome]:
    """Make the programme table again from the responses and the excerpts."""
    name = "programmes.csv"
    if workspace.partial:
        words = "the sound was not passed on: the figures by programme were not made again"
        return [note(name, words)]
    return _same_table(
        workspace,
        area,
        name,
        "responses and programmes",
        lambda path: write_table(programme_figures(workspace, load_study(workspace)), path),
    )


def _result_findings(
    workspace: Workspace, area: Area, database: str | None, unreadable: list[str]
) -> list[CheckOutcome]:
    """Analyse the exported tables again and compare every number and verdict."""
    file = area.result("results.json")
    if not file.is_file():
        return []
    try:
        kept = json.loads(file.read_text(encoding="utf-8"))
    except (ValueError, RecursionError) as error:
        return [CheckOutcome("results.json", False, f"results.json cannot be read: {error}")]
    if unreadable:
        words = f"results.json was not computed again: {' and '.join(unreadable)} cannot be read"
        return [CheckOutcome("results.json", False, words)]
    return list(_compared(kept, analyse_tables(workspace, area, database=database)))


def _compared(kept: Any, again: Results) -> Iterator[CheckOutcome]:
    """Compare results with the same computed again: first the verdicts, then every number."""
    verdicts = list(_verdict_faults(kept, again))
    if again.claims:
        n = len(again.claims)
        words = f"results.json: the verdict on each of {n} claims comes out again"
        yield check("claims", verdicts, words)
    numbers = [path for path in _differences(kept, again.to_dict(), "") if not _VERDICT.match(path)]
    faults = sorted(numbers, key=lambda path: not path.startswith("claims"))
    rest = "every other number" if verdicts else "every number"
    found = check("results.json", faults, f"results.json: {rest} and verdict comes out again")
    yield found if found.passed else replace(found, words=f"results.json differs: {found.words}")


def _verdict_faults(kept: Any, again: Results) -> Iterator[str]:
    """Name each claim whose verdict is not the one that its answers give."""
    rows = kept.get("claims") if isinstance(kept, dict) else None
    claims = [row for row in rows if isinstance(row, dict)] if isinstance(rows, list) else []
    stored = {str(row.get("text")): row.get("verdict") for row in claims}
    for claim in again.claims:
        text, due = claim.text, claim.verdict
        if text not in stored:
            yield f"results.json leaves out the claim {_short(text)}: it is {due}"
        elif stored[text] != due:
            found = stored[text]
            yield f"results.json calls the claim {_short(text)} {found}; its answers say {due}"
    known = {claim.text for claim in again.claims}
    for text in stored.keys() - known:
        yield f"results.json holds a claim that the plan does not: {_short(text)}"


def _differences(kept: Any, again: Any, path: str) -> Iterator[str]:
    if path.startswith("about.software"):
        return  # versions may differ from machine to machine; results may not
    if isinstance(kept, dict) and isinstance(again, dict):
        for key in {**kept, **again}:
            yield from _differences(kept.get(key), again.get(key), f"{path}.{key}".lstrip("."))
    elif isinstance(kept, list) and isinstance(again, list) and len(kept) == len(again):
        for index, (one, other) in enumerate(zip(kept, again, strict=True)):
            yield from _differences(one, other, f"{path}[{index}]")
    elif not _same(kept, again):
        yield f"{path} is {_short(kept)}, recomputed {_short(again)}"


def _same(one: Any, other: Any) -> bool:
    numbers = (int, float)
    if isinstance(one, bool) or isinstance(other, bool):
        return bool(one is other)
    if isinstance(one, numbers) and isinstance(other, numbers):
        return math.isclose(one, other, rel_tol=_RELATIVE_TOLERANCE, abs_tol=_ABSOLUTE_TOLERANCE)
    return bool(one == other)


def _short(value: Any) -> str:
    text = json.dumps(value, ensure_ascii=False)
    return text if len(text) <= 80 else f"{text[:77]}..."
