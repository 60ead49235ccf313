"""Groups of listeners are claimed only where one varied population does not do as well."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

import numpy as np
import pandas as pd
import pytest
from scipy import optimize

from analysis.models.latent_classes import group_worths
from analysis.models.scattered_panel import (
    Choices,
    ScatteredPanel,
    choices,
    draw_choices,
    fit_scattered,
    widened,
)
from analysis.models.split_statistic import least_size, split_panels
from analysis.preference.depth import depth_blocks
from analysis.preference.fit import fit_preference
from analysis.preference.group_power import POWER, split_power
from analysis.preference.group_test import EXCEEDANCES, LEVEL, N_BOOTSTRAP, find_groups
from analysis.preference.groups_block import groups_block
from analysis.tables.counts import PairCounts
from analysis.tables.stages import stage_table
from analysis.tables.trials import TrialTable, trial_table
from analysis.upgrade.block import upgrade_block

STAGES = ("a", "b", "none", "worn")
FACTORS = pd.DataFrame(
    {
        "stage": ["a", "b", "none", "worn"],
        "cost": [100.0, 200.0, 0.0, 50.0],
    }
)


def panel_of(worths: np.ndarray, per_pair: int, seed: int) -> TrialTable:
    """Return answers of simulated listeners with worths of their own, shape (listeners, 4)."""
    rng = np.random.default_rng(seed)
    rows = []
    for k, own in enumerate(worths):
        for i, j in combinations(range(len(STAGES)), 2):
            chance = 1 / (1 + np.exp(own[j] - own[i]))
            rows += [
                (f"p{k:02d}", "1", "paired", STAGES[i], STAGES[j], "a" if chosen else "b")
                for chosen in rng.random(per_pair) < chance
            ]
    names = ["listener", "session", "method", "stage_a", "stage_b", "answer"]
    frame = pd.DataFrame(rows, columns=names)
    frame["trial"] = frame.groupby("listener").cumcount() + 1
    return trial_table(frame)


def varied(listeners: int, sd: float, seed: int) -> np.ndarray:
    """Return worths of one population: normal about the same middle."""
    rng = np.random.default_rng(seed)
    return np.array([0.6, 0.4, 0.0, -0.2]) + rng.normal(0, sd, (listeners, 4))


@pytest.mark.parametrize("seed", range(5))
def test_one_varied_population_is_not_split_into_groups(seed: int) -> None:
    table = panel_of(varied(24, 1.0, seed), per_pair=5, seed=seed + 100)
    found = fit_preference(table, n_draws=200)
    classes = depth_blocks(table, found)["classes"]
    block = upgrade_block(found, stage_table(FACTORS), classes=classes)
    assert block is not None
    assert block["classes"] == []
    assert classes["membership"] == []


# the continuous population ---------------------------------------------------------------


def counts_of(worths: np.ndarray, per_pair: int, seed: int, tie: float = 0.0) -> PairCounts:
    """Return counts of simulated listeners; `tie` is Davidson's parameter."""
    rng = np.random.default_rng(seed)
    n, size = worths.shape
    first, second = (np.array(side) for side in zip(*combinations(range(size), 2), strict=True))
    gap = (worths[:, first] - worths[:, second]) / 2
    weight = np.stack([np.exp(gap), np.exp(-gap), np.full_like(gap, tie)], axis=2)
    found = rng.multinomial(per_pair, weight / weight.sum(axis=2, keepdims=True))
    names = tuple(f"P{k:03d}" for k in range(n))
    return PairCounts(tuple("abcdefgh"[:size]), names, first, second, found.astype(float))


def by_quadrature(found: Choices, mean: float, variance: float) -> float:
    """Return the log-likelihood of two stages, listeners integrated out over 120 nodes."""
    node, weight = np.polynomial.hermite_e.hermegauss(120)
    eta = (mean + np.sqrt(variance) * node) * found.x[0, 0]
    own = found.won * eta - found.total * np.logaddexp(0, eta)
    return float(np.log(np.exp(own) @ (weight / weight.sum())).sum())


def test_the_likelihood_agrees_with_quadrature_and_is_near_its_maximum() -> None:
    rng = np.random.default_rng(3)
    worths = np.column_stack([rng.normal(0.4, 1.2, 60), np.zeros(60)])
    found = choices(counts_of(worths, 12, 4))
    panel = fit_scattered(found)
    assert panel.converged
    exact = by_quadrature(found, panel.mean[0], panel.along)
    # Laplace's error grows with listeners: 60 of them, each by less than 0.02.
    assert panel.log_likelihood == pytest.approx(exact, abs=60 * 0.02)
    best = optimize.minimize(
        lambda v: -by_quadrature(found, v[0], np.exp(v[1])), [0.0, 0.0], method="Nelder-Mead"
    )
    assert exact == pytest.approx(-best.fun, abs=0.05)
    assert panel.mean[0] == pytest.approx(best.x[0], abs=0.03)
    assert panel.along == pytest.approx(np.exp(best.x[1]), rel=0.08)


def test_the_axis_and_both_variances_are_recovered() -> None:
    rng = np.random.default_rng(5)
    axis = np.array([1.0, -1.0, 0.0, 0.0]) / np.sqrt(2)
    own = 0.5 * rng.standard_normal((400, 4)) + 1.5 * rng.standard_normal((400, 1)) * axis
    found = choices(counts_of(own + np.array([0.5, 0, 0, -0.5]), 10, 6))
    panel = fit_scattered(found)
    assert abs(found.basis @ panel.axis @ axis) > 0.99
    # 0.25 across, 0.25 + 2.25 along; the standard error of a variance of 400 is 7 %.
    assert panel.along == pytest.approx(2.5, rel=0.14)
    assert panel.across == pytest.approx(0.25, rel=0.25)


def test_simulated_panels_have_the_variances_of_the_population() -> None:
    found = choices(counts_of(np.zeros((200, 3)), 40, 7))
    panel = ScatteredPanel(np.array([0.3, -0.2]), np.array([1.0, 0.0]), 1.0, 0.2, 0.0, True)
    won = draw_choices(panel, found.x, found.total, 20, np.random.default_rng(8))
    again = [fit_scattered(replace(found, won=one)) for one in won]
    assert np.mean([one.along for one in again]) == pytest.approx(1.0, rel=0.06)
    assert np.mean([one.across for one in again]) == pytest.approx(0.2, rel=0.06)


def test_what_the_fit_takes_from_the_scatter_is_given_back() -> None:
    rng = np.random.default_rng(2)
    found = choices(counts_of(1.5 * rng.standard_normal((300, 4)), 5, 3))
    panel = fit_scattered(found)
    wide = widened(panel, found, rng)
    # Three free directions of variance 2.25 each.
    truth = 3 * 2.25
    before, after = (one.along + 2 * one.across for one in (panel, wide))
    assert before < truth
    assert abs(after - truth) < abs(before - truth)


def test_ties_are_left_out_and_who_never_decides_is_not_counted() -> None:
    counts = counts_of(np.zeros((10, 3)), 6, 9, tie=1.0)
    counts.counts[4, :, 2] += counts.counts[4, :, :2].sum(axis=1)
    counts.counts[4, :, :2] = 0
    found = choices(counts)
    assert "P004" not in found.listeners
    assert len(found.listeners) == 9
    assert found.total.sum() == counts.counts[:, :, :2].sum()


# the statistic ---------------------------------------------------------------------------


def test_no_stage_and_no_order_of_names_matters_to_the_split() -> None:
    counts = counts_of(np.random.default_rng(1).normal(0, 1, (16, 4)), 6, 2)
    turned = [2, 0, 3, 1]
    place = np.argsort(turned)
    moved = replace(counts, first=place[counts.first], second=place[counts.second])
    one, two = (
        split_panels(found.x, found.won[None], found.total)
        for found in (choices(counts), choices(moved))
    )
    assert one.statistic[0] > 0
    assert two.statistic[0] == pytest.approx(one.statistic[0], abs=1e-6)
    upper = one.upper[0]
    assert min(np.abs(two.upper[0] - upper).max(), np.abs(two.upper[0] - 1 + upper).max()) < 1e-6


def test_listeners_who_answer_alike_give_no_split() -> None:
    counts = counts_of(np.zeros((8, 3)), 4, 3)
    counts.counts[:] = counts.counts[0]
    found = choices(counts)
    split = split_panels(found.x, found.won[None], found.total)
    assert split.statistic[0] == pytest.approx(0, abs=1e-6)
    assert np.isfinite(split.upper).all()


@pytest.mark.parametrize(("listeners", "least"), [(8, 4), (24, 4), (41, 5), (100, 10)])
def test_a_group_has_four_listeners_and_a_tenth_of_the_panel(listeners: int, least: int) -> None:
    assert least_size(listeners) == least


# the search ------------------------------------------------------------------------------

TWO = np.array([[1.5, 0.0, 0.0, -1.5], [-1.5, 0.0, 0.0, 1.5]])


def panel_of_groups(sizes: list[int], centres: np.ndarray, seed: int) -> PairCounts:
    """Return answers of groups whose members differ by an SD of 0.4 logits."""
    own = centres[np.repeat(range(len(sizes)), sizes)]
    rng = np.random.default_rng(seed)
    return counts_of(own + 0.4 * rng.standard_normal(own.shape), 6, seed + 1)


def test_two_groups_are_found_and_numbered_by_size() -> None:
    found = find_groups(panel_of_groups([9, 15], TWO, 11))
    assert found.n_groups == 2
    own = [found.membership[f"P{k:03d}"][0] for k in range(24)]
    assert own == [2] * 9 + [1] * 15
    assert all(0.5 < sure <= 1 for _, sure in found.membership.values())
    first = found.steps[0]
    assert first.passed
    assert first.p_value == (1 + 0) / (first.n_bootstrap + 1) == 1 / 400
    assert first.statistic > 20
    assert not any(step.passed for step in found.steps[1:])


def test_three_groups_are_found_by_splitting_one_of_two() -> None:
    centres = np.array([[2.5, 0, 0, -2.5], [-2.5, 2, -2, 2.5], [-2.5, -2, 2, 2.5]])
    found = find_groups(panel_of_groups([14, 10, 12], centres, 21))
    assert found.n_groups == 3
    own = [found.membership[f"P{k:03d}"][0] for k in range(36)]
    assert own == [1] * 14 + [3] * 10 + [2] * 12
    assert [step.n_groups for step in found.steps] == [2, 3]
    assert found.steps[1].level == LEVEL / 2


def test_an_odd_listener_is_no_group() -> None:
    found = find_groups(panel_of_groups([1, 23], 1.5 * TWO, 31))
    assert found.n_groups == 1
    assert found.membership == {}


def test_level_in_one_population_small_run() -> None:
    """Forty panels of taste SD 1 by the real rule: at 5 % more than five come in 1.4 %."""
    rng = np.random.default_rng(2)
    claimed = 0
    for k in range(40):
        counts = counts_of(rng.normal(0, 1, (16, 4)), 5, 500 + k)
        found = find_groups(counts, seed=k, screened=True, n_bootstrap=99, exceedances=5)
        claimed += found.n_groups > 1
    assert claimed <= 5


def test_simulation_stops_once_twenty_panels_have_reached_the_statistic() -> None:
    counts = counts_of(np.random.default_rng(4).normal(0, 0.6, (12, 3)), 6, 5)
    (step,) = find_groups(counts, screened=True).steps
    assert step.stopped_early
    assert EXCEEDANCES <= step.n_bootstrap < N_BOOTSTRAP
    assert step.p_value == EXCEEDANCES / step.n_bootstrap
    # Stopping changes no decision: whoever stopped lies above the level.
    assert EXCEEDANCES / (N_BOOTSTRAP - 1) > LEVEL


def test_the_same_seed_gives_the_same_answer_and_progress_is_told() -> None:
    counts = counts_of(np.random.default_rng(6).normal(0, 1, (16, 4)), 5, 7)
    told: list[tuple[int, int, str]] = []
    one = find_groups(counts, seed=3, screened=True, progress=lambda *now: told.append(now))
    assert one == find_groups(counts, seed=3, screened=True)
    assert told
    assert all(done <= total == N_BOOTSTRAP and what for done, total, what in told)
    assert told[-1][0] == N_BOOTSTRAP


def test_nothing_is_simulated_where_one_class_is_enough() -> None:
    (step,) = find_groups(counts_of(np.zeros((12, 3)), 6, 8)).steps
    assert (step.screened, step.n_bootstrap, step.passed) == (False, 0, False)
    assert np.isnan(step.p_value)
    few = find_groups(counts_of(np.zeros((7, 3)), 6, 8))
    assert (few.n_groups, few.steps) == (1, ())


# what is said ----------------------------------------------------------------------------


def test_a_long_sitting_does_not_outweigh_short_visits_in_a_group() -> None:
    counts = counts_of(np.zeros((6, 2)), 1, 1)
    counts.counts[:, 0] = [[60.0, 20.0, 0.0]] + [[1.0, 3.0, 0.0]] * 5
    (worth,) = group_worths(counts, np.ones((6, 1)))
    # Mean share (0.75 + 5 * 0.25) / 6 = 1/3, of 16.67 * 6 = 100 scaled answers, and 0.05 added.
    share = (100 / 3 + 0.05) / 100.1
    assert worth[0] - worth[1] == pytest.approx(np.log(share / (1 - share)), abs=1e-9)


def test_the_block_says_why_there_are_no_groups() -> None:
    block = groups_block(counts_of(np.random.default_rng(6).normal(0, 1, (16, 4)), 5, 7), 3)
    assert (block["n_groups"], block["groups"], block["membership"]) == (1, [], [])
    assert block["best_by_bic"] > 1
    assert block["p_value"] > LEVEL
    assert block["words"].startswith("No groups are shown: one population whose tastes vary")
    assert block["steps"][0]["p_value"] == block["p_value"]
    alike = groups_block(counts_of(np.zeros((12, 3)), 6, 8))
    assert (alike["p_value"], alike["n_bootstrap"]) == (pytest.approx(np.nan, nan_ok=True), 0)
    assert alike["words"].startswith("No groups: two do not describe these choices better")


def test_the_block_of_two_groups() -> None:
    block = groups_block(panel_of_groups([9, 15], TWO, 11))
    assert [row["n_listeners"] for row in block["groups"]] == [15, 9]
    assert block["groups"][0]["log_worth"][3] > 1 > -1 > block["groups"][1]["log_worth"][3]
    assert {row["class"] for row in block["membership"]} == {1, 2}
    assert block["words"].startswith("The choices show 2 groups of 15 and 9 listeners")


def test_power_is_looked_up_and_rounded_down() -> None:
    assert split_power(11, 60, 4) is None
    assert split_power(24, 5, 4) is None
    listeners, trials = 24, 30
    row = POWER[listeners, trials]
    found = split_power(listeners + 20, trials + 8, 4)
    assert found is not None
    assert (found.n_listeners, found.n_trials_each) == (listeners, trials)
    assert found.found == row[found.difference]
    # Six stages have five free worths where four have three.
    wide = split_power(listeners, trials * 5 / 3, 6)
    assert wide is not None
    assert (wide.n_trials_each, wide.found) == (trials * 5 // 3, found.found)


def test_a_panel_where_everybody_always_chooses_alike_stays_finite() -> None:
    counts = counts_of(np.zeros((12, 3)), 6, 1)
    counts.counts[:] = 0.0
    counts.counts[:6, :, 0] = counts.counts[6:, :, 1] = 6.0
    panel = fit_scattered(choices(counts))
    assert np.isfinite([panel.along, panel.across, panel.log_likelihood]).all()
    assert find_groups(counts).n_groups == 2


def test_few_answers_of_most_listeners_do_not_make_the_scatter_run_away() -> None:
    rng = np.random.default_rng(1)
    for seed in range(10):
        counts = counts_of(rng.normal(0, 1, (12, 4)), 10, seed)
        kept = rng.random((10, 6)) < 0.5
        counts.counts[2:] = np.minimum(counts.counts[2:], 1.0) * kept[:, :, None]
        panel = fit_scattered(choices(counts))
        assert panel.along < 25
