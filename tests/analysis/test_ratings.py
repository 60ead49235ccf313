"""Ratings against published tables and the rules of BS.1534-3."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import numpy.testing as npt
import pandas as pd
import pytest
from scipy import stats

from analysis.models.ordinal import fit_cumulative_link, fit_mixed_cumulative_link
from analysis.ratings.block import (
    difference_grades,
    outlier_limits,
    post_screening,
    quartiles,
)
from analysis.ratings.models import mixed_ratings
from analysis.ratings.tests import (
    friedman,
    intraclass_correlations,
    kendall_w,
    rating_pairs,
    repeated_measures,
)
from analysis.run import analyse
from analysis.tables.trials import trial_table

Read = Callable[..., pd.DataFrame]
DATA = Path(__file__).parent / "data"


def table_of(name: str) -> np.ndarray:
    return pd.read_csv(DATA / f"{name}.csv").to_numpy(dtype=float)


def rows_of(values: dict[tuple[str, str, str], float]) -> pd.DataFrame:
    """Return rating trials from (listener, programme, stage): grade."""
    rows = [(*key, grade) for key, grade in values.items()]
    frame = pd.DataFrame(rows, columns=["listener", "programme", "stage_a", "answer"])
    frame["session"], frame["method"] = "1", "rating"
    frame["trial"] = frame.groupby("listener").cumcount() + 1
    return frame


def checked(values: dict[tuple[str, str, str], float]) -> pd.DataFrame:
    return trial_table(rows_of(values)).frame


def test_intraclass_correlations_of_shrout_and_fleiss(reference: Read) -> None:
    # Shrout & Fleiss (1979) Psychol Bull 86:420, 6 targets by 4 judges; printed .17 .29 .71.
    table = reference("ratings_reliability")
    table = table.loc[table["dataset"].str.startswith("Shrout")]
    found = intraclass_correlations(table_of("shrout_fleiss1979"))
    assert [round(found[name].value, 2) for name in ("ICC1", "ICC2", "ICC3")] == [0.17, 0.29, 0.71]
    names = {
        "ICC": "value",
        "ICC F": "statistic",
        "ICC lower95": "ci_low",
        "ICC upper95": "ci_high",
    }
    for row in table.itertuples():
        value = getattr(found[row.term], names[row.statistic])
        assert value == pytest.approx(float(row.value), abs=1e-6)


@pytest.mark.parametrize(
    "values",
    [
        [[93.5, 100], [100, 93.5]],
        [[50, 93.5, 0], [50, 0, 93.5]],
        [[93.5, 93.5, 100, 0], [100, 50, 100, 50]],
        [[0, 100, 50], [100, 50, 0], [50, 0, 100]],
    ],
)
def test_intraclass_correlations_that_do_not_exist(values: list[list[float]]) -> None:
    for found in intraclass_correlations(np.array(values)).values():
        assert not np.isinf([found.value, found.ci_low, found.ci_high]).any()


def test_friedman_and_concordance(reference: Read) -> None:
    table = reference("ratings_reliability").set_index(["dataset", "term"])["value"].astype(str)
    for name, dataset in (
        ("rounding_times_hollander_wolfe", "RoundingTimes (Hollander & Wolfe 1973 p.140)"),
        ("conover_handlotion", "Conover (1999) hand lotions 7x5"),
    ):
        found = friedman(table_of(name))
        values = [float(v) for v in table.loc[[(dataset, "Q")]]]
        assert found.statistic == pytest.approx(values[0], abs=1e-6)
        # The tie correction that scipy applies.
        expected = stats.friedmanchisquare(*table_of(name).T)
        assert found.statistic == pytest.approx(expected.statistic, rel=1e-12)
        assert found.p_value == pytest.approx(expected.pvalue, rel=1e-10)
    # Siegel (1956): three judges, six applicants, W = .16.
    assert kendall_w(table_of("siegel_kendallW")) == pytest.approx(0.1619047619, abs=1e-9)


def test_repeated_measures_of_winer(reference: Read) -> None:
    # Winer (1971) table 4.3-1; corrections by afex.
    table = reference("ratings_reliability")
    rows = table.loc[table["dataset"].str.startswith("Winer")].set_index("statistic")
    value = {name: float(rows.loc[[name], "value"].iloc[0]) for name in set(rows.index)}
    found = repeated_measures(table_of("winer_rm_anova"))
    assert found.statistic == pytest.approx(24.75886525, abs=1e-7)
    assert found.ss_stage == pytest.approx(698.2)
    assert found.ss_error == pytest.approx(112.8)
    assert found.epsilon_gg == pytest.approx(value["GG epsilon"], abs=1e-9)
    assert found.epsilon_hf == pytest.approx(value["HF epsilon"], abs=1e-9)
    assert found.p_gg == pytest.approx(value["GG p"], abs=1e-10)
    assert found.p_hf == found.p_value == pytest.approx(value["RM-ANOVA p"], rel=1e-8)
    assert found.partial_eta_squared == pytest.approx(value["partial eta squared"], abs=1e-9)


def test_two_stages_are_a_paired_t_test() -> None:
    y = table_of("winer_rm_anova")[:, :2]
    expected = stats.ttest_rel(y[:, 0], y[:, 1])
    assert repeated_measures(y).p_value == pytest.approx(expected.pvalue)
    (pair,) = rating_pairs(y)
    assert pair.p_value == pytest.approx(expected.pvalue)
    low, high = expected.confidence_interval()
    npt.assert_allclose([pair.ci_low, pair.ci_high], [low, high])


def test_sign_changes_are_counted_exactly() -> None:
    # Five differences of one sign: 2 of 32 sign patterns reach the sum.
    y = np.column_stack([np.arange(1.0, 6.0), np.zeros(5)])
    assert rating_pairs(y)[0].p_permutation == 2 / 32
    many = np.column_stack([np.tile([1.0, 2.0], 10), np.zeros(20)])
    assert rating_pairs(many, n_permutations=999)[0].p_permutation == pytest.approx(1 / 1000)


def test_pairs_are_adjusted_together() -> None:
    pairs = rating_pairs(table_of("winer_rm_anova"))
    p = np.array([pair.p_value for pair in pairs])
    assert len(pairs) == 6
    assert pairs[int(p.argmin())].p_holm == pytest.approx(6 * p.min())


@pytest.mark.parametrize(
    ("values", "expected", "limits"),
    [
        # BS.1534-3: odd numbers keep the median in both halves, even ones split.
        ([10, 20, 30, 40, 50], (20, 30, 40), (-10, 70)),
        ([10, 20, 30, 40], (15, 25, 35), (-15, 65)),
        ([7], (7, 7, 7), (7, 7)),
    ],
)
def test_quartiles_of_the_recommendation(
    values: list[float], expected: tuple[float, ...], limits: tuple[float, ...]
) -> None:
    assert quartiles(np.array(values)) == expected
    assert outlier_limits(np.array(values)) == limits
    with pytest.raises(ValueError, match="at least one value"):
        quartiles(np.array([]))


@pytest.mark.parametrize(
    ("items", "low", "excluded"), [(20, 3, False), (20, 4, True), (8, 1, False), (8, 2, True)]
)
def test_hidden_reference_rule(items: int, low: int, excluded: bool) -> None:
    # 3 of 20 is 15 %, not more; 4 of 20 is; 1 of 8 is 12.5 %; 2 of 8 is 25 %.
    values = {
        ("P1", f"item{k:02d}", "hidden-reference"): 89.0 if k < low else 90.0 for k in range(items)
    }
    (row,) = post_screening(checked(values))
    assert (row.n_items, row.n_reference_low) == (items, low)
    assert row.excluded == (("hidden reference",) if excluded else ())


def test_mid_anchor_rule_and_its_caveat() -> None:
    values = {(f"P{p}", f"item{k}", "mid-anchor"): 50.0 for p in range(8) for k in range(6)}
    values["P0", "item0", "mid-anchor"] = 95.0
    rows = {row.listener: row for row in post_screening(checked(values))}
    assert rows["P0"].excluded == ("mid anchor",)
    # Three of eight listeners above 90 on an item: the item proves nothing against any of them.
    for p in (1, 2):
        values[f"P{p}", "item0", "mid-anchor"] = 95.0
    rows = {row.listener: row for row in post_screening(checked(values))}
    assert rows["P0"].n_anchor_items == 5
    assert all(row.excluded == () for row in rows.values())


def test_difference_grades() -> None:
    values = {
        ("P1", "kite", "hidden-reference"): 100.0,
        ("P1", "kite", "refit"): 70.0,
        ("P2", "kite", "refit"): 60.0,
    }
    found = difference_grades(checked(values))
    assert found["difference"].tolist() == [-30.0]


def test_mixed_model_has_its_closed_form_when_balanced() -> None:
    rng = np.random.default_rng(1)
    values = {
        (f"P{p:02d}", "kite", stage): 50 + 10 * effect + offset + noise
        for p, offset in enumerate(rng.normal(0, 8, 20))
        for (stage, effect), noise in zip(
            (("a", 0.0), ("b", 1.0), ("c", 2.0)), rng.normal(0, 4, 3), strict=True
        )
    }
    frame = checked(values)
    y = frame.pivot_table(index="listener", columns="stage_a", values="rating", observed=True)
    anova = repeated_measures(y.to_numpy())
    found = mixed_ratings(frame)
    assert found is not None
    residual = anova.ss_error / anova.df_error
    between = 3 * y.mean(axis=1).var(ddof=1)
    assert found["sd_residual"] == pytest.approx(np.sqrt(residual), rel=1e-3)
    assert found["sd_listener"] == pytest.approx(np.sqrt((between - residual) / 3), rel=1e-2)
    assert found["stages"][0]["difference"] == pytest.approx(y["b"].mean() - y["a"].mean())
    assert found["converged"]


def test_ordered_grades_match_published_software(gpl_data: Read, reference: Read) -> None:
    # ordinal 2022.11-16 clm() on the wine data of Randall (1989).
    wine = gpl_data("wine_ordinal")
    effects = {
        "tempwarm": (wine["temp"] == "warm").to_numpy(float),
        "contactyes": (wine["contact"] == "yes").to_numpy(float),
    }
    found = fit_cumulative_link(wine["rating"].to_numpy(), effects)
    table = reference("mixed_models")
    rows = table.loc[table["model"] == "clm rating~temp+contact logit"].set_index("term")
    steps = sorted(n for n in rows.index if n[0].isdigit())
    npt.assert_allclose(found.thresholds, rows.loc[steps, "estimate"].astype(float), atol=1e-4)
    npt.assert_allclose(found.thresholds_se, rows.loc[steps, "se"].astype(float), atol=1e-3)
    npt.assert_allclose(found.beta, rows.loc[list(effects), "estimate"].astype(float), atol=1e-4)
    npt.assert_allclose(found.se, rows.loc[list(effects), "se"].astype(float), atol=1e-3)
    assert found.log_likelihood == pytest.approx(-86.4919233656491, abs=1e-6)
    with pytest.raises(ValueError, match="two distinct grades"):
        fit_cumulative_link(np.ones(4), {"x": np.arange(4.0)})
    with pytest.raises(ValueError, match="link must be"):
        fit_cumulative_link(np.arange(4), {"x": np.arange(4.0)}, link="log")


def test_ordered_grades_with_judges_match_published_software(
    gpl_data: Read, reference: Read
) -> None:
    # ordinal 2022.11-16 clmm() with a random judge, Laplace.
    wine = gpl_data("wine_ordinal")
    effects = {
        "tempwarm": (wine["temp"] == "warm").to_numpy(float),
        "contactyes": (wine["contact"] == "yes").to_numpy(float),
    }
    found = fit_mixed_cumulative_link(wine["rating"].to_numpy(), effects, wine["judge"].to_numpy())
    table = reference("mixed_models")
    rows = table.loc[table["model"].str.startswith("clmm")].set_index("term")
    steps = sorted(n for n in rows.index if n[0].isdigit())
    npt.assert_allclose(found.thresholds, rows.loc[steps, "estimate"].astype(float), atol=1e-4)
    npt.assert_allclose(found.thresholds_se, rows.loc[steps, "se"].astype(float), atol=1e-3)
    npt.assert_allclose(found.beta, rows.loc[list(effects), "estimate"].astype(float), atol=1e-4)
    npt.assert_allclose(found.se, rows.loc[list(effects), "se"].astype(float), atol=1e-3)
    assert found.sd == pytest.approx(1.13113258, abs=1e-4)
    assert found.log_likelihood == pytest.approx(-81.5654092921275, abs=1e-5)
    with pytest.raises(ValueError, match="at least two listeners"):
        fit_mixed_cumulative_link(np.arange(4), {"x": np.array([0.0, 1, 0, 1])}, ["P1"] * 4)


def test_block_with_and_without_screened_listeners() -> None:
    rng = np.random.default_rng(3)
    values = {}
    for p in range(8):
        for item in ("kite", "harbour"):
            top = 60.0 if p == 7 else 98.0
            values[f"P{p}", item, "hidden-reference"] = top
            values[f"P{p}", item, "refit"] = float(np.clip(70 + rng.normal(0, 5), 0, 100))
            values[f"P{p}", item, "mid-anchor"] = float(np.clip(40 + rng.normal(0, 5), 0, 100))
    result = analyse(trial_table(rows_of(values))).to_dict()
    block = json.loads(json.dumps(result["ratings"], allow_nan=False))
    assert block["screening"]["excluded"] == ["P7"]
    overall = {row["stage"]: row for row in block["stages"] if row["programme"] is None}
    after = {row["stage"]: row for row in block["stages_screened"] if row["programme"] is None}
    assert overall["hidden-reference"]["n_listeners"] == 8
    assert after["hidden-reference"]["n_listeners"] == 7
    assert after["hidden-reference"]["mean"] == pytest.approx(98)
    assert overall["hidden-reference"]["outliers"] == ["P7"]
    grades = {row["stage"]: row for row in block["difference_grades"]}
    assert set(grades) == {"refit", "mid-anchor"}
    # Means over the same eight listeners: (7·98 + 60)/8 for the reference.
    gap = overall["refit"]["mean"] - (7 * 98 + 60) / 8
    assert grades["refit"]["mean"] == pytest.approx(gap)
    assert grades["refit"]["above_zero"] == 2
    assert block["n_complete"] == 8
    assert block["anova"]["p_value"] < 1e-6
    assert block["friedman"]["kendall_w"] > 0.5
    assert len(block["pairs"]) == 3


@pytest.mark.parametrize("case", ["constant", "one listener", "one stage", "missing cell"])
def test_rating_edges(case: str) -> None:
    values = {(f"P{p}", "kite", s): 10.0 * p + 20 * (s == "b") for p in range(4) for s in "ab"}
    if case == "constant":
        values = dict.fromkeys(values, 50.0)
    if case == "one listener":
        values = {key: v for key, v in values.items() if key[0] == "P0"}
    if case == "one stage":
        values = {key: v for key, v in values.items() if key[2] == "a"}
    if case == "missing cell":
        values.pop(("P3", "kite", "b"))
    block = analyse(trial_table(rows_of(values))).to_dict()["ratings"]
    json.dumps(block, allow_nan=False)
    assert block["n_trials"] == len(values)
    if case == "missing cell":
        assert block["n_complete"] == 3
    if case == "constant":
        assert block["anova"]["statistic"] is None
        assert block["pairs"][0]["p_value"] is None


@pytest.mark.parametrize("test", [friedman, repeated_measures, rating_pairs])
def test_incomplete_tables_are_refused(test: Callable[[np.ndarray], object]) -> None:
    with pytest.raises(ValueError, match="need a complete table"):
        test(np.array([[1.0, np.nan, 2.0], [1.0, 2.0, 3.0]]))
