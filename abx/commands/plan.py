"""``earwitness plan``: who hears what, in which order, and how long it takes."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

import click

from abx.commands._area import study_argument
from abx.commands._show import detail, heading, progress, say
from abx.text.shell import command_line

if TYPE_CHECKING:
    from abx.planning.power import Asked
    from abx.study.model import Study
    from abx.study.workspace import Workspace
    from analysis.planning.findings import Findings

__all__ = ["command", "plan_and_show"]

_MOST_TRIALS = 64
_REFINING = "Up to {:,} studies, Ctrl-C keeps"
WAITED = 2000
"""Studies up to which the figures are refined while somebody waits."""


@click.command("plan")
@study_argument
@click.option(
    "--share",
    type=click.FloatRange(0.34, 0.99),
    default=0.7,
    show_default=True,
    help="The true share of choices of the better stage, and of right answers, to assume.",
)
@click.option(
    "--right",
    type=click.FloatRange(0.34, 0.99),
    help="The true share of right answers. Default: as --share.",
)
@click.option(
    "--correlation",
    type=click.FloatRange(0, 1),
    default=0.9,
    show_default=True,
    help="Of a metric that orders the stages with their true worths.",
)
@click.option(
    "--differ",
    nargs=2,
    type=click.FloatRange(0, 3),
    default=(0.1, 0.5),
    show_default=True,
    metavar="RIGHT TASTE",
    help="How much listeners differ: SD of their share of right answers, SD of tastes in logits.",
)
@click.option(
    "--ties",
    type=click.FloatRange(0, 0.9),
    default=0.1,
    show_default=True,
    help="The share of ties between equals, where ties may be answered.",
)
@click.option(
    "--visits",
    type=click.FloatRange(0, 1),
    default=0.0,
    show_default=True,
    help="The share of listeners who come for a short visit to the counter.",
)
@click.option(
    "--studies",
    type=click.IntRange(20, 1_000_000),
    help="Simulate this many studies. Default: 400, and on a terminal up to 2,000 while you wait.",
)
@click.option(
    "--chart",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Draw listeners against the chance to support each claim, as SVG, PDF or PNG.",
)
@click.option(
    "--listeners", type=click.IntRange(1, 10_000), help="Work the plan out for this many listeners."
)
@click.option(
    "--trials",
    multiple=True,
    metavar="METHOD=N",
    help="Work the plan out with N trials of each pair by this method; 0 leaves it out, a new one "
    "is added.",
)
@click.option(
    "--looks",
    type=click.IntRange(2, 20),
    help="Say when a study run elsewhere, looked at this often, may stop early.",
)
@click.option("--save", is_flag=True, help="Write listeners and trials into the study file.")
def command(
    study: str,
    share: float,
    right: float | None,
    correlation: float,
    differ: tuple[float, float],
    ties: float,
    visits: float,
    studies: int | None,
    chart: Path | None,
    listeners: int | None,
    trials: tuple[str, ...],
    looks: int | None,
    save: bool,
) -> None:
    """Show what the plan of STUDY asks of each listener, and what it can find out.

    Studies of simulated listeners go through the very tests of the claims; the chances are
    those of all declared claims together. Ctrl-C stops the simulation and keeps what is there.

    The schedule that listeners get is drawn from a secret seed when the study is
    opened; this preview uses another seed and so gives nothing away.
    """
    from abx.planning.power import ask_plan
    from abx.planning.schedule import look_lines
    from abx.study.workspace import Workspace
    from abx.study_file.edit import save_study
    from abx.study_file.reading import study_from_text
    from analysis.planning.supposed import Sizes

    workspace = Workspace.open(study)
    changed = _changed(workspace, listeners, trials)
    if save:
        save_study(workspace.root, changed)
    draft = study_from_text(changed, path=workspace.study_file)
    study_plan = plan_and_show(workspace, draft=draft, always=True)
    sizes = Sizes(share, right, correlation, *differ, ties)
    asked = ask_plan(study_plan, sizes, workspace=workspace, visits=visits)
    if asked is not None:
        _show_power(asked, studies, chart)
    for line in look_lines(study_plan, looks) if looks else ():
        detail(line, always=True)
    _show_audibility(workspace)
    simulate, serve = (command_line(name, workspace.root) for name in ("simulate", "serve"))
    say(f"Next: {simulate}, or {serve}")


def _show_power(asked: Asked, studies: int | None, chart: Path | None) -> None:
    """Simulate, print, and on a terminal go on while somebody waits; then draw the chart."""
    from analysis.models.cells import Workers
    from analysis.planning.findings import FIRST, explore, refine

    wanted = studies or (WAITED if sys.stdout.isatty() else FIRST)
    with Workers() as workers:
        with progress("Working out what it can find") as report:
            steps = explore(
                asked.question, n_studies=min(FIRST, wanted), workers=workers, progress=report
            )
            found, stopped = _last(steps)
        if found is None or not found.tally.n_studies:
            raise click.Abort
        more = not stopped and wanted > found.tally.n_studies
        if not more or sys.stdout.isatty():
            _print_power(asked, found)
        if more:
            refined = None
            # Ctrl-C may also come while the bar is drawn, before or after the simulation.
            with suppress(KeyboardInterrupt), progress(_REFINING.format(wanted)) as report:
                refined, _ = _last(refine(found, wanted, workers=workers, progress=report))
            found = refined or found
            _print_power(asked, found)
    if chart is not None:
        _draw(asked, found, chart)


def _last(steps: Iterator[Findings]) -> tuple[Findings | None, bool]:
    """Return the last findings, and whether somebody stopped the simulation before its end."""
    found = None
    try:
        for latest in steps:
            found = latest
    except KeyboardInterrupt:
        return found, True
    return found, False


def _print_power(asked: Asked, found: Findings) -> None:
    from abx.planning.words import claim_rows, finding_lines, table_lines

    people = asked.question.n_listeners
    say(
        f"What {people} listeners can find, by {found.tally.n_studies:,} simulated studies "
        "(± error of the simulation)",
        always=True,
    )
    for line in [*table_lines(claim_rows(asked, found)), *finding_lines(asked, found)]:
        detail(line, always=True)


def _draw(asked: Asked, found: Findings, chart: Path) -> None:
    from abx.planning.chart import draw_power
    from abx.study.workspace import replace_file

    with progress("Drawing the chart"), replace_file(chart) as temporary:
        draw_power(asked, found, temporary)
    say(f"Chart in {chart}", always=True)


def _show_audibility(workspace: Workspace) -> None:
    from abx.sound.audibility import audibility_lines, predicted_audibility

    with progress("Predicting what is audible") as report:
        audible = audibility_lines(predicted_audibility(workspace, report))
    for line in audible:
        detail(line, always=True)


def _changed(workspace: Workspace, listeners: int | None, trials: tuple[str, ...]) -> str:
    """Return the text of the study file with what was asked for on the command line."""
    from abx.study_file.edit import with_plan
    from abx.study_file.reading import load_study

    load_study(workspace)  # the file as it is comes first: its faults are named with its lines
    text = workspace.study_file.read_text(encoding="utf-8")
    return with_plan(text, listeners=listeners, trials=dict(map(_trials, trials)))


def _trials(text: str) -> tuple[str, int]:
    method, _, number = text.partition("=")
    if not number.isdecimal() or int(number) > _MOST_TRIALS:
        raise click.BadParameter(
            f"'{text}' is not METHOD=N with N from 0 to {_MOST_TRIALS}, for example abx=6",
            param_hint="--trials",
        )
    return method, int(number)


def plan_and_show(
    workspace: Workspace, *, draft: Study | None = None, always: bool = False
) -> Study:
    """Print trials per listener, minutes, and the balance of the schedule; return the study."""
    from abx.planning.schedule import describe_plan
    from abx.study_file.reading import load_study

    study = draft or load_study(workspace)
    heading(study.title, always=always)
    for line in describe_plan(study):
        detail(line, always=always)
    return study
