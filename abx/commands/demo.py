"""``earwitness demo``: the whole way through with an invented job."""

from __future__ import annotations

from pathlib import Path

import click

from abx.commands._show import detail, heading, progress, say
from abx.commands.plan import plan_and_show
from abx.commands.render import check_and_show, render_and_show
from abx.commands.report import report_and_show
from abx.commands.simulate import rehearse_and_show
from abx.text.shell import command_line

__all__ = ["command"]


@click.command("demo")
@click.argument("directory", type=click.Path(path_type=Path), default=Path("earwitness-demo"))
@click.option("--listeners", type=click.IntRange(2, 500), default=24, show_default=True)
@click.option("--seed", type=int, default=1, show_default=True, help="Seed of the simulation.")
def command(directory: Path, listeners: int, seed: int) -> int:
    """Build a demonstration study in DIRECTORY and take it from measurement to report.

    The workshop, the ferry, the measurements, the music and the listeners are invented
    or simulated, and marked so. Afterwards 'earwitness serve DIRECTORY' opens the same
    study for your own ears.
    """
    from abx.demo.build import build_demo

    heading("1. An invented job: six stages, measured at three positions")
    with progress("Composing three programmes") as report:
        workspace = build_demo(directory, listeners=listeners, progress=report)
    detail(f"study file {workspace.study_file}")
    heading("2. Stimuli")
    render_and_show(workspace)
    if not check_and_show(workspace):
        return 1
    heading("3. Schedule")
    plan_and_show(workspace)
    heading("4. Rehearsal with SIMULATED listeners")
    area = rehearse_and_show(workspace, listeners=listeners, seed=seed)
    heading("5. Analysis and report")
    paths = report_and_show(workspace, area)
    say()
    for what, path in paths.items():
        say(f"{what.capitalize()}: {path}", always=True)
    say(f"Listen for yourself: {command_line('serve', directory)}")
    return 0
