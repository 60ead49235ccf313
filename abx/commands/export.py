"""``earwitness export``: tables and evidence for other programs and other people."""

from __future__ import annotations

from pathlib import Path

import click

from abx.commands._area import database_option, rehearsal_option, study_argument
from abx.commands._show import progress, say
from abx.text.shell import command_line

__all__ = ["command"]


@click.command("export")
@study_argument
@rehearsal_option
@database_option
@click.option(
    "--bundle",
    is_flag=False,
    flag_value="evidence.zip",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Also write the evidence bundle, all that a reviewer needs in one archive.",
)
@click.option("--with-sound", is_flag=True, help="Put stimuli and programmes into the bundle.")
@click.option("--parquet", is_flag=True, help="Write the tables as Parquet, too.")
def command(
    study: str,
    rehearsal: bool,
    database: str | None,
    bundle: Path | None,
    with_sound: bool,
    parquet: bool,
) -> None:
    """Write the trial, stage and programme tables of STUDY as CSV.

    Answers of people can be exported once the study is closed, so that nobody steers a
    running study by its totals.
    """
    from abx.evidence.bundle import write_bundle
    from abx.evidence.results import export_panel
    from abx.study.workspace import Workspace

    workspace = Workspace.open(study)
    area = workspace.area(rehearsal=rehearsal)
    n_trials = export_panel(workspace, area, database=database, parquet=parquet)
    say(f"{n_trials} answered trials in {area.result('trials.csv')}", always=True)
    say(f"Stage table in {area.result('stages.csv')}", always=True)
    say(f"Programme table in {area.result('programmes.csv')}", always=True)
    if bundle is not None:
        with progress("Writing the evidence bundle") as report:
            write_bundle(
                workspace,
                area,
                bundle,
                database=database,
                with_sound=with_sound,
                progress=report,
            )
        say(f"Evidence bundle in {bundle}", always=True)
        say(f"Anyone can check it: {command_line('verify', bundle)}")
