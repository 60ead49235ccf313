"""What takes long to build is built by one worker of a test run and used by all."""

from __future__ import annotations

import fcntl
import os
from collections.abc import Callable
from pathlib import Path

import pytest


def built_once(
    factory: pytest.TempPathFactory, name: str, build: Callable[[Path], str]
) -> tuple[Path, str]:
    """Return a folder that is built once a run, and what its building said.

    Parameters
    ----------
    factory : pytest.TempPathFactory
    name : str
        Name of the folder.
    build : callable
        Fills the folder, which is empty, and returns a text.
    """
    shared = factory.getbasetemp()
    if os.environ.get("PYTEST_XDIST_WORKER"):  # each worker has a folder of its own in there
        shared = shared.parent
    folder, said = shared / name, shared / f"{name}.txt"
    with (shared / f"{name}.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not said.is_file():
            folder.mkdir(exist_ok=True)
            said.write_text(build(folder), encoding="utf-8")
    return folder, said.read_text(encoding="utf-8")
