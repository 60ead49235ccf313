"""Published figures and small tables for the analysis tests."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from analysis.run import analyse
from analysis.tables.trials import TrialTable, trial_table

HERE = Path(__file__).parent


@pytest.fixture(scope="session")
def reference() -> Callable[[str], pd.DataFrame]:
    """Read a table of published or recomputed figures."""

    def read(name: str) -> pd.DataFrame:
        return pd.read_csv(HERE / "reference" / f"{name}.csv", keep_default_na=False)

    return read


@pytest.fixture(scope="session")
def gpl_data() -> Callable[[str], pd.DataFrame]:
    """Read a data set of the folder with its own licence."""

    def read(name: str, **options: Any) -> pd.DataFrame:
        return pd.read_csv(HERE / "data_gpl" / f"{name}.csv", **options)

    return read


@pytest.fixture(scope="session")
def judgements(gpl_data: Callable[..., pd.DataFrame]) -> pd.DataFrame:
    """Return the published preference judgements as trials (Choisel & Wickelmaier 2007)."""
    wide = gpl_data("soundquality_preference_wide", dtype={"id": str})
    pairs = [name for name in wide.columns if ":" in name]
    long = wide.melt(id_vars=["row", "id", "time", "progmat", "repet"], value_vars=pairs)
    stages = long["variable"].str.split(":", expand=True)
    frame = pd.DataFrame(
        {
            "listener": long["id"],
            "session": "sheet " + long["row"].astype(str),
            "method": "paired",
            "programme": long["progmat"],
            "stage_a": stages[0],
            "stage_b": stages[1],
            "answer": np.where(long["value"] == 1, "a", "b"),
            "time": long["time"],
            "repet": long["repet"],
        }
    )
    frame["trial"] = frame.groupby(["listener", "session"]).cumcount() + 1
    return frame


@pytest.fixture(scope="session")
def judgement_table(judgements: pd.DataFrame) -> TrialTable:
    """Return the same, checked."""
    return trial_table(judgements)


@pytest.fixture(scope="session")
def judgement_result(judgement_table: TrialTable) -> dict[str, Any]:
    """Return the analysis of the published judgements with one claim."""
    return analyse(judgement_table, claims=["listeners prefer Stereo over Mono"]).to_dict()


def rows_of(cells: list[tuple[str, str, str, str, int]]) -> pd.DataFrame:
    """Return paired trials from (listener, stage_a, stage_b, answer, times)."""
    rows = [cell[:4] for cell in cells for _ in range(cell[4])]
    frame = pd.DataFrame(rows, columns=["listener", "stage_a", "stage_b", "answer"])
    frame["session"] = "1"
    frame["method"] = "paired"
    frame["trial"] = frame.groupby("listener").cumcount() + 1
    return frame


@pytest.fixture
def paired_rows() -> Callable[[list[tuple[str, str, str, str, int]]], pd.DataFrame]:
    """Make paired trials from counts."""
    return rows_of


@pytest.fixture
def abx_rows() -> Callable[..., pd.DataFrame]:
    """Make ABX trials of a pair: counts of right answers by listener."""

    def make(right: dict[str, tuple[int, int]], pair: tuple[str, str] = ("i", "j")) -> pd.DataFrame:
        rows = []
        for listener, (correct, trials) in right.items():
            for k in range(trials):
                a, b = pair if k % 2 else pair[::-1]
                x = a if k % 4 < 2 else b
                truth = "a" if x == a else "b"
                other = "b" if truth == "a" else "a"
                answer = truth if k < correct else other
                rows.append((listener, "1", k + 1, "abx", a, b, x, answer))
        names = ["listener", "session", "trial", "method", "stage_a", "stage_b", "stage_x"]
        return pd.DataFrame(rows, columns=[*names, "answer"])

    return make
