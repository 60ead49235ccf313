"""``earwitness withdraw``: a person asks to be forgotten."""

from __future__ import annotations

import click

from abx.commands._area import database_option, study_argument
from abx.commands._show import say

__all__ = ["command"]


@click.command("withdraw")
@study_argument
@click.option(
    "--code",
    required=True,
    help="Withdrawal code of a sitting, or listener code (L-...) for all their sittings.",
)
@click.option("--yes", is_flag=True, help="Do not ask.")
@database_option
def command(study: str, code: str, yes: bool, database: str | None) -> None:
    """Remove a person's answers from STUDY, before or after it is closed.

    The contents of their rows are erased and cannot be brought back. The empty rows remain,
    so that the log can still be checked.
    """
    from abx.session.panels import open_sessions
    from abx.session.withdrawal import withdraw
    from abx.study.workspace import Workspace

    workspace = Workspace.open(study)
    sessions = open_sessions(workspace, workspace.live, database=database)
    try:
        if not yes:
            click.confirm(f"Erase the answers that belong to {code} for good?", abort=True)
        say(withdraw(sessions, code, by_staff=True).words, always=True)
    finally:
        sessions.store.close()
    _name_copies(workspace.live.result("trials.csv").parent)


def _name_copies(results: object) -> None:
    """Name the files that were made before and still hold the answers."""
    from pathlib import Path

    folder = Path(str(results))
    kept = sorted(path.name for path in folder.glob("*")) if folder.is_dir() else []
    if kept:
        say(
            f"Made before and still holding the answers: {', '.join(kept)} in {folder}. "
            "Make them again with 'earwitness export' and 'earwitness report', and delete bundles "
            "and copies.",
            always=True,
        )
