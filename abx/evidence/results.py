"""From the log of a panel to its tables, its results and its reports."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from abx.errors import InputError
from abx.evidence.collect import collect_evidence, stage_table
from abx.evidence.export import trial_rows, write_table
from abx.session.opening import sealed_before_listening, sealed_design_claims
from abx.session.panels import open_sessions
from abx.sound.audibility import programme_figures
from abx.store import open_store
from abx.study.workspace import Area, Workspace, replace_file, write_json
from abx.study_file.reading import load_study
from abx.text.shell import command_line
from analysis.tables.stages import read_stages
from analysis.tables.trials import read_trials

if TYPE_CHECKING:
    from abx.study.model import Study
    from analysis.results.whole import Results

__all__ = [
    "POWER_STUDIES",
    "analyse_panel",
    "analyse_tables",
    "export_panel",
    "write_reports",
]

Progress = Callable[[int, int, str], None]

POWER_STUDIES = 100
"""Simulated studies behind what a study as run could have noticed, up to ten stages."""
_QUICK_STAGES, _MOST_STAGES = 10, 30


def export_panel(
    workspace: Workspace, area: Area, *, database: str | None = None, parquet: bool = False
) -> int:
    """Write the tables of a panel, and on request the same as Parquet.

    ``trials.csv``, ``stages.csv`` and ``programmes.csv``, what each stage does to each programme.

    Returns
    -------
    int
        Number of answered trials written.

    Raises
    ------
    InputError
        If nobody has answered yet.
    """
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
) -> Results:
    """Analyse a panel's exported tables and write ``results.json``; see :func:`analyse_tables`."""
    results = analyse_tables(workspace, area, progress, database=database)
    write_json(area.result("results.json"), results.to_dict())
    return results


def analyse_tables(
    workspace: Workspace,
    area: Area,
    progress: Progress | None = None,
    *,
    database: str | None = None,
) -> Results:
    """Analyse a panel's exported tables by the rules that its plan declares.

    The plan's primary metric and claims count as declared only where the log shows that this very
    study file was sealed before the first answer; else the analysis names them. The claims that
    were sealed by the design of the study are judged with those of the plan, as one family.

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

    by_programme = area.result("programmes.csv")
    study = load_study(workspace)
    plan = study.plan
    sealed, by_design = _sealed(area, study, database)
    return analyse(
        read_trials(area.result("trials.csv")),
        stages=read_stages(area.result("stages.csv")),
        programmes=read_programmes(by_programme) if by_programme.is_file() else None,
        claims=(*plan.claims, *by_design),
        alpha=plan.alpha,
        primary_metric=plan.primary_metric,
        sealed_plan=sealed,
        screening=plan.screening,
        budgets=plan.budgets or None,
        smallest_effect=plan.smallest_effect,
        power_studies=_power_studies(len(study.stages)),
        progress=progress,
    )


def _sealed(area: Area, study: Study, database: str | None) -> tuple[bool, tuple[str, ...]]:
    """Tell whether a panel's log holds this study file, sealed before anybody answered.

    And which claims were sealed with it by its design.
    """
    if database is None and not area.database.is_file():
        return False, ()
    store = open_store(area.database_url(database))
    try:
        sealed = sealed_before_listening(store, study.sha256)
        return sealed, sealed_design_claims(store, study.sha256)
    finally:
        store.close()


def _power_studies(n_stages: int) -> int:
    """Return how many studies to simulate: fewer where each takes longer, none where too long."""
    if n_stages > _MOST_STAGES:
        return 0
    return round(POWER_STUDIES * min(1.0, _QUICK_STAGES / n_stages) ** 2)


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
    from analysis.report import build_voices

    evidence = collect_evidence(workspace, area, database=database)
    voices = ("full", "customer", "researcher", "reviewer")
    paths = build_voices(evidence, area.results, voices=voices, pdf=pdf, paper=paper)
    return {name.replace("full", "report"): path for name, path in paths.items()}
