"""``earwitness stages``: what was measured, and how far it is from the target."""

from __future__ import annotations

from pathlib import Path

import click

from abx.commands._area import study_argument
from abx.commands._show import detail, heading, say

__all__ = ["command"]


@click.command("stages")
@study_argument
@click.option(
    "--curves",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Also write level and deviation over frequency, as CSV.",
)
def command(study: str, curves: Path | None) -> None:
    """Show how far each measured stage of STUDY is from the target."""
    from abx.stage_figures import stage_curves, stage_figures
    from abx.steps import load_study
    from abx.workspace import Workspace, replace_file

    workspace = Workspace.open(study)
    plan = load_study(workspace)
    for row in stage_figures(workspace, plan):
        heading(str(row.pop("Stage")), always=True)
        for name, figure in row.items():
            detail(f"{name:<30} {figure:>8}", always=True)
    if curves is not None:
        with replace_file(curves) as temporary:
            stage_curves(workspace, plan).to_csv(temporary, index=False, lineterminator="\n")
        say(f"Curves in {curves}", always=True)
    say(f"Next: earwitness render {workspace.root}")
