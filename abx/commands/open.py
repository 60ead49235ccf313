"""``earwitness open``: draw and seal the schedule before the first listener comes."""

from __future__ import annotations

import click

from abx.commands._area import database_option, study_argument
from abx.commands._show import detail, say
from abx.text.shell import command_line

__all__ = ["command"]


@click.command("open")
@study_argument
@database_option
def command(study: str, database: str | None) -> None:
    """Open STUDY: draw the schedule's secret seed and show its fingerprint.

    Refuses stimuli that are missing, that other files were rendered from, or that did not
    pass their check. Opening twice changes nothing; 'serve' and 'booth' open a study too.
    """
    from abx.session.panels import open_panel
    from abx.study.workspace import Workspace

    workspace = Workspace.open(study)
    sessions = open_panel(workspace, database=database)
    try:
        commitment = sessions.commitment
        closed = sessions.closed
    finally:
        sessions.store.close()
    say("The study is closed already." if closed else "The study is open.", always=True)
    detail(f"SHA-256 of the schedule's seed: {commitment}", always=True)
    detail("Note it elsewhere now: it shows later that the order was fixed before anyone came.")
    say(f"Next: {command_line('serve', workspace.root)}")
