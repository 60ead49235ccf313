"""Impairment grades and graded pairs: from the trial table to the JSON."""

from __future__ import annotations

import json
from itertools import combinations
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from analysis.ratings.grading import difference_frame
from analysis.ratings.models import ordinal_ratings
from analysis.run import analyse
from analysis.tables.trials import read_trials, trial_table
from stimuli.files.errors import InputError

_GRADED = ["listener", "session", "trial", "method", "programme", "stage_a", "stage_b", "stage_x"]


def graded(means: dict[str, float], listeners: int = 12, seed: int = 1) -> pd.DataFrame:
    """Return difference grades around the given means, listeners who differ."""
    rng = np.random.default_rng(seed)
    rows = []
    for p in range(listeners):
        own, trial = rng.normal(0, 0.3), 0
        for programme in ("kite", "harbour"):
            for stage, mean in means.items():
                trial += 1
                a, b = ("plain", stage) if rng.random() < 0.5 else (stage, "plain")
                grade = round(float(np.clip(mean + own + rng.normal(0, 0.4), -4, 1)), 1)
                row = (f"P{p:02d}", "1", trial, "grading", programme, a, b, "plain", grade)
                rows.append(row)
    return pd.DataFrame(rows, columns=[*_GRADED, "answer"])


def entry(frame: pd.DataFrame) -> dict[str, Any]:
    """Return the only entry of the block, after strict JSON."""
    found = analyse(trial_table(frame)).to_dict()["grading"]
    [only] = json.loads(json.dumps(found, allow_nan=False))
    assert isinstance(only, dict)
    return only


def test_difference_grades_are_tested_between_listeners() -> None:
    frame = graded({"near": 0.0, "far": -1.5})
    found = entry(frame)
    assert (found["reference"], found["n_trials"], found["n_listeners"]) == ("plain", 48, 12)
    whole = {row["stage"]: row for row in found["stages"] if row["programme"] is None}
    for stage, row in whole.items():
        own = frame.loc[(frame["stage_a"] == stage) | (frame["stage_b"] == stage)]
        means = own.groupby("listener")["answer"].mean()
        expected = stats.ttest_1samp(means, 0.0)
        assert row["mean"] == pytest.approx(means.mean())
        assert row["p_value"] == pytest.approx(expected.pvalue)
        low, high = expected.confidence_interval()
        assert (row["ci_low"], row["ci_high"]) == pytest.approx((low, high))
        assert row["told"] == pytest.approx((own["answer"] < 0).mean())
    assert whole["far"]["p_holm"] == pytest.approx(2 * whole["far"]["p_value"])
    assert whole["near"]["above_zero"] > 0
    assert {row["listener"] for row in found["listeners"]} == set(frame["listener"])


def test_words_of_the_scale_as_ordered_steps() -> None:
    found = entry(graded({"near": -0.8, "mid": -1.3, "far": -1.8}, listeners=20))
    ordinal = found["ordinal"]
    assert ordinal["penalty"] == 0
    assert ordinal["converged"]
    odds = {row["stage"]: row["log_odds"] for row in ordinal["stages"]}
    assert ordinal["reference"] == "far"
    assert 0 < odds["mid"] < odds["near"]
    assert len(ordinal["thresholds"]) == len(ordinal["steps_used"]) - 1


def test_ordered_steps_of_two_words_are_a_logit() -> None:
    # Two stages, two words: the log odds ratio of the counts, listeners being alike.
    rows = [
        (f"P{p}", stage, value)
        for p in range(20)
        for stage, values in (("a", [10] * 6 + [90] * 2), ("b", [10] * 3 + [90] * 5))
        for value in values
    ]
    frame = pd.DataFrame(rows, columns=["listener", "stage_a", "rating"])
    found = ordinal_ratings(frame, (50.0,))
    assert found is not None
    expected = np.log(5 / 3) - np.log(2 / 6)
    assert found["stages"][0]["log_odds"] == pytest.approx(expected, abs=1e-4)
    naive = np.sqrt(sum(1 / (20 * n) for n in (6, 2, 3, 5)))
    assert found["stages"][0]["se"] == pytest.approx(naive, abs=1e-3)


def test_grades_that_do_not_overlap_get_a_stated_penalty() -> None:
    frame = graded({"near": -0.5, "far": -3.5})
    near = (frame["stage_a"] == "near") | (frame["stage_b"] == "near")
    frame["answer"] = np.where(near, -0.5, -3.5)
    ordinal = entry(frame)["ordinal"]
    assert ordinal["penalty"] == 0.5
    [row] = ordinal["stages"]
    assert 2 < row["log_odds"] < 20


@pytest.mark.parametrize(
    "change",
    [
        {"answer": 0.0},
        {"answer": -4.0},
        {"listener": "P00"},
        {"control": "obvious"},
    ],
    ids=["all equal", "all worst", "one listener", "only controls"],
)
def test_edges(change: dict[str, Any]) -> None:
    frame = graded({"near": -0.5, "far": -2.0}).assign(**change)
    frame["trial"] = np.arange(len(frame)) + 1
    result = analyse(trial_table(frame)).to_dict()
    found = json.loads(json.dumps(result, allow_nan=False))["grading"]
    if change == {"control": "obvious"}:
        assert found == []
        shown = result["reliability"]["listeners"][0]["controls"]["obvious"]
        assert shown["scored"] == shown["given"] == 4
    else:
        assert found[0]["n_trials"] == len(frame)
        if "answer" in change:
            assert found[0]["ordinal"] is None
            assert found[0]["stages"][0]["p_value"] is None


@pytest.mark.parametrize(
    ("cells", "what"),
    [
        (
            "P1,1,1,grading,far,plain,plain,-4.5",
            r"line 2, column answer: '-4.5' is not a number from -4 to 4",
        ),
        ("P1,1,1,grading,far,near,plain,-1", r"line 2, column stage_x: 'plain' is neither"),
        ("P1,1,1,grading,far,plain,,-1", r"line 2, column stage_x: a trial of method grading"),
    ],
)
def test_faults_name_their_place(tmp_path: Path, cells: str, what: str) -> None:
    path = tmp_path / "t.csv"
    head = "listener,session,trial,method,stage_a,stage_b,stage_x,answer"
    path.write_text(f"{head}\n{cells}\n", encoding="utf-8")
    with pytest.raises(InputError, match=what):
        read_trials(path)


def test_difference_frame_names_the_stage_under_test() -> None:
    frame = difference_frame(trial_table(graded({"far": -1.0})))
    assert set(frame["stage_a"]) == {"far"}
    assert set(frame["reference"]) == {"plain"}


def strengths(worth: dict[str, float], listeners: int = 16) -> pd.DataFrame:
    """Return pairs graded from -3 to 3, each stage in both positions."""
    rng = np.random.default_rng(4)
    rows = []
    for p in range(listeners):
        trial = 0
        for i, j in combinations(worth, 2):
            for a, b in ((i, j), (j, i)):
                trial += 1
                grade = int(np.clip(np.round(worth[a] - worth[b] + rng.logistic()), -3, 3))
                answer = {1: "a", -1: "b", 0: "tie"}[int(np.sign(grade))]
                rows.append((f"P{p:02d}", "1", trial, "paired", a, b, answer, grade))
    names = ["listener", "session", "trial", "method", "stage_a", "stage_b", "answer", "strength"]
    return pd.DataFrame(rows, columns=names)


def test_strength_by_pair_and_on_one_scale() -> None:
    frame = strengths({"a": 0.0, "b": 1.0, "c": 3.0})
    found = analyse(trial_table(frame)).to_dict()["preference"]["strength"]
    [row] = [row for row in found["pairs"] if row["pair"] == ["a", "c"]]
    own = frame.loc[frame["stage_a"].isin(["a", "c"]) & frame["stage_b"].isin(["a", "c"])]
    towards = own["strength"].where(own["stage_a"] == "a", -own["strength"])
    means = towards.groupby(own["listener"]).mean()
    expected = stats.ttest_1samp(means, 0.0)
    assert row["mean"] == pytest.approx(means.mean())
    assert row["p_value"] == pytest.approx(expected.pvalue)
    assert (row["n_trials"], row["n_listeners"]) == (32, 16)
    scale = {stage["stage"]: stage["log_odds"] for stage in found["ordinal"]["stages"]}
    assert scale["a"] < scale["b"] < scale["c"] == 0
    # Logistic noise with unit scale: differences of worth come back as log-odds.
    assert scale["a"] == pytest.approx(-3, abs=0.9)


def test_pairs_without_strength_have_no_block() -> None:
    frame = strengths({"a": 0.0, "b": 1.0}).drop(columns="strength")
    assert analyse(trial_table(frame)).to_dict()["preference"]["strength"] is None


@pytest.mark.parametrize(
    ("value", "answer", "what"),
    [(4, "a", "not a whole number from -3 to 3"), (2, "b", "on another side than the answer")],
)
def test_strength_must_fit_the_answer(value: int, answer: str, what: str) -> None:
    frame = strengths({"a": 0.0, "b": 1.0}).iloc[:1].assign(strength=value, answer=answer)
    with pytest.raises(InputError, match=f"row 1, column strength: .* {what}"):
        trial_table(frame)
