"""The JSON of the whole analysis, and input at the edge."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd
import pytest

from analysis.about import json_ready
from analysis.run import analyse
from analysis.tables.trials import TrialTable, trial_table
from stimuli.files.errors import InputError

Abx = Callable[..., pd.DataFrame]
Rows = Callable[[list[tuple[str, str, str, str, int]]], pd.DataFrame]

CLAIMS = ("listeners can tell i from j", "listeners prefer i over j", "listeners prefer i most")


def strict(result: dict[str, Any]) -> dict[str, Any]:
    """Return the result after a trip through strict JSON."""
    found: dict[str, Any] = json.loads(json.dumps(result, allow_nan=False))
    return found


def test_blocks_carry_their_counts(judgement_result: dict[str, Any]) -> None:
    result = strict(judgement_result)
    wanted = {"about", "discrimination", "preference", "reliability", "ratings", "claims"}
    assert wanted <= set(result)
    for name in ("preference", "reliability"):
        assert result[name]["n_trials"] == 21_924
        assert result[name]["n_listeners"] == 40
        assert result[name]["method"]
    assert result["about"]["n_trials"] == 21_924
    assert result["about"]["methods"] == {"paired": 21_924}
    assert result["about"]["software"]["scipy"]
    assert result["claims"][0]["verdict"] == "supported"
    assert result["preference"]["reference"] == "WideStereo"
    assert -1 < result["reliability"]["kendall_u"] < 1


def test_same_input_same_result_in_any_order_of_rows(judgements: pd.DataFrame) -> None:
    part = judgements.iloc[:600]
    shuffled = part.sample(frac=1, random_state=1)
    assert strict(analyse(trial_table(part)).to_dict()) == strict(
        analyse(trial_table(shuffled)).to_dict()
    )


@pytest.mark.parametrize(
    "right",
    [
        {"P1": (0, 8)},
        {"P1": (8, 8)},
        {"P1": (0, 8), "P2": (0, 8)},
        {f"P{k}": (8, 8) for k in range(13)},
        {f"P{k}": (0, 8) for k in range(13)},
        {"P1": (1, 1)},
    ],
    ids=["one none", "one all", "two none", "all all", "none all", "one trial"],
)
def test_discrimination_edges(abx_rows: Abx, right: dict[str, tuple[int, int]]) -> None:
    result = strict(analyse(trial_table(abx_rows(right)), claims=CLAIMS).to_dict())
    row = result["discrimination"][0]
    assert row["n_listeners"] == len(right)
    assert 0 <= row["ci_low"] <= row["proportion"] <= row["ci_high"] <= 1
    assert (row["d_prime"] is None) == (row["proportion"] == 1)
    assert row["d_prime_low"] is not None
    supported = [claim["verdict"] == "supported" for claim in result["claims"]]
    assert supported == [row["proportion"] == 1 and len(right) > 1, False, False]


@pytest.mark.parametrize(
    "cells",
    [
        [("P1", "i", "j", "a", 1)],
        [("P1", "i", "j", "a", 5), ("P2", "i", "j", "a", 5)],
        [("P1", "i", "j", "tie", 3), ("P2", "i", "j", "tie", 3)],
        [("P1", "i", "j", "a", 1), ("P2", "x", "y", "b", 1)],
        [("P1", "i", "j", "a", 2), ("P1", "j", "k", "a", 2), ("P2", "i", "k", "tie", 1)],
        [("P1", "i", "j", "a", 3), ("P2", "i", "j", "b", 3)],
        [("P1", "i", "j", "a", 1), ("P1", "i", "j", "tie", 1), ("P2", "j", "i", "a", 2)],
    ],
    ids=["one trial", "separated", "ties", "unlinked", "missing cells", "opposed", "few ties"],
)
def test_preference_edges(paired_rows: Rows, cells: list[tuple[str, str, str, str, int]]) -> None:
    result = strict(analyse(trial_table(paired_rows(cells)), claims=CLAIMS).to_dict())
    assert result["preference"]["n_trials"] == sum(cell[4] for cell in cells)
    assert all(claim["verdict"] in {"undecided", "supported"} for claim in result["claims"])
    linked = [row for row in result["preference"]["stages"] if row["log_worth"] is not None]
    assert sum(row["worth"] for row in linked) == pytest.approx(1)


def test_bad_arguments(judgement_table: TrialTable) -> None:
    with pytest.raises(InputError, match="alpha: 2 is not between 0 and 1"):
        analyse(judgement_table, alpha=2).to_dict()
    with pytest.raises(InputError, match=r"claim 1: the claim 'x' has no known form"):
        analyse(judgement_table, claims=["x"]).to_dict()


def test_json_ready_turns_everything_plain() -> None:
    value = {
        "a": np.float64("nan"),
        "b": (np.int64(3), np.bool_(True)),
        "c": np.array([1.5, np.inf]),
    }
    assert json_ready(value) == {"a": None, "b": [3, True], "c": [1.5, None]}


def test_package_imports_alone() -> None:
    code = (
        "import sys, analysis.run, analysis.tables.trials, analysis.tables.stages\n"
        "bad = {'streamlit', 'sqlalchemy', 'sounddevice', 'abx'} & set(sys.modules)\n"
        "assert not bad, bad\n"
    )
    subprocess.run([sys.executable, "-c", code], check=True)
