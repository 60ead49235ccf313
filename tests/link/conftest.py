"""Panels of simulated listeners for the link and the decision."""

from __future__ import annotations

from collections.abc import Callable
from itertools import combinations
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from analysis.tables.stages import StageTable, stage_table
from analysis.tables.trials import TrialTable, trial_table

GPL_DATA = Path(__file__).parent.parent / "analysis" / "data_gpl"


def answers(
    worth: dict[str, float],
    *,
    listeners: int = 24,
    per_pair: int = 2,
    person_sd: float = 0.4,
    seed: int = 1,
    pairs: list[tuple[str, str]] | None = None,
    prefix: str = "p",
) -> pd.DataFrame:
    """Return paired answers of simulated listeners whose worths scatter about the given ones."""
    rng = np.random.default_rng(seed)
    names = list(worth)
    rows = []
    for k in range(listeners):
        own = {name: worth[name] + rng.normal(0, person_sd) for name in names}
        for i, j in pairs or combinations(names, 2):
            for n in range(per_pair):
                a, b = (i, j) if n % 2 else (j, i)
                chosen = rng.random() < 1 / (1 + np.exp(own[b] - own[a]))
                rows.append((f"{prefix}{k:02d}", "paired", a, b, "a" if chosen else "b"))
    frame = pd.DataFrame(rows, columns=["listener", "method", "stage_a", "stage_b", "answer"])
    frame["session"] = "1"
    frame["trial"] = frame.groupby("listener").cumcount() + 1
    return frame


@pytest.fixture
def panel() -> Callable[..., TrialTable]:
    """Make a checked table of paired answers from true worths."""
    return lambda worth, **options: trial_table(answers(worth, **options))


@pytest.fixture
def stages_with() -> Callable[..., StageTable]:
    """Make a stage table from columns by stage."""

    def make(**columns: dict[str, object]) -> StageTable:
        return stage_table(pd.DataFrame(columns).rename_axis("stage").reset_index())

    return make
