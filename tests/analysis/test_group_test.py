"""Groups of listeners are claimed only where one varied population does not do as well."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pandas as pd
import pytest

from analysis.preference import fit_preference
from analysis.preference_depth import depth_blocks
from analysis.stages import stage_table
from analysis.trials import TrialTable, trial_table
from analysis.upgrade import upgrade_block

STAGES = ("a", "b", "none", "worn")
FACTORS = pd.DataFrame(
    {
        "stage": ["a", "b", "none", "worn"],
        "cost": [100.0, 200.0, 0.0, 50.0],
    }
)


def panel_of(worths: np.ndarray, per_pair: int, seed: int) -> TrialTable:
    """Return answers of simulated listeners with worths of their own, shape (listeners, 4)."""
    rng = np.random.default_rng(seed)
    rows = []
    for k, own in enumerate(worths):
        for i, j in combinations(range(len(STAGES)), 2):
            chance = 1 / (1 + np.exp(own[j] - own[i]))
            rows += [
                (f"p{k:02d}", "1", "paired", STAGES[i], STAGES[j], "a" if chosen else "b")
                for chosen in rng.random(per_pair) < chance
            ]
    names = ["listener", "session", "method", "stage_a", "stage_b", "answer"]
    frame = pd.DataFrame(rows, columns=names)
    frame["trial"] = frame.groupby("listener").cumcount() + 1
    return trial_table(frame)


def varied(listeners: int, sd: float, seed: int) -> np.ndarray:
    """Return worths of one population: normal about the same middle."""
    rng = np.random.default_rng(seed)
    return np.array([0.6, 0.4, 0.0, -0.2]) + rng.normal(0, sd, (listeners, 4))


@pytest.mark.parametrize("seed", range(5))
def test_one_varied_population_is_not_split_into_groups(seed: int) -> None:
    table = panel_of(varied(24, 1.0, seed), per_pair=5, seed=seed + 100)
    found = fit_preference(table, n_draws=200)
    classes = depth_blocks(table, found)["classes"]
    block = upgrade_block(found, stage_table(FACTORS), classes=classes)
    assert block is not None
    assert block["classes"] == []
    assert classes["membership"] == []
