"""``earwitness hear``: the stages with their names, over this machine's output."""

from __future__ import annotations

import sys

import click

from abx.commands._area import study_argument
from abx.commands._show import detail, heading

__all__ = ["command"]


@click.command("hear")
@study_argument
@click.option("--programme", help="Id of the excerpt; the first one when omitted.")
@click.option("--device", help="Output device, number or name; see earwitness measure --devices.")
def command(study: str, programme: str | None, device: str | None) -> None:
    """Listen to the stages of STUDY at matched level, with their names in sight.

    For the owner: whoever has listened here is no blind listener any more.
    """
    from abx.booth.preview import hear_stages
    from abx.booth.terminal import TerminalConsole
    from abx.study.workspace import Workspace
    from abx.study_file.reading import load_study

    workspace = Workspace.open(study)
    plan = load_study(workspace)
    names = [one.id for one in plan.programmes]
    if programme is not None and programme not in names:
        raise click.BadParameter(
            f"'{programme}' is not one of {', '.join(names)}", param_hint="--programme"
        )
    if not sys.stdin.isatty():
        raise click.UsageError("listening needs a terminal with a keyboard")
    heading(programme or names[0])
    detail("The sound starts very quiet. Set it to a comfortable level, never loud.")
    chosen = int(device) if device is not None and device.isdecimal() else device
    hear_stages(workspace, programme or names[0], TerminalConsole(), device=chosen)
