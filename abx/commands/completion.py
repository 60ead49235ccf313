"""``earwitness completion``: completion of commands and options in the shell."""

from __future__ import annotations

import os
from pathlib import Path

import click

__all__ = ["command"]

_SHELLS = ("bash", "zsh", "fish")


@click.command("completion")
@click.argument("shell", type=click.Choice(_SHELLS), required=False)
def command(shell: str | None) -> None:
    """Print the lines that make your shell complete commands and options.

    For bash: earwitness completion bash >> ~/.bashrc, then open a new shell. Without
    SHELL the shell you are in is used.
    """
    from click.shell_completion import get_completion_class

    from abx.cli import cli

    name = shell or Path(os.environ.get("SHELL", "")).name
    maker = get_completion_class(name) if name in _SHELLS else None
    if maker is None:
        raise click.UsageError(f"name your shell: {', '.join(_SHELLS)}")
    click.echo(maker(cli, {}, "earwitness", "_EARWITNESS_COMPLETE").source())
