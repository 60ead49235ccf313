"""Fixtures that run the real command, in a real process where that matters."""

import json
import os
import shutil
import subprocess
import sys
from dataclasses import dataclass

import pytest

from abx import cli
from helpers.built_once import built_once
from helpers.guards import GUARD_S

COMMAND = [sys.executable, "-W", "error", "-m", "abx.cli"]


@dataclass(frozen=True)
class Outcome:
    """Exit code and both streams of one call."""

    code: int
    out: str
    err: str

    def __str__(self):
        return f"exit {self.code}\n--- out\n{self.out}\n--- err\n{self.err}"


def run_command(*args, cwd=None, env=None, stdin=None, timeout_s=GUARD_S):
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
    return Outcome(done.returncode, done.stdout, done.stderr)


@pytest.fixture
def earwitness():
    """Run the command in a process of its own."""
    return run_command


@pytest.fixture
def call(capfd):
    """Run the command's entry point in this process: the same code, without start-up."""

    def run(*args):
        capfd.readouterr()
        with pytest.raises(SystemExit) as left:
            cli.main([str(arg) for arg in args])
        out, err = capfd.readouterr()
        return Outcome(left.value.code, out, err)

    return run


@pytest.fixture(scope="session")
def demo(tmp_path_factory):
    """One demonstration, built once by the command that the README names."""

    def build(folder):
        outcome = run_command("demo", folder / "study", "--listeners", "6")
        assert outcome.code == 0, outcome
        return json.dumps([outcome.out, outcome.err])

    folder, said = built_once(tmp_path_factory, "small-demonstration", build)
    # Each worker works in a copy of its own.
    own = shutil.copytree(folder / "study", tmp_path_factory.mktemp("demo") / "study")
    return own, Outcome(0, *json.loads(said))
