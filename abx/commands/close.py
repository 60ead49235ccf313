"""``earwitness close``: end a study and reveal its seed."""

from __future__ import annotations

import sys
from typing import Any

import click

from abx.commands._area import database_option, study_argument
from abx.commands._show import detail, say
from abx.text.shell import command_line

__all__ = ["command"]


@click.command("close")
@study_argument
@database_option
@click.option("--yes", is_flag=True, help="Do not ask.")
def command(study: str, database: str | None, yes: bool) -> None:
    """Close STUDY for listeners, reveal the schedule's seed and release the results.

    Closing cannot be undone: results seen before the end would spoil what follows.
    """
    from abx.evidence.log_check import chain_head
    from abx.session.panels import open_sessions
    from abx.study.workspace import Workspace

    if not yes and not sys.stdin.isatty():
        raise click.UsageError("closing cannot be undone; without a terminal to ask, add --yes")
    workspace = Workspace.open(study)
    sessions = open_sessions(workspace, workspace.live, database=database)
    try:
        say(_heard(sessions.counts()))
        if not yes:
            click.confirm("Close the study for good and reveal its results?", abort=True)
        seed = sessions.close()
        _, head = chain_head(sessions.store, sessions.study_id)
    finally:
        sessions.store.close()
    say("The study is closed.", always=True)
    detail(f"seed of the schedule: {seed}")
    detail(f"the answer log ends with: {head}", always=True)
    detail("Note this last line elsewhere, or send it to a reviewer now: with it, anyone can tell")
    detail("that the log was not made up later (earwitness verify --head).")
    say(f"Next: {command_line('report', workspace.root)}")


def _heard(counts: dict[str, Any]) -> str:
    listeners = counts["listeners"]
    finished = sum(listener["finished"] for listener in listeners)
    begun = len(listeners) - finished
    more = f", {begun} began and did not finish" if begun else ""
    return f"{finished} of {counts['planned']} planned listeners have finished{more}."
