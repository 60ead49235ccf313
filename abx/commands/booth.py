"""``earwitness booth``: the same trials over a local output, by keyboard."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

import click

from abx.commands._area import database_option, study_argument
from abx.commands._show import detail, heading, say
from abx.text.shell import command_line

if TYPE_CHECKING:
    from abx.session.sessions import Sessions

__all__ = ["command"]

_CAUTIONS = (
    "The sound starts very quiet. Set it to a comfortable level, never loud.",
    "Stop at once if anything hurts, rings or feels uncomfortable.",
    "In a vehicle: parked, engine off, doors as planned; never while driving.",
)

_OUTPUTS = ("loudspeakers", "vehicle", "headphones")


@click.command("booth")
@study_argument
@click.option("--device", help="Output device, number or name; see earwitness measure --devices.")
@click.option("--resume", metavar="TOKEN", help="Go on with a sitting that was left.")
@database_option
def command(study: str, device: str | None, resume: str | None, database: str | None) -> int:
    """Lead one listener through STUDY over this machine's own output.

    For a listening room, or for the vehicle's own input. Versions switch inside the audio
    callback; buffers that came late are counted and the trial is marked.
    """
    from abx.booth.terminal import TerminalConsole, run_booth
    from abx.session.panels import open_sessions
    from abx.study.workspace import Workspace

    workspace = Workspace.open(study)
    if not sys.stdin.isatty():
        raise click.UsageError("the booth needs a terminal with a keyboard")
    sessions = open_sessions(workspace, workspace.live, database=database, create=True)
    try:
        token = resume or _begin(sessions)
        chosen = int(device) if device is not None and device.isdecimal() else device
        if run_booth(sessions, token, TerminalConsole(), device=chosen):
            return 0
        again = command_line("booth", workspace.root, "--resume", token)
        say(f"To go on later: {again}", always=True)
        return 0
    finally:
        sessions.store.close()


def _begin(sessions: Sessions) -> str:
    heading("Listening session")  # the title may name what is compared
    for caution in _CAUTIONS:
        detail(caution)
    click.confirm("I have read this and I agree to take part", abort=True)
    normal = click.confirm("As far as I know my hearing is normal", default=True)
    output = click.prompt("What plays", type=click.Choice(_OUTPUTS), default=_OUTPUTS[0])
    listener = click.prompt(
        "Your code, if you have listened for us before", default="", show_default=False
    )
    return sessions.begin(
        consent=True,
        hearing="normal" if normal else "impaired",
        output=output,
        group=_group(sessions),
        familiarise=sessions.study.plan.familiarisation,
        listener=listener.strip().upper() or None,
    )


def _group(sessions: Sessions) -> str:
    """Ask what the study sorts listeners by; nobody has to say."""
    groups = sessions.study.groups
    if groups is None:
        return ""
    from abx.study_file.claims import NOT_SAID

    for name, words in groups.answers.items():
        detail(f"{name}: {words}")
    choice = click.Choice([*groups.answers, NOT_SAID])
    chosen = click.prompt(groups.ask, type=choice, default=NOT_SAID)
    return "" if chosen == NOT_SAID else str(chosen)
