"""``earwitness report``: from stored answers to a page that opens offline."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from abx.commands._area import database_option, rehearsal_option, study_argument
from abx.commands._show import progress, say
from abx.commands.analyse import show_results

if TYPE_CHECKING:
    from pathlib import Path

    from abx.study.workspace import Area, Workspace

__all__ = ["command", "report_and_show"]


@click.command("report")
@study_argument
@rehearsal_option
@database_option
@click.option("--pdf", is_flag=True, help="Print each page to PDF, too (needs a Chromium browser).")
@click.option("--paper", type=click.Choice(["a4", "letter"]), default="a4", show_default=True)
def command(study: str, rehearsal: bool, database: str | None, pdf: bool, paper: str) -> None:
    """Export, analyse and write the report of STUDY.

    report.html holds everything. Three more pages say the same to three readers: a card
    for the customer, a researcher's report, a reviewer's sheet. Each opens offline.
    """
    from abx.study.workspace import Workspace

    workspace = Workspace.open(study)
    area = workspace.area(rehearsal=rehearsal)
    paths = report_and_show(workspace, area, database=database, pdf=pdf, paper=paper)
    for what, path in paths.items():
        say(f"{what.capitalize()}: {path}", always=True)


def report_and_show(
    workspace: Workspace,
    area: Area,
    *,
    database: str | None = None,
    pdf: bool = False,
    paper: str = "a4",
) -> dict[str, Path]:
    """Run the three steps with progress and print the verdicts."""
    from abx.evidence.results import analyse_panel, export_panel, write_reports

    with progress("Collecting answers"):
        export_panel(workspace, area, database=database)
    with progress("Analysing") as report:
        results = analyse_panel(workspace, area, report, database=database)
    with progress("Writing the report"):
        paths = write_reports(workspace, area, database=database, pdf=pdf, paper=paper)
    show_results(results)
    return paths
