"""Resampling whole listeners: thousands of Bradley-Terry fits at once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.models.bradley_terry import IMPOSSIBLE, PENALTY_COUNT, PairModelFit
from analysis.models.pair_design import PairDesign, design, probabilities
from analysis.models.pair_newton import pair_newton
from analysis.panels.tails import normal_quantile, t_quantile
from analysis.tables.counts import PairCounts, separated

__all__ = ["ROUNDING", "WorthDraws", "first_shares", "resample_worths"]

#: Worths that differ by less are the same: the fits' own tolerance, with room.
ROUNDING = 1e-7
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

    @property
    def vary(self) -> bool:
        """Whether the panels differ at all; where they do not, no chance may be read off them."""
        return bool(np.ptp(self.draws, axis=0).max() > ROUNDING)

    def p_best(self) -> np.ndarray:
        """Return the share of draws in which each stage has the largest worth.

        Stages that tie for the largest share the draw; NaN where the draws do not vary.
        """
        return first_shares(self.draws)

    def rank_probabilities(self) -> np.ndarray:
        """Return P(stage has rank), shape ``(n_stages, n_stages)``, rank 1 first.

        Stages that tie share the ranks that they fill; NaN where the draws do not vary.
        """
        size = len(self.stages)
        if not self.vary:
            return np.full((size, size), np.nan)
        above = np.zeros((len(self.draws), size), dtype=np.int64)
        level = np.zeros_like(above)
        for k in range(size):
            gap = self.draws[:, k, None] - self.draws
            above[:, k] = (gap < -ROUNDING).sum(axis=1)
            level[:, k] = (np.abs(gap) <= ROUNDING).sum(axis=1)
        found = np.zeros((size, size))
        for k in range(size):
            for ties in range(1, int(level[:, k].max()) + 1):
                counted = np.bincount(above[level[:, k] == ties, k], minlength=size)[:size]
                for shift in range(ties):
                    found[k, shift:] += counted[: size - shift] / ties
        return found / len(self.draws)

    def interval(self, *, confidence: float = 0.95) -> tuple[np.ndarray, np.ndarray]:
        """Return percentile bounds of the centred log-worths."""
        tail = 50 * (1 - confidence)
        low, high = np.percentile(self.draws, [tail, 100 - tail], axis=0)
        return low, high


def first_shares(values: np.ndarray) -> np.ndarray:
    """Return the share of rows in which each column is the largest, ties split.

    Parameters
    ----------
    values : numpy.ndarray, shape (n_draws, n)

    Returns
    -------
    numpy.ndarray, shape (n,)
        Sums to 1; NaN where there are two columns or more and no row differs from another.
    """
    if values.shape[1] > 1 and np.ptp(values, axis=0).max() <= ROUNDING:
        return np.full(values.shape[1], np.nan)
    first = values >= values.max(axis=1, keepdims=True) - ROUNDING
    return np.asarray((first / first.sum(axis=1, keepdims=True)).mean(axis=0))


def resample_worths(
    counts: PairCounts,
    fit: PairModelFit,
    *,
    weights: np.ndarray | None = None,
    n_draws: int = 10_000,
    seed: int = 1,
) -> WorthDraws:
    """Draw panels of listeners with replacement and refit every one.

    Parameters
    ----------
    counts : PairCounts
        The answers behind `fit`.
    fit : PairModelFit
        Estimate on the whole panel; with an order effect it is fitted in every draw too.
    weights : numpy.ndarray, optional
        Of the listeners, shape ``(n_listeners,)``, as in the fit; all 1 when not given.
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
    order = "order" in fit.names
    cells = counts if order else counts.unordered()
    if weights is not None:
        cells = cells.weighted(weights)
    active = cells.counts.sum(axis=(1, 2)) > 0
    listeners = int(active.sum())
    if listeners < 2:
        raise ValueError(f"need at least two listeners to resample, got {listeners}")
    ties = "tie" in fit.names
    plan = design(cells, reference=fit.stages.index(fit.reference), order=order, ties=ties)
    answers = cells.counts[active][:, :, : plan.n_outcomes]
    flat = answers.reshape(listeners, -1)
    rng = np.random.default_rng(seed)
    chosen = rng.multinomial(listeners, np.full(listeners, 1 / listeners), size=n_draws)
    size = len(fit.stages)
    draws, penalised = np.empty((n_draws, size)), 0
    for start in range(0, n_draws, _BATCH):
        stop = min(start + _BATCH, n_draws)
        part = (chosen[start:stop].astype(float) @ flat).reshape(-1, *answers.shape[1:])
        weak = _without_maximum(plan, cells, part) | (fit.penalty > 0)
        penalised += int(weak.sum())
        beta = _fit_part(plan, part, weak, cells, fit.beta)
        draws[start:stop] = np.insert(beta[:, : size - 1], plan.reference, 0.0, axis=1)
    draws -= draws.mean(axis=1, keepdims=True)
    centre = fit.log_worth - fit.log_worth.mean()
    draws = centre + (draws - centre) * _widening(listeners)
    return WorthDraws(fit.stages, draws, listeners, penalised)


def _widening(listeners: int) -> float:
    student = t_quantile(0.975, listeners - 1) / normal_quantile(0.975)
    return float(np.sqrt(listeners / (listeners - 1)) * student)


def _without_maximum(plan: PairDesign, cells: PairCounts, part: np.ndarray) -> np.ndarray:
    won = np.zeros((len(part), plan.n_stages, plan.n_stages), dtype=bool)
    answered = part > 0
    # A pair in both orders has two cells, which must add up.
    won[:, cells.first, cells.second] |= answered[:, :, 0]
    won[:, cells.second, cells.first] |= answered[:, :, 1]
    if plan.n_outcomes == 3:
        won[:, cells.first, cells.second] |= answered[:, :, 2]
        won[:, cells.second, cells.first] |= answered[:, :, 2]
        no_ties = ~answered[:, :, 2].any(axis=1)
        return np.asarray(separated(won) | no_ties)
    return np.asarray(separated(won))


def _fit_part(
    plan: PairDesign, part: np.ndarray, weak: np.ndarray, cells: PairCounts, start: np.ndarray
) -> np.ndarray:
    # Every pair that was compared at all gets the penalty, so that a resample which happens to
    # miss a pair stays linked.
    compared = cells.counts.sum(axis=(0, 2)) > 0
    used = np.where(compared[None, :, None], PENALTY_COUNT, 0.0)
    # The whole panel's estimate is near every resample's: half of Newton's steps are saved.
    beta = pair_newton(plan.matrix, part + weak[:, None, None] * used, start)[0]
    if "order" in plan.names:
        # Worths may be bounded where their sum with the order effect is not.
        given = part.sum(axis=2) > 0
        lowest = np.where(given[:, :, None], probabilities(plan, beta), 1.0).min(axis=(1, 2))
        away = (lowest < IMPOSSIBLE) & ~weak
        if away.any():
            beta[away] = pair_newton(plan.matrix, part[away] + used, start)[0]
    return beta
