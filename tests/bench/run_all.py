"""Run the benches one after the other and print one table.

    python tests/bench/run_all.py                   # all, about a quarter of an hour on two cores
    python tests/bench/run_all.py --only rendering  # one of them
    python tests/bench/run_all.py --full            # as long as each bench takes by itself
    python tests/bench/run_all.py --page            # write the page from the record, run nothing

Each bench runs in a process of its own, with nothing beside it. The figures go into
``last_run.json`` beside this file, with date, machine and versions, each bench's when it ran;
the page ``abx/docs/reference/benchmarks.md`` is written from that record.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import re
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
RECORD = HERE / "last_run.json"
PAGE = HERE.parents[1] / "abx" / "docs" / "reference" / "benchmarks.md"
sys.path.insert(0, str(HERE))

from figures import Figure, emitted  # noqa: E402

PACKAGES = ("numpy", "scipy", "pandas", "soundfile", "soxr", "streamlit", "sqlalchemy", "choix")


@dataclass(frozen=True)
class Bench:
    """One script, with the options of the short run, and how its output is read."""

    script: str
    short: tuple[str, ...]
    read: Callable[[str], list[Figure]]
    title: str
    full: tuple[str, ...] = ()


def rendering(output: str) -> list[Figure]:
    """Read the JSON that the rendering bench prints."""
    d = json.loads(output)
    what = f"{d['stages']} stages of a {d['minutes']:g} min stereo track, rendered"
    ours = f"{d['ours_s']:.1f} s"
    figures = [
        Figure(
            what,
            ours,
            "plain script (oaconvolve, pyloudnorm, soxr, soundfile): "
            f"{d['straightforward_s']:.1f} s",
            f"{d['straightforward_over_ours']:.1f} times as fast",
            "at least 4 times",
            d["straightforward_over_ours"] >= 4,
        ),
        Figure(
            what,
            ours,
            f"decode and encode only, one file after the other: {d['copy_serial_s']:.1f} s",
            f"{d['ours_over_copy_serial']:.2f} times as long",
        ),
        Figure(
            what,
            ours,
            f"decode and encode only, on all cores: {d['copy_all_cores_s']:.1f} s",
            f"{d['ours_over_copy_all_cores']:.2f} times as long",
            "at most 1.5 times",
            d["ours_over_copy_all_cores"] <= 1.5,
        ),
        Figure(
            what,
            ours,
            "each finished file decoded and encoded again, on all cores: "
            f"{d['copy_each_all_cores_s']:.1f} s",
            f"{d['ours_over_copy_each']:.2f} times as long",
        ),
    ]
    if "long_peak_mb" in d:
        what = f"memory at a track of {d['long_minutes']:g} min"
        peak = d["long_peak_mb"]
        figures.append(Figure(what, f"{peak:.0f} MB", bar="under 400 MB", met=peak < 400))
    return figures


def statistics(output: str) -> list[Figure]:
    """Read the columns of the statistics bench; the loop is the alternative to the fits."""
    rows = {}
    for line in output.splitlines()[1:]:
        what, figure, bar = line[:40].strip(), line[40:67].strip(), line[67:].strip()
        rows[what] = (figure, bar)
    loop, ratio = rows.pop("loop over choix.ilsr_pairwise"), rows.pop("ratio")
    rows.pop("stages in the draws", None)
    figures = []
    for what, (figure, bar) in rows.items():
        fits = "resampled fits" in what
        figures.append(
            Figure(
                what,
                figure,
                f"loop over choix.ilsr_pairwise: {loop[0]}" if fits else "",
                f"{ratio[0].replace(' x', '')} times as fast" if fits else "",
                f"{bar}, {ratio[1]}" if fits else bar,
                _within(figure, bar),
            )
        )
    return figures


def _within(figure: str, bar: str) -> bool | None:
    """Compare the numbers of a figure with those of its bar, in order."""
    if not bar:
        return None
    found = [float(part) for part in re.findall(r"[\d.]+", figure.split("-")[0])]
    limits = [float(part) for part in re.findall(r"[\d.]+", bar.split("(")[0])]
    return all(one <= limit for one, limit in zip(found, limits, strict=False))


_CELL = re.compile(
    r"^(.+?) +(\d+) listeners +(level|at most|cover|at least|figure) +([\d.]+) % of (\d+)"
    r"(?:  \(([\d.]+) to ([\d.]+)\))?(.*)$",
    re.M,
)


def rates(output: str) -> list[Figure]:
    """Read the cells that the link bench prints, one a line."""
    figures = []
    for what, _, kind, rate, n, low, high, rest in _CELL.findall(output):
        bars = {"figure": "", "at most": f"at most {high} %", "at least": f"at least {low} %"}
        first = re.search(r"first run ([\d.]+ %)", rest)
        again = "" if first is None else f", after {first.group(1)} in the first run"
        figures.append(
            Figure(
                what,
                f"{rate} % of {int(n):,}{again}",
                bar=bars.get(kind, f"{low} to {high} %"),
                met=None if kind == "figure" else "OUTSIDE" not in rest,
            )
        )
    return figures


def levels(output: str) -> list[Figure]:
    """Sum up the calibration bench: how many claims keep their level or cover."""
    rows = re.findall(
        r"^(.+?) +(\d+) listeners .*?([\d.]+) % of \d+  \((.*?)\)[^(]*?(  OUTSIDE)?$", output, re.M
    )
    outside = [f"{name} ({rate} %, {n} listeners)" for name, n, rate, _, mark in rows if mark]
    ours = f"{len(rows) - len(outside)} of {len(rows)} inside"
    if outside:
        ours += f"; outside: {', '.join(outside)}"
    what = "inferential claims whose false alarms or coverage lie inside their bounds"
    return [Figure(what, ours, bar="all", met=not outside)]


def load(output: str) -> list[Figure]:
    """Read the load bench: one line of names and values a size."""
    figures = []
    for line in output.splitlines():
        d = {k: float(v) for k, v in re.findall(r"(\w+) ([-+.\de]+|nan)(?:  |$)", line)}
        if "listeners" not in d:
            continue
        figures.append(
            Figure(
                f"{d['listeners']:.0f} listeners at once, {d['processes']:.0f} process: "
                "answer to acknowledgement",
                f"median {d['ack_p50_ms']:.0f} ms, 99 % {d['ack_p99_ms']:.0f} ms",
                bar=f"99 % under 100 ms, none of {d['answers']:.0f} answers lost",
                met=d["lost"] == 0 and d["ack_p99_ms"] < 100,
            )
        )
    return figures


def last_line(what: str) -> Callable[[str], list[Figure]]:
    """Read a bench whose last line says all; its exit code has said whether it passed."""

    def read(output: str) -> list[Figure]:
        return [Figure(what, line, bar="no fault", met=True) for line in output.splitlines()[-1:]]

    return read


def fuzzing(output: str) -> list[Figure]:
    """Read one line a parser."""
    lines = re.findall(r"^(.+): (\d+ inputs, .*), (\d+) faults, (.*), \d+ s$", output, re.M)
    return [
        Figure(f"{name}, spoilt inputs", f"{counts}, {slowest}", bar="no fault", met=n == "0")
        for name, counts, n, slowest in lines
    ]


BENCHES = {
    "start": Bench("bench_commands.py", ("--part", "start"), emitted, "First ten minutes"),
    "verify": Bench("bench_commands.py", ("--part", "verify"), emitted, "A reviewer's check"),
    "player": Bench("bench_player.py", (), emitted, "The player"),
    "rendering": Bench(
        *("bench_render.py", ("--long", "60"), rendering, "Rendering"),
        full=("--long", "60"),
    ),
    "statistics": Bench("bench_statistics.py", (), statistics, "Analysis"),
    "listeners": Bench(
        *("load_listeners.py", ("--listeners", "50", "--seconds", "20"), load, "Many listeners"),
        full=("--table",),
    ),
    "faults": Bench(
        "soak_faults.py",
        ("--trials", "1000"),
        last_line("answers while processes are killed"),
        "Killed at random",
    ),
    "parsers": Bench("fuzz_parsers.py", ("--inputs", "3000"), fuzzing, "Spoilt input"),
    "rates": Bench("bench_link.py", ("--studies", "2000"), rates, "Error rates of the link"),
    "levels": Bench(
        "bench_calibration.py", ("--studies", "100", "--listeners", "16"), levels, "Levels"
    ),
}


def run(name: str, *, full: bool) -> dict[str, Any]:
    """Run one bench and return what goes into the record."""
    bench = BENCHES[name]
    options = bench.full if full else bench.short
    env = {**os.environ, "PYTHONPATH": str(HERE.parents[1]), "OPENBLAS_NUM_THREADS": "1"}
    busy = round(os.getloadavg()[0], 1)
    started = time.monotonic()
    with tempfile.TemporaryFile("w+") as errors:
        done = subprocess.run(
            [sys.executable, HERE / bench.script, *options],
            stdout=subprocess.PIPE,
            stderr=errors,
            text=True,
            env=env,
            check=False,
        )
        errors.seek(0)
        said = errors.read()
    if done.returncode not in (0, 1) or not done.stdout:
        sys.exit(f"{bench.script} ended with {done.returncode}:\n{said}")
    figures = bench.read(done.stdout)
    if not figures:
        sys.exit(f"{bench.script}: no figure found in its output:\n{done.stdout}{said}")
    return {
        "command": " ".join(["python", f"tests/bench/{bench.script}", *options]),
        "at": datetime.now(UTC).strftime("%Y-%m-%d %H:%M UTC"),
        "took_s": round(time.monotonic() - started, 1),
        "load_before": busy,
        "failed": done.returncode != 0,
        "figures": [asdict(figure) for figure in figures],
    }


def machine() -> dict[str, Any]:
    """Describe the machine and what is installed on it."""
    model = platform.processor() or platform.machine()
    info = Path("/proc/cpuinfo")
    if info.is_file():
        names = re.findall(r"^model name\s*: (.+)$", info.read_text(), re.M)
        model = names[0] if names else model
    memory = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") / 2**30
    return {
        "processor": model,
        "cores": len(os.sched_getaffinity(0)),
        "memory_gib": round(memory, 1),
        "system": f"{platform.system()} {platform.machine()}",
        "python": platform.python_version(),
        "versions": {name: version(name) for name in ("earwitness", *PACKAGES)},
    }


def table(record: dict[str, Any]) -> list[str]:
    """Return the one table, as Markdown."""
    lines = [
        "| measured | earwitness | straightforward alternative, same run | ratio | held to |",
        "|---|---|---|---|---|",
    ]
    for name, bench in BENCHES.items():
        run_of = record["benches"].get(name)
        if run_of is None:
            continue
        lines.append(f"| **{bench.title}** | | | | |")
        for f in run_of["figures"]:
            kept = {True: " ✓", False: " **missed**", None: ""}[f["met"]]
            cells = [f["what"], f["ours"], f["plain"], f["ratio"], f["bar"] + kept]
            lines.append("| " + " | ".join(cell.replace("|", "/") for cell in cells) + " |")
    return lines


def page(record: dict[str, Any]) -> str:
    """Return the page of the documentation, wholly from the record."""
    m = record["machine"]
    versions = ", ".join(f"{name} {number}" for name, number in m["versions"].items())
    runs = [
        f"| `{run_of['command']}` | {run_of['at']} | {run_of['took_s']:.0f} s |"
        f" {run_of.get('load_before', '')} |"
        for name in BENCHES
        if (run_of := record["benches"].get(name)) is not None
    ]
    return "\n".join(
        [
            "# Benchmarks",
            "",
            "This page is written by `tests/bench/run_all.py` from its last run. Seconds belong to",
            "one machine; the ratios are what carries over, since the straightforward alternative",
            "ran on the same files and cores in the same minutes. Listeners are **simulated**",
            "throughout. Beside each error rate of the link stands the number of studies behind",
            "it; the last row comes from a short run of a bench whose own defaults take more",
            "studies, and narrower bounds.",
            "",
            f"{m['processor']}, {m['cores']} cores, {m['memory_gib']} GiB, {m['system']}; "
            f"Python {m['python']}; {versions}.",
            "",
            *table(record),
            "",
            "Bars of simulated rates count the error of the simulation at the nominal rate, two",
            "standard errors of it. A rate beyond its bar is simulated again with another seed and",
            "five times as many studies, and must then stay within one per cent of the nominal",
            "rate.",
            "",
            "## How to repeat it",
            "",
            "In a copy of the repository with its test tools, on a machine that does nothing else:",
            "",
            "```text",
            "python tests/bench/run_all.py",
            "```",
            "",
            "That runs each of these in a process of its own, prints the table, keeps the record",
            "in `tests/bench/last_run.json` and writes this page. `--only NAME` runs one, `--full`",
            "runs all at full length. A load average well above 0 before a bench means that the",
            "machine had other work: then trust its ratios, and no seconds.",
            "",
            "| bench | last run | took | load average before |",
            "|---|---|---|---|",
            *runs,
            "",
        ]
    )


def main() -> int:
    """Run what was asked for, keep the record, print the table and write the page."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--only", choices=BENCHES, action="append")
    parser.add_argument("--full", action="store_true")
    parser.add_argument("--page", action="store_true", help="write the page, run nothing")
    options = parser.parse_args()
    record = json.loads(RECORD.read_text("utf-8")) if RECORD.is_file() else {"benches": {}}
    for name in [] if options.page else options.only or BENCHES:
        print(f"{name} ...", file=sys.stderr, flush=True)
        record["benches"][name] = run(name, full=options.full)
        record["machine"] = machine()
        RECORD.write_text(json.dumps(record, indent=1, ensure_ascii=False) + "\n", "utf-8")
    print("\n".join(table(record)))
    PAGE.write_text(page(record), "utf-8")
    figures = [f for one in record["benches"].values() for f in one["figures"]]
    return int(any(f["met"] is False for f in figures))


if __name__ == "__main__":
    sys.exit(main())
