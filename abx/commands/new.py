"""``earwitness new``: a study folder with a commented study file."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from abx.commands._show import detail, say

__all__ = ["command"]


@click.command("new")
@click.argument("directory", type=click.Path(path_type=Path))
@click.option("--title", help="Title of the study.")
@click.option(
    "--stage",
    "stages",
    multiple=True,
    metavar="ID",
    help="Id of a stage, for example as-delivered; repeat for each stage.",
)
@click.option("--listeners", type=click.IntRange(1, 10_000), help="Planned number of listeners.")
def command(
    directory: Path, title: str | None, stages: tuple[str, ...], listeners: int | None
) -> None:
    """Start a study in DIRECTORY: folders and a study file to fill in.

    Asks only for what is not given as an option; without a terminal it takes the
    defaults.
    """
    from abx.scaffold import DEFAULT_STAGES, write_scaffold

    title = title or _ask("Title of the study", directory.name.replace("-", " ").capitalize())
    if not stages:
        text = _ask("Stages, first to last, separated by spaces", " ".join(DEFAULT_STAGES))
        stages = tuple(text.split())
    listeners = listeners or int(_ask("How many listeners do you plan", "16"))
    study_file = write_scaffold(directory, title=title, stages=stages, listeners=listeners)
    say(f"Study file: {study_file}", always=True)
    say("Next:")
    detail(f"1. put the measured tables into {directory / 'responses'}")
    detail(f"2. put two or more music excerpts into {directory / 'programmes'}")
    detail(f"3. read through {study_file}; each entry is explained there")
    detail(f"4. earwitness render {directory}")


def _ask(question: str, default: str) -> str:
    if not sys.stdin.isatty():
        return default
    return str(click.prompt(question, default=default))
