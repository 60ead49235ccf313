"""Resampling whole listeners: thousands of Bradley-Terry fits at once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import stats

from analysis.bradley_terry import PENALTY_COUNT, Design, PairModelFit, design
from analysis.counts import PairCounts, separated
from analysis.pair_newton import pair_newton

__all__ = ["WorthDraws", "resample_worths"]

#: Fits side by side in one batch: large enough for the matrix products, small enough for cache.
_BATCH = 2048


@dataclass(frozen=True, slots=True)
class WorthDraws:
    """Log-worths of resampled panels.

    Attributes
    ----------
    stages : tuple of str
    draws : numpy.ndarray, shape (n_draws, n_stages)
        Centred to mean 0 over stages and widened about the estimate by √(G/(G-1))·t/z, so that
        plain percentiles behave like Student intervals in small panels.
    n_listeners : int
    n_penalised : int
        Resamples whose likelihood had no finite maximum and were fitted with the penalty.
    """

    stages: tuple[str, ...]
    draws: np.ndarray
    n_listeners: int
    n_penalised: int

    def p_best(self) -> np.ndarray:
        """Return the share of draws in which each stage has the largest worth."""
        best = self.draws.argmax(axis=1)
        return np.bincount(best, minlength=len(self.stages)) / len(self.draws)

    def rank_probabilities(self) -> np.ndarray:
        """Return P(stage has rank), shape ``(n_stages, n_stages)``, rank 1 first."""
        ranks = np.argsort(np.argsort(-self.draws, axis=1), axis=1)
        size = len(self.stages)
        return np.stack(
            [np.bincount(ranks[:, k], minlength=size) / len(self.draws) for k in range(size)]
        )

    def interval(self, *, confidence: float = 0.95) -> tuple[np.ndarray, np.ndarray]:
        """Return percentile bounds of the centred log-worths."""
        tail = 50 * (1 - confidence)
        low, high = np.percentile(self.draws, [tail, 100 - tail], axis=0)
        return low, high


def resample_worths(
    counts: PairCounts, fit: PairModelFit, *, n_draws: int = 10_000, seed: int = 1
) -> WorthDraws:
    """Draw panels of listeners with replacement and refit every one.

    Parameters
    ----------
    counts : PairCounts
        The answers behind `fit`, position not used.
    fit : PairModelFit
        Estimate on the whole panel, without order effect.
    n_draws : int, optional
        Resampled panels.
    seed : int, optional
        Seed of the resampling; the same seed gives the same draws.

    Returns
    -------
    WorthDraws

    Raises
    ------
    ValueError
        Fewer than two listeners: nothing can be said about others.
    """
    cells = counts.unordered()
    active = cells.counts.sum(axis=(1, 2)) > 0
    listeners = int(active.sum())
    if listeners < 2:
        raise ValueError(f"need at least two listeners to resample, got {listeners}")
    ties = "tie" in fit.names
    plan = design(cells, reference=fit.stages.index(fit.reference), ties=ties)
    answers = cells.counts[active][:, :, : plan.n_outcomes]
    flat = answers.reshape(listeners, -1)
    rng = np.random.default_rng(seed)
    weights = rng.multinomial(listeners, np.full(listeners, 1 / listeners), size=n_draws)
    size = len(fit.stages)
    draws, penalised = np.empty((n_draws, size)), 0
    for start in range(0, n_draws, _BATCH):
        stop = min(start + _BATCH, n_draws)
        part = (weights[start:stop].astype(float) @ flat).reshape(-1, *answers.shape[1:])
        weak = _without_maximum(plan, cells, part) | (fit.penalty > 0)
        penalised += int(weak.sum())
        beta = _fit_part(plan, part, weak, cells, fit.beta)
        draws[start:stop] = np.insert(beta[:, : size - 1], plan.reference, 0.0, axis=1)
    draws -= draws.mean(axis=1, keepdims=True)
    centre = fit.log_worth - fit.log_worth.mean()
    draws = centre + (draws - centre) * _widening(listeners)
    return WorthDraws(fit.stages, draws, listeners, penalised)


def _widening(listeners: int) -> float:
    student = stats.t.ppf(0.975, listeners - 1) / stats.norm.ppf(0.975)
    return float(np.sqrt(listeners / (listeners - 1)) * student)


def _without_maximum(plan: Design, cells: PairCounts, part: np.ndarray) -> np.ndarray:
    won = np.zeros((len(part), plan.n_stages, plan.n_stages), dtype=bool)
    answered = part > 0
    won[:, cells.first, cells.second] = answered[:, :, 0]
    won[:, cells.second, cells.first] = answered[:, :, 1]
    if plan.n_outcomes == 3:
        won[:, cells.first, cells.second] |= answered[:, :, 2]
        won[:, cells.second, cells.first] |= answered[:, :, 2]
        no_ties = ~answered[:, :, 2].any(axis=1)
        return np.asarray(separated(won) | no_ties)
    return np.asarray(separated(won))


def _fit_part(
    plan: Design, part: np.ndarray, weak: np.ndarray, cells: PairCounts, start: np.ndarray
) -> np.ndarray:
    # Every pair that was compared at all gets the penalty, so that a resample which happens to
    # miss a pair stays linked.
    compared = cells.counts.sum(axis=(0, 2)) > 0
    used = np.where(compared[None, :, None], PENALTY_COUNT, 0.0)
    # The whole panel's estimate is near every resample's: half of Newton's steps are saved.
    return pair_newton(plan.matrix, part + weak[:, None, None] * used, start)[0]
