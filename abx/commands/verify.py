"""``earwitness verify``: whether the evidence holds."""

from __future__ import annotations

import click

from abx.commands._area import database_option, rehearsal_option, study_argument
from abx.commands._show import heading, progress, say, verdict_line

__all__ = ["command"]


@click.command("verify")
@study_argument
@rehearsal_option
@database_option
def command(study: str, rehearsal: bool, database: str | None) -> int:
    """Re-check STUDY: stimulus files, schedule, answer log and results.

    Says in words what holds and what does not; exit code 1 when anything fails.
    """
    from abx.recheck import recheck
    from abx.workspace import Workspace

    workspace = Workspace.open(study)
    area = workspace.area(rehearsal=rehearsal)
    with progress("Re-checking") as report:
        checks = recheck(workspace, area, database=database, progress=report)
    heading("What holds")
    for check in checks:
        verdict_line(check.passed, check.words, always=True)
    failed = sum(not check.passed for check in checks)
    say(
        f"{failed} of {len(checks)} checks failed."
        if failed
        else f"All {len(checks)} checks hold.",
        always=True,
    )
    return 1 if failed else 0
