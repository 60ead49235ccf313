"""Blocks that take long say so, can be left out, and are not worked out twice."""

from __future__ import annotations

from itertools import combinations
from typing import Any

import numpy as np
import pandas as pd
import pytest

from analysis import blocks
from analysis import long_blocks as module
from analysis.long_blocks import OPTIONAL, long_blocks, parse_without
from analysis.models.mixed_preference import enough_for_own_worths
from analysis.run import analyse
from analysis.tables.trials import TrialTable, trial_table
from stimuli.files.errors import InputError

#: Blocks of each word, with what they hold when they are left out.
LEFT_OUT = {
    "groups": {("preference", "classes"): None},
    "tastes": {("preference", "mixed"): None, ("choice",): []},
    "programmes": {("preference", "programmes"): None},
    "grades": {("preference", "strength", "ordinal"): None, ("ratings", "ordinal"): None},
    "resampling": {("preference", "stages", 0, "p_best"): None, ("upgrade",): None},
}


def paired(n_listeners: int, n_stages: int, trials: int, seed: int) -> pd.DataFrame:
    """Return paired trials with strengths, in two programmes."""
    rng = np.random.default_rng(seed)
    n = n_listeners * trials
    a = rng.integers(0, n_stages, n)
    b = (a + rng.integers(1, n_stages, n)) % n_stages
    first = rng.random(n) < 0.5 + 0.2 * np.sign(a - b)
    return pd.DataFrame(
        {
            "listener": np.repeat([f"P{k:03d}" for k in range(n_listeners)], trials),
            "session": "1",
            "method": "paired",
            "programme": np.where(rng.random(n) < 0.5, "kite", "harbour"),
            "stage_a": [f"s{k:02d}" for k in a],
            "stage_b": [f"s{k:02d}" for k in b],
            "answer": np.where(first, "a", "b"),
            "strength": np.where(first, 1, -1) * rng.integers(1, 4, n),
        }
    )


def heard(n_listeners: int, seed: int) -> pd.DataFrame:
    """Return ABX trials of four stages."""
    rng = np.random.default_rng(seed)
    pairs = np.array([*combinations(range(4), 2)])[rng.integers(0, 6, n_listeners * 24)]
    names = np.array([f"s{k:02d}" for k in range(4)])
    x = np.where(rng.random(len(pairs)) < 0.5, pairs[:, 0], pairs[:, 1])
    right = rng.random(len(pairs)) < 0.75
    return pd.DataFrame(
        {
            "listener": np.repeat([f"P{k:03d}" for k in range(n_listeners)], 24),
            "session": "2",
            "method": "abx",
            "programme": "kite",
            "stage_a": names[pairs[:, 0]],
            "stage_b": names[pairs[:, 1]],
            "stage_x": names[x],
            "answer": np.where((x == pairs[:, 0]) == right, "a", "b"),
        }
    )


def rated(listeners: list[str], careless: str) -> pd.DataFrame:
    """Return ratings of three stages and a hidden reference that one listener does not find."""
    rng = np.random.default_rng(4)
    stages = ["hidden-reference", "s00", "s01", "s02"]
    rows = [
        (name, "3", "rating", programme, stage)
        for name in listeners
        for programme in ("kite", "harbour", "lantern")
        for stage in stages
    ]
    frame = pd.DataFrame(rows, columns=["listener", "session", "method", "programme", "stage_a"])
    top = frame["stage_a"] == "hidden-reference"
    value = np.where(top, 97, rng.integers(30, 80, len(frame)))
    frame["answer"] = np.where(top & (frame["listener"] == careless), 40, value)
    return frame


def joined(*parts: pd.DataFrame) -> TrialTable:
    frame = pd.concat(parts, ignore_index=True)
    frame["trial"] = frame.groupby(["listener", "session"]).cumcount() + 1
    return trial_table(frame)


def small() -> TrialTable:
    people = [f"P{k:03d}" for k in range(9)]
    return joined(paired(9, 4, 30, 1), heard(9, 2), rated(people, "P003"))


def at(result: Any, path: tuple[Any, ...]) -> Any:
    for step in path:
        result = result[step]
    return result


def stages() -> Any:
    from analysis.tables.stages import stage_table

    names = [f"s{k:02d}" for k in range(4)]
    return stage_table(pd.DataFrame({"stage": names, "cost": [0.0, 1.0, 2.0, 3.0]}))


@pytest.fixture(scope="module")
def whole() -> dict[str, Any]:
    return analyse(small(), stages=stages()).to_dict()


@pytest.mark.parametrize("word", OPTIONAL)
def test_what_is_left_out_is_null_and_nothing_else_changes(
    word: str, whole: dict[str, Any]
) -> None:
    said: list[str] = []
    found = analyse(small(), stages=stages(), without=[word], tell=said.append).to_dict()
    for path, value in LEFT_OUT[word].items():
        assert at(whole, path) != value
        assert at(found, path) == value
    (row,) = found["long_blocks"]
    assert (row["block"], row["left_out"]) == (word, True)
    assert said == [row["sentence"]]
    assert row["sentence"].startswith("Left out, as asked: ")
    untouched = {"discrimination", "reliability", "claims", "growing_panel"}
    assert all(found[name] == whole[name] for name in untouched)
    assert whole["long_blocks"] == []


def test_without_the_models_of_how_listeners_differ() -> None:
    found = analyse(small(), mixed=False).to_dict()
    assert {row["block"] for row in found["long_blocks"]} == {"groups", "tastes"}
    assert found["preference"]["mixed"] is None
    assert found["preference"]["classes"] is None


def test_an_unknown_block_is_named() -> None:
    with pytest.raises(
        InputError, match=r"without: 'ratings' cannot be left out\. Choose from: gr"
    ):
        parse_without(["groups", "ratings"])


def test_a_table_that_takes_long_says_so_before_the_work() -> None:
    # 120 stages: resampling 10,000 panels means as many systems of 119 equations, several times.
    table = joined(paired(300, 120, 60, 3))
    rows = long_blocks(table, frozenset({"groups"}))
    by_name = {row["block"]: row for row in rows}
    assert by_name["groups"]["left_out"]
    assert by_name["resampling"]["expected_s"] > 20
    assert by_name["resampling"]["sentence"].endswith("--without resampling leaves it out.")
    assert long_blocks(joined(paired(30, 6, 20, 3)), frozenset()) == []


@pytest.mark.parametrize(
    ("seconds", "words"), [(21, "20 s"), (89, "90 s"), (200, "3 min"), (9000, "2 h")]
)
def test_times_in_words(seconds: float, words: str) -> None:
    assert module._words(seconds) == words


@pytest.mark.parametrize(
    ("listeners", "trials", "enough"), [(9, 9 * 12, True), (8, 8 * 12, False), (9, 9 * 11, False)]
)
def test_free_correlations_ask_for_three_listeners_and_four_trials_a_worth(
    listeners: int, trials: int, enough: bool
) -> None:
    assert enough_for_own_worths(listeners, trials, 4) is enough


@pytest.mark.parametrize("everywhere", [True, False], ids=["in all methods", "ratings only"])
def test_the_screened_results_are_those_of_the_rest_alone(
    everywhere: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    # A listener who only rated leaves the paired and ABX trials as they are: their fits are kept.
    people = [f"P{k:03d}" for k in range(9)]
    careless = "P003" if everywhere else "R100"
    parts = [paired(9, 4, 30, 1), heard(9, 2), rated([*people, "R100"], careless)]
    calls: list[int] = []
    fit = blocks.fit_preference
    monkeypatch.setattr(blocks, "fit_preference", lambda *a, **k: calls.append(1) or fit(*a, **k))
    found = analyse(joined(*parts), stages=stages(), screening="BS.1534-3").to_dict()["screened"]
    assert found["excluded"] == [careless]
    assert len(calls) == 1 + everywhere
    rest = joined(*(part[part["listener"] != careless] for part in parts))
    alone = analyse(rest, stages=stages(), screening="BS.1534-3").to_dict()
    for name, block in found["results"].items():
        assert block == alone[name], name
