"""``earwitness desk``: the owner's screens, from dropped files to the report."""

from __future__ import annotations

from pathlib import Path

import click

from abx.commands._show import detail, heading

__all__ = ["command"]


@click.command("desk")
@click.argument("study", type=click.Path(path_type=Path), default=Path(), metavar="[STUDY]")
@click.option("--host", default="127.0.0.1", show_default=True, help="Address to listen on.")
@click.option("--port", type=click.IntRange(1, 65535), default=8611, show_default=True)
def command(study: Path, host: str, port: int) -> None:
    """Prepare and follow STUDY in a browser: everything here exists as a command too.

    For the owner of the study, on this machine; listeners use 'earwitness serve'. STUDY may
    be a new folder: the desk begins a study there from the files you drop.
    """
    from abx.errors import InputError
    from abx.web.desk.server import serve_desk

    if study.exists() and not study.is_dir():
        raise InputError(
            source=str(study), problem="this is a file, not a folder", remedy="name a study folder"
        )
    heading("Study desk")
    detail(f"http://{host}:{port}/", always=True)
    detail("Ctrl-C stops it; nothing is lost.")
    serve_desk(study, host=host, port=port)
