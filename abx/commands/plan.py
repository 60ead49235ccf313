"""``earwitness plan``: who hears what, in which order, and how long it takes."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from abx.commands._area import study_argument
from abx.commands._show import detail, heading, progress, say
from abx.shell import command_line

if TYPE_CHECKING:
    from abx.study import Study
    from abx.workspace import Workspace

__all__ = ["command", "plan_and_show"]

_MOST_TRIALS = 64


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
@click.option(
    "--listeners", type=click.IntRange(1, 10_000), help="Reckon with this many listeners."
)
@click.option(
    "--trials",
    multiple=True,
    metavar="METHOD=N",
    help="Reckon with N trials of each pair by this method; 0 leaves it out, a new one is added.",
)
@click.option(
    "--looks",
    type=click.IntRange(2, 20),
    help="Say when a study run elsewhere, looked at this often, may stop early.",
)
@click.option("--save", is_flag=True, help="Write that into the study file.")
def command(
    study: str,
    share: float,
    chart: Path | None,
    listeners: int | None,
    trials: tuple[str, ...],
    looks: int | None,
    save: bool,
) -> None:
    """Show what the plan of STUDY asks of each listener, and what it can find out.

    The schedule that listeners get is drawn from a secret seed when the study is
    opened; this preview uses another seed and so gives nothing away.
    """
    from abx.hearing import audibility_lines, predicted_audibility
    from abx.planning import draw_power, power_lines
    from abx.study import study_from_text
    from abx.study_edit import save_study
    from abx.workspace import Workspace, replace_file

    workspace = Workspace.open(study)
    changed = _changed(workspace, listeners, trials)
    if save:
        save_study(workspace.root, changed)
    draft = study_from_text(changed, path=workspace.study_file)
    study_plan = plan_and_show(workspace, draft=draft, always=True)
    with progress("Working out what it can find"):
        lines = power_lines(study_plan, share=share, looks=looks)
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
    simulate, serve = (command_line(name, workspace.root) for name in ("simulate", "serve"))
    say(f"Next: {simulate}, or {serve}")


def _changed(workspace: Workspace, listeners: int | None, trials: tuple[str, ...]) -> str:
    """Return the text of the study file with what was asked for on the command line."""
    from abx.steps import load_study
    from abx.study_edit import with_plan

    load_study(workspace)  # the file as it is comes first: its faults are named with its lines
    text = workspace.study_file.read_text(encoding="utf-8")
    return with_plan(text, listeners=listeners, trials=dict(map(_trials, trials)))


def _trials(text: str) -> tuple[str, int]:
    method, _, number = text.partition("=")
    if not number.isdecimal() or int(number) > _MOST_TRIALS:
        raise click.BadParameter(
            f"'{text}' is not METHOD=N with N from 0 to {_MOST_TRIALS}, for example abx=6",
            param_hint="--trials",
        )
    return method, int(number)


def plan_and_show(
    workspace: Workspace, *, draft: Study | None = None, always: bool = False
) -> Study:
    """Print trials per listener, minutes, and the balance of the schedule; return the study."""
    from abx.planning import describe_plan
    from abx.steps import load_study

    study = draft or load_study(workspace)
    heading(study.title, always=always)
    for line in describe_plan(study):
        detail(line, always=always)
    return study
