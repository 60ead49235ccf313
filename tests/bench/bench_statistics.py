"""Speed and memory of the analysis, measured in one run.

``python tests/bench/bench_statistics.py [--trials 1000000]``

Rows, each with the bar it is held to:

- 10,000 Bradley-Terry fits to resampled listeners (8 stages, 50 listeners, 7,500 trials), against a
  loop over ``choix.ilsr_pairwise`` on the same resamples (a sample of it, scaled up);
- a table of a million trials read and analysed without the mixed models, time and peak memory, and
  the growth from 10^4 trials;
- the mixed preference model on the published judgements (21,924 trials, 40 listeners);
- power of a paired study by 2,000 simulated studies.
"""

from __future__ import annotations

import argparse
import os
import platform
import resource
import subprocess
import sys
import tempfile
import time
from itertools import combinations
from pathlib import Path

import numpy as np
import pandas as pd
from large_panels import PANELS

HERE = Path(__file__).parent


def simulated_trials(n: int, *, listeners: int, stages: int, seed: int) -> pd.DataFrame:
    """Return ABX and paired trials of simulated listeners who differ."""
    rng = np.random.default_rng(seed)
    names = np.array([f"stage-{k}" for k in range(stages)])
    worth = np.linspace(0, 1.5, stages)
    own = worth + rng.normal(0, 0.5, (listeners, stages))
    who, a = rng.integers(0, listeners, n), rng.integers(0, stages, n)
    b = (a + rng.integers(1, stages, n)) % stages
    paired = rng.random(n) < 0.5
    x = np.where(rng.random(n) < 0.5, a, b)
    right = rng.random(n) < 0.5 + 0.5 * np.minimum(1, np.abs(worth[a] - worth[b]) / 2)
    first = rng.random(n) < 1 / (1 + np.exp(-(own[who, a] - own[who, b])))
    frame = pd.DataFrame(
        {
            "listener": pd.Series(who).map("P{:04d}".format),
            "session": "1",
            "method": np.where(paired, "paired", "abx"),
            "programme": np.array(["kite", "harbour", "lantern"])[rng.integers(0, 3, n)],
            "stage_a": names[a],
            "stage_b": names[b],
            "stage_x": np.where(paired, "", names[x]),
            "answer": np.where(np.where(paired, first, (x == a) == right), "a", "b"),
            "control": "",
            "simulated": 1,
        }
    )
    frame["trial"] = frame.groupby("listener").cumcount() + 1
    return frame


def bench_resampling() -> list[tuple[str, str, str]]:
    """Time 10,000 listener resamples, and the loop they replace."""
    import choix

    from analysis.models.bootstrap import resample_worths
    from analysis.models.bradley_terry import fit_pair_model
    from analysis.tables.counts import PairCounts

    rng = np.random.default_rng(1)
    first, second = (np.array(side) for side in zip(*combinations(range(8), 2), strict=True))
    own = np.linspace(0, 1.2, 8) + rng.normal(0, 0.5, (50, 8))
    p = 1 / (1 + np.exp(-(own[:, first] - own[:, second])))
    # 7,500 trials are 150 a listener: five or six of each pair.
    total = np.full((50, 28), 5) + (np.arange(28) < 10)
    wins = rng.binomial(total, p)
    counts = PairCounts(
        tuple("abcdefgh"),
        tuple(f"P{k:02d}" for k in range(50)),
        first,
        second,
        np.stack([wins, total - wins, np.zeros_like(wins)], axis=2).astype(float),
    )
    assert counts.n_trials == 7500
    fit = fit_pair_model(counts)
    started = time.perf_counter()
    draws = resample_worths(counts, fit, n_draws=10_000)
    ours = time.perf_counter() - started
    started, loops = time.perf_counter(), 5
    for k in range(loops):
        who = np.random.default_rng(k).integers(0, 50, 50)
        data = [
            pair
            for listener in who
            for cell in range(28)
            for pair in [(first[cell], second[cell])] * wins[listener, cell]
            + [(second[cell], first[cell])] * (total[listener, cell] - wins[listener, cell])
        ]
        choix.ilsr_pairwise(8, data)
    loop = (time.perf_counter() - started) / loops * 10_000
    return [
        ("10,000 resampled fits", f"{ours:.2f} s", "at most 2 s"),
        ("loop over choix.ilsr_pairwise", f"{loop:.0f} s (from {loops})", ""),
        ("ratio", f"{loop / ours:.0f} x", "at least 100 x"),
        ("stages in the draws", str(draws.draws.shape), ""),
    ]


def analyse_file(path: str) -> None:
    """Read and analyse one table in this process and print seconds and peak memory."""
    from analysis.run import analyse
    from analysis.tables.trials import read_trials

    started = time.perf_counter()
    table = read_trials(path)
    analyse(table, claims=["listeners prefer stage-7 most"], mixed=False).to_dict()
    seconds = time.perf_counter() - started
    print(seconds, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)


def bench_tables(most: int) -> list[tuple[str, str, str]]:
    """Time tables of growing size, each in a process of its own."""
    rows, seconds = [], {}
    with tempfile.TemporaryDirectory() as folder:
        for n in (10_000, 100_000, most):
            path = Path(folder) / f"{n}.csv"
            simulated_trials(n, listeners=200, stages=8, seed=1).to_csv(path, index=False)
            done = subprocess.run(
                [sys.executable, __file__, "--one", str(path)],
                check=True,
                capture_output=True,
                text=True,
            )
            seconds[n], memory = (float(part) for part in done.stdout.split())
            bar = "at most 20 s, 2000 MB" if n == most else ""
            rows.append((f"{n:,} trials analysed", f"{seconds[n]:.1f} s, {memory:.0f} MB", bar))
    growth = seconds[most] / seconds[10_000]
    allowed = most * np.log(most) / (10_000 * np.log(10_000))
    rows.append(("growth from 10,000", f"{growth:.1f} x", f"at most {allowed:.0f} x (n log n)"))
    return rows


def bench_panels() -> list[tuple[str, str, str]]:
    """Time the analysis of large panels, each in a process of its own."""
    rows = []
    for name, (what, _, _, allowed) in PANELS.items():
        done = subprocess.run(
            [sys.executable, str(HERE / "large_panels.py"), name],
            check=True,
            capture_output=True,
            text=True,
        )
        seconds, memory = (float(part) for part in done.stdout.split())
        figure = f"{seconds:.1f} s, {memory:.0f} MB"
        rows.append((what, figure, f"at most {allowed} s, 1000 MB"))
    return rows


def bench_models() -> list[tuple[str, str, str]]:
    """Time the mixed preference model and the simulated power."""
    from analysis.models.mixed_preference import fit_mixed_preference
    from analysis.planning.power import paired_power
    from analysis.tables.counts import pair_counts
    from analysis.tables.trials import trial_table

    data = HERE.parent / "analysis" / "data_gpl" / "soundquality_preference_wide.csv"
    wide = pd.read_csv(data, dtype={"id": str})
    pairs = [name for name in wide.columns if ":" in name]
    long = wide.melt(id_vars=["row", "id"], value_vars=pairs)
    stages = long["variable"].str.split(":", expand=True)
    frame = pd.DataFrame(
        {
            "listener": long["id"],
            "session": long["row"],
            "method": "paired",
            "stage_a": stages[0],
            "stage_b": stages[1],
            "answer": np.where(long["value"] == 1, "a", "b"),
        }
    )
    frame["trial"] = frame.groupby(["listener", "session"]).cumcount() + 1
    counts = pair_counts(trial_table(frame).frame)
    started = time.perf_counter()
    fit = fit_mixed_preference(counts)
    mixed = time.perf_counter() - started
    started = time.perf_counter()
    paired_power(np.linspace(0, 1.2, 6), 24, 4, n_studies=2000)
    power = time.perf_counter() - started
    return [
        ("mixed model, 21,924 trials", f"{mixed:.2f} s, {fit.log_likelihood:.2f}", "at most 10 s"),
        ("power, 2,000 studies", f"{power:.2f} s", "at most 5 s"),
    ]


def main() -> None:
    """Run everything and print one table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--trials", type=int, default=1_000_000)
    parser.add_argument("--one", help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.one:
        analyse_file(options.one)
        return
    rows = bench_resampling() + bench_models() + bench_panels() + bench_tables(options.trials)
    machine = f"{platform.machine()}, {os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}"
    print(f"{machine}, Python {platform.python_version()}, numpy {np.__version__}")
    for what, figure, bar in rows:
        print(f"{what:40s} {figure:26s} {bar}")


if __name__ == "__main__":
    main()
