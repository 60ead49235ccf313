"""``earwitness stages``: what was measured, and how far it is from the target."""

from __future__ import annotations

from pathlib import Path

import click

from abx.commands._area import study_argument
from abx.commands._show import detail, heading, progress, say
from abx.text.shell import command_line

__all__ = ["command"]


@click.command("stages")
@study_argument
@click.option(
    "--curves",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Also write level and deviation over frequency, as CSV.",
)
@click.option(
    "--figures",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Also write every figure with what it rests on, as JSON.",
)
@click.option(
    "--pictures",
    type=click.Path(path_type=Path, file_okay=False),
    help="Also draw responses against the target, and stages by regions, into this folder.",
)
def command(study: str, curves: Path | None, figures: Path | None, pictures: Path | None) -> None:
    """Show how far each measured stage of STUDY is from the target.

    A difference from the first stage below two repeat SDs reads "not resolved": measuring
    again would change as much. What the stage takes in money and hours stands below.
    """
    from abx.sound.details import detail_record, draw_stages, stage_details
    from abx.sound.figures import stage_curves
    from abx.study.prices import stage_price_line
    from abx.study.workspace import Workspace, replace_file, write_json
    from abx.study_file.reading import load_study

    workspace = Workspace.open(study)
    plan = load_study(workspace)
    found = stage_details(workspace, plan)
    for stage in found:
        heading(stage.label, always=True)
        for line in stage.lines():
            detail(line, always=True)
        entry = plan.stage(stage.stage)
        if entry.made is None:
            detail(stage_price_line(plan, entry), always=True)
    if curves is not None:
        with replace_file(curves) as temporary:
            stage_curves(workspace, plan).to_csv(temporary, index=False, lineterminator="\n")
        say(f"Curves in {curves}", always=True)
    if figures is not None:
        write_json(figures, {"stages": [detail_record(stage) for stage in found]})
        say(f"Figures in {figures}", always=True)
    if pictures is not None:
        with progress("Drawing"):
            drawn = draw_stages(workspace, plan, pictures)
        say(f"Pictures: {', '.join(map(str, drawn))}", always=True)
    say(f"Next: {command_line('render', workspace.root)}")
