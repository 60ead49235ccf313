"""``earwitness status``: how many answers, how evenly spread, never what they say."""

from __future__ import annotations

from typing import Any

import click

from abx.commands._area import database_option, study_argument
from abx.commands._show import detail, heading, say
from abx.text.shell import command_line

__all__ = ["command"]


@click.command("status")
@study_argument
@database_option
def command(study: str, database: str | None) -> None:
    """Show who has answered how much in STUDY, and the balance. No result is shown."""
    from abx.session.counts import balance_lines
    from abx.session.panels import open_sessions
    from abx.study.workspace import Workspace

    workspace = Workspace.open(study)
    sessions = open_sessions(workspace, workspace.live, database=database)
    try:
        counts = sessions.counts()
        title = sessions.study.title
    finally:
        sessions.store.close()
    heading(title, always=True)
    finished = sum(one["finished"] for one in counts["listeners"])
    detail(
        f"{counts['state']}; {finished} of {counts['planned']} listeners finished, "
        f"{len(counts['listeners'])} begun",
        always=True,
    )
    for one in counts["listeners"]:
        detail(_listener_line(one), always=True)
    for line in balance_lines(counts):
        detail(line, always=True)
    detail(f"SHA-256 of the schedule's seed: {counts['commitment']}")
    if counts["state"] == "open":
        say(f"Next: {command_line('close', workspace.root)}, once everybody has been here")


def _listener_line(one: dict[str, Any]) -> str:
    from abx.session.counts import spread_words

    state = "finished" if one["finished"] else "under way"
    return (
        f"{one['listener']:<12} {one['answered']:>3} of {one['of']} answers, {state}; each "
        f"comparison: {spread_words(one['spread'])}"
    )
