"""Seconds of the first ten minutes, and of a reviewer's check.

``python tests/bench/bench_commands.py [--listeners 250]``

- ``earwitness --help``, best of ten, against an interpreter that does nothing;
- ``earwitness demo`` as the README says it;
- ``earwitness verify`` of an evidence bundle: 250 simulated listeners are 10,000 trials.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parents[2])]

from figures import Figure, emit  # noqa: E402

PROJECT = Path(__file__).parents[2]
EARWITNESS = [sys.executable, "-m", "abx.cli"]


def seconds(command: list[str], folder: Path) -> float:
    started = time.perf_counter()
    env = {**os.environ, "PYTHONPATH": str(PROJECT)}
    subprocess.run(command, cwd=folder, env=env, check=True, capture_output=True)
    return time.perf_counter() - started


def help_figure(folder: Path) -> Figure:
    ours = min(seconds([*EARWITNESS, "--help"], folder) for _ in range(10))
    plain = min(seconds([sys.executable, "-c", "pass"], folder) for _ in range(10))
    return Figure(
        "`earwitness --help`",
        f"{ours:.3f} s",
        f"an interpreter that does nothing: {plain:.3f} s",
        f"{ours / plain:.1f} times as long",
        "under 0.4 s",
        ours < 0.4,
    )


def verify_figure(folder: Path, listeners: int) -> Figure:
    study = folder / "earwitness-demo"
    for command in (
        ["simulate", study, "--listeners", listeners],
        ["report", study, "--rehearsal"],
        ["export", study, "--rehearsal", "--bundle", "evidence.zip"],
    ):
        seconds([*EARWITNESS, *map(str, command)], folder)
    ours = seconds([*EARWITNESS, "verify", "evidence.zip"], folder)
    size = (folder / "evidence.zip").stat().st_size
    return Figure(
        f"`earwitness verify` of a bundle of {40 * listeners:,} trials ({size / 1e6:.1f} MB)",
        f"{ours:.1f} s",
        bar="under 30 s",
        met=ours < 30,
    )


def main() -> None:
    """Print one row a command."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--listeners", type=int, default=250)
    parser.add_argument("--part", choices=["start", "verify"])
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        demo = seconds([*EARWITNESS, "demo"], folder)
        if options.part != "verify":
            bar = "under 60 s"
            emit(
                [
                    help_figure(folder),
                    Figure("`earwitness demo`", f"{demo:.1f} s", bar=bar, met=demo < 60),
                ]
            )
        if options.part != "start":
            emit([verify_figure(folder, options.listeners)])


if __name__ == "__main__":
    main()
