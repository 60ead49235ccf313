"""Preference models against published fits."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.testing as npt
import pandas as pd
import pytest
import statsmodels.api as sm

from analysis.models.bootstrap import resample_worths
from analysis.models.bradley_terry import fit_pair_model
from analysis.panels.panel import panel_proportion
from analysis.preference.block import preference_block
from analysis.preference.choice_counts import pair_rows
from analysis.preference.fit import fit_preference, preference_of, worth_difference
from analysis.run import analyse
from analysis.tables.counts import PairCounts, components, pair_counts, separated
from analysis.tables.trials import TrialTable, trial_table
from stimuli.files.errors import InputError

Read = Callable[..., pd.DataFrame]
Rows = Callable[[list[tuple[str, str, str, str, int]]], pd.DataFrame]


def counts_of(rows: list[tuple[str, str, float, float, float]]) -> PairCounts:
    """Return counts of one anonymous listener from (first, second, wins, losses, ties)."""
    stages = sorted({name for row in rows for name in row[:2]})
    first = np.array([stages.index(row[0]) for row in rows])
    second = np.array([stages.index(row[1]) for row in rows])
    counts = np.array([[row[2:] for row in rows]], dtype=float)
    return PairCounts(tuple(stages), ("all",), first, second, counts)


def check_fit(fit_rows: pd.DataFrame, found: pd.DataFrame, *, atol_se: float) -> None:
    expected = fit_rows.set_index("term")
    npt.assert_allclose(found["estimate"], expected["estimate"].loc[found.index], atol=2e-6)
    npt.assert_allclose(found["se"], expected["se"].astype(float).loc[found.index], atol=atol_se)


def test_pooled_published_judgements(judgement_table: TrialTable, reference: Read) -> None:
    # Choisel & Wickelmaier (2007) J Acoust Soc Am 121:388-400: 21 924 judgements, 40 listeners;
    # psychotools 0.7.2 for the fit, statsmodels for the clustered errors.
    block = preference_block(fit_preference(judgement_table, reference="Original"))
    table = reference("bt_soundquality_fits")
    pooled = table.loc[(table["dataset"] == "SQpreference") & (table["subset"] == "all")]
    found = pd.DataFrame(block["stages"]).set_index("stage").loc[pooled["item"]]
    assert (block["n_trials"], block["n_listeners"]) == (21_924, 40)
    assert block["log_likelihood"] == pytest.approx(-11840.846282, abs=1e-6)
    assert block["fit"]["deviance"] == pytest.approx(24.2126138, abs=1e-6)
    assert block["fit"]["df"] == 21
    npt.assert_allclose(found["log_worth"], pooled["log_worth_ref_last"], atol=1e-7)
    npt.assert_allclose(found["se"], pooled["se_ref_last"], atol=5e-5)
    npt.assert_allclose(found["worth"], pooled["worth"], atol=1e-8)
    npt.assert_allclose(found["se_worth"], pooled["se_worth"], atol=1e-6)
    npt.assert_allclose(found["centred"], pooled["log_worth_sumzero"], atol=1e-7)
    clustered = pooled["se_cluster_listener"].replace("NA", "0").astype(float)
    npt.assert_allclose(found["se_cluster"], clustered, atol=1e-8)
    assert found["worth"].sum() == pytest.approx(1, abs=1e-12)
    assert found["p_best"].idxmax() == "Stereo"


def test_clustered_errors_of_every_preference_subset(
    judgements: pd.DataFrame, reference: Read
) -> None:
    table = reference("bt_soundquality_fits")
    table = table.loc[table["dataset"] == "SQpreference"]
    checked = 0
    for subset, rows in table.groupby("subset"):
        part = _subset(judgements, str(subset))
        fit = fit_pair_model(pair_counts(trial_table(part).frame), reference="Original")
        place = [fit.stages.index(name) for name in rows["item"]]
        npt.assert_allclose(fit.log_worth[place], rows["log_worth_ref_last"], atol=1e-6)
        expected = rows["se_cluster_listener"].replace("NA", "0").astype(float)
        cluster = np.sqrt(np.diag(fit.worth_covariance(cluster=True)))[place]
        npt.assert_allclose(cluster, expected, atol=1e-6)
        checked += 1
    assert checked == 11


def _subset(judgements: pd.DataFrame, subset: str) -> pd.DataFrame:
    part = judgements
    for piece in [] if subset == "all" else subset.split(";"):
        name, _, value = piece.rpartition("=")
        column = {"": "time", "progmat": "programme", "time": "time"}[name]
        part = part.loc[part[column] == value]
    return part


def test_all_published_data_fits(gpl_data: Read, reference: Read) -> None:
    # The same sheets and their attribute judgements, fitted from count tables.
    matrices = gpl_data("bt_soundquality_pcmatrices").set_index(["dataset", "subset"])
    table = reference("bt_soundquality_fits")
    subsets = list(table.groupby(["dataset", "subset"]))
    assert len(subsets) == 35
    checked = 0
    for key, rows in subsets:
        if key not in matrices.index:
            continue
        wide = matrices.loc[[key]].pivot(
            index="row_item", columns="col_item", values="times_row_preferred"
        )
        names = list(wide.index)
        cells = [
            (i, j, wide.loc[i, j], wide.loc[j, i], 0.0)
            for k, i in enumerate(names)
            for j in names[k + 1 :]
        ]
        fit = fit_pair_model(counts_of(cells), reference="Original")
        place = [fit.stages.index(name) for name in rows["item"]]
        npt.assert_allclose(fit.log_worth[place], rows["log_worth_ref_last"], atol=1e-6)
        se = np.sqrt(np.diag(fit.worth_covariance(cluster=False)))[place]
        npt.assert_allclose(se, rows["se_ref_last"], atol=5e-5)
        assert fit.log_likelihood == pytest.approx(rows["loglik"].iloc[0], rel=1e-8)
        assert fit.deviance == pytest.approx(rows["deviance_gof"].iloc[0], rel=1e-6)
        assert fit.df == rows["df_gof"].iloc[0]
        checked += 1
    assert checked >= 20


def _davidson_terms(counts: PairCounts, reference: str) -> tuple[pd.DataFrame, float, int, float]:
    fit = fit_pair_model(counts, reference=reference)
    names = ["u" if name == "tie" else name for name in fit.names]
    table = pd.DataFrame(
        {"estimate": fit.beta, "se": np.sqrt(np.diag(fit.covariance))}, index=names
    )
    return table, fit.deviance, fit.df, fit.log_likelihood


@pytest.mark.parametrize("instrument", ["flute", None])
def test_ties_in_the_sound_field_data(
    gpl_data: Read, reference: Read, instrument: str | None
) -> None:
    # Kousgaard (1984), BradleyTerry2 data sound.fields; Davidson's model as Poisson log-linear fit.
    data = gpl_data("soundfields_kousgaard1984", dtype={"field1": str, "field2": str})
    if instrument:
        data = data.loc[data["instrument"] == instrument]
        model = "Davidson ties, instrument=flute, ref item 111=0, logtie=u=log(nu)"
    else:
        model = "Davidson ties, all instruments pooled, ref 111=0"
        data = data.groupby(["field1", "field2"], as_index=False)[["win1", "win2", "tie"]].sum()
    cells = list(data[["field1", "field2", "win1", "win2", "tie"]].itertuples(index=False))
    found, deviance, df, log_likelihood = _davidson_terms(counts_of(cells), "111")
    table = reference("bt_other_models")
    rows = table.loc[table["model"] == model]
    check_fit(rows, found, atol_se=1e-5)
    if instrument:
        assert deviance == pytest.approx(58.776575, abs=1e-5)
        assert df == 48
        assert log_likelihood == pytest.approx(-122.497091, abs=1e-5)
        # Kousgaard (1984) table 3 prints half the sum-to-zero values.
        theta = np.append(found.drop(index="u")["estimate"].to_numpy(), 0.0)
        centred = (theta - theta.mean()) / 2
        printed = [-0.581, -1.039, 0.347, 0.205, 0.276, 0.347, 0.311, 0.135]
        npt.assert_allclose(centred, printed, atol=6e-4)


def test_ties_in_the_school_choice_data(gpl_data: Read, reference: Read) -> None:
    # Dittrich, Hatzinger & Katzenbeisser (1998), pooled over students.
    data = gpl_data("cems_aggregate")
    cells = list(data[["school1", "school2", "win1", "win2", "tied"]].itertuples(index=False))
    found, deviance, df, log_likelihood = _davidson_terms(counts_of(cells), "Stockholm")
    table = reference("bt_other_models")
    check_fit(table.loc[table["dataset"].str.startswith("CEMS")], found, atol_se=1e-5)
    assert (deviance, df) == (pytest.approx(77.282244, abs=1e-5), 24)
    assert log_likelihood == pytest.approx(-3964.378120, abs=1e-5)


@pytest.mark.parametrize("order", [False, True])
def test_baseball_with_and_without_home_advantage(
    gpl_data: Read, reference: Read, order: bool
) -> None:
    # Agresti (2002) table 10.11: home .302; published worths .044 ... .220.
    data = gpl_data("baseball_agresti")
    names = ["home.team", "away.team", "home.wins", "away.wins"]
    cells = [(*row, 0.0) for row in data[names].itertuples(index=False)]
    fit = fit_pair_model(counts_of(cells), reference="Baltimore", order=order)
    terms = ["at.home" if name == "order" else f"team{name}" for name in fit.names]
    found = pd.DataFrame(
        {"estimate": fit.beta, "se": np.sqrt(np.diag(fit.covariance))}, index=terms
    )
    table = reference("bt_other_models")
    text = "BT with order" if order else "BT no order"
    check_fit(table.loc[table["model"].str.startswith(text)], found, atol_se=1e-5)
    if order:
        assert fit.deviance == pytest.approx(38.642852, abs=1e-5)
        worth = np.sort(np.exp(fit.log_worth) / np.exp(fit.log_worth).sum())
        npt.assert_allclose(worth, [0.044, 0.088, 0.137, 0.157, 0.164, 0.190, 0.220], atol=6e-4)


@pytest.mark.parametrize("name", ["citations_stigler1994", "springall1973"])
def test_other_data_against_an_independent_fit(gpl_data: Read, name: str) -> None:
    data = gpl_data(name)
    if name.startswith("citations"):
        cells = [(*row, 0.0) for row in data.itertuples(index=False)]
    else:
        data[["row", "col"]] = data[["row", "col"]].astype(str)
        cells = [(*row, 0.0) for row in data[["row", "col", "win", "loss"]].itertuples(index=False)]
    counts = counts_of(cells)
    fit = fit_pair_model(counts)
    x = np.zeros((len(cells), len(counts.stages)))
    x[np.arange(len(cells)), counts.first] = 1
    x[np.arange(len(cells)), counts.second] -= 1
    model = sm.GLM(counts.counts[0, :, :2], x[:, :-1], family=sm.families.Binomial())
    glm = model.fit(tol=1e-12)
    npt.assert_allclose(fit.log_worth[:-1], glm.params, atol=1e-8)
    npt.assert_allclose(np.diag(fit.covariance), glm.bse**2, rtol=1e-6)
    assert fit.deviance == pytest.approx(glm.deviance, abs=1e-7)


def test_score_and_information_agree_with_finite_differences(gpl_data: Read) -> None:
    data = gpl_data("springall1973", dtype={"row": str, "col": str})
    cells = list(data[["row", "col", "win", "loss", "tie"]].itertuples(index=False))
    fit = fit_pair_model(counts_of(cells), order=True)
    from analysis.models.pair_design import design, probabilities

    counts = counts_of(cells)
    plan = design(counts, reference=len(counts.stages) - 1, order=True, ties=True)

    def log_likelihood(beta: np.ndarray) -> float:
        return float((counts.counts[0] * np.log(probabilities(plan, beta))).sum())

    step, size = 1e-4, len(fit.beta)
    unit = np.eye(size) * step
    score = [
        (log_likelihood(fit.beta + u) - log_likelihood(fit.beta - u)) / (2 * step) for u in unit
    ]
    npt.assert_allclose(score, 0.0, atol=1e-5)
    curvature = [
        (log_likelihood(fit.beta + u) - 2 * fit.log_likelihood + log_likelihood(fit.beta - u))
        / step**2
        for u in unit
    ]
    npt.assert_allclose(-np.array(curvature), np.diag(np.linalg.inv(fit.covariance)), rtol=1e-4)


def test_one_pair_is_the_logit_of_its_share(paired_rows: Rows) -> None:
    frame = paired_rows(
        [("P1", "i", "j", "a", 6), ("P1", "i", "j", "b", 2), ("P2", "j", "i", "a", 1)]
    )
    fit = fit_preference(trial_table(frame))
    assert fit is not None
    assert fit.ordinary is not None
    assert fit.ordinary.log_worth[0] == pytest.approx(np.log(6 / 3), abs=1e-10)
    assert fit.ordinary.df == 0


def test_clustered_error_by_hand(paired_rows: Rows) -> None:
    # One pair: score of a listener is wins - n·p, information N·p(1-p).
    wins = {"P1": (7, 8), "P2": (3, 8), "P3": (6, 8), "P4": (6, 8)}
    frame = paired_rows(
        [(p, "i", "j", "a", k) for p, (k, n) in wins.items()]
        + [(p, "i", "j", "b", n - k) for p, (k, n) in wins.items()]
    )
    found = fit_preference(trial_table(frame))
    assert found is not None
    p = 22 / 32
    residual = np.array([k - n * p for k, n in wins.values()])
    by_hand = np.sqrt((residual**2).sum()) / (32 * p * (1 - p))
    rows = preference_block(found)["stages"]
    assert rows[0]["se_cluster"] == pytest.approx(by_hand, rel=1e-10)
    difference = worth_difference(found, "i", "j")
    assert difference is not None
    assert difference.se == pytest.approx(by_hand * np.sqrt(4 / 3), rel=1e-10)
    assert difference.df == 3


def test_share_of_a_pair_between_listeners(paired_rows: Rows) -> None:
    cells = [(f"P{p:02d}", "i", "j", answer, 4) for p, answer in enumerate("aaaaabbbaaab" * 2)]
    row = pair_rows(pair_counts(trial_table(paired_rows(cells)).frame))[0]
    wins = np.array([4 * (cell[3] == "a") for cell in cells])
    panel = panel_proportion(wins, np.full(24, 4), chance=0.5)
    assert (row["share_low"], row["share_high"]) == pytest.approx((panel.ci_low, panel.ci_high))
    # Four answers of one mind count as one: twice as wide as over single answers.
    wide, narrow = row["share_high"] - row["share_low"], row["wilson_high"] - row["wilson_low"]
    assert 1.8 < wide / narrow < 2.3
    alone = pair_rows(pair_counts(trial_table(paired_rows(cells[:1])).frame))[0]
    assert np.isnan(alone["share_low"])


def test_worths_do_not_depend_on_the_reference(judgement_table: TrialTable) -> None:
    first = fit_preference(judgement_table, n_draws=0)
    other = fit_preference(judgement_table, reference="Mono", n_draws=0)
    assert first is not None
    assert other is not None
    a, b = (worth_difference(f, "Stereo", "Matrix") for f in (first, other))
    assert a is not None
    assert b is not None
    assert a.estimate == pytest.approx(b.estimate, abs=1e-9)
    assert a.se == pytest.approx(b.se, abs=1e-9)


def test_separation_is_met_by_a_stated_penalty(paired_rows: Rows) -> None:
    cells = [(f"P{k}", "i", "j", "a", 2) for k in range(3)]
    cells += [(f"P{k}", "j", "k", answer, 1) for k in range(3) for answer in "ab"]
    found = fit_preference(trial_table(paired_rows(cells)))
    block = preference_block(found)
    assert block["fit"]["penalty"] == 0.5
    assert "always or never" in block["notes"][0]
    # The pairs form a chain, so each worth is the logit of its penalised share: 6.5 of 7.
    worths = {row["stage"]: row["log_worth"] for row in block["stages"]}
    assert worths["i"] - worths["j"] == pytest.approx(np.log(6.5 / 0.5), abs=1e-9)
    assert all(np.isfinite(row["se"]) for row in block["stages"])


def test_order_effect_needs_stages_in_both_positions(paired_rows: Rows) -> None:
    cells = [(f"P{k}", "i", "j", answer, 2) for k in range(3) for answer in "ab"]
    found = fit_preference(trial_table(paired_rows(cells)))
    assert preference_block(found)["order_effect"] is None
    assert found is not None
    with pytest.raises(ValueError, match="position"):
        fit_pair_model(found.counts, order=True)


def test_ford_condition() -> None:
    ring = np.array([[0, 1, 0], [0, 0, 1], [1, 0, 0]])
    chain = np.array([[0, 1, 1], [0, 0, 1], [0, 0, 0]])
    assert separated(np.stack([ring, chain])).tolist() == [False, True]


def test_unlinked_stages_are_said_and_not_compared(paired_rows: Rows) -> None:
    cells = [("P1", "i", "j", "a", 2), ("P2", "i", "j", "b", 1)]
    cells += [("P1", "x", "y", "a", 2), ("P2", "x", "y", "b", 1)]
    counts = pair_counts(trial_table(paired_rows(cells)).of("paired"))
    found = preference_of(counts, n_draws=0, every_answer=True)
    block = preference_block(found)
    assert not block["connected"]
    assert block["groups"] == [["i", "j"], ["x", "y"]]
    worths = {row["stage"]: row["log_worth"] for row in block["stages"]}
    assert worths["i"] is None
    assert worths["x"] == pytest.approx(np.log(2))
    assert worth_difference(found, "i", "x") is None
    inside = worth_difference(found, "i", "j")
    assert inside is not None
    assert inside.estimate == pytest.approx(np.log(2))
    with pytest.raises(ValueError, match="not all linked"):
        fit_pair_model(found.counts)
    assert components(found.counts) == [[0, 1], [2, 3]]


def test_only_ties(paired_rows: Rows) -> None:
    cells = [(f"P{k}", "i", "j", "tie", 3) for k in range(4)]
    block = preference_block(fit_preference(trial_table(paired_rows(cells))))
    assert block["ties"]["n_ties"] == 12
    assert block["stages"][0]["log_worth"] == pytest.approx(0, abs=1e-9)
    assert np.isfinite(block["ties"]["log_nu"])
    assert block["fit"]["penalty"] == 0.5
    assert np.isnan(block["pairs"][0]["share"])
    assert block["pairs"][0]["p_value"] == 1.0


def test_a_large_panel_with_nothing_but_ties(paired_rows: Rows) -> None:
    cells = [(f"P{k:02d}", *"ij"[:: 1 - 2 * (k % 2)], "tie", 8) for k in range(13)]
    result = analyse(trial_table(paired_rows(cells))).to_dict()["preference"]
    assert result["ties"]["n_ties"] == 104
    assert result["mixed"]["stages"][0]["log_worth"] == pytest.approx(0, abs=1e-6)
    assert result["mixed"]["p_value"] == pytest.approx(1)


def test_unknown_reference_is_named(judgement_table: TrialTable) -> None:
    with pytest.raises(InputError, match="'nosuch' is not a stage of the paired trials"):
        fit_preference(judgement_table, reference="nosuch")


def test_resampling_is_repeatable_and_spreads_as_the_sandwich(judgement_table: TrialTable) -> None:
    found = fit_preference(judgement_table, n_draws=0)
    assert found is not None
    assert found.main is not None
    a, b = (resample_worths(found.counts, found.main, n_draws=4000, seed=7) for _ in range(2))
    npt.assert_array_equal(a.draws, b.draws)
    size = len(a.stages)
    centre = np.eye(size) - 1 / size
    v = centre @ found.main.worth_covariance(cluster=True) @ centre * 40 / 39
    # 4,000 draws give an SD to about 1.1 %; the widening is t(.975, 39)/1.96 = 1.032.
    npt.assert_allclose(a.draws.std(axis=0), np.sqrt(np.diag(v)) * 1.032, rtol=0.06)
    npt.assert_allclose(a.rank_probabilities().sum(axis=1), 1.0)
    npt.assert_allclose(a.rank_probabilities()[:, 0], a.p_best())
    with pytest.raises(ValueError, match="at least two listeners"):
        resample_worths(
            counts_of([("i", "j", 2, 1, 0)]), fit_pair_model(counts_of([("i", "j", 2, 1, 0)]))
        )


def test_order_and_worth_separated_together_get_the_stated_penalty():
    """New wins always when second, four in five when first: worth plus order is unbounded."""
    rows = []
    for person in range(12):
        for trial in range(10):
            a, b = ("new", "old") if trial % 2 else ("old", "new")
            answer = "a" if (a == "new") == (trial < 9) else "b"
            rows.append((f"p{person}", 1, trial + 1, "paired", a, b, answer))
    columns = ["listener", "session", "trial", "method", "stage_a", "stage_b", "answer"]
    trials = trial_table(pd.DataFrame(rows, columns=columns))
    fit = fit_pair_model(pair_counts(trials.frame), order=True)
    assert fit.penalty == 0.5
    assert fit.converged
    assert np.isfinite(fit.covariance_cluster).all()


def test_choices_of_single_listeners_add_up_to_the_panel(judgement_table: TrialTable) -> None:
    block = preference_block(fit_preference(judgement_table))
    own = pd.DataFrame(block["listeners"])
    own["name"] = own["pair"].map(" / ".join)
    sums = own.groupby("name")[["wins", "losses", "ties"]].sum()
    assert own.groupby("listener")["n_trials"].sum().sum() == 21_924
    for row in block["pairs"]:
        name = " / ".join(row["pair"])
        assert list(sums.loc[name]) == [row["wins"], row["losses"], row["ties"]]
        people = own.loc[own["name"] == name, "listener"]
        assert people.nunique() == len(people) == row["n_listeners"]


def test_choices_of_a_listener_who_only_tied_have_no_share(paired_rows: Rows) -> None:
    table = trial_table(
        paired_rows(
            [("L1", "a", "b", "tie", 2), ("L2", "b", "a", "a", 3), ("L2", "a", "b", "a", 1)]
        )
    )
    one, two = preference_block(fit_preference(table))["listeners"]
    assert (one["listener"], one["ties"]) == ("L1", 2)
    assert np.isnan(one["share"])
    assert (two["pair"], two["wins"], two["losses"], two["share"]) == (["a", "b"], 1, 3, 0.25)


def test_how_often_a_stage_was_chosen_is_counted_by_hand(paired_rows: Rows) -> None:
    answers = [("L1", "a", "b", "a", 2), ("L1", "b", "c", "tie", 1), ("L2", "b", "a", "b", 1)]
    table = trial_table(paired_rows(answers))
    rows = preference_block(fit_preference(table))["chosen"]
    found = {(r["listener"], r["stage"]): (r["n_chosen"], r["n_compared"]) for r in rows}
    assert found == {
        (None, "a"): (3, 3),
        (None, "b"): (0, 4),
        (None, "c"): (0, 1),
        ("L1", "a"): (2, 2),
        ("L1", "b"): (0, 3),
        ("L1", "c"): (0, 1),
        ("L2", "a"): (1, 1),
        ("L2", "b"): (0, 1),
    }
