"""Predictions only where a link has earned them."""

import numpy as np
import pytest

from analysis.link.block import fit_links
from analysis.link.predict import predict_share, prediction_rows
from analysis.link.regression import leave_one_out
from analysis.preference.fit import fit_preference

EIGHT = dict(zip("abcdefgh", np.linspace(-1.6, 1.6, 8), strict=True))
METRIC = {name: 5 - 2 * worth for name, worth in EIGHT.items()}


def link_of(panel, stages_with, metric=METRIC, worth=EIGHT, which=0, **more):
    columns = {"metric_sd_db": metric} | more
    found = fit_preference(panel(worth, listeners=24, per_pair=2), n_draws=1000)
    return fit_links(found, stages_with(**columns), primary="sd_db")[which]


def test_leave_one_out_by_least_squares():
    # numpy.polyfit on the other stages, where all scatter is between stages
    rng = np.random.default_rng(4)
    x = rng.normal(size=7)
    y = x + rng.normal(size=7)
    found = leave_one_out(y, 1e-10 * np.eye(7), x)
    for k in range(7):
        rest = np.arange(7) != k
        slope, level = np.polyfit(x[rest], y[rest], 1)
        assert found[k] == pytest.approx(level + slope * x[k], rel=1e-5)
    assert leave_one_out(y, np.eye(7), np.array([1.0, 0, 0, 0, 0, 0, 0])) is None


def test_a_new_stage_is_predicted_with_its_uncertainty(panel, stages_with):
    link = link_of(panel, stages_with)
    found = predict_share(link, METRIC["e"])
    truth = 1 / (1 + np.exp(EIGHT["h"] - EIGHT["e"]))
    assert found.against == "h"
    assert found.share_low < truth < found.share_high
    assert found.share == pytest.approx(truth, abs=0.12)
    assert found.p_better < 0.05
    assert found.declined_reason is None
    assert "rests on 8 stages" in found.words
    assert 0 < found.error < link.error_of_mean
    loose = predict_share(link, METRIC["e"], repeat_sd=1.5)
    assert loose.share_high - loose.share_low > found.share_high - found.share_low


def test_scatter_of_stages_widens_the_prediction(panel, stages_with):
    rng = np.random.default_rng(12)
    rough = {name: value + rng.normal(0, 0.4) for name, value in METRIC.items()}
    tight, wide = link_of(panel, stages_with), link_of(panel, stages_with, metric=rough)
    # A level at which scatter this small is no lack of fit.
    a, b = (predict_share(link, 4.0, alpha=1e-3) for link in (tight, wide))
    assert wide.line.tau > tight.line.tau
    assert b.share_high - b.share_low > a.share_high - a.share_low


@pytest.mark.parametrize(
    ("change", "value", "words"),
    [
        ({}, 30.0, "outside the range that listeners heard"),
        (
            {"metric": dict(zip(EIGHT, [3, 1, 2, 5, 1, 4, 2, 3.5], strict=True))},
            3.0,
            "did not pass",
        ),
        ({"worth": {n: EIGHT[n] for n in "adeh"}}, 4.0, "4 stages cannot test a rule"),
        ({"metric": dict.fromkeys(EIGHT, 1.0)}, 1.0, "same for all stages"),
        ({"which": 1, "metric_other": METRIC}, 4.0, "not the metric named before listening"),
    ],
)
def test_it_declines_and_says_what_would_allow_one(panel, stages_with, change, value, words):
    found = predict_share(link_of(panel, stages_with, **change), value)
    assert words in found.declined_reason
    assert found.share is found.share_low is found.share_high is found.p_better is None
    assert found.words.startswith("No prediction: ")


def test_stages_of_the_table_that_nobody_compared(panel, stages_with):
    metric = METRIC | {"new": 3.0, "far": 40.0, "blank": float("nan")}
    stages = stages_with(metric_sd_db=metric, metric_sd_db_repeat_sd=dict.fromkeys(metric, 0.1))
    found = fit_preference(panel(EIGHT, listeners=24), n_draws=1000)
    links = fit_links(found, stages, primary="sd_db")
    rows = {row["stage"]: row for row in prediction_rows(links, stages)}
    assert set(rows) == {"new", "far"}
    assert rows["new"]["share_low"] < rows["new"]["share"] < rows["new"]["share_high"]
    assert rows["new"]["repeat_sd_known"]
    assert "outside the range" in rows["far"]["declined_reason"]
    assert prediction_rows([], stages) == prediction_rows(links, None) == []
