"""``earwitness simulate``: a rehearsal with simulated listeners."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from abx.commands._area import study_argument
from abx.commands._show import progress, say
from abx.text.shell import command_line

if TYPE_CHECKING:
    from abx.study.workspace import Area, Workspace

__all__ = ["command", "rehearse_and_show"]


@click.command("simulate")
@study_argument
@click.option(
    "--listeners",
    type=click.IntRange(1, 10_000),
    help="Size of the simulated panel. Default: the plan's.",
)
@click.option("--seed", type=int, default=1, show_default=True, help="Seed of the behaviour.")
def command(study: str, listeners: int | None, seed: int) -> None:
    """Rehearse STUDY with simulated listeners: same schedule, same store, marked as simulated.

    The rehearsal lies in its own folder and never mixes with answers of people.
    """
    from abx.study.workspace import Workspace

    workspace = Workspace.open(study)
    area = rehearse_and_show(workspace, listeners=listeners, seed=seed)
    say(f"Simulated answers are in {area.root}; they say nothing about people.", always=True)
    say(f"Next: {command_line('report', workspace.root, '--rehearsal')}")


def rehearse_and_show(workspace: Workspace, *, listeners: int | None, seed: int) -> Area:
    """Run the simulated panel with progress."""
    from abx.session.panels import rehearse
    from abx.study_file.reading import load_study

    n_listeners = listeners or load_study(workspace).plan.listeners
    with progress(f"Rehearsing, {n_listeners} simulated listeners") as report:
        return rehearse(workspace, n_listeners=n_listeners, seed=seed, progress=report)
