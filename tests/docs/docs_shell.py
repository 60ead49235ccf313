"""Run a command as the reader of a page does."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

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
        timeout=120,
    )
