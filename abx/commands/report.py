"""``earwitness report``: from stored answers to a page that opens offline."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from abx.commands._area import database_option, rehearsal_option, study_argument
from abx.commands._show import progress, say
from abx.commands.analyse import show_results

if TYPE_CHECKING:
    from pathlib import Path

    from abx.workspace import Area, Workspace

__all__ = ["command", "report_and_show"]


@click.command("report")
@study_argument
@rehearsal_option
@database_option
def command(study: str, rehearsal: bool, database: str | None) -> None:
    """Export, analyse and write the report of STUDY as one HTML file."""
    from abx.workspace import Workspace

    workspace = Workspace.open(study)
    path = report_and_show(workspace, workspace.area(rehearsal=rehearsal), database=database)
    say(f"Report in {path}", always=True)


def report_and_show(workspace: Workspace, area: Area, *, database: str | None = None) -> Path:
    """Run the three steps with progress and print the verdicts."""
    from abx.steps import analyse_panel, export_panel, write_report

    with progress("Collecting answers"):
        export_panel(workspace, area, database=database)
    with progress("Analysing"):
        results = analyse_panel(workspace, area)
    with progress("Writing the report"):
        path = write_report(workspace, area, database=database)
    show_results(results)
    return path
