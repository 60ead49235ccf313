"""Primary only by a sealed plan; made stages are nothing to buy and no point of a link."""

from itertools import combinations

import numpy as np
import pandas as pd
import pytest

from analysis.claims.judge import Heard, judge_claims
from analysis.link.block import adjusted_p, fit_links, link_rows
from analysis.link.lack_of_fit import lack_of_fit
from analysis.link.predict import prediction_rows
from analysis.link.programmes import programme_link_rows, programme_table
from analysis.models.bradley_terry import fit_pair_model
from analysis.panels.multiplicity import holm
from analysis.preference.fit import Preference, fit_preference
from analysis.run import analyse
from analysis.tables.counts import PairCounts
from analysis.tables.stages import stage_table
from analysis.tables.trials import trial_table
from analysis.upgrade.lattice import make_lattice

from .conftest import answers

SIX = {"a": -1.5, "b": -0.9, "c": -0.2, "d": 0.3, "e": 0.9, "f": 1.4}
TRUE = {name: 5 - 2 * worth for name, worth in SIX.items()}
OTHER = dict(zip(SIX, [1.0, 3.0, 2.0, 5.0, 4.0, 6.0], strict=True))


def tables(**metrics):
    frame = pd.DataFrame({f"metric_{k}": pd.Series(v) for k, v in metrics.items()})
    return stage_table(frame.rename_axis("stage").reset_index())


@pytest.fixture(scope="module")
def liked():
    return fit_preference(trial_table(answers(SIX, per_pair=3)), n_draws=500)


# primary -------------------------------------------------------------------------------


def test_without_a_sealed_plan_all_metrics_are_exploratory_and_adjusted_together(liked):
    stages = tables(deviation_sd_db=TRUE, other=OTHER)
    rows = link_rows(fit_links(liked, stages))
    assert [row["metric"] for row in rows] == ["deviation_sd_db", "other"]
    assert not any(row["primary"] for row in rows)
    assert all(row["exploratory"] and row["named_by"] is None for row in rows)
    assert [row["n_adjusted"] for row in rows] == [2, 2]
    for own, adjusted in (("p_value", "p_adjusted"), ("p_exact", "p_exact_adjusted")):
        found = holm(np.array([row[own] for row in rows]))
        assert [row[adjusted] for row in rows] == pytest.approx(found.tolist())
    for row in rows:
        assert row["words"].startswith("Exploratory, since no sealed plan names a primary figure")
        assert "adjusted for 2 figures" in row["words"]


def test_a_metric_that_the_analysis_names_comes_first_and_stays_exploratory(liked):
    stages = tables(true=TRUE, other=OTHER)
    rows = link_rows(fit_links(liked, stages, named="other"))
    assert [row["metric"] for row in rows] == ["other", "true"]
    assert [row["named_by"] for row in rows] == ["analysis", None]
    assert not any(row["primary"] for row in rows)
    assert rows[0]["p_adjusted"] >= rows[0]["p_value"]
    assert rows[1]["p_adjusted"] == pytest.approx(2 * rows[1]["p_value"])
    assert rows[0]["words"].startswith("Exploratory, since whoever ran the analysis named this")


def test_the_metric_of_a_sealed_plan_stands_on_its_own(liked):
    rows = link_rows(fit_links(liked, tables(x=OTHER, y=OTHER, true=TRUE), primary="true"))
    assert [(row["primary"], row["exploratory"]) for row in rows] == [
        (True, False),
        (False, True),
        (False, True),
    ]
    assert rows[0]["named_by"] == "plan"
    assert rows[0]["p_adjusted"] == rows[0]["p_value"]
    assert rows[0]["p_exact_adjusted"] == rows[0]["p_exact"]
    assert rows[1]["p_adjusted"] == pytest.approx(min(1, 2 * rows[1]["p_value"]))
    assert rows[0]["words"].startswith("Over 6 stages")
    assert rows[1]["words"].startswith("Exploratory, since the sealed plan names another figure")


def claimed(liked, links, claim="metric true orders the stages"):
    (row,) = judge_claims([claim], Heard([], liked, links=links))
    return row


def test_a_claim_that_comes_with_the_data_counts_every_metric_that_could_be_named(liked):
    noise = {f"n{k}": dict(zip(SIX, v, strict=True)) for k, v in enumerate(_noise(12))}
    stages = tables(true=TRUE, **noise)
    late = claimed(liked, fit_links(liked, stages))
    # The exact p of a perfect order of six is 2/720; Holm over 13 metrics, it being the smallest.
    assert late["p_unadjusted"] == pytest.approx(2 / 720)
    assert late["p_value"] == pytest.approx(13 * 2 / 720)
    assert (late["exploratory"], late["n_adjusted"]) == (True, 13)
    assert "no plan that was sealed before listening makes this claim" in late["words"]
    assert "adjusted for 13 metrics that could have been named p = 0.036" in late["words"]
    sealed = claimed(liked, fit_links(liked, stages, primary="n0", declared=["true"]))
    assert sealed["p_value"] == pytest.approx(2 / 720)
    assert (sealed["exploratory"], sealed["n_adjusted"]) == (False, 1)
    assert "xploratory" not in sealed["words"]


def _noise(n, size=6, seed=3):
    return np.random.default_rng(seed).normal(size=(n, size))


def _quick_panel(rng, n):
    """Counts of 16 simulated listeners whose worths scatter; no resampling."""
    first, second = np.array(list(combinations(range(n), 2))).T
    own = rng.normal(0, 0.7, n) + rng.normal(0, 0.5, (16, n))
    won = rng.binomial(2, 1 / (1 + np.exp(own[:, second] - own[:, first])))
    counts = np.stack([won, 2 - won, 0 * won], axis=2).astype(float)
    names = tuple(f"s{k}" for k in range(n))
    everyone = tuple(f"p{k}" for k in range(16))
    counts = PairCounts(names, everyone, first, second, counts)
    fit = fit_pair_model(counts)
    return Preference(counts, [list(names)], [fit], fit, None, None)


def test_the_best_of_thirteen_noise_metrics_is_not_shown():
    """40 studies of 6 stages: at 5 % two are expected, more than six have a chance below 1 %
    (binomial); unadjusted, the best of 13 would pass in a good third of them."""
    rng = np.random.default_rng(11)
    shown = lucky = 0
    for _ in range(40):
        found = _quick_panel(rng, 6)
        noise = pd.DataFrame({f"metric_m{k}": v for k, v in enumerate(_noise(13, seed=rng))})
        stages = stage_table(noise.assign(stage=found.counts.stages))
        links = fit_links(found, stages, brief=True)
        shown += adjusted_p(links)[0].min() <= 0.05
        lucky += min(link.line.p_value for link in links) <= 0.05
    assert shown <= 6
    assert lucky >= 8


def test_a_prediction_needs_the_sealed_plan(panel):
    worth = dict(zip("abcdefgh", np.linspace(-1.6, 1.6, 8), strict=True))
    metric = {name: 5 - 2 * value for name, value in worth.items()} | {"new": 3.0, "half": 3.0}
    frame = pd.DataFrame({"stage": list(metric), "metric_sd": list(metric.values())})
    stages = stage_table(frame.assign(made=["partial step" * (s == "half") for s in metric]))
    found = fit_preference(panel(worth), n_draws=500)
    (sealed,) = prediction_rows(fit_links(found, stages, primary="sd"), stages)
    assert (sealed["stage"], sealed["declined_reason"]) == ("new", None)
    for options in ({}, {"named": "sd"}):
        (row,) = prediction_rows(fit_links(found, stages, **options), stages)
        assert row["share"] is None
        assert "not the metric named before listening by a sealed plan" in row["declined_reason"]


def test_figures_by_programme_are_adjusted_together():
    frame = answers(SIX, per_pair=4)
    frame["programme"] = np.where(frame["trial"] % 2, "kite", "tide")
    rows = [
        {"programme": p, "stage": s, "metric_true": TRUE[s], "metric_other": OTHER[s]}
        for p in ("kite", "tide")
        for s in SIX
    ]
    found = programme_link_rows(trial_table(frame), programme_table(pd.DataFrame(rows)))
    adjusted = holm(np.array([row["p_exact"] for row in found]))
    assert [row["p_adjusted"] for row in found] == pytest.approx(adjusted.tolist())
    for row in found:
        assert (row["exploratory"], row["n_adjusted"]) == (True, 2)
        assert row["words"].startswith("Exploratory, since no plan names a figure by programme")
        assert "adjusted for 2 figures" in row["words"]


def test_answers_without_any_difference_put_no_stage_above_another():
    """Rounding of the fit is no order: 8 listeners, all ties."""
    frame = answers(SIX, listeners=8).assign(answer="tie")
    found = fit_preference(trial_table(frame), n_draws=100)
    in_order = {name: float(k) for k, name in enumerate(SIX)}
    links = fit_links(found, tables(in_order=in_order), primary="in_order")
    (row,) = link_rows(links)
    assert row["verdict"] == "declined"
    assert "no stage above another" in row["declined_reason"]
    assert claimed(found, links, "metric in_order orders the stages")["verdict"] == "undecided"


# made stages ---------------------------------------------------------------------------

MADE = {"swap": "region swap", "half": "partial step", "copy": "corrected copy", "low": "anchor"}
ALL = SIX | {"swap": 3.0, "half": 2.0, "copy": 2.5, "low": -3.0}


def experiment(**options):
    """Six measured stages at rising prices and four made ones that are liked more."""
    frame = pd.DataFrame({"stage": list(ALL)})
    frame["made"] = frame["stage"].map(MADE).fillna("")
    frame["cost"] = [100.0 * k for k in range(6)] + [np.nan] * 4
    frame["metric_true"] = [5 - 2 * worth for worth in ALL.values()]
    trials = trial_table(answers(ALL, listeners=16))
    return analyse(trials, stages=stage_table(frame), mixed=False, **options).to_dict()


@pytest.fixture(scope="module")
def found():
    return experiment(claims=["metric true orders the stages"], budgets=[250.0])


def test_made_stages_are_no_steps_and_bought_by_no_budget(found):
    upgrade = found["upgrade"]
    assert {row["step"] for row in upgrade["first_step"]} == set("bcdef")
    assert {row["stage"] for row in upgrade["budget"]} <= set(SIX)
    assert upgrade["budget"][0]["spent"] == 200.0
    told = {row["step"] for row in upgrade["order"]}
    told |= {name for row in upgrade["orders"] for name in row["path"] or ()}
    assert not told & set(MADE)
    assert any("nobody can buy them: swap, half, copy, low" in note for note in upgrade["notes"])
    assert found["about"]["made_stages"] == MADE


def test_made_stages_are_no_points_of_the_link(found):
    (row,) = found["link"]
    assert (row["n_stages"], row["pairs_total"], row["df"]) == (6, 15, 4)
    assert {point["stage"] for point in row["points"]} == set(SIX)
    (claim,) = found["claims"]
    assert claim["n_stages"] == 6
    assert claim["p_value"] == pytest.approx(2 / 720)


def test_lack_of_fit_with_made_stages_is_that_of_the_measured_ones(found):
    """As if the answers about made stages had never been given."""
    whole = answers(ALL, listeners=16)
    only = whole[whole["stage_a"].isin(SIX) & whole["stage_b"].isin(SIX)]
    fit = fit_preference(trial_table(only), n_draws=0)
    expected = lack_of_fit(fit.counts, fit.main, np.array([5 - 2 * SIX[s] for s in SIX]))
    (row,) = found["link"]
    assert row["lack_of_fit"]["df"] == 4
    assert row["lack_of_fit"]["statistic"] == pytest.approx(expected.statistic)


def test_a_table_with_made_stages_only_has_nothing_to_buy():
    frame = pd.DataFrame({"stage": ["a", "swap"], "made": ["", "region swap"], "cost": [0.0, 0.0]})
    assert make_lattice(stage_table(frame), ("a", "swap")) is None


def test_parents_of_a_region_experiment_stay_steps():
    """The two measured ends carry the experiment's factors; only the runs between are made."""
    frame = pd.DataFrame(
        {
            "stage": ["old", "aligned", "run-01"],
            "made": ["", "", "region swap"],
            "cost": [0.0, 300.0, np.nan],
            "factor_alignment": ["no", "yes", ""],
            "factor_region_bass": ["old", "aligned", "aligned"],
            "factor_region_mid": ["old", "aligned", "old"],
        }
    )
    lattice = make_lattice(stage_table(frame), ("run-01", "old", "aligned"))
    assert lattice.made == ("run-01",)
    ((steps, stage),) = [item for item in lattice.stage_of.items() if item[0]]
    assert stage == "aligned"
    assert [step.words for step in steps] == ["alignment: no → yes"]
