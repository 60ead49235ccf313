"""Programmes, listener-specific worths and latent classes."""

from __future__ import annotations

from itertools import combinations
from typing import Any

import numpy as np
import numpy.testing as npt
import pandas as pd
import pytest

from analysis.models.bradley_terry import fit_pair_model
from analysis.models.latent_classes import entropy, fit_latent_classes
from analysis.models.mixed_preference import _Laplace, fit_mixed_preference
from analysis.preference.programmes import leave_one_out, programme_interaction, programme_worths
from analysis.run import analyse
from analysis.tables.counts import PairCounts, pair_counts, split_pair_counts
from analysis.tables.trials import TrialTable, trial_table


def simulated(worths: np.ndarray, trials: int, seed: int) -> PairCounts:
    """Return counts of listeners with given worths, shape (n_listeners, n_stages)."""
    rng = np.random.default_rng(seed)
    n, size = worths.shape
    first, second = (np.array(side) for side in zip(*combinations(range(size), 2), strict=True))
    p = 1 / (1 + np.exp(-(worths[:, first] - worths[:, second])))
    wins = rng.binomial(trials, p)
    counts = np.stack([wins, trials - wins, np.zeros_like(wins)], axis=2).astype(float)
    names = tuple(f"P{k:03d}" for k in range(n))
    return PairCounts(tuple("abcdefgh"[:size]), names, first, second, counts)


def split(counts: PairCounts, share: np.ndarray) -> dict[str, PairCounts]:
    """Return two parts of the same answers."""
    return {
        name: PairCounts(counts.stages, counts.listeners, counts.first, counts.second, part)
        for name, part in (("kite", share), ("harbour", counts.counts - share))
    }


@pytest.mark.parametrize("structure", ["common", "full"])
def test_mixed_gradient_agrees_with_differences(structure: str) -> None:
    counts = simulated(np.random.default_rng(0).normal(0, 1, (9, 4)), 6, 1)
    model = _Laplace(counts, 3, structure)
    point = np.random.default_rng(3).normal(0, 0.6, 3 + model.n_factor)
    gradient = model.value_and_gradient(point)[1]
    step = np.eye(len(point)) * 1e-5
    slopes = [
        (model.value_and_gradient(point + e)[0] - model.value_and_gradient(point - e)[0]) / 2e-5
        for e in step
    ]
    npt.assert_allclose(gradient, slopes, atol=1e-5)


def test_mixed_model_of_the_published_judgements(judgement_table: TrialTable) -> None:
    counts = pair_counts(judgement_table.frame)
    fit = fit_mixed_preference(counts, reference="Original")
    assert fit.converged
    assert (fit.n_trials, fit.n_listeners) == (21_924, 40)
    assert fit.log_likelihood_alike == pytest.approx(-11840.846282, abs=1e-6)
    assert fit.log_likelihood > fit_mixed_preference(counts, structure="common").log_likelihood
    # Averaging over listeners flattens: the middle listener's worths are further apart.
    pooled = fit_pair_model(counts, reference="Original").log_worth
    assert np.ptp(fit.log_worth) > np.ptp(pooled)
    npt.assert_allclose(np.argsort(fit.log_worth)[:2], np.argsort(pooled)[:2])


def test_mixed_model_recovers_a_known_panel() -> None:
    rng = np.random.default_rng(8)
    centre = np.array([0.0, 0.5, 1.2, 0.0])
    worths = centre + rng.normal(0, [0.9, 0.3, 0.9, 0.3], (300, 4))
    fit = fit_mixed_preference(simulated(worths, 12, 9))
    npt.assert_allclose(fit.log_worth, centre - centre[3], atol=0.15)
    # SD of a difference: sqrt(.81 + .81) between the two that vary much, sqrt(.18) for the others.
    assert fit.difference_sd[0, 2] == pytest.approx(np.sqrt(1.62), abs=0.12)
    assert fit.difference_sd[1, 3] == pytest.approx(np.sqrt(0.18), abs=0.12)
    assert fit.p_value < 1e-6
    spread = np.corrcoef(fit.listener_worth[:, 0], worths[:, 0])[0, 1]
    assert spread > 0.8


def test_mixed_model_of_listeners_who_are_alike() -> None:
    fit = fit_mixed_preference(simulated(np.tile([0.0, 0.5, 1.0], (30, 1)), 8, 4))
    assert fit.p_value > 0.05
    assert fit.difference_sd.max() < 0.35


def test_mixed_model_faults() -> None:
    counts = simulated(np.zeros((3, 3)), 4, 1)
    with pytest.raises(ValueError, match="structure must be"):
        fit_mixed_preference(counts, structure="some")
    one = PairCounts(counts.stages, ("P0",), counts.first, counts.second, counts.counts[:1])
    with pytest.raises(ValueError, match="at least two listeners"):
        fit_mixed_preference(one)


def test_one_class_is_the_pooled_fit(judgement_table: TrialTable) -> None:
    counts = pair_counts(judgement_table.frame)
    one = fit_latent_classes(counts, n_classes=1)
    pooled = fit_pair_model(counts)
    assert one.log_likelihood == pytest.approx(pooled.log_likelihood, abs=1e-6)
    npt.assert_allclose(one.log_worth[0], pooled.log_worth - pooled.log_worth.mean(), atol=1e-8)
    assert one.bic == pytest.approx(-2 * pooled.log_likelihood + 7 * np.log(40), abs=1e-5)


def test_hidden_groups_are_found() -> None:
    groups = np.array([[1.0, 0.0, -1.0], [-1.0, 0.0, 1.0]])
    worths = groups[np.repeat([0, 1], [20, 10])]
    counts = simulated(worths, 8, 5)
    fits = [fit_latent_classes(counts, n_classes=k) for k in (1, 2, 3)]
    assert int(np.argmin([fit.bic for fit in fits])) == 1
    two = fits[1]
    npt.assert_allclose(two.share, [2 / 3, 1 / 3], atol=0.02)
    npt.assert_allclose(two.log_worth, groups, atol=0.3)
    assert (two.membership.argmax(axis=1) == np.repeat([0, 1], [20, 10])).all()
    assert entropy(two) > 0.9
    with pytest.raises(ValueError, match="n_classes < listeners"):
        fit_latent_classes(counts, n_classes=30)


def test_listeners_who_are_alike_are_one_group() -> None:
    counts = simulated(np.tile([0.0, 0.4, 0.8], (30, 1)), 8, 6)
    bic = [fit_latent_classes(counts, n_classes=k).bic for k in (1, 2)]
    assert bic[0] < bic[1]


def test_interaction_is_found_and_not_invented() -> None:
    n = 16
    kite = simulated(np.tile([1.0, 0.0, 0.0], (n, 1)), 6, 1)
    harbour = simulated(np.tile([0.0, 0.0, 1.0], (n, 1)), 6, 2)
    found = programme_interaction({"kite": kite, "harbour": harbour})
    assert found is not None
    assert found.p_value == pytest.approx(1 / 500)
    assert found.df == 2
    p = []
    for seed in range(60):
        rng = np.random.default_rng(seed)
        own = simulated(rng.normal(0, 1, (12, 3)), 8, seed)
        share = rng.hypergeometric(
            own.counts[:, :, 0].astype(int), own.counts[:, :, 1].astype(int), 4
        )
        part = np.stack([share, 4 - share, np.zeros_like(share)], axis=2).astype(float)
        test = programme_interaction(split(own, part), n_permutations=99, seed=seed)
        assert test is not None
        p.append(test.p_value)
    # Listeners differ much, the programmes not at all: 60 draws, mean 1/2 to 4 errors (.037).
    assert np.mean(p) == pytest.approx(0.5, abs=0.15)
    assert np.mean(np.array(p) <= 0.05) < 0.15


def test_interaction_where_nothing_can_be_exchanged() -> None:
    counts = simulated(np.zeros((4, 3)), 4, 1)
    empty = {"kite": counts}
    assert programme_interaction(empty) is None
    apart = counts.counts.copy()
    apart[::2] = 0
    assert programme_interaction(split(counts, apart)) is None


def test_leave_one_out_is_the_fit_of_the_rest(judgement_table: TrialTable) -> None:
    frame = judgement_table.frame
    parts = split_pair_counts(frame, by="programme")
    rows = leave_one_out(parts)
    assert [row["left_out"] for row in rows] == ["Beethoven", "Rachmaninov", "SteelyDan", "Sting"]
    rest = fit_pair_model(pair_counts(frame.loc[frame["programme"] != "Sting"]))
    expected = dict(zip(rest.stages, rest.log_worth - rest.log_worth.mean(), strict=True))
    assert rows[3]["log_worth"] == pytest.approx(expected)
    assert rows[3]["best"] == max(expected, key=lambda name: expected[name])


def test_programme_worths_match_the_published_fits(
    judgement_table: TrialTable, reference: object
) -> None:
    table: pd.DataFrame = reference("bt_soundquality_fits")  # type: ignore[operator]
    worths = programme_worths(split_pair_counts(judgement_table.frame, by="programme"))
    for name, found in worths.items():
        rows = table.loc[table["subset"] == f"progmat={name}"]
        if len(rows):
            expected = dict(zip(rows["item"], rows["log_worth_sumzero"], strict=True))
            assert found == pytest.approx(expected, abs=1e-6)


def test_blocks_in_the_analysis(judgement_result: dict[str, Any], judgements: pd.DataFrame) -> None:
    block = judgement_result["preference"]
    assert block["programmes"]["interaction"]["p_value"] < 0.01
    assert block["mixed"]["structure"] == "full"
    assert len(block["mixed"]["listeners"]) == 40
    assert [fit["n_classes"] for fit in block["classes"]["fits"]] == [1, 2, 3]
    assert block["thurstone"]["df"] == 21
    assert block["equal_worths"]["p_value"] < 1e-6
    without = analyse(trial_table(judgements.iloc[:300]), mixed=False).to_dict()["preference"]
    assert without["mixed"] is None
    assert without["classes"] is None


def test_equal_worths_with_ties_is_no_smaller_than_zero() -> None:
    rows = [
        (f"P{k}", "1", t + 1, "paired", "i", "j", a)
        for k in range(8)
        for t, a in enumerate(["a", "b", "tie"])
    ]
    names = ["listener", "session", "trial", "method", "stage_a", "stage_b", "answer"]
    block = analyse(trial_table(pd.DataFrame(rows, columns=names))).to_dict()["preference"]
    assert block["equal_worths"]["likelihood_ratio"] == pytest.approx(0, abs=1e-8)
    assert block["equal_worths"]["p_value_trials"] == pytest.approx(1, abs=1e-4)
