"""``earwitness serve``: the study in a browser."""

from __future__ import annotations

import click

from abx.commands._area import database_option, study_argument
from abx.commands._show import detail, heading

__all__ = ["command"]


@click.command("serve")
@study_argument
@click.option("--host", default="127.0.0.1", show_default=True, help="Address to listen on.")
@click.option("--port", type=click.IntRange(0, 65535), default=8610, show_default=True)
@database_option
def command(study: str, host: str, port: int, database: str | None) -> None:
    """Open STUDY to listeners in a browser on this machine.

    Put a proxy with TLS in front before you listen on anything but this machine.
    """
    from abx.server import serve
    from abx.steps import load_manifest, load_study
    from abx.workspace import Workspace

    workspace = Workspace.open(study)
    title = load_study(workspace).title
    load_manifest(workspace)
    heading(title)
    detail(f"Listeners: http://{host}:{port}/")
    detail(f"Staff:     http://{host}:{port}/staff")
    detail("Ctrl-C stops the server; every acknowledged answer is already on disk.")
    serve(workspace.root, host=host, port=port, database=database)
