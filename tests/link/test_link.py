"""The link between measured figures and worths."""

import json
from math import factorial

import numpy as np
import numpy.testing as npt
import pytest
from scipy import stats

from analysis.about import json_ready
from analysis.link.block import fit_links, link_rows
from analysis.link.lack_of_fit import lack_of_fit
from analysis.link.permutation import line_band, order_test, rank_correlations, smallest_order_p
from analysis.link.predict import predict_share
from analysis.link.regression import contrasts, fit_scatter, worth_covariance
from analysis.link.words import link_words
from analysis.preference.fit import fit_preference
from analysis.run import analyse
from analysis.tables.counts import pair_counts
from stimuli.files.errors import InputError

SIX = {"a": -1.5, "b": -0.9, "c": -0.2, "d": 0.3, "e": 0.9, "f": 1.4}
FOUR = {name: SIX[name] for name in "abcd"}


def link_block(preference, stages, *, primary=None):
    """Fit every link and write its row, as an analysis does."""
    return link_rows(fit_links(preference, stages, primary=primary))


def values(worth, *, slope=-2.0, sd=0.0, seed=0):
    rng = np.random.default_rng(seed)
    return {name: slope * w + 5 + rng.normal(0, sd) for name, w in worth.items()}


# the exact order test ------------------------------------------------------------------


@pytest.mark.parametrize(("n", "smallest"), [(4, 0.0833), (5, 0.0167), (6, 0.0028)])
def test_smallest_p_that_an_order_can_reach(n, smallest):
    # Two of n! orders, the right one and its reverse
    assert smallest_order_p(n) == pytest.approx(smallest, abs=5e-5)
    found = order_test(np.arange(n), np.arange(n) ** 3.0)
    assert (found.spearman, found.p_value) == (pytest.approx(1), pytest.approx(2 / factorial(n)))


def test_null_distribution_of_four_stages():
    # Hand count over 24 orders: |1.0| 1 each, |0.8| 3, |0.6| 1, |0.4| 4, |0.2| 2, 0 twice
    tail = {1.0: 2, 0.8: 8, 0.6: 10, 0.4: 18, 0.2: 22, 0.0: 24}
    orders = {0.8: [1, 0, 2, 3], 0.4: [0, 3, 1, 2], 0.2: [1, 2, 3, 0], 0.0: [1, 3, 0, 2]}
    for size, order in orders.items():
        found = order_test(np.arange(4), np.array(order))
        assert abs(found.spearman) == pytest.approx(size)
        assert found.p_value == pytest.approx(tail[size] / 24)


def test_many_stages_are_sampled_and_agree_with_scipy():
    rng = np.random.default_rng(3)
    x = rng.normal(size=12)
    y = 0.6 * x + rng.normal(size=12)
    found = order_test(x, y)
    known = stats.spearmanr(x, y)
    assert found.spearman == pytest.approx(known.statistic)
    assert not found.exact
    # Monte Carlo error of 20 000 orders and the t approximation of the other side
    assert found.p_value == pytest.approx(known.pvalue, abs=0.01)


def test_ties_and_constants_in_an_order():
    assert order_test(np.array([1, 1, 2, 3.0]), np.array([1, 2, 3, 4.0])).spearman == pytest.approx(
        stats.spearmanr([1, 1, 2, 3], [1, 2, 3, 4]).statistic
    )
    assert np.isnan(order_test(np.ones(4), np.arange(4)).p_value)
    assert np.isnan(rank_correlations(np.ones((2, 4)), np.arange(8.0).reshape(2, 4))).all()


# the regression ------------------------------------------------------------------------


def test_equal_and_negligible_errors_give_ordinary_least_squares():
    # With V near zero and all scatter between stages the method is the textbook line
    rng = np.random.default_rng(8)
    x, y = rng.normal(size=8), rng.normal(size=8)
    known = stats.linregress(x, y)
    found = fit_scatter(y, 1e-10 * np.eye(8), x)
    assert found.slope == pytest.approx(known.slope)
    assert found.se == pytest.approx(known.stderr, rel=1e-5)
    assert found.p_value == pytest.approx(known.pvalue, rel=1e-5)
    assert found.tau == pytest.approx(np.sqrt(np.sum(found.residual**2) / 6), rel=1e-4)


def test_known_errors_and_no_scatter_give_weighted_least_squares():
    # statsmodels GLS on the contrasts with the known covariance, no scatter in the data
    import statsmodels.api as sm

    rng = np.random.default_rng(2)
    a = rng.normal(size=(7, 7))
    v = a @ a.T / 7 + np.eye(7)
    x = rng.normal(size=7)
    y = 0.5 * x + 0.1 * rng.normal(size=7)  # far less than the errors say
    c = contrasts(7)
    known = sm.GLS(c @ y, c @ x, sigma=c @ v @ c.T).fit()
    found = fit_scatter(y, v, x)
    assert found.tau < 1e-4
    assert found.slope == pytest.approx(known.params[0], rel=1e-6)
    # residuals smaller than stated must not shrink the error: the factor stays at one
    assert found.se == pytest.approx(np.sqrt(known.normalized_cov_params[0, 0]), rel=1e-6)


def test_the_zero_of_the_worths_does_not_matter():
    rng = np.random.default_rng(5)
    x, y, v = rng.normal(size=6), rng.normal(size=6), np.diag(rng.uniform(0.01, 0.1, 6))
    shifted = v + 3.0  # a common part, as another reference stage would add
    npt.assert_allclose(fit_scatter(y + 7, shifted, x).slope, fit_scatter(y, v, x).slope)
    npt.assert_allclose(fit_scatter(y + 7, shifted, x).p_value, fit_scatter(y, v, x).p_value)


def test_a_line_needs_three_stages_and_a_metric_that_varies():
    with pytest.raises(ValueError, match="three stages at least, got 2"):
        fit_scatter(np.zeros(2), np.eye(2), np.arange(2.0))
    with pytest.raises(ValueError, match="same for all"):
        fit_scatter(np.zeros(4), np.eye(4), np.ones(4))


def test_few_listeners_get_the_scaled_covariance(panel):
    many = fit_preference(panel(SIX, listeners=30), n_draws=0).main
    few = fit_preference(panel(SIX, listeners=8), n_draws=0).main
    assert worth_covariance(many)[1] == "clustered"
    v, kind = worth_covariance(few)
    assert kind == "scaled"
    ratio = v[:-1, :-1] / few.worth_covariance(cluster=False)[:-1, :-1]
    assert ratio.min() == pytest.approx(ratio.max())
    assert ratio.min() >= 1
    alone = fit_preference(panel(SIX, listeners=1), n_draws=0).main
    with pytest.raises(ValueError, match="one listener"):
        worth_covariance(alone)


# lack of fit ---------------------------------------------------------------------------


def test_lack_of_fit_is_twice_the_gain_in_likelihood(panel):
    # statsmodels logistic regressions: own worths against one covariate
    import statsmodels.api as sm

    table = panel(FOUR, listeners=20, per_pair=4)
    found = fit_preference(table, n_draws=0)
    x = np.array([4.0, 1.0, 3.0, 0.5])
    frame = table.of("paired")
    place = {name: k for k, name in enumerate(found.main.stages)}
    i, j = (frame[c].astype(str).map(place).to_numpy() for c in ("stage_a", "stage_b"))
    won = (frame["answer"] == "a").to_numpy().astype(float)
    own = np.eye(4)[i] - np.eye(4)[j]
    saturated = sm.Logit(won, own[:, :3]).fit(disp=0)
    covariate = sm.Logit(won, (x[i] - x[j])[:, None]).fit(disp=0)
    result = lack_of_fit(found.counts, found.main, x)
    assert result.statistic == pytest.approx(2 * (saturated.llf - covariate.llf), rel=1e-8)
    assert result.slope_trials == pytest.approx(covariate.params[0], rel=1e-6)
    assert result.df == 2
    assert result.p_value_trials == pytest.approx(stats.chi2.sf(result.statistic, 2))


def test_independent_trials_need_no_design_effect(panel):
    table = panel(FOUR, listeners=300, per_pair=1, person_sd=0.0)
    found = fit_preference(table, n_draws=0)
    result = lack_of_fit(found.counts, found.main, np.array([1.0, 5.0, 2.0, 0.0]))
    assert result.design_effect == pytest.approx(1, abs=0.2)
    assert result.p_value == pytest.approx(result.p_value_trials, abs=0.05)


def test_listeners_with_tastes_of_their_own_weaken_the_lack_of_fit(panel):
    found = fit_preference(panel(FOUR, listeners=20, per_pair=6, person_sd=1.5), n_draws=0)
    result = lack_of_fit(found.counts, found.main, np.array([1.0, 3.0, 2.0, 0.0]))
    assert result.design_effect > 2
    assert result.p_value > result.p_value_trials


# the block -----------------------------------------------------------------------------


def test_a_true_metric_over_six_stages_is_supported(panel, stages_with):
    stages = stages_with(metric_true_db=values(SIX), metric_noise=values(SIX, slope=0, sd=1))
    rows = link_block(fit_preference(panel(SIX), n_draws=500), stages, primary="true_db")
    first, second = rows
    assert (first["metric"], first["primary"], first["n_stages"]) == ("true_db", True, 6)
    assert first["verdict"] == "supported"
    assert first["declined_reason"] is None
    assert first["slope"] == pytest.approx(-0.5, abs=0.15)
    assert first["ci_low"] < -0.5 < first["ci_high"]
    assert (first["spearman"], first["df"]) == (pytest.approx(-1), 4)
    assert first["compatible"]
    assert second["verdict"] == "undecided"
    assert second["p_adjusted"] == pytest.approx(second["p_value"])  # Holm over one other metric


@pytest.mark.parametrize("n", [3, 4, 5])
def test_fewer_than_six_stages_decline_and_say_why(panel, stages_with, n):
    worth = {name: SIX[name] for name in "abcdef"[:n]}
    stages = stages_with(metric_true_db=values(worth))
    row = link_block(fit_preference(panel(worth), n_draws=500), stages, primary="true_db")[0]
    assert row["verdict"] == "declined"
    assert f"{n} stages are {n} points" in row["declined_reason"]
    assert "no prediction" in row["declined_reason"]
    for key in ("slope", "se", "df", "p_value", "ci_low", "ci_high", "tau"):
        assert row[key] is None
    assert np.isnan(row["p_adjusted"])
    assert row["p_exact"] == pytest.approx(2 / factorial(n))
    assert row["pairs_agree"] == row["pairs_total"] == n * (n - 1) // 2
    assert row["lack_of_fit"]["df"] == n - 2
    assert "+" not in row["words"]  # no slope is told


def test_a_metric_that_misses_the_worths_is_not_compatible(panel, stages_with):
    wrong = dict(zip(SIX, [3.0, 1.0, 2.5, 0.0, 2.0, 1.5], strict=True))
    row = link_block(
        fit_preference(panel(SIX), n_draws=500), stages_with(metric_x=wrong), primary="x"
    )[0]
    assert row["compatible"] is False
    assert row["verdict"] == "undecided"
    assert row["tau"] > 0.5


def test_measurement_spread_widens_the_interval_and_is_told(panel, stages_with):
    found = fit_preference(panel(SIX), n_draws=500)
    sure = stages_with(metric_x=values(SIX), metric_x_repeat_sd=dict.fromkeys(SIX, 0.01))
    loose = stages_with(metric_x=values(SIX), metric_x_repeat_sd=dict.fromkeys(SIX, 0.8))
    unknown = stages_with(metric_x=values(SIX))
    a, b, c = (link_block(found, s, primary="x")[0] for s in (sure, loose, unknown))
    assert b["ci_high"] - b["ci_low"] > 1.05 * (a["ci_high"] - a["ci_low"])
    assert a["p_value"] == b["p_value"]
    # 1 - 0.8² over the variance of the metric, by hand
    variance = np.var(list(values(SIX).values()), ddof=1)
    assert b["reliability"] == pytest.approx(1 - 0.64 / variance)
    assert np.isnan(c["reliability"])
    assert b["pairs_resolved"] < a["pairs_resolved"] == 15
    assert c["pairs_resolved"] is None
    assert b["resampled"]["spearman_high"] > a["resampled"]["spearman_high"] - 1e-9
    assert not c["resampled"]["measurement_included"]


def test_others_are_adjusted_by_holm_and_the_primary_is_not(panel, stages_with):
    columns = {f"metric_m{k}": values(SIX, sd=0.6, seed=k) for k in range(4)}
    rows = link_block(fit_preference(panel(SIX), n_draws=500), stages_with(**columns), primary="m2")
    assert [row["metric"] for row in rows] == ["m2", "m0", "m1", "m3"]
    assert rows[0]["p_adjusted"] == rows[0]["p_value"]
    others = sorted(row["p_value"] for row in rows[1:])
    smallest = min(row["p_adjusted"] for row in rows[1:])
    assert smallest == pytest.approx(min(1, 3 * others[0]))


@pytest.mark.parametrize(
    ("columns", "words"),
    [
        ({"metric_x": dict.fromkeys(SIX, 2.0)}, "same for all stages"),
        ({"metric_x": {"a": 1.0, "b": 2.0}}, "Only 2 compared stages"),
    ],
)
def test_metrics_that_cannot_be_held_against_worths(panel, stages_with, columns, words):
    row = link_block(fit_preference(panel(SIX), n_draws=500), stages_with(**columns), primary="x")[
        0
    ]
    assert row["verdict"] == "declined"
    assert words in row["declined_reason"]
    assert row["words"] == row["declined_reason"]


def test_one_listener_is_declined(panel, stages_with):
    row = link_block(
        fit_preference(panel(SIX, listeners=1)), stages_with(metric_x=values(SIX)), primary="x"
    )[0]
    assert "other listeners" in row["declined_reason"]


def test_an_unknown_primary_metric_is_named(panel, stages_with):
    with pytest.raises(InputError, match=r"metric_y: .*'y' is not in the stage table.*one of: x"):
        fit_links(
            fit_preference(panel(FOUR), n_draws=100),
            stages_with(metric_x=values(FOUR)),
            primary="y",
        )


def test_nothing_to_link(panel, stages_with):
    assert fit_links(None, stages_with(metric_x=values(FOUR))) == []
    assert fit_links(fit_preference(panel(FOUR), n_draws=100), None) == []
    assert fit_links(fit_preference(panel(FOUR), n_draws=100), stages_with(cost={"a": 1.0})) == []


def test_band_of_shuffled_lines_holds_an_unrelated_line():
    x = np.arange(7.0)
    y = np.array([0, 1, -1, 0, 1, -1, 0.0])
    band = line_band(x, y)
    assert len(band["x"]) == len(band["low"]) == len(band["high"])
    assert np.all(np.array(band["low"]) <= 0)
    assert np.all(np.array(band["high"]) >= 0)


def test_a_pair_counts_the_block_in_the_analysis_is_plain_json(panel, stages_with):
    table = panel(SIX, listeners=14)
    result = analyse(table, stages=stages_with(metric_x=values(SIX)), mixed=False).to_dict()
    row = result["link"][0]
    assert row["n_trials"] == pair_counts(table.of("paired")).n_trials
    assert json.loads(json.dumps(json_ready(row), allow_nan=False)) == row


def test_lack_of_fit_holds_both_models_to_the_same_answers(panel):
    # Unequal visits and unbalanced places: the metric's model is inside the one of own worths.
    table = panel(FOUR, listeners=20, per_pair=3)
    frame = table.frame
    few = frame["listener"].isin([f"p{k:02d}" for k in range(15)]) & (frame["trial"] > 6)
    table = table.keeping(~few)
    found = fit_preference(table, n_draws=0)
    own = found.main.log_worth
    exact = lack_of_fit(found.counts, found.main, own)
    assert exact.statistic == pytest.approx(0.0, abs=1e-6)
    assert lack_of_fit(found.counts, found.main, np.array([4.0, 1.0, 3.0, 0.5])).statistic > 0


def test_the_order_is_told_the_way_it_mostly_goes(panel, stages_with):
    stages = stages_with(metric_x=values(SIX))
    (row,) = link_block(fit_preference(panel(SIX), n_draws=500), stages)
    falling = row | {"spearman": -0.9, "pairs_agree": 14, "pairs_opposed": 1, "pairs_total": 15}
    said = link_words(falling)
    assert "lower x goes with higher worth in 14 of 15 pairs, the opposite in 1 (" in said
    rising = row | {"spearman": 1.0, "pairs_agree": 15, "pairs_opposed": 0, "pairs_total": 15}
    assert "higher x goes with higher worth in all 15 pairs (" in link_words(rising)


# how far a rule carries -----------------------------------------------------------------

#: Each stage keeps what the one before it has.
PARTS = ("bare", "walls", "amplifier", "ceiling", "low unit", "alignment")


def chained(stages_with, **columns):
    """Return six stages of which each adds a part, with metrics by stage."""
    factors = {
        f"factor_{part}": {name: "yes" if k >= n else "no" for k, name in enumerate(SIX)}
        for n, part in enumerate(PARTS[1:], start=1)
    }
    return stages_with(**factors, **columns)


def test_billed_hours_of_a_chain_of_additions_are_not_called_a_reason(panel, stages_with):
    hours = {name: 2.0 * k for k, name in enumerate(SIX)}
    found = fit_preference(panel(SIX), n_draws=500)
    (row,) = link_rows(fit_links(found, chained(stages_with, metric_hours=hours), primary="hours"))
    assert row["verdict"] == "supported"
    assert row["spearman"] == pytest.approx(1)
    assert row["chain"] == list("abcdef")
    assert "one chain of additions (a, b, c, d, e and f)" in row["words"]
    assert "cannot show that the figure is the reason" in row["words"]


def test_crossed_factors_are_no_chain(panel, stages_with):
    crossed = {
        "factor_walls": dict(zip(SIX, ["old", "new"] * 3, strict=True)),
        "factor_ceiling": dict(zip(SIX, ["old"] * 2 + ["new"] * 2 + ["big"] * 2, strict=True)),
    }
    stages = stages_with(metric_x=values(SIX), **crossed)
    (row,) = link_rows(fit_links(fit_preference(panel(SIX), n_draws=0), stages, primary="x"))
    assert row["chain"] is None
    assert "chain" not in row["words"]


def test_stages_without_factors_are_no_chain(panel, stages_with):
    stages = stages_with(metric_x=values(SIX))
    (row,) = link_rows(fit_links(fit_preference(panel(SIX), n_draws=0), stages, primary="x"))
    assert row["chain"] is None


def test_nothing_is_predicted_where_the_stages_differ_by_more_than_the_figure_explains(
    panel, stages_with
):
    # Two equal neighbours and a leap: the order is the figure's, the distances are not.
    bent = dict(zip(SIX, [-1.6, -1.5, -1.4, 1.4, 1.5, 1.6], strict=True))
    found = fit_preference(panel(bent, listeners=60, person_sd=0.1), n_draws=500)
    stages = stages_with(metric_x={name: float(k) for k, name in enumerate(SIX)})
    links = fit_links(found, stages, primary="x")
    (row,) = link_rows(links)
    assert (row["verdict"], row["compatible"], row["predicts"]) == ("supported", False, False)
    assert "The stages differ by more than x explains (lack of fit, p" in row["words"]
    assert "nothing is predicted from it" in row["words"]
    assert "missed by" in row["words"]
    told = predict_share(links[0], 2.5)
    assert told.share is None
    assert "differ by more than x explains" in told.declined_reason


def test_a_rule_that_carries_says_how_well_it_foretells_a_stage(panel, stages_with):
    stages = stages_with(metric_x=values(SIX))
    (row,) = link_rows(fit_links(fit_preference(panel(SIX), n_draws=500), stages, primary="x"))
    assert row["predicts"] is True
    own, mean = row["leave_one_out"]["rmse"], row["leave_one_out"]["rmse_mean"]
    assert f"missed by {own:.2f} logits on average, by {mean:.2f} with their mean" in row["words"]
    assert "nothing is predicted" not in row["words"]
