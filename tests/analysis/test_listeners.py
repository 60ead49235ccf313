"""Steadiness of listeners and declared screening."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from analysis.listeners.screening import parse_screening
from analysis.listeners.steadiness import drift, rating_drift, rating_f
from analysis.run import analyse
from analysis.tables.trials import trial_table
from stimuli.files.errors import InputError

Abx = Callable[..., pd.DataFrame]


def _ratings(noise: float) -> pd.DataFrame:
    rng = np.random.default_rng(1)
    rows = [
        (f"P{p}", f"item{k}", stage, 30 + 20 * s + 5 * k + noise * float(rng.normal()))
        for p in range(2)
        for k in range(3)
        for s, stage in enumerate("abc")
    ]
    frame = pd.DataFrame(rows, columns=["listener", "programme", "stage_a", "answer"])
    frame["session"], frame["method"] = "1", "rating"
    frame["trial"] = frame.groupby("listener").cumcount() + 1
    return trial_table(frame).frame


def test_rating_f_is_the_two_way_analysis() -> None:
    frame = _ratings(4.0)
    found = rating_f(frame)["P0"]
    y = frame.loc[frame["listener"] == "P0", "rating"].to_numpy().reshape(3, 3)
    stage = 3 * ((y.mean(axis=0) - y.mean()) ** 2).sum() / 2
    residual = y - y.mean(axis=0) - y.mean(axis=1, keepdims=True) + y.mean()
    f = stage / ((residual**2).sum() / 4)
    assert found["statistic"] == pytest.approx(f)
    assert found["p_value"] == pytest.approx(stats.f.sf(f, 2, 4))
    assert rating_f(_ratings(0.0)) == {}


def test_drift_finds_listeners_who_tire(abx_rows: Abx) -> None:
    # The fixture puts the right answers first, so listeners seem to tire.
    found = drift(trial_table(abx_rows({f"P{k}": (8 + k % 3, 16) for k in range(12)})))
    assert found is not None
    assert found["slope"] < -0.5
    assert found["p_value"] < 1e-6
    assert found["first_half"] > found["second_half"]
    one = drift(trial_table(abx_rows({"P0": (8, 16)})))
    assert one is not None
    assert one["p_value"] is None


def test_drift_is_calibrated(abx_rows: Abx) -> None:
    rng = np.random.default_rng(3)
    p = []
    for _ in range(80):
        frame = abx_rows({f"P{k}": (0, 16) for k in range(12)})
        frame["answer"] = rng.choice(["a", "b"], len(frame))
        found = drift(trial_table(frame))
        assert found is not None
        p.append(found["p_value"])
    # 80 draws: 5 % to three standard errors (2.4 %).
    assert np.mean(np.array(p) <= 0.05) < 0.13


def test_ratings_that_fall_over_the_session() -> None:
    rng = np.random.default_rng(5)
    rows = [
        (f"P{p:02d}", f"item{k}", stage, 60 + 10 * s - 4 * k + float(rng.normal(0, 3)))
        for p in range(12)
        for k, s, stage in ((k, s, "abc"[s]) for k in range(6) for s in rng.permutation(3).tolist())
    ]
    frame = pd.DataFrame(rows, columns=["listener", "programme", "stage_a", "answer"])
    frame["session"], frame["method"] = "1", "rating"
    frame["trial"] = frame.groupby("listener").cumcount() + 1
    # The same item always comes at the same place: a fall from item to item is no drift.
    steady = rating_drift(trial_table(frame))
    assert steady is not None
    assert abs(steady["slope"]) < 3
    frame["programme"] = "one"
    falling = rating_drift(trial_table(frame))
    assert falling is not None
    assert falling["slope"] == pytest.approx(-20 * 17 / 15, abs=3)
    assert falling["p_value"] < 1e-6
    assert rating_drift(trial_table(frame.assign(method="paired", stage_b="z", answer="a"))) is None


def test_screening_shows_both(abx_rows: Abx) -> None:
    frame = abx_rows({f"P{k}": (6 + k % 2, 8) for k in range(8)} | {"P8": (2, 8)})
    frame["control"] = np.where(frame["trial"] >= 7, "obvious", "")
    claims = ["listeners can tell i from j"]
    result = analyse(
        trial_table(frame), claims=claims, screening="obvious controls at least 50 %"
    ).to_dict()
    assert result["about"]["n_listeners"] == 9
    screened = result["screened"]
    assert "P8" in screened["excluded"]
    assert screened["results"]["about"]["n_listeners"] == 9 - len(screened["excluded"])
    assert screened["results"]["claims"][0]["text"] == claims[0]
    assert analyse(trial_table(frame)).to_dict()["screened"] is None


def test_screening_rules_are_parsed() -> None:
    assert parse_screening("repeat agreement at least 60 %").least == 0.6
    assert parse_screening("BS.1534-3").kind == "bs1534"
    for text in ("drop the worst", "obvious controls at least 120 %"):
        with pytest.raises(InputError, match=r"screening: the rule .* has no known form"):
            parse_screening(text)
