"""Panels whose visits differ in length: the listener counts once, not the answer."""

from __future__ import annotations

from itertools import combinations, product

import numpy as np
import numpy.testing as npt
import pandas as pd
import pytest
from scipy import stats

from analysis.hearing.similarity import similarity
from analysis.models.bradley_terry import fit_pair_model
from analysis.models.places import place_balance, places_of
from analysis.panels.mean_tail import mean_tail
from analysis.panels.panel import least_panel, listener_weights, panel_proportion
from analysis.preference.block import preference_block
from analysis.preference.fit import preference_of, worth_difference
from analysis.run import analyse
from analysis.tables.counts import PairCounts
from analysis.tables.trials import trial_table

COUNTER = np.array([60, 60] + [3] * 14)


def dealt(
    worth: list[float], visits: list[int], taste: float, rng: np.random.Generator
) -> PairCounts:
    """Return a simulated panel whose visits deal their questions over all ordered pairs."""
    size = len(worth)
    pairs = [*combinations(range(size), 2), *((j, i) for i, j in combinations(range(size), 2))]
    first, second = (np.array(side) for side in zip(*pairs, strict=True))
    asked = np.zeros((len(visits), len(pairs)), dtype=np.int64)
    for k, n in enumerate(visits):
        asked[k] = n // len(pairs)
        asked[k, rng.permutation(len(pairs))[: n % len(pairs)]] += 1
    own = np.array(worth) + taste * rng.standard_normal((len(visits), size))
    wins = rng.binomial(asked, 1 / (1 + np.exp(own[:, second] - own[:, first])))
    counts = np.stack([wins, asked - wins, 0 * wins], axis=2).astype(float)
    names = tuple(f"P{k:02d}" for k in range(len(visits)))
    return PairCounts(tuple("abcdefgh"[:size]), names, first, second, counts)


# exact tails of the mean -------------------------------------------------------------------


def test_the_tail_is_the_sum_over_all_outcomes() -> None:
    visits, chance = np.array([2, 3, 5]), 0.4
    low = high = 0.0
    for k in product(*(range(n + 1) for n in visits)):
        weight = float(np.prod(stats.binom.pmf(k, visits, chance)))
        mean = float(np.mean(np.array(k) / visits))
        low += weight * (mean <= 0.5 + 1e-12)
        high += weight * (mean >= 0.5 - 1e-12)
    assert mean_tail(visits, 0.5, chance=chance) == pytest.approx(low, abs=1e-12)
    assert mean_tail(visits, 0.5, chance=chance, upper=True) == pytest.approx(high, abs=1e-12)


def test_with_equal_visits_the_tail_is_the_binomial_one() -> None:
    visits = np.full(8, 4)
    assert mean_tail(visits, 20 / 32, chance=0.5, upper=True) == pytest.approx(
        stats.binom.sf(19, 32, 0.5), abs=1e-12
    )


def test_discriminators_and_guessers() -> None:
    # Half of all answers right: by how many of 12 always hear, the others guessing.
    visits, who = np.full(12, 60), np.arange(7)
    by_hand = stats.binom.pmf(who, 12, 0.3) * stats.binom.cdf(360 - 60 * who, 720 - 60 * who, 0.5)
    found = mean_tail(visits, 0.5, chance=0.5, always=0.3)
    assert found == pytest.approx(by_hand.sum(), rel=1e-9)


def test_shares_off_the_grid_are_rounded_against_the_finding() -> None:
    visits = np.array([59, 61, 53, 47, 43, 41, 37])  # no common multiple within the grid
    rng = np.random.default_rng(1)
    drawn = (rng.binomial(visits, 0.5, (400_000, 7)) / visits).mean(axis=1)
    found = mean_tail(visits, 0.47, chance=0.5)
    # 400,000 draws: three standard errors are 0.0018.
    assert found == pytest.approx(float((drawn <= 0.47).mean()), abs=0.002)


@pytest.mark.parametrize(
    ("visits", "mean", "chance"), [([], 0.5, 0.5), ([0, 3], 0.5, 0.5), ([3], 1.5, 0.5)]
)
def test_impossible_visits(visits: list[int], mean: float, chance: float) -> None:
    with pytest.raises(ValueError, match="need"):
        mean_tail(np.array(visits, dtype=int), mean, chance=chance)


# right answers ---------------------------------------------------------------------------


def test_the_estimate_is_the_mean_over_listeners() -> None:
    right = np.array([60, 60] + [1] * 14)
    found = panel_proportion(right, COUNTER, chance=0.5)
    assert found.estimate == pytest.approx((2 + 14 / 3) / 16)
    assert found.over_trials == pytest.approx(134 / 162)
    shares = right / COUNTER
    assert found.se == pytest.approx(shares.std(ddof=1) / 4)
    assert found.p_value == pytest.approx(stats.ttest_1samp(shares, 0.5, alternative="greater")[1])
    # All answers together would have called this heard: p < 0.001 by trials.
    assert stats.binom.sf(133, 162, 0.5) < 1e-3 < 0.5 < found.p_value


def test_with_equal_visits_the_numbers_are_those_of_all_answers() -> None:
    right, trials = np.array([5, 6, 8, 3, 7, 4, 6, 8, 5, 6, 7, 4]), np.full(12, 8)
    found = panel_proportion(right, trials, chance=0.5)
    p = right.sum() / 96
    # Ratio estimator, Cochran (1977) ch. 6, by hand.
    se = np.sqrt(12 / 11 * ((right - 8 * p) ** 2).sum()) / 96
    assert (found.estimate, found.over_trials) == (p, p)
    assert found.se == pytest.approx(se, rel=1e-12)
    assert found.p_value == pytest.approx(stats.t.sf((p - 0.5) / se, 11), rel=1e-12)


def test_few_long_sittings_raise_no_false_alarm() -> None:
    rng = np.random.default_rng(2)
    right = rng.binomial(COUNTER, 0.5, (2000, 16))
    alarms = np.mean([panel_proportion(k, COUNTER, chance=0.5).p_value <= 0.05 for k in right])
    # 2,000 studies: two standard errors of 5 % are 1.0 points; by trials it was 9 %.
    assert alarms <= 0.06


def test_few_who_always_hear_are_not_called_nobody() -> None:
    rng = np.random.default_rng(3)
    trials = np.full(12, 60)
    hears = rng.random((1500, 12)) < 0.3
    right = rng.binomial(60, np.where(hears, 1.0, 0.5))
    found = [similarity(k, trials, chance=0.5, margin=0.3).p_similar for k in right]
    # 1,500 studies: two standard errors of 5 % are 1.1 points; the t alone let 8 % pass.
    assert np.mean(np.array(found) <= 0.05) <= 0.061


# paired preference ------------------------------------------------------------------------


def test_one_pair_is_the_logit_of_the_mean_share() -> None:
    counts = np.zeros((4, 2, 3))
    counts[:, 0, 0], counts[:, 1, 1] = (20, 1, 2, 0), (16, 1, 0, 1)
    counts[:, 0, 1], counts[:, 1, 0] = (10, 1, 0, 2), (14, 1, 2, 1)
    panel = PairCounts(("a", "b"), tuple("PQRS"), np.array([0, 1]), np.array([1, 0]), counts)
    share = np.array([36 / 60, 2 / 4, 2 / 4, 1 / 4])
    found = preference_of(panel, n_draws=0)
    assert found.main is not None
    assert found.ordinary is not None
    assert found.places == ("balanced",)
    assert found.main.log_worth[0] == pytest.approx(
        np.log(share.mean() / (1 - share.mean())), abs=1e-9
    )
    assert found.ordinary.log_worth[0] == pytest.approx(np.log(41 / 31), abs=1e-9)
    # The jackknife of a mean is its standard error; on the logit it is divided by p(1 - p).
    row = worth_difference(found, "a", "b")
    assert row is not None
    p = share.mean()
    assert row.n_listeners == 4
    by_hand = share.std(ddof=1) / 2 / (p * (1 - p))
    naive = np.sqrt((p * (1 - p) / np.array([60, 4, 4, 4])).sum()) / 4 / (p * (1 - p))
    assert row.se == pytest.approx(max(by_hand, naive), rel=1e-9)


def test_with_equal_visits_and_places_one_fit_is_both() -> None:
    panel = dealt([0.0, 0.5, 1.0], [24] * 8, 0.7, np.random.default_rng(4))
    found = preference_of(panel, n_draws=0)
    assert found.main is found.ordinary
    plain = fit_pair_model(panel)
    assert found.main is not None
    npt.assert_array_equal(found.main.log_worth, plain.log_worth)
    npt.assert_array_equal(found.main.covariance_cluster, plain.covariance_cluster)


def test_weights_count_every_listener_once() -> None:
    totals = np.array([60.0, 3.0, 3.0])
    weights = listener_weights(totals)
    npt.assert_allclose(weights * totals, 22.0)
    npt.assert_array_equal(listener_weights(np.array([5.0, 5.0])), np.ones(2))


def test_weighted_errors_are_those_of_leaving_each_listener_out() -> None:
    panel = dealt([0.0, 0.3, 0.8], [36] * 5 + [12] * 25, 0.5, np.random.default_rng(6))
    weights = listener_weights(panel.totals)
    whole = fit_pair_model(panel, weights=weights)
    beta = []
    for k in range(30):
        rest = np.arange(30) != k
        part = PairCounts(
            panel.stages,
            tuple(np.array(panel.listeners)[rest]),
            *(panel.first, panel.second, panel.counts[rest]),
        )
        beta.append(fit_pair_model(part, weights=weights[rest]).beta)
    spread = np.array(beta) - np.mean(beta, axis=0)
    refitted = np.sqrt(np.diag(29 / 30 * spread.T @ spread))
    linearised = np.sqrt(np.diag(whole.covariance_cluster) * 30 / 29)
    # One Newton step stands for each refit; of 30 listeners each moves the worths a little only.
    npt.assert_allclose(linearised, refitted, rtol=0.03)


def test_few_long_sittings_prefer_nothing() -> None:
    rng = np.random.default_rng(7)
    alarms = 0
    for _ in range(400):
        found = preference_of(dealt([0.0, 0.0], list(COUNTER), 1.5, rng), n_draws=0)
        row = worth_difference(found, "a", "b")
        alarms += row is not None and row.p_value <= 0.05
    # 400 studies: two standard errors are 2.2 points; with answers as the unit it was 33 %.
    assert alarms / 400 <= 0.072


def test_a_stage_that_one_listener_heard_rests_on_one() -> None:
    rng = np.random.default_rng(8)
    panel = dealt([0.0, 0.0, 0.0], [24] * 10, 0.0, rng)
    counts = panel.counts.copy()
    third = (panel.first == 2) | (panel.second == 2)
    counts[1:, third] = 0
    alone = PairCounts(panel.stages, panel.listeners, panel.first, panel.second, counts)
    found = preference_of(alone, n_draws=0)
    with_third, others = (worth_difference(found, *pair) for pair in (("a", "c"), ("a", "b")))
    assert with_third is not None
    assert others is not None
    assert with_third.n_bearing == 1 or with_third.n_bearing == 2
    assert others.n_bearing >= 8


# places, small panels, no evidence -------------------------------------------------------------


def test_places_are_checked_by_pair() -> None:
    panel = dealt([0.0, 0.0, 0.0], [24] * 6, 0.0, np.random.default_rng(9))
    assert place_balance(panel) == 0
    assert places_of(panel) == "balanced"
    turned = PairCounts(
        panel.stages,
        panel.listeners,
        np.minimum(panel.first, panel.second),
        np.maximum(panel.first, panel.second),
        panel.counts,
    )
    assert place_balance(turned) == 0.5


def rows(answers: list[tuple[str, str, str, str]]) -> pd.DataFrame:
    """Return paired trials from (listener, stage_a, stage_b, answer)."""
    frame = pd.DataFrame(answers, columns=["listener", "stage_a", "stage_b", "answer"])
    frame["session"], frame["method"] = "1", "paired"
    frame["trial"] = frame.groupby("listener").cumcount() + 1
    return frame


def test_a_habit_of_place_is_no_preference() -> None:
    # Everybody chooses place A in three of four trials, and "new" always stands there.
    table = rows(
        [
            (f"P{k:02d}", "new", "old", "b" if n % 4 == 0 else "a")
            for k in range(12)
            for n in range(8)
        ]
    )
    result = analyse(
        trial_table(table), claims=["listeners prefer new over old"], mixed=False
    ).to_dict()
    (claim,) = result["claims"]
    assert claim["verdict"] == "undecided"
    assert claim["places"] == "confounded"
    assert "cannot be told apart" in claim["words"]
    assert "both orders" in claim["needs"]


def test_an_uneven_order_is_allowed_for() -> None:
    # "new" stands in place A three times out of four; place A is chosen whatever stands there.
    answers = []
    for k in range(16):
        for n in range(8):
            pair = ("new", "old") if n % 4 else ("old", "new")
            answers.append((f"P{k:02d}", *pair, "b" if (n + k) % 5 == 0 else "a"))
    result = analyse(
        trial_table(rows(answers)), claims=["listeners prefer new over old"], mixed=False
    ).to_dict()
    (claim,) = result["claims"]
    assert claim["places"] == "allowed for"
    assert claim["verdict"] == "undecided"
    assert result["preference"]["places"] == "allowed for"


@pytest.mark.parametrize(
    ("alpha", "sides", "least"),
    # 2 / 2**6 = 0.031, 2 / 2**8 = 0.0078 < 0.05 / 6, 1 / 2**5 = 0.031 but never below 6
    [(0.05, 2, 6), (0.05 / 6, 2, 8), (0.05, 1, 6), (0.01, 2, 8), (1 / 2**9, 2, 10)],
)
def test_least_panel(alpha: float, sides: int, least: int) -> None:
    assert least_panel(alpha, sides=sides) == least


@pytest.mark.parametrize(("alpha", "sides"), [(0.0, 2), (1.0, 2), (0.05, 3)])
def test_least_panel_refuses(alpha: float, sides: int) -> None:
    with pytest.raises(ValueError, match="level"):
        least_panel(alpha, sides=sides)


def test_three_who_agree_decide_nothing() -> None:
    table = rows([(f"P{k}", "new", "old", "a") for k in range(3)])
    result = analyse(
        trial_table(table), claims=["listeners prefer new over old"], mixed=False
    ).to_dict()
    (claim,) = result["claims"]
    assert claim["verdict"] == "undecided"
    assert all(row["p_best"] is None for row in result["preference"]["stages"])
    assert result["upgrade"] is None


def test_nothing_but_ties_puts_nobody_first() -> None:
    table = rows(
        [
            (f"P{k}", *(("a", "b") if n % 2 else ("b", "a")), "tie")
            for k in range(8)
            for n in range(4)
        ]
    )
    result = analyse(trial_table(table), mixed=False).to_dict()
    for row in result["preference"]["stages"]:
        assert row["p_best"] is None
        assert row["rank_probabilities"] == [None, None]


def test_equal_stages_share_a_draw() -> None:
    panel = dealt([0.0, 0.0], [4] * 8, 0.0, np.random.default_rng(1))
    counts = np.zeros_like(panel.counts)
    # Four listeners always choose a, four always b, in either order.
    for own, stage in ((slice(0, 4), 0), (slice(4, 8), 1)):
        counts[own, panel.first == stage, 0] = 1
        counts[own, panel.second == stage, 1] = 1
    found = preference_of(
        PairCounts(panel.stages, panel.listeners, panel.first, panel.second, counts), n_draws=500
    )
    block = preference_block(found)
    best = [row["p_best"] for row in block["stages"]]
    assert sum(best) == pytest.approx(1)
    npt.assert_allclose(np.sum([row["rank_probabilities"] for row in block["stages"]], axis=0), 1)
