"""Panels of many listeners and stages: what is eliminated or left sparse changes no figure."""

from __future__ import annotations

from itertools import combinations
from typing import Any

import numpy as np
import numpy.testing as npt
import pandas as pd
import pytest
from scipy.optimize import approx_fprime, minimize
from scipy.special import expit, xlogy
from statsmodels.genmod.families import Binomial
from statsmodels.genmod.generalized_linear_model import GLM

from analysis.hearing.pair_cells import forced_choice_cells
from analysis.models.bradley_terry import fit_counts
from analysis.models.mixed_choice import fit_mixed_choice
from analysis.models.mixed_means import _Profile, fit_mixed_means
from analysis.models.mixed_preference import _Laplace
from analysis.models.ordinal import _Mixed, fit_mixed_cumulative_link
from analysis.models.pair_design import design, probabilities
from analysis.models.pair_newton import pair_newton
from analysis.ratings.models import mixed_ratings
from analysis.ratings.tests import rating_pairs
from analysis.tables.counts import PairCounts
from analysis.tables.trials import trial_table

#: Listeners, stages, programmes, share of cells missing, repeats.
DESIGNS = {
    "complete": (9, 4, 5, 0.0, 1),
    "missing cells": (12, 5, 6, 0.4, 1),
    "repeats": (7, 3, 5, 0.3, 3),
    "one programme": (10, 4, 1, 0.0, 2),
    "one trial a cell": (14, 5, 1, 0.2, 1),
    "more programmes than listeners": (4, 3, 20, 0.5, 1),
}


def rated(name: str) -> tuple[np.ndarray, np.ndarray, dict[str, np.ndarray]]:
    """Return ratings, fixed effects and grouping factors of an unbalanced panel."""
    n_listeners, n_stages, n_programmes, missing, repeats = DESIGNS[name]
    rng = np.random.default_rng(len(name))
    grid = np.meshgrid(*(np.arange(n) for n in (n_listeners, n_stages, n_programmes, repeats)))
    listener, stage, programme, _ = (axis.ravel() for axis in grid)
    # The stages of each listener's first programme stay, so that the stage means can be told.
    kept = (rng.random(len(stage)) >= missing) | (programme == 0)
    listener, stage, programme = listener[kept], stage[kept], programme[kept]
    y = rng.normal(50 + 3 * stage, 5)
    y += rng.normal(0, 6, n_listeners)[listener] + rng.normal(0, 4, n_programmes)[programme]
    y += rng.normal(0, 5, (n_listeners, n_stages))[listener, stage]
    groups = {"listener": listener}
    if n_programmes > 1 or repeats > 1:
        groups["listener by stage"] = listener * n_stages + stage
    if n_programmes > 1:
        groups["programme"] = programme
    x = np.column_stack([np.ones(len(y)), *(stage == k for k in range(1, n_stages))]).astype(float)
    return y, x, groups


def restricted_log_likelihood(
    y: np.ndarray, x: np.ndarray, groups: dict[str, np.ndarray], sd: dict[str, float], noise: float
) -> float:
    """Return the restricted log-likelihood from the whole covariance (Harville 1977 JASA 72:320).

    With the constant of lme4: log |X'V⁻¹X| and no log |X'X|.
    """
    v = noise**2 * np.eye(len(y))
    for name, group in groups.items():
        v += sd[name] ** 2 * (group[:, None] == group[None, :])
    inverse = np.linalg.inv(v)
    information = x.T @ inverse @ x
    beta = np.linalg.solve(information, x.T @ inverse @ y)
    rest = y - x @ beta
    terms = [np.linalg.slogdet(v)[1], np.linalg.slogdet(information)[1], rest @ inverse @ rest]
    return float(-(sum(terms) + (len(y) - x.shape[1]) * np.log(2 * np.pi)) / 2)


@pytest.mark.parametrize("name", DESIGNS)
def test_mixed_means_reach_the_top_of_the_dense_likelihood(name: str) -> None:
    y, x, groups = rated(name)
    fit = fit_mixed_means(y, {str(k): column for k, column in enumerate(x.T)}, groups)
    dense = restricted_log_likelihood(y, x, groups, fit.sd, fit.sd_residual)
    assert fit.log_likelihood == pytest.approx(dense, rel=1e-10)
    assert fit.converged
    at = np.array([*fit.sd.values(), fit.sd_residual])
    for k in range(len(at)):
        for change in (0.98, 1.02):
            # From an SD of 0 the only way leads up.
            moved = at.copy()
            moved[k] = moved[k] * change if moved[k] > 0.1 else 0.3
            other = restricted_log_likelihood(
                y, x, groups, dict(zip(groups, moved[:-1], strict=True)), moved[-1]
            )
            assert other < dense


@pytest.mark.parametrize("reml", [True, False], ids=["REML", "ML"])
@pytest.mark.parametrize("name", DESIGNS)
def test_slopes_of_the_deviance_agree_with_differences(name: str, reml: bool) -> None:
    y, x, groups = rated(name)
    coded = [np.unique(group, return_inverse=True)[1] for group in groups.values()]
    model = _Profile((y - y.mean()) / y.std(), x, coded, reml=reml)
    for at in (np.linspace(0.4, 1.3, len(coded)), np.linspace(0.0, 0.8, len(coded))):
        # Forward differences err by half the curvature times the step.
        npt.assert_allclose(
            model.gradient(at), approx_fprime(at, model.deviance, 1e-6), rtol=2e-4, atol=5e-3
        )


def test_every_listener_keeps_an_own_taste_for_every_stage() -> None:
    # 640 listeners x 8 stages are 5,120 tastes. Balanced: the estimates of the analysis of
    # variance are the restricted maximum likelihood where none is negative (Searle, Casella &
    # McCulloch 1992 Variance Components ch. 4).
    rng = np.random.default_rng(5)
    n, k, m = 640, 8, 3
    taste = rng.normal(0, 5, (n, k, 1))
    y = 50 + rng.normal(0, 8, (n, 1, 1)) + taste + rng.normal(0, 6, (n, k, m))
    frame = pd.DataFrame(
        {
            "listener": np.repeat([f"P{p:03d}" for p in range(n)], k * m),
            "stage_a": np.tile(np.repeat([f"s{j}" for j in range(k)], m), n),
            "programme": np.tile(["kite", "harbour", "lantern"], n * k),
            "rating": y.ravel(),
        }
    )
    found = mixed_ratings(frame)
    assert found is not None
    # Three programmes are fixed effects: their part leaves the residual.
    programme = y.mean(axis=(0, 1)) - y.mean()
    cell = y.mean(axis=2)
    inner = ((y - cell[:, :, None] - programme) ** 2).sum() / (n * k * (m - 1) - (m - 1))
    crossed = cell - cell.mean(axis=0) - cell.mean(axis=1, keepdims=True) + cell.mean()
    between = m * (crossed**2).sum() / ((n - 1) * (k - 1))
    listener = k * m * cell.mean(axis=1).var(ddof=1)
    assert found["sd_residual"] == pytest.approx(np.sqrt(inner), rel=1e-6)
    assert found["sd_listener_by_stage"] == pytest.approx(np.sqrt((between - inner) / m), rel=1e-6)
    assert found["sd_listener"] == pytest.approx(np.sqrt((listener - between) / (k * m)), rel=1e-6)
    # The error of a difference of stages rests on the tastes, not on the residual alone.
    assert found["stages"][0]["se"] == pytest.approx(np.sqrt(2 * between / (n * m)), rel=1e-6)


def graded() -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(2)
    listener, stage = rng.integers(0, 12, 160), rng.integers(0, 4, 160)
    latent = rng.logistic(size=160) + 0.7 * stage + rng.normal(0, 1.2, 12)[listener]
    codes = np.searchsorted([-1.0, 0.5, 2.0], latent)
    x = np.column_stack([stage == k for k in (1, 2, 3)]).astype(float)
    return codes, x, listener, rng.integers(1, 4, 160).astype(float)


@pytest.mark.parametrize("sd", [0.9, -0.7, 0.05])
def test_slopes_of_ordered_grades_agree_with_differences(sd: float) -> None:
    codes, x, listener, weight = graded()
    model = _Mixed(codes, x, listener, weight)
    at = np.array([-1.2, 0.3, 0.5, 0.4, 0.9, 1.8, sd])
    expected = approx_fprime(at, model.by_group, 1e-6)
    npt.assert_allclose(model.scores(at), expected, rtol=1e-4, atol=2e-5)
    npt.assert_allclose(model.gradient(at), model.scores(at).sum(axis=0), rtol=1e-10)


def test_ordered_grades_of_thirty_stages() -> None:
    # Each listener grades each of 30 stages; the fit's slopes vanish and the errors are those of
    # the inverse curvature, here by second differences of the likelihood along each effect.
    rng = np.random.default_rng(8)
    listener, stage = np.repeat(np.arange(40), 30), np.tile(np.arange(30), 40)
    latent = rng.logistic(size=1200) + np.linspace(0, 3, 30)[stage] + rng.normal(0, 1, 40)[listener]
    codes = np.searchsorted([0.0, 1.5, 3.0], latent)
    effects = {str(k): (stage == k).astype(float) for k in range(1, 30)}
    fit = fit_mixed_cumulative_link(codes, effects, listener)
    assert fit.converged
    model = _Mixed(codes, np.column_stack([*effects.values()]), listener, np.ones(1200))
    gaps = np.log(np.diff(fit.thresholds))
    at = np.concatenate([fit.thresholds[:1], gaps, fit.beta, [fit.sd]])
    npt.assert_allclose(approx_fprime(at, model.log_likelihood, 1e-6), 0, atol=5e-3)
    curve = np.array(
        [approx_fprime(at, lambda v, k=k: model.gradient(v)[k], 1e-5) for k in range(33)]
    )
    npt.assert_allclose(fit.se, np.sqrt(np.diag(np.linalg.inv(-curve)))[3:-1], rtol=1e-3)


def compared(n_stages: int, ties: bool, seed: int) -> tuple[Any, np.ndarray]:
    """Return the plan of a full round-robin and counts of 30 panels."""
    first, second = (np.array(side) for side in zip(*combinations(range(n_stages), 2), strict=True))
    names = tuple(f"s{k:02d}" for k in range(n_stages))
    cells = PairCounts(names, (), first, second, np.zeros((0, len(first), 3)))
    plan = design(cells, reference=1, ties=ties)
    rng = np.random.default_rng(seed)
    worth = rng.normal(0, 0.6, n_stages)
    p = expit(worth[first] - worth[second])
    tied = rng.binomial(3, 0.2 if ties else 0.0, (30, len(first)))
    total = rng.integers(5, 13, (30, len(first)))
    wins = rng.binomial(total, p)
    return plan, np.stack([wins, total - wins, tied], axis=2)[:, :, : 3 if ties else 2].astype(
        float
    )


@pytest.mark.parametrize("n_stages", [4, 24], ids=["dense", "sparse"])
def test_pair_models_agree_with_a_generalised_linear_model(n_stages: int) -> None:
    # statsmodels fits the same logistic regression; its step stops at 1e-12 of the deviance.
    plan, answers = compared(n_stages, ties=False, seed=1)
    beta, converged = fit_counts(plan, answers)
    assert converged.all()
    x = plan.matrix[:, 0] - plan.matrix[:, 1]
    for k in (0, 17):
        other = GLM(answers[k], x, family=Binomial()).fit(tol=1e-12)
        npt.assert_allclose(beta[k], other.params, atol=1e-8)


@pytest.mark.parametrize("n_stages", [4, 24], ids=["dense", "sparse"])
def test_pair_models_with_ties_leave_no_slope(n_stages: int) -> None:
    plan, answers = compared(n_stages, ties=True, seed=2)
    beta, converged = fit_counts(plan, answers)
    assert converged.all()
    expected = answers.sum(axis=2, keepdims=True) * probabilities(plan, beta)
    slope = (answers - expected).reshape(30, -1) @ plan.matrix.reshape(-1, beta.shape[1])
    npt.assert_allclose(slope, 0, atol=1e-9)


@pytest.mark.parametrize("n_stages", [5, 24], ids=["dense", "sparse"])
def test_sets_without_a_maximum_leave_their_neighbours_alone(n_stages: int) -> None:
    plan, answers = compared(n_stages, ties=False, seed=3)
    alone, _ = fit_counts(plan, answers)
    mixed = np.concatenate([answers[:10], answers[:10], answers[10:]])
    # In some sets stage 0 is never chosen, in others its pairs were never asked at all.
    at_zero = np.flatnonzero(plan.matrix[:, 0, 0] == 1)
    mixed[10:15, at_zero, 1] += mixed[10:15, at_zero, 0]
    mixed[10:15, at_zero, 0] = 0
    mixed[15:20, at_zero] = 0
    beta, converged = fit_counts(plan, mixed)
    npt.assert_allclose(np.delete(beta, slice(10, 20), axis=0), alone, atol=1e-10)
    assert not converged[10:15].any()
    rest = np.delete(mixed[10:20], at_zero, axis=1)
    short = np.delete(plan.matrix, at_zero, axis=0)[:, :, 1:]
    best, _ = pair_newton(short, rest)
    eta = np.einsum("pck,sk->spc", short, best)
    bound = xlogy(rest, np.exp(eta) / np.exp(eta).sum(axis=2, keepdims=True)).sum(axis=(1, 2))
    reached = xlogy(mixed[10:20], probabilities(plan, beta[10:20])).sum(axis=(1, 2))
    npt.assert_allclose(reached, bound, atol=1e-8)


def test_starting_elsewhere_changes_nothing() -> None:
    plan, answers = compared(24, ties=True, seed=4)
    zero, _ = pair_newton(plan.matrix, answers)
    near, _ = pair_newton(plan.matrix, answers, zero[3])
    npt.assert_allclose(near, zero, atol=1e-11)


@pytest.mark.parametrize("structure", ["common", "full"])
def test_listeners_own_worths_are_integrated_as_by_hand(structure: str) -> None:
    # Laplace by its definition, listener by listener with a general minimiser and dense matrices.
    rng = np.random.default_rng(6)
    n_stages, place = 5, 2
    first, second = (np.array(side) for side in zip(*combinations(range(n_stages), 2), strict=True))
    total = rng.integers(0, 5, (6, 10))
    wins = rng.binomial(total, 0.6)
    counts = np.stack([wins, total - wins, np.zeros_like(wins)], axis=2).astype(float)
    cells = PairCounts(tuple("abcde"), tuple("PQRSTU"), first, second, counts)
    model = _Laplace(cells, place, structure)
    at = rng.normal(0, 0.5, 4 + model.n_factor)
    x = np.zeros((10, n_stages))
    x[np.arange(10), first], x[np.arange(10), second] = 1, -1
    x = np.delete(x, place, axis=1)
    factor = model.factor(at)
    sigma = factor @ factor.T
    expected = 0.0
    for won, asked in zip(wins, total, strict=True):

        def minus(u: np.ndarray, won: np.ndarray = won, asked: np.ndarray = asked) -> float:
            eta = x @ (at[:4] + u)
            own = (won * eta - asked * np.logaddexp(0, eta)).sum()
            return float(u @ np.linalg.solve(sigma, u) / 2 - own)

        mode = minimize(minus, np.zeros(4), method="BFGS", options={"gtol": 1e-9}).x
        p = expit(x @ (at[:4] + mode))
        curve = (x * (asked * p * (1 - p))[:, None]).T @ x @ sigma + np.eye(4)
        expected += -minus(mode) - np.linalg.slogdet(curve)[1] / 2
    # The minimiser leaves the mode a millionth away.
    assert model.value_and_gradient(at)[0] == pytest.approx(expected, abs=2e-6)


def test_the_order_of_grouping_factors_does_not_count() -> None:
    # The factor with the most levels is eliminated first, whichever it is.
    rng = np.random.default_rng(7)
    listener, pair = rng.integers(0, 9, 300), rng.integers(0, 40, 300)
    eta = 0.4 + rng.normal(0, 0.8, 9)[listener] + rng.normal(0, 0.6, 40)[pair]
    right = (rng.random(300) < expit(eta)).astype(float)
    fixed = {"1": np.ones(300)}
    one = fit_mixed_choice(right, np.ones(300), fixed, {"listener": listener, "pair": pair})
    two = fit_mixed_choice(right, np.ones(300), fixed, {"pair": pair, "listener": listener})
    assert one.log_likelihood == pytest.approx(two.log_likelihood, abs=1e-9)
    assert one.sd == pytest.approx(two.sd, abs=1e-5)
    npt.assert_allclose(one.effects["pair"], two.effects["pair"], atol=1e-5)


def test_a_pair_is_permuted_as_if_it_were_alone() -> None:
    # The share of sign changes, worked out pair by pair from the same signs.
    rng = np.random.default_rng(9)
    y = np.round(rng.normal(50, 12, (23, 6)), 0)
    signs = np.random.default_rng(1).choice([-1.0, 1.0], size=(9999, 23))
    for row in rating_pairs(y):
        d = y[:, row.first] - y[:, row.second]
        larger = (np.abs(signs @ d) >= abs(d.sum()) - 1e-9).sum()
        assert row.p_permutation == (1 + larger) / 10_000
    few = y[:8, :2]
    d = few[:, 0] - few[:, 1]
    all_signs = 1 - 2 * ((np.arange(256)[:, None] >> np.arange(8)) & 1)
    expected = (np.abs(all_signs @ d) >= abs(d.sum()) - 1e-9).mean()
    assert rating_pairs(few)[0].p_permutation == expected


def test_pairs_are_counted_apart() -> None:
    # 12 stages, few trials each: every group holds the rows of its own pair and no other.
    rng = np.random.default_rng(10)
    n = 500
    a = rng.integers(0, 12, n)
    b = (a + rng.integers(1, 12, n)) % 12
    frame = pd.DataFrame(
        {
            "listener": [f"P{k}" for k in rng.integers(0, 9, n)],
            "session": "1",
            "method": "abx",
            "programme": np.array(["kite", "harbour"])[rng.integers(0, 2, n)],
            "stage_a": [f"s{k}" for k in a],
            "stage_b": [f"s{k}" for k in b],
            "stage_x": [f"s{k}" for k in np.where(rng.random(n) < 0.5, a, b)],
            "answer": np.array(["a", "b"])[rng.integers(0, 2, n)],
        }
    )
    frame["trial"] = frame.groupby("listener").cumcount() + 1
    low, high = (
        np.minimum(frame["stage_a"], frame["stage_b"]),
        np.maximum(frame["stage_a"], frame["stage_b"]),
    )
    truth = np.where(frame["stage_x"] == frame["stage_a"], "a", "b")
    frame["right"] = (frame["answer"] == truth).astype(int)
    groups = forced_choice_cells(trial_table(frame.drop(columns="right")))
    assert len(groups) == len(set(zip(low, high, strict=True)))
    for group in groups:
        own = frame[(low == group.pair[0]) & (high == group.pair[1])]
        by_listener = own.groupby("listener")["right"].agg(["sum", "size"])
        sums = group.cells.groupby("listener")[["n_correct", "n_trials"]].sum()
        npt.assert_array_equal(sums["n_correct"], by_listener["sum"])
        npt.assert_array_equal(sums["n_trials"], by_listener["size"])
