"""Progress and plain output shared by the commands."""

from __future__ import annotations

import logging
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import click

__all__ = ["Progress", "detail", "heading", "note_line", "progress", "say", "verdict_line"]

Progress = Callable[[int, int, str], None]

_log = logging.getLogger("earwitness")


def _quiet() -> bool:
    context = click.get_current_context(silent=True)
    return bool(context and context.find_root().obj and context.find_root().obj.get("quiet"))


def say(text: str = "", *, always: bool = False) -> None:
    """Print a line; silent under ``--quiet`` unless ``always``."""
    if text and logging.getLogger().handlers:  # the log has what --quiet keeps from the screen
        _log.info("%s", click.unstyle(text).strip())
    if always or not _quiet():
        click.echo(text)


def heading(text: str, *, always: bool = False) -> None:
    """Print the name of a step."""
    say(click.style(text, bold=True), always=always)


def detail(text: str, *, always: bool = False) -> None:
    """Print an indented figure."""
    say(f"  {text}", always=always)


def verdict_line(passed: bool, text: str, *, always: bool = False) -> None:
    """Print one check with its outcome as a word, so that it reads without colour."""
    word = click.style("holds", fg="green") if passed else click.style("FAILS", fg="red", bold=True)
    say(f"  {word}  {text}", always=always or not passed)


def note_line(text: str, *, always: bool = False) -> None:
    """Print what no check stands behind, in line with :func:`verdict_line`."""
    say(f"  {click.style('note', fg='yellow')}   {text}", always=always)


@contextmanager
def progress(label: str) -> Iterator[Progress]:
    """Show how far a long step is.

    Parameters
    ----------
    label : str
        What is being done.

    Yields
    ------
    callable
        ``report(done, total, what)``. Draws a bar on a terminal; elsewhere one line
        when the step starts and one when it ends, so that logs stay readable.
    """
    started = time.monotonic()
    with _bar(label) as report:
        yield report
    if sys.stdout.isatty() or _quiet():  # else the line is on the screen and in the log
        _log.info("%s: done in %.1f s", label, time.monotonic() - started)
    else:
        say(f"{label}: done in {time.monotonic() - started:.1f} s")


@contextmanager
def _bar(label: str) -> Iterator[Progress]:
    if _quiet() or not sys.stdout.isatty():
        say(f"{label} ...")
        yield lambda _done, _total, _what: None
        return
    with click.progressbar(
        length=1,
        label=f"{label:<34}",
        show_eta=True,
        item_show_func=lambda what: what,
        width=28,
    ) as bar:

        def report(done: int, total: int, what: str) -> None:
            bar.length = max(total, 1)
            bar.update(max(done - bar.pos, 0), current_item=what)

        yield report
        bar.update(max((bar.length or 0) - bar.pos, 0), current_item="")
