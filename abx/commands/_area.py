"""Arguments that several commands share."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import click

__all__ = ["database_option", "rehearsal_option", "study_argument"]

Command = Callable[..., Any]


def study_argument(function: Command) -> Command:
    """Add the study folder as the only argument; the current folder by default."""
    return click.argument("study", type=click.Path(), default=".", metavar="[STUDY]")(function)


def database_option(function: Command) -> Command:
    """Add ``--database URL``."""
    return click.option(
        "--database",
        metavar="URL",
        help="Database of the answers, for example postgresql+psycopg://user@host/name. "
        "Default: a SQLite file in the study folder.",
    )(function)


def rehearsal_option(function: Command) -> Command:
    """Add ``--rehearsal``."""
    return click.option(
        "--rehearsal",
        is_flag=True,
        help="Use the rehearsal with simulated listeners instead of the real panel.",
    )(function)
