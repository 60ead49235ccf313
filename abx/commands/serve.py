"""``earwitness serve``: the study in a browser."""

from __future__ import annotations

import errno

import click

from abx.commands._area import database_option, study_argument
from abx.commands._show import detail, heading

__all__ = ["command"]

_BAD_ADDRESS = errno.EADDRNOTAVAIL


@click.command("serve")
@study_argument
@click.option("--host", default="127.0.0.1", show_default=True, help="Address to listen on.")
@click.option("--port", type=click.IntRange(0, 65535), default=8610, show_default=True)
@database_option
def command(study: str, host: str, port: int, database: str | None) -> None:
    """Open STUDY to listeners in a browser on this machine.

    Put a proxy with TLS in front before you listen on anything but this machine.
    """
    from abx.planning.schedule import ear_lines
    from abx.sound.stimuli import load_manifest
    from abx.study.workspace import Workspace
    from abx.study_file.reading import load_study
    from abx.web.server import serve

    workspace = Workspace.open(study)
    title = load_study(workspace).title
    load_manifest(workspace)
    _refuse_taken(host, port)
    heading(title)
    detail(f"Listeners: http://{host}:{port}/", always=True)
    detail(f"Counter:   http://{host}:{port}/counter  (a tablet that runs by itself)", always=True)
    detail(f"Staff:     http://{host}:{port}/staff", always=True)
    for line in ear_lines(workspace):
        detail(line, always=True)
    detail("Ctrl-C stops the server; every acknowledged answer is already on disk.")
    serve(workspace.root, host=host, port=port, database=database)


def _refuse_taken(host: str, port: int) -> None:
    """Say so when something else listens there already, before anything is opened."""
    import socket

    from abx.errors import InputError

    try:
        with socket.create_server((host, port)):
            return
    except OSError as error:
        raise InputError(
            where="--port" if error.errno != _BAD_ADDRESS else "--host",
            problem=f"cannot listen on {host}:{port} ({error.strerror})",
            remedy="choose another, for example --port 8620",
        ) from error
