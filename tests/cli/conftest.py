"""Fixtures that run the real command in a real process."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

COMMAND = [sys.executable, "-W", "error", "-m", "abx.cli"]


class Outcome:
    """Exit code and both streams of one call."""

    def __init__(self, done):
        self.code = done.returncode
        self.out = done.stdout
        self.err = done.stderr

    def __repr__(self):
        return f"exit {self.code}\n--- out\n{self.out}\n--- err\n{self.err}"


def run_command(*args, cwd=None, env=None, stdin=None, timeout_s=240):
    """Call ``earwitness`` with arguments in a process of its own."""
    done = subprocess.run(
        [*COMMAND, *map(str, args)],
        capture_output=True,
        text=True,
        cwd=cwd,
        env={**os.environ, **(env or {})},
        input=stdin,
        timeout=timeout_s,
        check=False,
    )
    return Outcome(done)


@pytest.fixture
def earwitness():
    return run_command


@pytest.fixture(scope="session")
def demo(tmp_path_factory):
    """One demonstration, built once by the command that the README names."""
    directory = tmp_path_factory.mktemp("demo") / "study"
    outcome = run_command("demo", directory, "--listeners", "6")
    assert outcome.code == 0, outcome
    return Path(directory), outcome
