"""Steps, effects, orders and budgets."""

import json
from itertools import combinations

import numpy as np
import numpy.testing as npt
import pandas as pd
import pytest

from analysis.about import json_ready
from analysis.claims.judge import Heard, judge_claims
from analysis.models.bootstrap import WorthDraws
from analysis.models.bradley_terry import fit_pair_model
from analysis.preference.fit import fit_preference, worth_difference
from analysis.tables.counts import pair_counts
from analysis.tables.stages import stage_table
from analysis.tables.trials import trial_table
from analysis.upgrade.block import upgrade_block
from analysis.upgrade.effects import effect_rows, interaction_rows, shapley_rows
from analysis.upgrade.lattice import make_lattice, step_words
from analysis.upgrade.order import budget_rows, likely_order, order_shares, step_rows
from stimuli.files.errors import InputError

from .conftest import answers

# Two by two with prices: none, A, B, AB
TWO = {"none": 0.0, "a": 1.0, "b": 0.4, "ab": 1.8}
TWO_STAGES = pd.DataFrame(
    {
        "stage": list(TWO),
        "cost": [0.0, 400.0, 100.0, 500.0],
        "labour_h": [0.0, 2.0, 4.0, 5.0],
        "factor_ceiling": ["old", "new", "old", "new"],
        "factor_walls": ["old", "old", "new", "new"],
    }
)


def three_factors():
    """Return worths and stages of a complete design of three factors."""
    worth, rows = {}, []
    for size in range(4):
        for part in combinations("xyz", size):
            name = "".join(part) or "none"
            worth[name] = 0.9 * ("x" in part) + 0.5 * ("y" in part) - 0.2 * ("z" in part)
            worth[name] += 0.6 * ({"x", "z"} <= set(part))
            rows.append({"stage": name, **{f"factor_{f}": str(f in part) for f in "xyz"}})
    return worth, stage_table(pd.DataFrame(rows))


def fitted(worth, **options):
    found = fit_preference(trial_table(answers(worth, **options)), n_draws=500)
    return found.main, found.draws


def known_draws(stages, rows):
    """Return draws that are laid down rather than sampled."""
    return WorthDraws(tuple(stages), np.array(rows, dtype=float), 10, 0)


# stages as sets of steps ---------------------------------------------------------------


def test_stages_become_sets_of_steps():
    lattice = make_lattice(stage_table(TWO_STAGES), tuple(TWO))
    assert lattice.baseline == "none"
    assert {step_words(steps): stage for steps, stage in lattice.stage_of.items()} == {
        "": "none",
        "ceiling": "a",
        "walls": "b",
        "ceiling, walls": "ab",
    }
    ends = [lattice.stage_of[s] for s in lattice.next_states(frozenset())]
    assert sorted(ends) == ["a", "b"]  # never straight to both, since single steps were heard
    context, steps = lattice.complete()
    assert not context
    assert len(steps) == 2


def test_a_package_is_one_step_where_its_parts_were_not_heard():
    part = stage_table(TWO_STAGES[TWO_STAGES["stage"].isin(["none", "ab"])])
    lattice = make_lattice(part, ("none", "ab"))
    assert [lattice.stage_of[s] for s in lattice.next_states(frozenset())] == ["ab"]
    assert lattice.complete() is None


def test_factorial_inside_a_longer_chain_keeps_its_context():
    # A was always first; B and C were then heard in all combinations
    frame = pd.DataFrame(
        {
            "stage": ["0", "a", "ab", "ac", "abc"],
            "factor_a": list("nyyyy"),
            "factor_b": list("nnyny"),
            "factor_c": list("nnnyy"),
        }
    )
    context, steps = make_lattice(stage_table(frame), tuple(frame["stage"])).complete()
    assert step_words(context) == "a"
    assert step_words(frozenset(steps)) == "b, c"


def test_same_factors_twice_and_stages_without_factors():
    frame = TWO_STAGES.assign(factor_walls="old")
    lattice = make_lattice(stage_table(frame), tuple(TWO))
    assert lattice.doubles == ("b", "ab")
    plain = make_lattice(stage_table(TWO_STAGES[["stage"]]), tuple(TWO))
    assert plain.baseline == "none"
    assert sorted(plain.stage_of.values()) == sorted(TWO)
    assert len(plain.next_states(frozenset())) == 3


def test_levels_of_one_factor_are_rivals_not_a_chain():
    frame = pd.DataFrame({"stage": ["0", "c", "g"], "factor_unit": ["old", "cheap", "good"]})
    lattice = make_lattice(stage_table(frame), ("0", "c", "g"))
    assert len(lattice.next_states(frozenset())) == 2
    assert lattice.complete() is None


# effects -------------------------------------------------------------------------------


def test_effects_of_two_by_two_are_the_hand_formulas():
    fit, draws = fitted(TWO, listeners=25)
    lattice = make_lattice(stage_table(TWO_STAGES), fit.stages)
    w = dict(zip(fit.stages, fit.log_worth, strict=True))
    a = ((w["ab"] - w["b"]) + (w["a"] - w["none"])) / 2
    both = w["ab"] - w["a"] - w["b"] + w["none"]
    rows = {row["label"]: row for row in effect_rows(lattice, fit, draws)}
    main = rows["ceiling: old → new, mean over walls"]
    assert main["estimate"] == pytest.approx(a)
    (cross,) = interaction_rows(lattice, fit, draws)
    assert cross["estimate"] == pytest.approx(both)
    # variance k'Vk by hand
    k = np.array([{"ab": 0.5, "b": -0.5, "a": 0.5, "none": -0.5}[name] for name in fit.stages])
    v = fit.worth_covariance(cluster=True) * 25 / 24
    assert main["se"] == pytest.approx(np.sqrt(k @ v @ k))
    # for two factors the Shapley share is the main effect
    share = {row["factor"]: row["estimate"] for row in shapley_rows(lattice, fit, draws)}
    assert share["ceiling"] == pytest.approx(a)


def test_shapley_shares_add_up_and_follow_the_formula():
    worth, stages = three_factors()
    fit, draws = fitted(worth, listeners=20, per_pair=1)
    lattice = make_lattice(stages, fit.stages, baseline="none")
    w = dict(zip(fit.stages, fit.log_worth, strict=True))
    rows = {row["factor"]: row["estimate"] for row in shapley_rows(lattice, fit, draws)}
    assert sum(rows.values()) == pytest.approx(w["xyz"] - w["none"])
    # sum over S of |S|! (m - |S| - 1)! / m!: 1/3 alone, 1/6 after each, 1/3 last
    x = (w["x"] - w["none"]) / 3 + (w["xy"] - w["y"] + w["xz"] - w["z"]) / 6
    assert rows["x"] == pytest.approx(x + (w["xyz"] - w["yz"]) / 3)
    cross = {tuple(r["factors"]): r["estimate"] for r in interaction_rows(lattice, fit, draws)}
    xz = ((w["xz"] - w["x"] - w["z"] + w["none"]) + (w["xyz"] - w["xy"] - w["yz"] + w["y"])) / 2
    assert cross["x", "z"] == pytest.approx(xz)
    assert set(cross) == {("x", "y"), ("x", "z"), ("y", "z"), ("x", "y", "z")}


def test_a_chain_gives_increments_with_their_place_and_nothing_more():
    worth = {"none": 0.0, "a": 0.6, "ab": 1.2}
    frame = TWO_STAGES[TWO_STAGES["stage"].isin(worth)]
    found = fit_preference(trial_table(answers(worth)), n_draws=500)
    block = upgrade_block(found, stage_table(frame))
    assert block["interactions"] == block["shapley"] == []
    assert [row["kind"] for row in block["effects"]] == ["increment"] * 2
    assert [row["label"] for row in block["effects"]] == [
        "ceiling: old → new, as the first step",
        "walls: old → new, after ceiling",
    ]
    assert any("no main effects" in note for note in block["notes"])
    assert any("Only one first step" in note for note in block["notes"])


# steps and orders ----------------------------------------------------------------------

STAGES = ("a", "ab", "b", "none")
#       a    ab   b    none
LAID = [
    [1.0, 1.5, 0.5, 0.0],  # a first, then both
    [1.0, 0.8, 0.5, 0.0],  # a first, then stop: both is liked less
    [0.2, 2.0, 0.9, 0.0],  # b first, then both
    [-0.5, -0.1, -0.2, 0.0],  # nothing beats none
]


@pytest.fixture
def laid():
    lattice = make_lattice(stage_table(TWO_STAGES), tuple(TWO))
    counts = pair_counts(trial_table(answers(TWO)).of("paired"))
    return lattice, fit_pair_model(counts), known_draws(STAGES, LAID)


def test_probabilities_of_steps_counted_by_hand(laid):
    lattice, fit, draws = laid
    rows = {row["step"]: row for row in step_rows(lattice, fit, draws)}
    assert (rows["a"]["p_best"], rows["b"]["p_best"]) == (0.5, 0.25)
    assert (rows["a"]["p_gain"], rows["b"]["p_gain"]) == (0.75, 0.75)
    # per unit of cost b at 100 beats a at 400 in the first three panels
    assert (rows["a"]["p_best_per_cost"], rows["b"]["p_best_per_cost"]) == (0, 0.75)
    assert rows["a"]["per_cost"] == pytest.approx(rows["a"]["gain"] / 400)
    assert rows["b"]["per_hour"] == pytest.approx(rows["b"]["gain"] / 4)
    worth = dict(zip(fit.stages, fit.log_worth, strict=True))
    assert rows["a"]["gain"] == pytest.approx(worth["a"] - worth["none"])


def test_orders_counted_by_hand(laid):
    lattice, fit, draws = laid
    shares = {tuple(row["path"]): row["probability"] for row in order_shares(lattice, fit, draws)}
    assert shares == {("a", "ab"): 0.25, ("a",): 0.25, ("b", "ab"): 0.25, (): 0.25}


def test_a_step_down_is_taken_where_it_leads_up(laid):
    lattice, fit, _ = laid
    draws = known_draws(STAGES, [[-0.1, 2.0, -0.3, 0.0]] * 4)
    assert order_shares(lattice, fit, draws) == [
        {"path": ["a", "ab"], "probability": 1.0, "includes_zero": False}
    ]

    order = likely_order(lattice, fit, draws)
    assert [row["step"] for row in order] == ["a", "ab"]
    assert (order[0]["p_gain"], order[0]["p_stop"], order[1]["p_best"]) == (0, 0, 1)


def test_an_order_is_marked_where_the_interval_of_a_step_includes_0(laid):
    lattice, _, draws = laid
    draws = known_draws(STAGES, [[1.0, 2.0, -0.5, 0.0]] * 4)
    fit, _ = fitted({"none": 0.0, "a": 0.05, "b": -0.4, "ab": 1.8}, listeners=12)
    (only,) = order_shares(lattice, fit, draws)
    assert (only["path"], only["includes_zero"]) == (["a", "ab"], True)
    first, second = likely_order(lattice, fit, draws)
    assert (first["step"], first["includes_zero"]) == ("a", True)
    assert first["gain_low"] < 0 < first["gain_high"]
    assert (second["step"], second["includes_zero"]) == ("ab", False)


def test_one_difference_has_one_number_wherever_it_stands():
    found = fit_preference(trial_table(answers(TWO, listeners=14, per_pair=2)))
    block = upgrade_block(found, stage_table(TWO_STAGES))
    (claim,) = judge_claims(["listeners prefer ab over a"], Heard([], found))
    gap = (claim["estimate"], claim["ci_low"], claim["ci_high"])
    after = next(r for r in block["second_step"] if (r["first"], r["step"]) == ("a", "ab"))
    assert (after["gain"], after["gain_low"], after["gain_high"]) == gap
    effect = next(
        r for r in block["effects"] if (r.get("from_stage"), r.get("to_stage")) == ("a", "ab")
    )
    assert (effect["estimate"], effect["low"], effect["high"]) == gap
    assert effect["p_value"] == claim["p_value"]
    order = next(r for r in block["order"] if r["step"] == "ab")
    assert (order["gain"], order["gain_low"], order["gain_high"]) == gap
    whole = worth_difference(found, "ab", "none")
    budget = next(r for r in block["budget"] if r["stage"] == "ab")
    assert (budget["gain_low"], budget["gain_high"]) == (whole.ci_low, whole.ci_high)


def test_the_order_stops_where_nothing_above_is_liked_better(laid):
    lattice, fit, _ = laid
    draws = known_draws(STAGES, [LAID[1]] * 3 + [LAID[0]])
    assert [row["step"] for row in likely_order(lattice, fit, draws)] == ["a"]


def test_budgets_counted_by_hand(laid):
    lattice, fit, draws = laid
    rows = {row["budget"]: row for row in budget_rows(lattice, fit, draws)}
    assert list(rows) == [0, 100, 400, 500]
    assert (rows[0]["stage"], rows[0]["p_best"], rows[0]["gain"]) == ("none", 1, 0)
    assert (rows[100]["stage"], rows[100]["p_best"]) == ("b", 0.75)
    assert (rows[400]["stage"], rows[400]["p_best"], rows[400]["n_choices"]) == ("a", 0.5, 3)
    assert (rows[500]["stage"], rows[500]["p_best"]) == ("ab", 0.5)
    assert rows[500]["steps"] == "ceiling, walls"
    asked = budget_rows(lattice, fit, draws, budgets=[250, 1000])
    assert [(row["budget"], row["stage"], row["spent"]) for row in asked] == [
        (250, "b", 100),
        (1000, "ab", 500),
    ]
    nothing = budget_rows(lattice, fit, draws, budgets=[-1])
    assert (nothing[0]["stage"], nothing[0]["n_choices"]) == (None, 0)


def test_unknown_costs_give_no_value_for_money():
    frame = TWO_STAGES.assign(cost=[0.0, np.nan, 100.0, 500.0])
    fit, draws = fitted(TWO)
    lattice = make_lattice(stage_table(frame), fit.stages)
    rows = {row["step"]: row for row in step_rows(lattice, fit, draws)}
    assert rows["a"]["per_cost"] is None
    assert rows["b"]["per_cost"] is not None
    assert rows["a"]["p_best_per_cost"] is None  # not every candidate can be compared
    bare = make_lattice(stage_table(TWO_STAGES.drop(columns="cost")), fit.stages)
    assert budget_rows(bare, fit, draws) == []


# the block -----------------------------------------------------------------------------


def test_truth_is_recovered_with_intervals():
    found = fit_preference(trial_table(answers(TWO, listeners=60, per_pair=4, person_sd=0.0)))
    block = upgrade_block(found, stage_table(TWO_STAGES))
    first = {row["step"]: row for row in block["first_step"]}
    assert first["a"]["p_best"] > 0.99
    assert first["a"]["gain_low"] < 1.0 < first["a"]["gain_high"]
    assert first["b"]["gain_low"] < 0.4 < first["b"]["gain_high"]
    assert [row["step"] for row in block["order"]] == ["a", "ab"]
    assert sum(row["probability"] for row in block["orders"]) == pytest.approx(1)
    second = {(row["first"], row["step"]) for row in block["second_step"]}
    assert second == {("a", "ab"), ("b", "ab")}
    assert json.dumps(json_ready(block), allow_nan=False)


def test_groups_that_want_different_things_get_their_own_order():
    bass = answers({"none": 0.0, "a": 2.5, "b": -1.0, "ab": 1.0}, listeners=12, per_pair=4)
    thin = answers(
        {"none": 0.0, "a": -1.5, "b": 2.0, "ab": 0.5}, listeners=10, per_pair=4, seed=9, prefix="q"
    )
    from analysis.preference.depth import depth_blocks

    table = trial_table(pd.concat([bass, thin], ignore_index=True))
    found = fit_preference(table, n_draws=500)
    classes = depth_blocks(table, found)["classes"]
    block = upgrade_block(found, stage_table(TWO_STAGES), classes=classes)
    assert (classes["n_groups"], classes["p_value"]) == (2, 1 / 400)
    groups = block["classes"]
    assert [row["n_listeners"] for row in groups] == [12, 10]
    assert [row["first_step"][0]["step"] for row in groups] == ["a", "b"]
    assert all(row["first_step"][0]["p_best"] > 0.95 for row in groups)


def test_no_block_without_preference_stages_or_a_panel(panel, stages_with):
    stages = stage_table(TWO_STAGES)
    assert upgrade_block(None, stages) is None
    assert upgrade_block(fit_preference(panel(TWO), n_draws=500), None) is None
    assert upgrade_block(fit_preference(panel(TWO, listeners=1)), stages) is None
    assert (
        upgrade_block(fit_preference(panel(TWO), n_draws=500), stages_with(cost={"a": 1.0})) is None
    )


def test_a_baseline_that_nobody_heard_is_named(panel):
    with pytest.raises(InputError, match="baseline: the baseline 'zero' is not one of"):
        upgrade_block(
            fit_preference(panel(TWO), n_draws=500), stage_table(TWO_STAGES), baseline="zero"
        )


def test_another_baseline_turns_the_steps_round(panel):
    block = upgrade_block(
        fit_preference(panel(TWO), n_draws=500), stage_table(TWO_STAGES), baseline="ab"
    )
    assert {row["change"] for row in block["first_step"]} == {
        "ceiling: new → old",
        "walls: new → old",
    }
    npt.assert_array_less([row["gain"] for row in block["first_step"]], 0)
