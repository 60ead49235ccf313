"""Region swaps and partial steps: designs, weights, doses."""

from itertools import combinations

import numpy as np
import numpy.testing as npt
import pandas as pd
import pytest

from analysis.experiments.block import region_block, swap_design
from analysis.experiments.dose import dose_block
from analysis.experiments.model import alias, fieller, fit_covariates
from analysis.hearing.pair_cells import forced_choice_cells
from analysis.preference.fit import fit_preference
from analysis.run import analyse
from analysis.tables.stages import stage_table
from analysis.tables.trials import trial_table

from .conftest import answers

NAMES = ("deep_bass", "bass", "mid", "presence", "treble")


# designs -------------------------------------------------------------------------------


@pytest.mark.parametrize(("n", "runs"), [(2, 4), (3, 8), (4, 16), (5, 17), (6, 32)])
def test_designs_are_clear_of_two_way_interactions(n, runs):
    design = swap_design("abcdefg"[:n])
    assert len(design) == runs
    assert not any(design[0].values())
    assert all(design[-1].values())
    x = np.array([[float(v) for v in run.values()] for run in design])
    cross = [(x[:, i] - 0.5) * (x[:, j] - 0.5) * 2 for i, j in combinations(range(n), 2)]
    assert np.abs(alias(x, np.column_stack(cross))).max() < 0.05


def test_designs_need_two_to_seven_different_regions():
    for regions in (["a"], list("abcdefgh"), ["a", "a"]):
        with pytest.raises(ValueError, match="two to seven different"):
            swap_design(regions)


# weights -------------------------------------------------------------------------------


def experiment(weights, *, cross=0.0, runs=None, seed=3, listeners=20, change=4.0):
    """Return trials and stages: 20 listeners by 24 trials of random pairs, as in practice."""
    design = runs or swap_design(NAMES)
    names = [f"r{k:02d}" for k in range(len(design))]
    x = np.array([[float(v) for v in run.values()] for run in design])
    worth = x @ np.array(weights) + cross * x[:, 0] * x[:, 1]
    rng = np.random.default_rng(seed)
    rows = []
    for listener in range(listeners):
        own = worth + x @ rng.normal(0, 0.15, len(NAMES))
        for k in range(24):
            i, j = rng.choice(len(names), 2, replace=False)
            a = rng.random() < 1 / (1 + np.exp(own[j] - own[i]))
            rows.append((f"p{listener}", "1", k + 1, "paired", names[i], names[j], "ba"[int(a)]))
    columns = ["listener", "session", "trial", "method", "stage_a", "stage_b", "answer"]
    table = {"stage": names}
    for k, region in enumerate(NAMES):
        table[f"factor_region_{region}"] = ["new" if v else "old" for v in x[:, k]]
        table[f"metric_region_{region}_db"] = change * x[:, k] - 6
    return trial_table(pd.DataFrame(rows, columns=columns)), stage_table(pd.DataFrame(table))


def test_weights_of_regions_with_their_decibels():
    table, stages = experiment([0.0, 0.4, 0.0, 0.0, 0.9], listeners=60)
    block = region_block(fit_preference(table, n_draws=0), stages)
    found = {row["region"]: row for row in block["regions"]}
    assert found["treble"]["low"] < 0.9 < found["treble"]["high"]
    assert found["bass"]["p_holm"] < 0.05
    assert found["mid"]["p_holm"] > 0.05
    assert found["treble"]["change_db"] == pytest.approx(4)
    assert found["treble"]["per_db"] == pytest.approx(found["treble"]["estimate"] / 4)
    assert found["treble"]["recovered_low"] < 0.9 / 1.3 < found["treble"]["recovered_high"]
    assert "Changing the treble alone recovers" in found["treble"]["words"]
    assert block["clear_of_interactions"]
    assert len(block["interactions"]) == 10
    assert block["n_stages"] == 17


def test_an_interaction_does_not_make_a_null_region_look_alive():
    # Worths with a strong interaction of the first two regions; the others have no effect
    alive = 0
    for seed in range(8):
        table, stages = experiment([0.5, 0.5, 0, 0, 0], cross=0.8, seed=seed)
        block = region_block(fit_preference(table, n_draws=0), stages)
        alive += sum(row["p_value"] < 0.05 for row in block["regions"][2:])
    assert alive <= 5  # of 24 at 5 %: 1.2 expected, P(more than 5) = 0.001


def test_a_quarter_design_is_called_unsafe():
    # 2^(5-2) with D = AB and E = AC mixes regions with interactions
    runs = []
    for a in (False, True):
        for b in (False, True):
            for c in (False, True):
                values = (a, b, c, a == b, a == c)
                runs.append(dict(zip(NAMES, values, strict=True)))
    table, stages = experiment([0.5, 0, 0, 0, 0.5], runs=runs)
    block = region_block(fit_preference(table, n_draws=0), stages)
    assert block["clear_of_interactions"] is False
    assert any("mixed with two-way interactions" in note for note in block["notes"])
    assert block["interactions"] == []


def test_no_share_of_a_gain_that_is_not_shown():
    table, stages = experiment([0.0, 0.0, 0.0, 0.0, 0.0])
    for row in region_block(fit_preference(table, n_draws=0), stages)["regions"]:
        assert row["recovered"] is None
        assert "no gain of which a share" in row["words"]


def test_no_block_without_swaps(panel, stages_with):
    found = fit_preference(panel({"a": 0.0, "b": 1.0}), n_draws=0)
    assert region_block(found, stages_with(factor_region_bass={"a": "old", "b": "new"})) is None
    assert region_block(found, None) is None
    assert region_block(None, None) is None


def test_covariates_agree_with_logistic_regression_and_its_clustered_errors():
    import statsmodels.api as sm

    table, stages = experiment([0.3, -0.4, 0.0, 0.2, 0.9])
    found = fit_preference(table, n_draws=0)
    x = np.array([[float(v) for v in run.values()] for run in swap_design(NAMES)])
    fit = fit_covariates(found.counts, x, NAMES)
    frame = table.of("paired")
    i, j = (frame[c].astype(str).str[1:].astype(int).to_numpy() for c in ("stage_a", "stage_b"))
    won = (frame["answer"] == "a").to_numpy().astype(float)
    clustered = {"groups": frame["listener"].cat.codes.to_numpy(), "use_correction": False}
    known = sm.Logit(won, x[i] - x[j]).fit(disp=0, cov_type="cluster", cov_kwds=clustered)
    npt.assert_allclose(fit.beta, known.params, rtol=1e-6)
    npt.assert_allclose(fit.covariance, known.cov_params() * 20 / 19, rtol=1e-5)
    assert fit.log_likelihood == pytest.approx(known.llf)
    assert stages.factors[0] == "region_deep_bass"


def test_properties_that_comparisons_cannot_tell_apart(panel):
    found = fit_preference(panel({"a": 0.0, "b": 1.0, "c": 0.5}), n_draws=0)
    x = np.array([[0, 0], [1, 1], [2, 2.0]])
    with pytest.raises(ValueError, match="do not tell all of u, v apart"):
        fit_covariates(found.counts, x, ("u", "v"))
    alone = fit_preference(panel({"a": 0.0, "b": 1.0}, listeners=1), n_draws=0)
    with pytest.raises(ValueError, match="two listeners, got 1"):
        fit_covariates(alone.counts, np.array([[0.0], [1.0]]), ("u",))


def test_fieller_interval_holds_the_ratio_as_often_as_it_says():
    rng = np.random.default_rng(1)
    inside = 0
    for _ in range(2000):
        top, bottom = 0.6 + rng.normal(0, 0.2), 1.0 + rng.normal(0, 0.15)
        low, high = fieller(top, bottom, np.diag([0.04, 0.0225]), 1e6)
        inside += low < 0.6 < high
    assert inside / 2000 == pytest.approx(0.95, abs=0.015)
    assert np.isnan(fieller(1.0, 0.1, np.eye(2), 20)).all()


# doses ---------------------------------------------------------------------------------

DOSES = {"d0": 0, "d25": 25, "d50": 50, "d75": 75, "d100": 100}


def dose_trials(share, *, listeners=16, trials=8, seed=2):
    rng = np.random.default_rng(seed)
    rows = []
    for k in range(listeners):
        n = 0
        for name in list(DOSES)[1:]:
            for _ in range(trials):
                n += 1
                x = "d0" if rng.random() < 0.5 else name
                truth = "a" if x == "d0" else "b"
                heard = rng.random() < share[name]
                guess = "ab"[rng.integers(2)]
                rows.append((f"p{k}", "1", n, "abx", "d0", name, x, truth if heard else guess))
    names = ["listener", "session", "trial", "method", "stage_a", "stage_b", "stage_x", "answer"]
    return pd.DataFrame(rows, columns=names)


def dose_stages_table():
    return stage_table(
        pd.DataFrame({"stage": list(DOSES), "factor_dose": [f"{d} %" for d in DOSES.values()]})
    )


def test_smallest_part_of_a_step_that_listeners_notice():
    table = trial_table(dose_trials({"d25": 0.0, "d50": 0.35, "d75": 0.7, "d100": 0.95}))
    block = dose_block(None, forced_choice_cells(table), dose_stages_table())
    assert [step["dose"] for step in block["steps"]] == [25, 50, 75, 100]
    assert block["smallest_noticed"] == 50
    half = block["half_noticed"]
    # true shares cross one half between 50 % (0.35) and 75 % (0.7), at about 61 %
    assert half["low"] < 50 + 25 * 0.15 / 0.35 < half["high"]
    assert "noticed is 50 %" in block["words"]


def test_testing_stops_at_the_first_dose_that_is_not_told():
    # a lucky small dose below one that was not told must not count
    table = trial_table(dose_trials({"d25": 0.9, "d50": 0.0, "d75": 0.9, "d100": 0.9}))
    block = dose_block(None, forced_choice_cells(table), dose_stages_table())
    assert block["smallest_noticed"] == 75


def test_nothing_noticed_and_nothing_asked():
    table = trial_table(dose_trials(dict.fromkeys(list(DOSES)[1:], 0.0)))
    cells = forced_choice_cells(table)
    block = dose_block(None, cells, dose_stages_table())
    assert block["smallest_noticed"] is None
    assert "Not even the largest part" in block["words"]
    assert np.isnan(block["half_noticed"]["dose"])
    asked = dose_block(None, [], dose_stages_table())
    assert asked["half_noticed"] is None
    assert "No trial asks" in asked["words"]
    assert dose_block(None, cells, None) is None


def test_doses_and_swaps_are_no_steps_to_buy_and_reach_the_analysis():
    worth = {"d0": 0.0, "d25": 0.1, "d50": 0.4, "d75": 0.9, "d100": 1.2}
    heard = dose_trials({"d25": 0.0, "d50": 0.4, "d75": 0.8, "d100": 1.0})
    liked = answers(worth, listeners=16, prefix="q")
    table = trial_table(pd.concat([heard, liked], ignore_index=True))
    result = analyse(table, stages=dose_stages_table(), mixed=False).to_dict()
    assert result["upgrade"] is None
    assert result["regions"] is None
    gains = [step["gain"] for step in result["dose"]["steps"]]
    assert gains[0] < gains[-1]
    assert result["dose"]["steps"][-1]["gain_low"] < 1.2 < result["dose"]["steps"][-1]["gain_high"]
