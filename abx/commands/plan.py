"""``earwitness plan``: who hears what, in which order, and how long it takes."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from abx.commands._area import study_argument
from abx.commands._show import detail, heading, progress, say

if TYPE_CHECKING:
    from abx.study import Study
    from abx.workspace import Workspace

__all__ = ["command", "plan_and_show"]


@click.command("plan")
@study_argument
@click.option(
    "--share",
    type=click.FloatRange(0.34, 0.99),
    default=0.7,
    show_default=True,
    help="The true share of right answers, or of choices of the better stage, to reckon with.",
)
@click.option(
    "--chart",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Draw listeners x trials against the chance to notice that, as SVG, PDF or PNG.",
)
def command(study: str, share: float, chart: Path | None) -> None:
    """Show what the plan of STUDY asks of each listener, and what it can find out.

    The schedule that listeners get is drawn from a secret seed when the study is
    opened; this preview uses another seed and so gives nothing away.
    """
    from abx.hearing import audibility_lines, predicted_audibility
    from abx.planning import draw_power, power_lines
    from abx.workspace import Workspace, replace_file

    workspace = Workspace.open(study)
    study_plan = plan_and_show(workspace, always=True)
    with progress("Working out what it can find"):
        lines = power_lines(study_plan, share=share)
    for line in lines:
        detail(line, always=True)
    with progress("Predicting what is audible") as report:
        audible = audibility_lines(predicted_audibility(workspace, report))
    for line in audible:
        detail(line, always=True)
    if chart is not None:
        with progress("Drawing the chart") as report, replace_file(chart) as temporary:
            draw_power(study_plan, temporary, share=share, progress=report)
        say(f"Chart in {chart}", always=True)
    say(f"Next: earwitness simulate {workspace.root}, or earwitness serve {workspace.root}")


def plan_and_show(workspace: Workspace, *, always: bool = False) -> Study:
    """Print trials per listener, minutes, and the balance of the schedule; return the study."""
    from abx.planning import describe_plan
    from abx.steps import load_study

    study = load_study(workspace)
    heading(study.title, always=always)
    for line in describe_plan(study):
        detail(line, always=always)
    return study
