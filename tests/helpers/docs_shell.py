"""Run a command as the reader of a page does."""

from __future__ import annotations

import os
import pty
import select
import subprocess
import sys
import time
from collections.abc import Sequence
from pathlib import Path

from helpers.guards import GUARD_S

DEMO = "earwitness demo"


def environment(extra: dict[str, str]) -> dict[str, str]:
    path = f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}"
    return {**os.environ, "PATH": path, "NO_COLOR": "1", **extra}


def run(command: str, folder: Path, extra: dict[str, str]) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        ["bash", "-euo", "pipefail", "-c", command],
        cwd=folder,
        env=environment(extra),
        capture_output=True,
        text=True,
        stdin=subprocess.DEVNULL,
        timeout=GUARD_S,
    )


def run_at_keyboard(
    command: str, keys: Sequence[tuple[str, str]], folder: Path, extra: dict[str, str]
) -> tuple[int, str]:
    """Run a command at a terminal; send each text once its prompt has been shown.

    Returns
    -------
    int, str
        Exit code and all that was shown.
    """
    controller, terminal = pty.openpty()
    process = subprocess.Popen(
        ["bash", "-euo", "pipefail", "-c", command],
        **dict.fromkeys(("stdin", "stdout", "stderr"), terminal),
        cwd=folder,
        env=environment(extra),
        start_new_session=True,
    )
    os.close(terminal)
    waiting, shown, since = list(keys), "", 0
    deadline = time.monotonic() + GUARD_S
    try:
        while time.monotonic() < deadline:
            if not select.select([controller], [], [], 0.5)[0]:
                if not waiting and keys:  # a key that came before the program listened is lost
                    os.write(controller, keys[-1][1].encode())
                continue
            try:
                shown += os.read(controller, 4096).decode(errors="replace")
            except OSError:  # the program has closed its end
                break
            if waiting and waiting[0][0] in shown[since:]:
                since = len(shown)
                os.write(controller, waiting.pop(0)[1].encode())
        process.wait(GUARD_S)
    finally:
        process.kill()
        os.close(controller)
    assert not waiting, f"never asked: {waiting[0][0]!r}\n{shown}"
    return process.returncode, shown
