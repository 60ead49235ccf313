"""``earwitness plan``: who hears what, in which order, and how long it takes."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from abx.commands._area import study_argument
from abx.commands._show import detail, heading, say

if TYPE_CHECKING:
    from abx.workspace import Workspace

__all__ = ["command", "plan_and_show"]


@click.command("plan")
@study_argument
def command(study: str) -> None:
    """Show what the schedule of STUDY asks of each listener, and its balance.

    The schedule that listeners get is drawn from a secret seed when the study is
    opened; this preview uses another seed and so gives nothing away.
    """
    from abx.workspace import Workspace

    workspace = Workspace.open(study)
    plan_and_show(workspace)
    say(f"Next: earwitness simulate {workspace.root}, or earwitness serve {workspace.root}")


def plan_and_show(workspace: Workspace) -> None:
    """Print trials per listener, minutes, and the balance of the schedule."""
    from abx.planning import describe_plan
    from abx.steps import load_study

    study = load_study(workspace)
    heading(study.title)
    for line in describe_plan(study):
        detail(line)
