"""``earwitness new``: a study folder with a commented study file."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

import click

from abx.commands._show import detail, say
from abx.commands.add import FILES, read_files
from abx.text.shell import command_line

__all__ = ["command"]

_ABOUT = """\
A study compares stages: states of one sound system, such as before and after a change.
Each has an id of small letters, digits and hyphens. Enter keeps what stands in brackets,
and everything can be changed in the study file later.
"""
T = TypeVar("T")


@click.command("new")
@click.argument("directory", type=click.Path(path_type=Path))
@click.argument("files", type=FILES, nargs=-1)
@click.option("--title", help="Title of the study.")
@click.option(
    "--stage",
    "stages",
    multiple=True,
    metavar="ID",
    help="Id of a stage, for example as-found; repeat for each stage.",
)
@click.option("--positions", type=click.IntRange(1, 99), help="Microphone positions a stage.")
@click.option("--listeners", type=click.IntRange(1, 10_000), help="Planned number of listeners.")
@click.option(
    "--target",
    default="house-curve",
    show_default=True,
    help="Target curve, where FILES are given.",
)
def command(
    directory: Path,
    files: tuple[Path, ...],
    title: str | None,
    stages: tuple[str, ...],
    positions: int | None,
    listeners: int | None,
    target: str,
) -> None:
    """Start a study in DIRECTORY: folders and a study file to fill in.

    Asks only for what is not given as an option; without a terminal it takes the
    defaults. With FILES (measured tables and music) the study is complete at once: tables
    with the same name but for a number at the end are one stage.
    """
    from abx.study_file.scaffold import (
        DEFAULT_STAGES,
        check_stages,
        default_title,
        refuse_existing,
        write_scaffold,
    )

    refuse_existing(directory)
    if stages:
        check_stages(stages)
    if _asks() and not files and not (title and stages and listeners and positions):
        say(_ABOUT)
    title = title or _ask("Title of the study", default_title(directory), str)
    if files:
        if stages or positions:
            raise click.UsageError("with files, stages and positions come from their names")
        listeners = listeners or _ask("How many listeners do you plan", "16", _read_count)
        _from_files(directory, files, title=title, target=target, listeners=listeners)
        return
    if not stages:
        stages = _ask("Stages, first to last", " ".join(DEFAULT_STAGES), _read_stages)
    positions = positions or _ask("Microphone positions measured at each stage", "3", _read_count)
    listeners = listeners or _ask("How many listeners do you plan", "16", _read_count)
    study_file = write_scaffold(
        directory, title=title, stages=stages, listeners=listeners, positions=positions
    )
    say(f"Study file: {study_file}", always=True)
    say("Next:")
    detail(f"1. put the measured tables into {directory / 'responses'}, or measure them with")
    first = directory / "responses" / stages[0]
    detail(f"   {command_line('measure', first, '--positions', str(positions))}")
    detail(f"2. put two or more music excerpts into {directory / 'programmes'}")
    detail(f"3. read through {study_file}; each entry is explained there")
    detail(f"4. {command_line('render', directory)}")


def _from_files(
    directory: Path, files: tuple[Path, ...], *, title: str, target: str, listeners: int
) -> None:
    from abx.web.desk.new_study import NewStage, NewStudy, group_tables, is_sound, write_new_study

    contents = read_files(files)
    groups = group_tables([name for name in contents if not is_sound(name)])
    new = NewStudy(
        title=title,
        target=target,
        stages=tuple(NewStage(name, tuple(tables)) for name, tables in groups.items()),
        programmes=tuple(name for name in contents if is_sound(name)),
        methods={"paired": 2},
        listeners=listeners,
    )
    write_new_study(directory, new, contents)
    say(f"Study file: {directory / 'study.toml'}", always=True)
    for stage in new.stages:
        detail(f"stage {stage.label}: {', '.join(stage.tables)}")
    plan, render = (command_line(name, directory) for name in ("plan", "render"))
    say(f"Next: {plan}, then {render}")


def _asks() -> bool:
    return sys.stdin.isatty()


def _read_stages(text: str) -> tuple[str, ...]:
    """Take stage ids as people type them; what cannot be used is asked for again."""
    from abx.errors import InputError
    from abx.study_file.scaffold import check_stages

    stages = tuple(text.replace(",", " ").split())
    try:
        check_stages(stages)
    except InputError as error:
        raise click.BadParameter(f"{error.problem}; {error.remedy}") from error
    return stages


def _read_count(text: str) -> int:
    if not text.isdecimal() or not 1 <= int(text) <= 10_000:
        raise click.BadParameter(f"'{text}' is not a whole number from 1 to 10000")
    return int(text)


def _ask(question: str, default: str, read: Callable[[str], T]) -> T:
    """Ask until the answer can be read; without a terminal take the default."""
    if not _asks():
        return read(default)
    answer: T = click.prompt(question, default=default, value_proc=read)
    return answer
