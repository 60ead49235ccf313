"""``earwitness plan``: who hears what, in which order, and how long it takes."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from abx.commands._area import study_argument
from abx.commands._show import detail, heading, progress, say

if TYPE_CHECKING:
    from abx.workspace import Workspace

__all__ = ["command", "plan_and_show"]


@click.command("plan")
@study_argument
@click.option(
    "--share",
    type=click.FloatRange(0.34, 0.99),
    help="The true share of right answers, or of choices of the better stage, to reckon with. "
    "Default: 70 %.",
)
@click.option(
    "--chart",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Draw listeners x trials against the chance to notice that, as SVG, PDF or PNG.",
)
def command(study: str, share: float | None, chart: Path | None) -> None:
    """Show what the plan of STUDY asks of each listener, and what it can find out.

    The schedule that listeners get is drawn from a secret seed when the study is
    opened; this preview uses another seed and so gives nothing away.
    """
    from abx.hearing import audibility_lines, predicted_audibility
    from abx.planning import DEFAULT_SHARE, draw_power, power_lines
    from abx.steps import load_study
    from abx.workspace import Workspace, replace_file

    workspace = Workspace.open(study)
    plan_and_show(workspace)
    with progress("Working out what it can find"):
        lines = power_lines(load_study(workspace), share=share or DEFAULT_SHARE)
    for line in lines:
        detail(line)
    with progress("Predicting what is audible") as report:
        audible = audibility_lines(predicted_audibility(workspace, report))
    for line in audible:
        detail(line)
    if chart is not None:
        with progress("Drawing the chart") as report, replace_file(chart) as temporary:
            draw_power(
                load_study(workspace), temporary, share=share or DEFAULT_SHARE, progress=report
            )
        say(f"Chart in {chart}", always=True)
    say(f"Next: earwitness simulate {workspace.root}, or earwitness serve {workspace.root}")


def plan_and_show(workspace: Workspace) -> None:
    """Print trials per listener, minutes, and the balance of the schedule."""
    from abx.planning import describe_plan
    from abx.steps import load_study

    study = load_study(workspace)
    heading(study.title)
    for line in describe_plan(study):
        detail(line)
