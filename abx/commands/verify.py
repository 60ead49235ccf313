"""``earwitness verify``: whether the evidence holds."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from abx.commands._area import database_option, rehearsal_option, study_argument
from abx.commands._show import heading, note_line, progress, say, verdict_line

if TYPE_CHECKING:
    from abx.evidence.findings import CheckOutcome

__all__ = ["command"]


@click.command("verify")
@study_argument
@rehearsal_option
@database_option
@click.option(
    "--head",
    metavar="HASH",
    help="Hash of the log's last row as you noted it when the study was closed.",
)
def command(study: str, rehearsal: bool, database: str | None, head: str | None) -> int:
    """Re-check STUDY: stimulus files, schedule, answer log and results.

    STUDY is a study folder, or an evidence bundle from somebody else. Says in words
    what fails, what holds, and in notes what it cannot know; exit code 1 when anything fails.
    """
    from abx.evidence.bundle import check_bundle

    if Path(study).is_file() and Path(study).name != "study.toml":
        with progress("Re-checking the bundle") as report:
            findings = check_bundle(Path(study), expected_head=head, progress=report)
    else:
        findings = _check_study(study, rehearsal=rehearsal, database=database, head=head)
    return _show(findings)


def _check_study(
    study: str, *, rehearsal: bool, database: str | None, head: str | None
) -> list[CheckOutcome]:
    from abx.evidence.recheck import check_study
    from abx.study.workspace import Workspace

    workspace = Workspace.open(study)
    area = workspace.area(rehearsal=rehearsal)
    with progress("Re-checking") as report:
        return check_study(workspace, area, database=database, expected_head=head, progress=report)


def _show(findings: list[CheckOutcome]) -> int:
    from abx.evidence.findings import in_order

    heading("What was checked")
    for finding in in_order(findings):
        if finding.checked:
            verdict_line(finding.passed, finding.words, always=True)
        else:
            note_line(finding.words, always=True)
    checks = [finding for finding in findings if finding.checked]
    failed = sum(not finding.passed for finding in checks)
    outcome = f"{failed} of {len(checks)} checks failed." if failed else "Every check holds."
    say(outcome, always=True)
    return 1 if failed else 0
