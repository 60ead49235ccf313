"""The steps of a study, one function each: render, check, rehearse, export, analyse, report.

The commands and the screens call these; each step reads what the one before it wrote
and leaves earlier results untouched unless it succeeds.
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from abx.errors import InputError
from abx.shell import command_line
from abx.workspace import Area, Workspace, replace_file

if TYPE_CHECKING:
    from abx.session import Sessions
    from abx.study import Study
    from stimuli.render.check import Check, SetCheck
    from stimuli.render.manifest import Manifest
    from stimuli.response.measured import StageResponse

__all__ = [
    "POWER_STUDIES",
    "analyse_panel",
    "analyse_tables",
    "check_stimuli",
    "export_panel",
    "load_manifest",
    "load_stages",
    "load_study",
    "open_panel",
    "open_sessions",
    "refuse_stale_sound",
    "rehearse",
    "render",
    "stimuli_check",
    "write_json",
    "write_reports",
]

Progress = Callable[[int, int, str], None]

POWER_STUDIES = 100
"""Simulated studies behind what a study as run could have noticed, up to ten stages."""
_QUICK_STAGES, _MOST_STAGES = 10, 30


def load_study(workspace: Workspace) -> Study:
    """Read and validate ``study.toml``."""
    from abx.study import read_study, study_from_text

    if workspace.partial:
        return study_from_text(workspace.study_file.read_text(encoding="utf-8"))
    return read_study(workspace.study_file)


def load_stages(workspace: Workspace, study: Study) -> dict[str, StageResponse]:
    """Read each stage's response tables and average them over positions.

    Returns
    -------
    dict of str to StageResponse
        By stage id, in the order of the study file.
    """
    from abx.stage_sound import stage_tables
    from stimuli.response.measured import power_average

    return {name: power_average(found) for name, found in stage_tables(workspace, study).items()}


def render(workspace: Workspace, progress: Progress | None = None) -> Manifest:
    """Render the study's stimuli into ``stimuli/``; an earlier set stays on failure."""
    from abx.stage_sound import filter_choices, playback_response, stage_specs
    from stimuli.programme.reading import ProgrammeSpec
    from stimuli.render.sets import render_set

    study = load_study(workspace)
    return render_set(
        stage_specs(workspace, study),
        [
            ProgrammeSpec(
                p.id, workspace.root / p.file, start_s=p.start_s, length_s=p.length_s, mono=p.mono
            )
            for p in study.programmes
        ],
        workspace.stimuli,
        playback=playback_response(workspace, study),
        boost_cap_db=study.rendering.boost_cap_db,
        choices=filter_choices(study),
        loudness_model=study.rendering.loudness_model,
        listening_level_db=study.rendering.listening_level_db,
        progress=progress,
    )


def check_stimuli(workspace: Workspace, progress: Progress | None = None) -> SetCheck:
    """Measure the rendered files back and keep the figures beside the set."""
    from abx.opening import manifest_hash
    from stimuli.render.check import verify_set

    load_manifest(workspace)
    outcome = verify_set(workspace.stimuli, progress=progress)
    write_json(
        workspace.stimuli_check,
        {
            "manifest_sha256": manifest_hash(workspace.stimuli),
            "passed": bool(outcome.passed),
            "checks": [_check_record(check) for check in outcome.checks],
        },
    )
    return outcome


def stimuli_check(workspace: Workspace, progress: Progress | None = None) -> list[dict[str, Any]]:
    """Return the figures of the last check of this very set; measure if there is none."""
    from abx.opening import manifest_hash

    if workspace.stimuli_check.is_file():
        kept = json.loads(workspace.stimuli_check.read_text(encoding="utf-8"))
        if kept.get("manifest_sha256") == manifest_hash(workspace.stimuli):
            return list(kept["checks"])
    return [_check_record(check) for check in check_stimuli(workspace, progress).checks]


def _check_record(check: Check) -> dict[str, Any]:
    return {
        "name": check.name,
        "passed": bool(check.passed),
        "figure": _finite(check.figure),
        "limit": _finite(check.limit),
        "words": check.words,
    }


def _finite(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None


def load_manifest(workspace: Workspace) -> Manifest:
    """Read the stimulus manifest.

    Raises
    ------
    InputError
        If the stimuli were never rendered.
    """
    from stimuli.render.manifest import read_manifest

    path = workspace.stimuli / "manifest.json"
    if not path.is_file():
        raise InputError(
            source=str(path),
            problem="the stimuli of this study are not rendered yet",
            remedy=f"run '{command_line('render', workspace.root)}' first",
        )
    return read_manifest(path)


def refuse_stale_sound(workspace: Workspace) -> None:
    """Refuse stimuli that were rendered from other files or settings than the study names now.

    Raises
    ------
    InputError
        If a stage or programme was added, or a table, an excerpt, the playback response or
        ``[rendering]`` changed, after rendering.
    """
    study, manifest = load_study(workspace), load_manifest(workspace)
    changed = [
        *_changed_stages(workspace, study, manifest),
        *_changed_programmes(workspace, study, manifest),
        *_changed_settings(workspace, study, manifest),
    ]
    if changed:
        raise InputError(
            source=str(workspace.stimuli),
            problem=f"the stimuli were rendered before this was added or changed: "
            f"{', '.join(changed)}",
            remedy=f"run '{command_line('render', workspace.root)}'",
        )


def _changed_stages(workspace: Workspace, study: Study, manifest: Manifest) -> list[str]:
    rendered = {stage.id: stage.sha256 for stage in manifest.stages}
    return [
        f"stage {name}"
        for name, response in load_stages(workspace, study).items()
        if rendered.get(name) != response.sha256
    ]


def _changed_programmes(workspace: Workspace, study: Study, manifest: Manifest) -> list[str]:
    from stimuli.programme.reading import file_sha256

    heard = {
        programme.id: (programme.sha256, programme.start_s) for programme in manifest.programmes
    }
    return [
        f"programme {programme.id}"
        for programme in study.programmes
        if heard.get(programme.id)
        != (file_sha256(workspace.root / programme.file), programme.start_s)
    ]


def _changed_settings(workspace: Workspace, study: Study, manifest: Manifest) -> list[str]:
    """Name what shaped the sound beside stages and programmes and is different now."""
    from dataclasses import asdict

    from abx.stage_sound import filter_choices, playback_response

    playback = playback_response(workspace, study)
    chosen, rendered = asdict(filter_choices(study)), manifest.filter_choices
    changed = [key for key in chosen if rendered and rendered.get(key) != chosen[key]]
    if manifest.matched_in != study.rendering.loudness_model:
        changed.append("loudness_model")
    if manifest.listening_level_db != study.rendering.listening_level_db:
        changed.append("listening_level_db")
    named = [f"{key} in [rendering]" for key in changed]
    if manifest.playback_sha256 != (playback.sha256 if playback else ()):
        named.append("the playback response")
    return named


def open_panel(workspace: Workspace, *, database: str | None = None) -> Sessions:
    """Open a study to people: draw and seal its schedule. Opening twice changes nothing.

    Returns
    -------
    Sessions
        Its ``store`` is the caller's to close.

    Raises
    ------
    InputError
        If the stimuli are missing, stale, or failed their check.
    """
    from abx.study_edit import under_way

    if not under_way(workspace):
        refuse_stale_sound(workspace)
        failed = [check["name"] for check in stimuli_check(workspace) if not check["passed"]]
        if failed:
            raise InputError(
                source=str(workspace.stimuli),
                problem=f"the stimuli did not pass their check ({', '.join(failed[:3])})",
                remedy=f"run '{command_line('render', workspace.root)}' and read what it says",
            )
    return open_sessions(workspace, workspace.live, database=database, create=True)


def open_sessions(
    workspace: Workspace,
    area: Area,
    *,
    database: str | None = None,
    create: bool = False,
    seed: bytes | None = None,
) -> Sessions:
    """Open the service that runs a panel's sessions; its ``store`` is the caller's to close.

    Parameters
    ----------
    workspace, area : Workspace, Area
        The study and the panel.
    database : str, optional
        Database URL when not the SQLite file of the area.
    create : bool, optional
        Open the study to this panel when nobody has yet; else that is an error.
    seed : bytes, optional
        Schedule seed of a rehearsal; for people it is drawn when the study is opened.

    Raises
    ------
    InputError
        If there are no answers to read and ``create`` is false.
    """
    from abx.session import Sessions
    from abx.store import open_store

    study = load_study(workspace)
    manifest = load_manifest(workspace)
    if not area.rehearsal and not create and database is None and not area.database.is_file():
        raise InputError(
            source=str(area.root),
            problem="nobody has been asked yet: there are no answers of people",
            remedy=f"open the study with '{command_line('serve', workspace.root)}'; the simulated "
            f"panel is looked at with '{command_line('report', workspace.root, '--rehearsal')}'",
        )
    if area.rehearsal and not create and not area.database.is_file():
        raise InputError(
            source=str(area.root),
            problem="there is no rehearsal",
            remedy=f"run '{command_line('simulate', workspace.root)}'",
        )
    area.root.mkdir(parents=True, exist_ok=True)
    store = open_store(area.database_url(database))
    try:
        return Sessions(store, study, manifest, workspace.stimuli, seed=seed)
    except BaseException:
        store.close()
        raise


def rehearse(
    workspace: Workspace, *, n_listeners: int, seed: int, progress: Progress | None = None
) -> Area:
    """Run simulated listeners through the real schedule and store.

    Parameters
    ----------
    workspace : Workspace
        The study.
    n_listeners : int
        Size of the simulated panel.
    seed : int
        Seed of the rehearsal: its schedule and the behaviour of its listeners. It has
        nothing to do with the seed that is drawn for people.
    progress : callable, optional
        ``progress(done, total, what)``.

    Returns
    -------
    Area
        The rehearsal, closed. An earlier rehearsal is replaced only on success.
    """
    from abx.simulate import run_panel

    schedule_seed = hashlib.sha256(f"rehearsal {seed}".encode()).digest()
    with workspace.fresh_rehearsal() as area:
        sessions = open_sessions(workspace, area, create=True, seed=schedule_seed)
        try:
            run_panel(sessions, n_listeners=n_listeners, seed=seed, progress=progress)
            sessions.close()
        finally:
            sessions.store.close()
    return workspace.rehearsal


def export_panel(
    workspace: Workspace, area: Area, *, database: str | None = None, parquet: bool = False
) -> int:
    """Write the tables of a panel, and on request the same as Parquet.

    ``trials.csv``, ``stages.csv`` and ``programmes.csv``, what each stage does to each programme.

    Returns
    -------
    int
        Number of answered trials written.
    """
    from abx.evidence import stage_table
    from abx.export import trial_rows, write_table
    from abx.hearing import programme_figures

    study = load_study(workspace)
    sessions = open_sessions(workspace, area, database=database)
    try:
        rows = trial_rows(sessions.store, study)
    finally:
        sessions.store.close()
    if rows.empty:
        raise InputError(
            source=str(area.root),
            problem="no answered trials yet",
            remedy=f"open the study with '{command_line('serve', workspace.root)}', "
            f"or rehearse with '{command_line('simulate', workspace.root)}'",
        )
    tables = {
        "trials": rows,
        "stages": stage_table(workspace, study),
        "programmes": programme_figures(workspace, study),
    }
    for name, table in tables.items():
        for suffix in ("csv", "parquet") if parquet else ("csv",):
            with replace_file(area.result(f"{name}.{suffix}")) as path:
                write_table(table, path)
    return len(rows)


def analyse_panel(
    workspace: Workspace,
    area: Area,
    progress: Progress | None = None,
    *,
    database: str | None = None,
) -> dict[str, Any]:
    """Analyse a panel's exported tables and write ``results.json``; see :func:`analyse_tables`."""
    results = analyse_tables(workspace, area, progress, database=database)
    write_json(area.result("results.json"), results)
    return results


def analyse_tables(
    workspace: Workspace,
    area: Area,
    progress: Progress | None = None,
    *,
    database: str | None = None,
) -> dict[str, Any]:
    """Analyse a panel's exported tables by the rules that its plan declares.

    The plan's primary metric and claims count as declared only where the log shows that this very
    study file was sealed before the first answer; else the analysis names them.

    Parameters
    ----------
    workspace : Workspace
    area : Area
        Whose answers.
    progress : callable, optional
        ``progress(done, total, what)`` while panels are simulated to test for groups.
    database : str, optional
        Database URL when not the SQLite file of the study folder.
    """
    from analysis.link.programmes import read_programmes
    from analysis.run import analyse
    from analysis.tables.stages import read_stages
    from analysis.tables.trials import read_trials

    by_programme = area.result("programmes.csv")
    study = load_study(workspace)
    plan = study.plan
    return analyse(
        read_trials(area.result("trials.csv")),
        stages=read_stages(area.result("stages.csv")),
        programmes=read_programmes(by_programme) if by_programme.is_file() else None,
        claims=plan.claims,
        alpha=plan.alpha,
        primary_metric=plan.primary_metric,
        sealed_plan=_sealed(area, study, database),
        screening=plan.screening,
        budgets=plan.budgets or None,
        smallest_effect=plan.smallest_effect,
        power_studies=_power_studies(len(study.stages)),
        progress=progress,
    )


def _sealed(area: Area, study: Study, database: str | None) -> bool:
    """Tell whether a panel's log holds this study file, sealed before anybody answered."""
    from abx.opening import sealed_before_listening
    from abx.store import open_store

    if database is None and not area.database.is_file():
        return False
    store = open_store(area.database_url(database))
    try:
        return sealed_before_listening(store, study.sha256)
    finally:
        store.close()


def _power_studies(n_stages: int) -> int:
    """Return how many studies to simulate: fewer where each takes longer, none where too long."""
    if n_stages > _MOST_STAGES:
        return 0
    return round(POWER_STUDIES * min(1.0, _QUICK_STAGES / n_stages) ** 2)


def write_json(path: Path, data: dict[str, Any]) -> None:
    """Write JSON at full precision; NaN is refused because JSON has none."""
    text = json.dumps(data, indent=1, ensure_ascii=False, allow_nan=False)
    with replace_file(path) as temporary:
        temporary.write_text(text + "\n", encoding="utf-8")


def write_reports(
    workspace: Workspace,
    area: Area,
    *,
    database: str | None = None,
    pdf: bool = False,
    paper: str = "a4",
) -> dict[str, Path]:
    """Write the report of a panel's results and the same in three voices.

    Returns
    -------
    dict of str to Path
        ``"report"``, ``"customer"``, ``"researcher"``, ``"reviewer"``, and with ``pdf``
        each of them followed by ``" pdf"``.
    """
    from abx.evidence import collect_evidence
    from analysis.report import build_voices

    evidence = collect_evidence(workspace, area, database=database)
    voices = ("full", "customer", "researcher", "reviewer")
    paths = build_voices(evidence, area.results, voices=voices, pdf=pdf, paper=paper)
    return {name.replace("full", "report"): path for name, path in paths.items()}
