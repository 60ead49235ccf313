"""Recompute everything a study rests on and say in words what holds.

Nothing is trusted that can be measured or computed again: the stimulus files, the
schedule from its seed, the chain of the answer log, the exported tables, the results.
"""

from __future__ import annotations

import json
import math
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from abx.steps import analyse_tables, check_stimuli, load_manifest, load_study, open_sessions
from abx.verify_log import Finding, verify_log
from abx.workspace import Area, Workspace
from stimuli.files.errors import InputError

__all__ = ["Finding", "recheck"]

Progress = Callable[[int, int, str], None]

# Results computed again on another machine differ in the last digits of linear algebra.
_RELATIVE_TOLERANCE = 1e-6
_ABSOLUTE_TOLERANCE = 1e-9
_MOST_DIFFERENCES_NAMED = 3


def recheck(
    workspace: Workspace,
    area: Area,
    *,
    database: str | None = None,
    expected_head: str | None = None,
    progress: Progress | None = None,
) -> list[Finding]:
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
    list of Finding
        Every check, passed or not.
    """
    load_study(workspace)  # a study file that cannot be read ends the check here
    findings = [Finding("study file", True, "the study file is complete and consistent")]
    if workspace.partial:
        words = "the sound was not passed on: stimuli are known by their hashes only"
        findings.append(Finding("sound", True, words))
    else:
        outcome = check_stimuli(workspace, progress)
        findings += [Finding(c.name, bool(c.passed), c.words) for c in outcome.checks]
    if database is None and not area.database.is_file():
        return [*findings, Finding("answers", True, "nobody has been asked yet: no answers")]
    findings += _log_findings(workspace, area, database, expected_head)
    findings += _table_findings(workspace, area, database)
    findings += _stage_findings(workspace, area)
    findings += _programme_findings(workspace, area)
    findings += _result_findings(workspace, area, database)
    return findings


def _log_findings(
    workspace: Workspace, area: Area, database: str | None, expected_head: str | None
) -> list[Finding]:
    from abx.store import open_store

    store = open_store(area.database_url(database))
    try:
        return verify_log(
            store,
            load_study(workspace),
            load_manifest(workspace),
            workspace.stimuli,
            expected_head=expected_head,
            with_sound=not workspace.partial,
        )
    finally:
        store.close()


def _table_findings(workspace: Workspace, area: Area, database: str | None) -> list[Finding]:
    """Hold the exported trial table against the log."""
    from abx.errors import SHOWN, StillOpen
    from abx.export import trial_rows, write_table

    exported = area.result("trials.csv")
    if not exported.is_file():
        return []
    try:
        sessions = open_sessions(workspace, area, database=database)
    except SHOWN as error:
        return [Finding("trials.csv", False, f"trials.csv: {error}")]
    try:
        rows = trial_rows(sessions.store, load_study(workspace))
    except StillOpen:
        return []
    except SHOWN as error:
        return [Finding("trials.csv", False, f"trials.csv: {error}")]
    finally:
        sessions.store.close()
    return _same_table(area, "trials.csv", "the log", lambda path: write_table(rows, path))


def _same_table(
    area: Area, name: str, origin: str, write: Callable[[Path], object]
) -> list[Finding]:
    """Compare an exported table, byte for byte, with the same table made again."""
    exported = area.result(name)
    if not exported.is_file():
        return []
    with tempfile.TemporaryDirectory() as folder:
        again = Path(folder) / name
        try:
            write(again)
        except InputError as error:
            return [Finding(name, False, f"{name} cannot be made again from {origin}: {error}")]
        same = again.read_bytes() == exported.read_bytes()
    words = f"comes out of {origin} again" if same else f"differs from {origin}; export it again"
    return [Finding(name, same, f"{name} {words}")]


def _stage_findings(workspace: Workspace, area: Area) -> list[Finding]:
    """Make the stage table again from the measured responses."""
    from abx.evidence import stage_table
    from abx.export import write_table

    return _same_table(
        area,
        "stages.csv",
        "the responses",
        lambda path: write_table(stage_table(workspace, load_study(workspace)), path),
    )


def _programme_findings(workspace: Workspace, area: Area) -> list[Finding]:
    """Make the programme table again from the responses and the excerpts."""
    from abx.export import write_table
    from abx.hearing import programme_figures

    name = "programmes.csv"
    if workspace.partial:
        words = "the sound was not passed on: the figures by programme were not made again"
        return [Finding(name, True, words)]
    return _same_table(
        area,
        name,
        "responses and programmes",
        lambda path: write_table(programme_figures(workspace, load_study(workspace)), path),
    )


def _result_findings(workspace: Workspace, area: Area, database: str | None) -> list[Finding]:
    """Analyse the exported tables again and compare every number and verdict."""
    file = area.result("results.json")
    if not file.is_file():
        return []
    try:
        kept = json.loads(file.read_text(encoding="utf-8"))
    except ValueError as error:
        return [Finding("results.json", False, f"results.json cannot be read: {error}")]
    again = analyse_tables(workspace, area, database=database)
    differences = list(_differences(kept, json.loads(json.dumps(again)), ""))
    if not differences:
        words = "results.json: every number and verdict comes out again"
        return [Finding("results.json", True, words)]
    named = "; ".join(differences[:_MOST_DIFFERENCES_NAMED])
    more = len(differences) - _MOST_DIFFERENCES_NAMED
    tail = f"; and {more} more" if more > 0 else ""
    return [Finding("results.json", False, f"results.json differs: {named}{tail}")]


def _differences(kept: Any, again: Any, path: str) -> Iterator[str]:
    if path.startswith("about.software"):
        return  # versions may differ from machine to machine; results may not
    if isinstance(kept, dict) and isinstance(again, dict):
        for key in kept.keys() | again.keys():
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
    return text if len(text) <= 40 else f"{text[:37]}..."
