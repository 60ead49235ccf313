"""Audio blocks handed to the web server in front, instead of through this process.

The app makes a block, leaves it in a folder under a random name and answers with that name in
``X-Accel-Redirect``; the web server sends the file. Addresses and tokens stay as they are, and the
listener's browser notices nothing. Files are removed a minute later.
"""

from __future__ import annotations

import contextlib
import os
import secrets
import time
from pathlib import Path

from abx.errors import InputError

__all__ = ["PREFIX", "VARIABLE", "Spool", "spool_from_environment"]

VARIABLE = "EARWITNESS_SOUND_FOLDER"
"""Environment variable that names the folder."""

PREFIX = "/earwitness-sound/"
"""Internal address below which the web server finds the folder."""

_KEPT_S = 60.0


class Spool:
    """A folder of blocks that are about to be sent.

    Parameters
    ----------
    folder : Path
        Readable by the web server, best in memory (``/dev/shm``), shared by all processes of
        one machine.

    Raises
    ------
    InputError
        If the folder cannot be written.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._swept_s = 0.0
        if not (folder.is_dir() and os.access(folder, os.W_OK)):
            raise InputError(
                where=VARIABLE,
                problem=f"'{folder}' is not a folder that can be written",
                remedy="make it, and let the app write and the web server read it",
            )

    def put(self, block: memoryview) -> str:
        """Store a block and return the internal address it is sent from."""
        self._sweep()
        name = secrets.token_hex(16)
        partial = self._folder / f".{name}"
        partial.write_bytes(block)
        partial.rename(self._folder / name)
        return PREFIX + name

    def _sweep(self) -> None:
        """Remove what has been sent; a file that is being sent stays open for its reader."""
        now = time.time()
        if now - self._swept_s < _KEPT_S / 4:
            return
        self._swept_s = now
        for path in self._folder.iterdir():
            with contextlib.suppress(FileNotFoundError):  # another process was faster
                if now - path.stat().st_mtime > _KEPT_S:
                    path.unlink()


def spool_from_environment() -> Spool | None:
    """Return the spool that the environment asks for, if it does."""
    folder = os.environ.get(VARIABLE)
    return Spool(Path(folder)) if folder else None
