"""``earwitness render``: stimuli from the measured stages, then checked."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from abx.commands._area import study_argument
from abx.commands._show import detail, heading, progress, say, verdict_line
from abx.text.shell import command_line

if TYPE_CHECKING:
    from abx.study.workspace import Workspace

__all__ = ["check_and_show", "command", "render_and_show"]


@click.command("render")
@study_argument
def command(study: str) -> int:
    """Render level-matched stimuli from the measured stages of STUDY, and check them.

    Every file is measured back: loudness, true peak, and what it does to pink noise.
    """
    from abx.study.workspace import Workspace

    workspace = Workspace.open(study)
    render_and_show(workspace, always=True)
    if not check_and_show(workspace):
        return 1
    say(f"Next: {command_line('plan', workspace.root)}")
    return 0


def render_and_show(workspace: Workspace, *, always: bool = False) -> None:
    """Render with progress and say what was made."""
    from abx.sound.stimuli import render

    with progress("Rendering stimuli") as report:
        manifest = render(workspace, report)
    detail(f"{len(manifest.stimuli)} stimuli in {workspace.stimuli}", always=always)


def check_and_show(workspace: Workspace) -> bool:
    """Measure the files back and print each check with its figure."""
    from abx.sound.stimuli import check_stimuli

    with progress("Measuring the files back") as report:
        outcome = check_stimuli(workspace, report)
    heading("What was promised, measured from the files")
    for check in outcome.checks:
        verdict_line(check.passed, check.words)
    return bool(outcome.passed)
