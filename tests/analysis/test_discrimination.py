"""Forced-choice tests against published tables and recomputed figures."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction

import numpy as np
import numpy.testing as npt
import pandas as pd
import pytest
from scipy import stats

from analysis.hearing.discrimination import critical_count, discrimination_rows
from analysis.hearing.dprime import dprime_intervals, dprimes, likelihood_bounds, proportion_correct
from analysis.hearing.exact_test import exact_forced_choice_test
from analysis.hearing.pair_cells import forced_choice_cells
from analysis.hearing.same_different import said_different, same_different
from analysis.panels.panel import panel_proportion
from analysis.panels.proportions import clopper_pearson, exact_p, wilson
from analysis.run import analyse
from analysis.tables.trials import TrialTable, trial_table

Read = Callable[[str], pd.DataFrame]

MODEL = {
    "2AFC": "two-interval",
    "3AFC": "3-alternative",
    "4AFC": "4-alternative",
    "5AFC": "5-alternative",
    "8AFC": "8-alternative",
    "ABX-differencing": "abx",
    "ABX-independent-observations": "abx-independent",
    "duo-trio": "duo-trio",
    "triangle": "triangle",
    "tetrad": "tetrad",
    "same-different-unbiased-IO": "same-different",
    "twoAFC": "two-interval",
    "threeAFC": "3-alternative",
    "duotrio": "duo-trio",
}


def test_exact_test_matches_hand_sums() -> None:
    # Sum of C(16,k)/2^16 for k = 12..16 = 2517/65536; all right: 2^-16, lower bound .025^(1/16).
    assert exact_forced_choice_test(12, 16).p_value == pytest.approx(2517 / 65536, rel=1e-12)
    best = exact_forced_choice_test(16, 16)
    assert best.p_value == pytest.approx(2.0**-16, rel=1e-12)
    assert best.ci_low == pytest.approx(0.025 ** (1 / 16), rel=1e-12)
    assert best.ci_high == 1.0
    none = exact_forced_choice_test(0, 16)
    assert none.p_value == 1.0
    assert none.ci_low == 0.0


def test_mid_p_counts_half_of_the_observed_outcome() -> None:
    expected = 2517 / 65536 - 1820 / 65536 / 2  # C(16,12) = 1820
    assert exact_forced_choice_test(12, 16, mid=True).p_value == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize(
    ("correct", "trials", "what"),
    [(5, 4, "0 <= count <= total"), (-1, 4, "0 <= count <= total"), (0, 0, "total >= 1")],
)
def test_impossible_counts(correct: int, trials: int, what: str) -> None:
    with pytest.raises(ValueError, match=what):
        exact_forced_choice_test(correct, trials)
    with pytest.raises(ValueError, match="must lie in"):
        exact_forced_choice_test(1, 2, chance=1.0)


def test_errors_of_both_kinds_match_leventhal_1986(reference: Read) -> None:
    # Leventhal (1986) J Audio Eng Soc 34:437-453, printed to four decimals.
    for row in reference("leventhal1986").itertuples():
        p = exact_p(np.array(row.r), np.array(row.n))[0]
        assert p == pytest.approx(float(row.type1_published), abs=5e-5)
    table = reference("leventhal1986")
    for share in (0.6, 0.7, 0.75, 0.8):
        name = f"t2_p.{str(share)[2:]}_pub"
        printed = table.loc[table[name] != ""]
        second = stats.binom.cdf(printed["r"] - 1, printed["n"], share)
        npt.assert_allclose(second, printed[name].astype(float), atol=5e-5)


def test_error_table(reference: Read) -> None:
    table = reference("abx_error_table")
    npt.assert_allclose(
        exact_p(table["min_correct_r"], table["n"]), table["type1_error"], atol=1e-8
    )
    second = stats.binom.cdf(table["min_correct_r"] - 1, table["n"], table["p_true"])
    npt.assert_allclose(second, table["type2_error"].astype(float), atol=5e-6)


def test_critical_counts_of_the_standards(reference: Read) -> None:
    table = reference("binomial_critical_values")
    for row in table.loc[table["sided"].astype(int) == 1].itertuples():
        chance = float(Fraction(row.p0))
        found = critical_count(int(row.n), chance=chance, alpha=float(row.alpha))
        expected = None if row.min_correct in ("", "NA") else int(row.min_correct)
        assert found == expected, row


def test_triangle_counts_printed_by_the_fao(reference: Read) -> None:
    table = reference("triangle_published_FAO")
    names = list(table.columns)
    assert len(table) == 176
    for row in table.itertuples(index=False):
        values = dict(zip(names, row, strict=True))
        n, alpha = int(values["n"]), float(values["alpha"])
        found = critical_count(n, chance=1 / 3, alpha=alpha)
        printed = values["published_min_correct"]
        assert found == (int(printed) if printed else None), values


def test_intervals_match_newcombe_1998(reference: Read) -> None:
    table = reference("proportion_ci")
    for method, function in (("wilson", wilson), ("clopper_pearson", clopper_pearson)):
        part = table.loc[table["method"] == method]
        low, high = function(part["k"].to_numpy(), part["n"].to_numpy())
        npt.assert_allclose(low, part["lower95_unclipped"].astype(float), atol=1e-7)
        npt.assert_allclose(high, part["upper95_unclipped"].astype(float), atol=1e-7)


def test_proportion_correct_of_every_model(reference: Read) -> None:
    table = reference("dprime_to_pc")
    assert set(table["method"]) <= set(MODEL)
    for method, part in table.groupby("method"):
        found = proportion_correct(part["dprime"].to_numpy(float), model=MODEL[str(method)])
        npt.assert_allclose(found, part["prop_correct"].astype(float), atol=1e-12)


def test_dprime_of_every_model(reference: Read) -> None:
    table = reference("pc_to_dprime")
    for method, part in table.groupby("method"):
        found = dprimes(part["prop_correct"].to_numpy(float), model=MODEL[str(method)])
        npt.assert_allclose(found, part["dprime"].astype(float), atol=1e-7)


def test_dprime_intervals_match_published_software(reference: Read) -> None:
    # sensR 1.5-3; its d' limits carry its root finder's tolerance of about 1e-4.
    table = reference("discrimination_estimates")
    table = table.loc[table["quantity"] == "d-prime"]
    for (method, kind), part in table.groupby(["method", "ci_type"]):
        k, n = part["correct"].to_numpy(int), part["n"].to_numpy(int)
        found = dprime_intervals(k, n, model=MODEL[str(method)])
        npt.assert_allclose(found.d_prime, part["estimate"].astype(float), atol=1e-4)
        if kind == "likelihood":
            npt.assert_allclose(found.low, part["lower95"].astype(float), atol=1e-4)
            npt.assert_allclose(found.high, part["upper95"].astype(float), atol=1e-4)
        if kind == "exact":
            npt.assert_allclose(found.exact_low, part["lower95"].astype(float), atol=1e-4)
            npt.assert_allclose(found.exact_high, part["upper95"].astype(float), atol=1e-4)


def test_likelihood_bounds_at_the_edges() -> None:
    low, high = likelihood_bounds(np.array([8, 0, 4]), np.array([8, 8, 8]), chance=0.5)
    # All right: n·log p = -χ²/2, so p = exp(-χ²(.95; 1)/(2n)).
    assert low[0] == pytest.approx(np.exp(-stats.chi2.ppf(0.95, 1) / 16), rel=1e-10)
    assert high[0] == 1.0
    assert low[1] == low[2] == 0.5
    assert 0.5 < high[1] < high[2] < 1


def test_dprime_at_the_edges() -> None:
    found = dprimes(np.array([0.0, 0.5, 1.0]), model="abx")
    assert list(found) == [0.0, 0.0, np.inf]
    with pytest.raises(ValueError, match="model 'guess' is not one of"):
        dprimes(np.array([0.5]), model="guess")
    with pytest.raises(ValueError, match="between 0 and 1"):
        dprimes(np.array([1.5]), model="abx")
    with pytest.raises(ValueError, match="0 or more"):
        proportion_correct(-1.0, model="abx")


def test_same_different_model(reference: Read) -> None:
    for row in reference("same_different_differencing").itertuples():
        found = said_different(float(row.tau), float(row.dprime))
        npt.assert_allclose(found, (float(row[3]), float(row[4])), atol=1e-9)
    for row in reference("same_different_mle").itertuples():
        fit = same_different(row.same_same, row.diff_same, row.same_diff, row.diff_diff)
        assert fit.d_prime == pytest.approx(row.delta, abs=1e-4)
        assert fit.tau == pytest.approx(row.tau, abs=1e-4)
        assert fit.log_likelihood == pytest.approx(row.loglik, abs=1e-6)
        assert fit.low < fit.d_prime < fit.high


def test_same_different_edges() -> None:
    perfect = same_different(8, 0, 0, 8)
    assert perfect.d_prime == np.inf
    assert 0 < perfect.low < np.inf
    reverse = same_different(2, 6, 6, 2)
    assert (reverse.d_prime, reverse.low) == (0.0, 0.0)
    assert np.isfinite(reverse.high)
    with pytest.raises(ValueError, match="one same and one different"):
        same_different(0, 0, 4, 4)


def test_bias_towards_different_is_not_taken_for_hearing() -> None:
    biased = same_different(2, 18, 2, 18)
    assert biased.d_prime == 0.0
    assert biased.p_value > 0.5


def test_panel_proportion_is_a_t_test_between_equal_listeners() -> None:
    correct, trials = np.arange(4, 17) % 9, np.full(13, 8)
    found = panel_proportion(correct, trials, chance=0.5)
    expected = stats.ttest_1samp(correct / trials, 0.5, alternative="greater")
    assert found.statistic == pytest.approx(expected.statistic, rel=1e-12)
    assert found.p_value == pytest.approx(expected.pvalue, rel=1e-12)
    assert found.rule == "listeners"


def test_panel_proportion_small_and_degenerate_panels() -> None:
    alike = panel_proportion(np.full(3, 5), np.full(3, 8), chance=0.5)
    assert alike.rule == "trials"
    assert alike.p_value == pytest.approx(exact_p(np.array(15), np.array(24))[0])
    few = panel_proportion(np.array([5, 5, 6]), np.full(3, 8), chance=0.5)
    assert few.rule == "listeners and trials"
    assert few.p_value == pytest.approx(exact_p(np.array(16), np.array(24))[0])
    one = panel_proportion(np.array([8]), np.array([8]), chance=0.5)
    assert np.isnan(one.p_value)
    all_right = panel_proportion(np.full(12, 8), np.full(12, 8), chance=0.5)
    assert all_right.p_value == pytest.approx(2.0**-96)
    assert 0.9 < all_right.ci_low < 1.0 == all_right.ci_high
    with pytest.raises(ValueError, match="at least one trial"):
        panel_proportion(np.array([0]), np.array([0]), chance=0.5)


def test_rows_by_panel_listener_and_programme(abx_rows: Callable[..., pd.DataFrame]) -> None:
    frame = abx_rows({"P1": (12, 16), "P2": (8, 8)})
    frame["programme"] = np.where(frame["trial"] % 2 == 1, "kite", "harbour")
    rows = discrimination_rows(trial_table(frame))
    key = [(row["listener"], row["programme"]) for row in rows]
    assert key == [(None, None), ("P1", None), ("P2", None), (None, "harbour"), (None, "kite")]
    assert [row["n_trials"] for row in rows] == [24, 16, 8, 12, 12]
    assert rows[0]["pair"] == ["i", "j"]
    assert rows[1]["p_value"] == pytest.approx(2517 / 65536, rel=1e-12)
    assert rows[2]["d_prime"] == np.inf
    assert rows[0]["panel"]["n_listeners"] == 2
    # ABX, 75 % right: 2.0209 by differencing and 1.7939 by independent observation are roots of
    # the closed forms named in analysis.hearing.dprime.
    d = rows[1]["d_prime"]
    closed = stats.norm.cdf(d / 2**0.5) * stats.norm.cdf(d / 6**0.5)
    closed += stats.norm.cdf(-d / 2**0.5) * stats.norm.cdf(-d / 6**0.5)
    assert closed == pytest.approx(0.75, abs=1e-12)
    assert rows[1]["d_prime_independent"] < d


def test_controls_are_left_out(abx_rows: Callable[..., pd.DataFrame]) -> None:
    frame = abx_rows({"P1": (8, 8)})
    frame["control"] = ["obvious"] + [""] * 7
    assert discrimination_rows(trial_table(frame))[0]["n_trials"] == 7


def _same_different_frame(stage_x: str) -> pd.DataFrame:
    rows = [
        ("P1", "1", 1, "same-different", "i", "j", "", "different"),
        ("P1", "1", 2, "same-different", "i", "k", "", "same"),
        ("P1", "1", 3, "same-different", "i", "i", stage_x, "same"),
        ("P1", "1", 4, "same-different", "j", "j", "", "different"),
    ]
    names = ["listener", "session", "trial", "method", "stage_a", "stage_b", "stage_x", "answer"]
    return pd.DataFrame(rows, columns=names)


@pytest.mark.parametrize(("stage_x", "expected"), [("", [3, 2]), ("k", [2, 2])])
def test_same_pairs_serve_their_pair(stage_x: str, expected: list[int]) -> None:
    groups = forced_choice_cells(trial_table(_same_different_frame(stage_x)))
    assert [group.pair for group in groups] == [("i", "j"), ("i", "k")]
    assert [int(group.cells["n_trials"].sum()) for group in groups] == expected


def test_always_different_is_not_hearing() -> None:
    names = ["listener", "trial", "stage_a", "stage_b", "answer"]

    def table(different: int, same: int) -> TrialTable:
        rows = [
            (f"P{p}", k, "i", "j" if k < different else "i", "different")
            for p in range(12)
            for k in range(different + same)
        ]
        frame = pd.DataFrame(rows, columns=names)
        frame["trial"] += 1
        frame["session"], frame["method"] = "1", "same-different"
        return trial_table(frame)

    only = discrimination_rows(table(8, 0))[0]
    assert only["proportion"] == 1
    assert np.isnan(only["panel"]["p_value"])
    assert only["panel"]["n_trials"] == 0
    uneven = discrimination_rows(table(8, 2))[0]["panel"]
    assert uneven["estimate"] == pytest.approx(0.5)
    assert uneven["p_value"] > 0.5
    claim = "listeners can tell i from j"
    for known in (table(8, 0), table(8, 2)):
        assert analyse(known, claims=[claim]).to_dict()["claims"][0]["verdict"] == "undecided"


def test_mid_p_is_adjusted_where_asked_for(abx_rows: Callable[..., pd.DataFrame]) -> None:
    known = trial_table(abx_rows({"P1": (7, 8), "P2": (5, 8)}))
    for flag, key in ((False, "p_value"), (True, "p_mid")):
        own = [
            row for row in analyse(known, mid_p=flag).to_dict()["discrimination"] if row["listener"]
        ]
        smallest = min(row[key] for row in own)
        assert min(row["p_holm"] for row in own) == pytest.approx(2 * smallest)


def test_panel_d_prime_is_that_of_the_share(abx_rows: Callable[..., pd.DataFrame]) -> None:
    panel = discrimination_rows(trial_table(abx_rows({f"P{k}": (4 + k % 4, 8) for k in range(12)})))
    block = panel[0]["panel"]
    for end in ("low", "high"):
        expected = max(block[f"ci_{end}"], 0.5)
        assert proportion_correct(block[f"d_prime_{end}"], model="abx") == pytest.approx(expected)
    assert block["d_prime_low"] < block["d_prime"] < block["d_prime_high"]


def test_triangle_pair_and_chance() -> None:
    rows = [("P1", "1", k + 1, "triangle", "j", "i", "j", "b") for k in range(6)]
    names = ["listener", "session", "trial", "method", "stage_a", "stage_b", "stage_c", "answer"]
    row = discrimination_rows(trial_table(pd.DataFrame(rows, columns=names)))[0]
    assert row["pair"] == ["i", "j"]
    assert row["p_value"] == pytest.approx(3.0**-6)


@pytest.mark.parametrize(("n", "critical"), [(12, 8), (18, 10), (24, 13), (36, 18), (60, 27)])
def test_rows_carry_the_critical_count_of_the_triangle_table(n: int, critical: int) -> None:
    # Critical numbers of right answers in the triangle test at 0.05, as tabulated by the FAO
    # ("Quality control of fish", table of significance for triangle tests).
    rows = [
        {
            "listener": "L1",
            "session": "1",
            "trial": k + 1,
            "method": "triangle",
            "stage_a": "i",
            "stage_b": "i",
            "stage_c": "j",
            "answer": "c",
        }
        for k in range(n)
    ]
    table = trial_table(pd.DataFrame(rows))
    assert {row["n_critical"] for row in discrimination_rows(table)} == {critical}
    strict = discrimination_rows(table, alpha=1e-30)
    assert {row["n_critical"] for row in strict} == {None}
