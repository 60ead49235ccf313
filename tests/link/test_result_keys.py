"""The blocks of the link, the decision and the claims carry the keys that others read."""

import json

import pandas as pd

from analysis.run import analyse
from analysis.tables.stages import stage_table
from analysis.tables.trials import trial_table

from .conftest import answers

SIX = {"a": -1.5, "b": -0.9, "c": -0.2, "d": 0.3, "e": 0.9, "f": 1.4}
LINK = {"metric", "n_stages", "slope", "se", "df", "p_exact", "spearman", "lack_of_fit"}
STEP = {"step", "p_best", "gain", "gain_low", "gain_high", "per_cost"}
CLAIM = {"text", "verdict", "test", "statistic", "p_value", "ci_low", "ci_high", "needs"}


def result(worth, *claims):
    stages = pd.DataFrame(
        {
            "stage": list(worth),
            "cost": [100.0 * k for k in range(len(worth))],
            "metric_noise": [1.0, 3.0, 2.0, 5.0, 4.0, 6.0][: len(worth)],
            "metric_sd_db": [5 - 2 * value for value in worth.values()],
        }
    )
    found = analyse(
        trial_table(answers(worth, per_pair=3)),
        stages=stage_table(stages),
        claims=claims,
        primary_metric="sd_db",
        sealed_plan=True,
        mixed=False,
    ).to_dict()
    return json.loads(json.dumps(found, allow_nan=False))


def test_six_stages_fill_every_key():
    found = result(SIX, "listeners prefer f over a", "listeners prefer a most among nobody")
    primary, other = found["link"]
    assert (primary["metric"], other["metric"]) == ("sd_db", "noise")
    for row in found["link"]:
        assert row.keys() >= LINK | {"verdict", "declined_reason"}
        assert row["lack_of_fit"].keys() >= {"statistic", "df", "p_value"}
        assert row["declined_reason"] is None
        assert row["slope"] is not None
    assert found["upgrade"].keys() >= {"effects", "interactions", "first_step", "order"}
    for step in found["upgrade"]["first_step"]:
        assert step.keys() >= STEP
        assert step["gain_low"] < step["gain"] < step["gain_high"]
        assert step["per_cost_low"] < step["per_cost"] < step["per_cost_high"]
    for claim in found["claims"]:
        assert claim.keys() >= CLAIM | {"who", "conditions", "p_holm"}
    assert [claim["needs"] is None for claim in found["claims"]] == [True, False]


def test_four_stages_decline_and_keep_the_keys():
    found = result({name: SIX[name] for name in "abcd"})
    for row in found["link"]:
        assert row.keys() >= LINK | {"verdict", "declined_reason"}
        assert row["verdict"] == "declined"
        assert "4 stages are 4 points" in row["declined_reason"]
        assert row["slope"] is row["se"] is row["df"] is None
        assert row["p_exact"] is not None
        assert row["n_stages"] == 4
