"""Mixed logistic and probit models against lme4."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import numpy.testing as npt
import pandas as pd
import pytest

from analysis.models.mixed_choice import MixedChoice, fit_mixed_choice
from analysis.models.mixed_preference import fit_mixed_preference
from analysis.run import analyse
from analysis.tables.counts import PairCounts
from analysis.tables.trials import trial_table

Read = Callable[..., pd.DataFrame]
DATA = Path(__file__).parent / "data"


def check(fit: MixedChoice, table: pd.DataFrame, dataset: str, model: str) -> None:
    """Compare with lme4 1.1-31 run with a tightened optimiser."""
    rows = table.loc[table["dataset"].str.startswith(dataset) & (table["model"] == model)]
    assert len(rows) >= 2
    for row in rows.itertuples():
        if row.term.startswith("sd:"):
            assert fit.sd[row.term.split(":")[1]] == pytest.approx(float(row.estimate), abs=1e-6)
        else:
            k = fit.names.index(row.term)
            assert fit.beta[k] == pytest.approx(float(row.estimate), abs=1e-6)
            assert fit.se[k] == pytest.approx(float(row.se), abs=1e-5)


@pytest.mark.parametrize("n_nodes", [1, 2, 25])
def test_counts_by_herd(gpl_data: Read, reference: Read, n_nodes: int) -> None:
    data = gpl_data("cbpp_lme4")
    fixed = {"(Intercept)": np.ones(len(data))}
    fixed |= {f"period{k}": (data["period"] == k).to_numpy(float) for k in (2, 3, 4)}
    fit = fit_mixed_choice(
        data["incidence"], data["size"], fixed, {"herd": data["herd"]}, n_nodes=n_nodes
    )
    model = f"glmer cbind(incidence,size-incidence)~period+(1|herd), nAGQ={n_nodes}"
    check(fit, reference("mixed_models"), "cbpp", model)
    # lme4 leaves the binomial constant out beyond Laplace; the true values are these.
    expected = {1: -92.0262818714972, 25: -91.98337}
    if n_nodes in expected:
        assert fit.log_likelihood == pytest.approx(expected[n_nodes], abs=1e-5)
    assert fit.converged


@pytest.mark.parametrize(
    ("model", "link", "n_nodes", "slope"),
    [
        ("glmer correct~deviation_db+(1|listener) logit nAGQ=1", "logit", 1, True),
        ("glmer correct~deviation_db+(1|listener) logit nAGQ=25", "logit", 25, True),
        ("glmer probit nAGQ=25", "probit", 25, True),
        ("glmer correct~1+(1|listener) logit nAGQ=25 (intercept only)", "logit", 25, False),
    ],
)
def test_answers_by_listener(
    reference: Read, model: str, link: str, n_nodes: int, slope: bool
) -> None:
    data = pd.read_csv(DATA / "forcedchoice_sim_A.csv")
    fixed = {"(Intercept)": np.ones(len(data))}
    if slope:
        fixed["deviation_db"] = data["deviation_db"].to_numpy()
    fit = fit_mixed_choice(
        data["correct"],
        np.ones(len(data)),
        fixed,
        {"listener": data["listener"]},
        link=link,
        n_nodes=n_nodes,
    )
    table = reference("mixed_models")
    check(fit, table, "forcedchoice_sim_A", model)
    expected = table.loc[table["model"] == model, "logLik"].astype(float).iloc[0]
    assert fit.log_likelihood == pytest.approx(expected, abs=1e-6)
    if slope and link == "logit":
        assert fit.log_likelihood_alike == pytest.approx(-323.807840833126, abs=1e-6)


@pytest.mark.parametrize("crossed", [True, False])
def test_crossed_listeners_and_items(reference: Read, crossed: bool) -> None:
    data = pd.read_csv(DATA / "forcedchoice_sim_B.csv")
    fixed = {"(Intercept)": np.ones(len(data)), "deviation_db": data["deviation_db"].to_numpy()}
    groups = {"listener": data["listener"], "item": data["item"]}
    if not crossed:
        groups.pop("item")
    fit = fit_mixed_choice(
        data["correct"], np.ones(len(data)), fixed, groups, n_nodes=1 if crossed else 25
    )
    model = (
        "glmer correct~deviation_db+(1|listener)+(1|item) logit Laplace"
        if crossed
        else "glmer correct~deviation_db+(1|listener) logit nAGQ=25"
    )
    check(fit, reference("mixed_models"), "forcedchoice_sim_B", model)


def test_adding_up_equal_rows_changes_nothing() -> None:
    rng = np.random.default_rng(1)
    person = np.repeat(np.arange(12), 20)
    y = rng.random(240) < 0.5 + 0.3 * (person % 2)
    one = fit_mixed_choice(y, np.ones(240), {"1": np.ones(240)}, {"listener": person})
    k = np.bincount(person, weights=y)
    counts = fit_mixed_choice(k, np.full(12, 20), {"1": np.ones(12)}, {"listener": np.arange(12)})
    npt.assert_allclose(one.beta, counts.beta, atol=1e-7)
    assert one.sd["listener"] == pytest.approx(counts.sd["listener"], abs=1e-6)


def test_mixed_preference_of_one_pair_is_the_same_model() -> None:
    rng = np.random.default_rng(4)
    wins = rng.binomial(10, 1 / (1 + np.exp(-rng.normal(0.6, 1.0, 25))))
    counts = np.stack([wins, 10 - wins, np.zeros(25)], axis=1)[:, None, :].astype(float)
    names = tuple(f"P{k:02d}" for k in range(25))
    pair = PairCounts(("i", "j"), names, np.array([0]), np.array([1]), counts)
    preference = fit_mixed_preference(pair)
    choice = fit_mixed_choice(
        wins, np.full(25, 10), {"1": np.ones(25)}, {"listener": np.arange(25)}
    )
    assert preference.log_worth[0] == pytest.approx(choice.beta[0], abs=1e-5)
    assert preference.se[0] == pytest.approx(choice.se[0], abs=1e-4)
    assert preference.difference_sd[0, 1] == pytest.approx(choice.sd["listener"], abs=1e-4)


def test_listeners_who_are_alike_have_no_spread() -> None:
    fit = fit_mixed_choice(
        np.full(10, 6), np.full(10, 10), {"1": np.ones(10)}, {"listener": np.arange(10)}
    )
    assert fit.sd["listener"] == pytest.approx(0, abs=1e-2)
    assert fit.beta[0] == pytest.approx(np.log(6 / 4), abs=1e-4)


@pytest.mark.parametrize(
    ("change", "what"),
    [
        ({"link": "log"}, "link must be"),
        ({"n_nodes": 0}, "n_nodes >= 1"),
        ({"correct": np.array([2.0, 0.0])}, "0 <= correct <= trials"),
        ({"groups": {"listener": ["a"]}}, "one value a row"),
        ({"fixed": {"1": np.ones(2), "2": np.ones(2)}}, "repeat each other"),
        ({"groups": {"a": ["x", "y"], "b": ["x", "y"]}, "n_nodes": 5}, "single grouping factor"),
    ],
)
def test_faults(change: dict[str, object], what: str) -> None:
    call = {
        "correct": np.array([1.0, 0.0]),
        "trials": np.ones(2),
        "fixed": {"1": np.ones(2)},
        "groups": {"listener": ["a", "b"]},
    } | change
    correct, trials, fixed, groups = (call.pop(k) for k in ("correct", "trials", "fixed", "groups"))
    with pytest.raises(ValueError, match=what):
        fit_mixed_choice(correct, trials, fixed, groups, **call)  # type: ignore[arg-type]


def test_block_over_all_pairs(abx_rows: Callable[..., pd.DataFrame]) -> None:
    one = abx_rows({f"P{k}": (4 + k % 5, 8) for k in range(12)})
    two = abx_rows({f"P{k}": (3 + k % 5, 8) for k in range(12)}, ("i", "k")).assign(session="2")
    result = analyse(trial_table(pd.concat([one, two], ignore_index=True))).to_dict()
    (row,) = result["choice"]
    assert (row["n_trials"], row["n_listeners"], row["n_pairs"]) == (192, 12, 2)
    assert row["sd_pair"] is None
    assert row["sd_listener"] > 0.3
    assert 0.5 < row["proportion"] < 0.9
    assert analyse(trial_table(one), mixed=False).to_dict()["choice"] == []
