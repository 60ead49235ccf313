"""``earwitness export``: tables for other programs and other people."""

from __future__ import annotations

import click

from abx.commands._area import database_option, rehearsal_option, study_argument
from abx.commands._show import say

__all__ = ["command"]


@click.command("export")
@study_argument
@rehearsal_option
@database_option
def command(study: str, rehearsal: bool, database: str | None) -> None:
    """Write the trial table and the stage table of STUDY as CSV.

    Real answers can be exported once the study is closed, so that nobody steers a
    running study by its totals.
    """
    from abx.steps import export_panel
    from abx.workspace import Workspace

    workspace = Workspace.open(study)
    area = workspace.area(rehearsal=rehearsal)
    n_trials = export_panel(workspace, area, database=database)
    say(f"{n_trials} answered trials in {area.result('trials.csv')}", always=True)
    say(f"Stage table in {area.result('stages.csv')}", always=True)
