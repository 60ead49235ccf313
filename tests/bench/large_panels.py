"""Panels of the size that people may bring, analysed whole (simulated listeners).

``python tests/bench/large_panels.py NAME``, with a name of ``PANELS``, prints seconds, megabytes.
"""

from __future__ import annotations

import resource
import sys
import time
from collections.abc import Callable
from itertools import combinations
from typing import Any

import numpy as np
import pandas as pd

from analysis.run import analyse
from analysis.tables.trials import TrialTable, trial_table


def paired(listeners: int, stages: int, trials: int, seed: int) -> pd.DataFrame:
    """Return paired answers of listeners whose worths scatter by 0.5 logits, three programmes."""
    rng = np.random.default_rng(seed)
    n = listeners * trials
    who = np.repeat(np.arange(listeners), trials)
    a = rng.integers(0, stages, n)
    b = (a + rng.integers(1, stages, n)) % stages
    own = np.linspace(0, 1.5, stages) + rng.normal(0, 0.5, (listeners, stages))
    first = rng.random(n) < 1 / (1 + np.exp(own[who, b] - own[who, a]))
    return pd.DataFrame(
        {
            "listener": pd.Series(who).map("P{:04d}".format),
            "session": "paired",
            "method": "paired",
            "programme": np.array(["kite", "harbour", "lantern"])[rng.integers(0, 3, n)],
            "stage_a": pd.Series(a).map("s{:02d}".format),
            "stage_b": pd.Series(b).map("s{:02d}".format),
            "answer": np.where(first, "a", "b"),
        }
    )


def heard(listeners: int, stages: int, trials: int, seed: int) -> pd.DataFrame:
    """Return ABX answers, three of four right."""
    rng = np.random.default_rng(seed)
    n = listeners * trials
    pairs = np.array([*combinations(range(stages), 2)])
    pair = pairs[rng.integers(0, len(pairs), n)]
    x = np.where(rng.random(n) < 0.5, pair[:, 0], pair[:, 1])
    right = rng.random(n) < 0.75
    return pd.DataFrame(
        {
            "listener": pd.Series(np.repeat(np.arange(listeners), trials)).map("P{:04d}".format),
            "session": "abx",
            "method": "abx",
            "programme": "kite",
            "stage_a": pd.Series(pair[:, 0]).map("s{:02d}".format),
            "stage_b": pd.Series(pair[:, 1]).map("s{:02d}".format),
            "stage_x": pd.Series(x).map("s{:02d}".format),
            "answer": np.where((x == pair[:, 0]) == right, "a", "b"),
        }
    )


def rated(listeners: int, stages: int, programmes: int, seed: int) -> pd.DataFrame:
    """Return ratings with listeners' own liking of each stage, an SD of 8 points."""
    rng = np.random.default_rng(seed)
    who, music, stage = (
        part.ravel()
        for part in np.meshgrid(
            *(np.arange(listeners), np.arange(programmes), np.arange(stages)), indexing="ij"
        )
    )
    own = rng.normal(0, 8, (listeners, stages))[who, stage]
    value = np.clip(50 + 3 * stage + own + rng.normal(0, 10, len(who)), 0, 100)
    return pd.DataFrame(
        {
            "listener": pd.Series(who).map("P{:04d}".format),
            "session": "rating",
            "method": "rating",
            "programme": pd.Series(music).map("piece {}".format),
            "stage_a": pd.Series(stage).map("s{:02d}".format),
            "answer": np.round(value).astype(int).astype(str),
        }
    )


def table(*parts: pd.DataFrame) -> TrialTable:
    """Number the trials of each sitting and read them as a table."""
    frame = pd.concat(parts, ignore_index=True)
    frame["trial"] = frame.groupby(["listener", "session"]).cumcount() + 1
    frame["simulated"] = 1
    return trial_table(frame)


#: What is analysed, with the options of the analysis, and the seconds that are allowed.
PANELS: dict[str, tuple[str, Callable[[], TrialTable], dict[str, Any], int]] = {
    "stages": (
        "40 stages, 100 listeners of 50 trials",
        lambda: table(paired(100, 40, 50, 1)),
        {"claims": ["listeners prefer s39 over s00"]},
        20,
    ),
    "ratings": (
        "ratings, 1,000 x 8 stages x 4",
        lambda: table(rated(1000, 8, 4, 1)),
        {},
        20,
    ),
    "methods": (
        "30 listeners, three methods, screened",
        lambda: table(paired(30, 6, 30, 1), heard(30, 4, 24, 2), rated(30, 6, 3, 3)),
        {
            "claims": ["listeners prefer s05 over s00", "listeners can tell s00 from s01"],
            "screening": "BS.1534-3",
        },
        5,
    ),
}


def main() -> None:
    """Analyse one panel in this process."""
    _, make, options, _ = PANELS[sys.argv[1]]
    trials = make()
    started = time.perf_counter()
    analyse(trials, **options).to_dict()
    seconds = time.perf_counter() - started
    print(seconds, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)


if __name__ == "__main__":
    main()
