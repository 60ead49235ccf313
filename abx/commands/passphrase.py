"""``earwitness passphrase``: the key to the staff page."""

from __future__ import annotations

import sys

import click

from abx.commands._area import database_option, study_argument
from abx.commands._show import say
from abx.text.shell import command_line

__all__ = ["command"]


@click.command("passphrase")
@study_argument
@database_option
@click.option("--new", "passphrase", help="The new passphrase; asked for when omitted.")
def command(study: str, database: str | None, passphrase: str | None) -> None:
    """Set the passphrase of the staff page of STUDY. Only its argon2 hash is stored."""
    from abx.session.panels import open_sessions
    from abx.study.workspace import Workspace

    workspace = Workspace.open(study)
    if passphrase is None:
        passphrase = _ask()
    sessions = open_sessions(workspace, workspace.live, database=database, create=True)
    try:
        sessions.set_passphrase(passphrase)
    finally:
        sessions.store.close()
    say("The passphrase is set.", always=True)
    say(f"Next: {command_line('serve', workspace.root)}")


def _ask() -> str:
    if not sys.stdin.isatty():
        raise click.UsageError("there is no terminal to ask at; give the passphrase with --new")
    return str(click.prompt("Passphrase", hide_input=True, confirmation_prompt=True))
