"""One varied population: listeners whose worths scatter normally about the panel's.

The continuous model that groups of listeners have to beat. Log-worths of a listener are normal
around the panel's, with one variance along a single axis, which the data choose, and a common
variance in every other direction: that covers tastes that vary independently, and tastes that
follow one common dimension. The marginal likelihood is approximated by Laplace's method at each
listener's mode; mean and covariance are found by EM (Dempster, Laird & Rubin 1977 JRSSB 39:1) with
the structured covariance of Tipping & Bishop (1999) JRSSB 61:611, one axis, in closed form.

Ties are left out. In Davidson's model the choice between the two, given that one was chosen, is
Bradley and Terry's whatever the tendency to tie, a listener's own included.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.special import expit

from analysis.tables.counts import PairCounts

__all__ = [
    "Choices",
    "ScatteredPanel",
    "choices",
    "draw_choices",
    "fit_scattered",
    "widened",
]

_EM_STEPS = 150
_TOLERANCE = 3e-4
#: Variances never fall below this (logits squared): a panel of listeners who are all alike.
_LEAST_VARIANCE = 1e-4
#: Nor rise above this: a panel in which everybody always chooses alike has no largest likelihood.
_MOST_VARIANCE = 100.0
#: Panels by which the fit's own shrinkage is measured, and the most that is made good.
_TRIED, _MOST_WIDENING = 3, 1.5
#: Answers of either kind added to every compared pair of the pooled fit, so that it is finite.
_STEADYING = 0.05
#: Shift from mode to mean, in the listener's own standard errors, that is halved.
_LARGEST_SHIFT = 0.3
#: Largest change of a listener's worth in one Newton step, logits.
_LONGEST_STEP = 2.0


@dataclass(frozen=True, slots=True)
class Choices:
    """Decided answers of a panel, and the pairs in coordinates without a reference.

    Attributes
    ----------
    x : numpy.ndarray, shape (n_pairs, n_stages - 1)
        What each coordinate adds to the logit of choosing the first stage of a pair.
    basis : numpy.ndarray, shape (n_stages, n_stages - 1)
        Orthonormal axes of worths that sum to 0; no stage is special.
    won, total : numpy.ndarray, shape (n_listeners, n_pairs)
        Choices of the first stage, and choices.
    listeners : tuple of str
    """

    x: np.ndarray
    basis: np.ndarray
    won: np.ndarray
    total: np.ndarray
    listeners: tuple[str, ...]

    def only(self, kept: np.ndarray) -> Choices:
        """Return some of the listeners (bool, one a listener)."""
        names = tuple(name for name, yes in zip(self.listeners, kept, strict=True) if yes)
        return Choices(self.x, self.basis, self.won[kept], self.total[kept], names)


@dataclass(frozen=True, slots=True)
class ScatteredPanel:
    """A fitted continuous population.

    Attributes
    ----------
    mean : numpy.ndarray, shape (n_stages - 1,)
    axis : numpy.ndarray, shape (n_stages - 1,)
        Direction in which listeners scatter most, of length 1.
    along, across : float
        Variance along the axis and in every other direction, logits squared.
    log_likelihood : float
        By Laplace's method.
    converged : bool
    """

    mean: np.ndarray
    axis: np.ndarray
    along: float
    across: float
    log_likelihood: float
    converged: bool


def choices(counts: PairCounts) -> Choices:
    """Return the decided answers of listeners who decided at least once."""
    flat, size = counts.unordered(), len(counts.stages)
    decided = flat.counts[:, :, :2].sum(axis=2)
    heard = decided.sum(axis=1) > 0
    difference = np.zeros((len(flat.first), size))
    rows = np.arange(len(flat.first))
    difference[rows, flat.first], difference[rows, flat.second] = 1.0, -1.0
    spanning = np.column_stack([np.ones(size), np.eye(size)[:, : size - 1]])
    basis = np.linalg.qr(spanning)[0][:, 1:]
    names = tuple(name for name, yes in zip(counts.listeners, heard, strict=True) if yes)
    return Choices(difference @ basis, basis, flat.counts[heard][:, :, 0], decided[heard], names)


def pooled_worths(x: np.ndarray, won: np.ndarray, total: np.ndarray) -> np.ndarray:
    """Return worths as if all listeners were alike, for one or many panels side by side.

    Parameters
    ----------
    x : numpy.ndarray, shape (n_pairs, n_axes)
    won : numpy.ndarray, shape (n_panels, n_listeners, n_pairs)
    total : numpy.ndarray, shape (n_listeners, n_pairs)

    Returns
    -------
    numpy.ndarray, shape (n_panels, n_axes)
    """
    asked = total.sum(axis=0)
    extra = np.where(asked > 0, _STEADYING, 0.0)
    wins, tries = won.sum(axis=1) + extra, asked + 2 * extra
    beta = np.zeros((len(won), x.shape[1]))
    for _ in range(50):
        p = expit(beta @ x.T)
        step = _solved(information(x, tries * p * (1 - p)), (wins - tries * p) @ x)
        beta = beta + np.clip(step, -_LONGEST_STEP, _LONGEST_STEP)
        if np.abs(step).max(initial=0.0) < 1e-8:
            break
    return beta


def information(x: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """Return the sum of weighted outer products of pairs, shape (..., n_axes, n_axes)."""
    axes = x.shape[1]
    outer = (x[:, :, None] * x[:, None, :]).reshape(len(x), axes * axes)
    found: np.ndarray = (weight @ outer).reshape(*weight.shape[:-1], axes, axes)
    return found


def _solved(matrix: np.ndarray, vector: np.ndarray) -> np.ndarray:
    return np.asarray(np.linalg.solve(matrix, vector[..., None])[..., 0])


def listener_modes(
    x: np.ndarray,
    won: np.ndarray,
    total: np.ndarray,
    mean: np.ndarray,
    precision: np.ndarray,
    *,
    start: np.ndarray,
    steps: int,
) -> tuple[np.ndarray, np.ndarray]:
    """Return each listener's most probable worths and the curvature there.

    Parameters
    ----------
    x, won, total : numpy.ndarray
        As in :func:`pooled_worths`.
    mean : numpy.ndarray, shape (n_panels, n_axes)
    precision : numpy.ndarray, shape (n_axes, n_axes)
        Inverse covariance of listeners about the mean.
    start : numpy.ndarray, shape (n_panels, n_listeners, n_axes)
    steps : int
        Newton steps.

    Returns
    -------
    mode : numpy.ndarray, shape (n_panels, n_listeners, n_axes)
    curvature : numpy.ndarray, shape (n_panels, n_listeners, n_axes, n_axes)
    """
    mode, curvature = start, precision
    for _ in range(steps):
        p = expit(mode @ x.T)
        slope = (won - total * p) @ x - (mode - mean[:, None]) @ precision
        curvature = information(x, total * p * (1 - p)) + precision
        mode = mode + np.clip(_solved(curvature, slope), -_LONGEST_STEP, _LONGEST_STEP)
    return mode, curvature


def fit_scattered(found: Choices) -> ScatteredPanel:
    """Fit the continuous population to a panel.

    Parameters
    ----------
    found : Choices

    Returns
    -------
    ScatteredPanel
    """
    x, won, total = found.x, found.won[None], found.total
    axes = x.shape[1]
    mean = pooled_worths(x, won, total)
    mode = np.repeat(mean[:, None], len(total), axis=1)
    axis, along, across = np.eye(axes)[0], 0.5, 0.5
    converged = False
    for _ in range(_EM_STEPS):
        precision = _precision(axis, along, across)
        mode, curvature = listener_modes(x, won, total, mean, precision, start=mode, steps=1)
        unsure = np.linalg.inv(curvature[0])
        own = mode + _skewness(x, total, mode[0], curvature[0], unsure)
        centre = own.mean(axis=1)
        around = own[0] - centre
        scatter = (around.T @ around + unsure.sum(axis=0)) / len(total)
        before = np.array([along, across])
        axis, along, across = _one_axis(scatter)
        moved = max(np.abs(centre - mean).max(), np.abs(before - (along, across)).max())
        mean, converged = centre, bool(moved < _TOLERANCE)
        if converged:
            break
    value = _laplace(found, mean, _precision(axis, along, across), mode)
    return ScatteredPanel(mean[0], axis, along, across, value, converged)


def _skewness(
    x: np.ndarray, total: np.ndarray, mode: np.ndarray, curvature: np.ndarray, unsure: np.ndarray
) -> np.ndarray:
    """Return how far the mean of a listener's worths lies from their mode, to second order.

    The distribution is skewed away from the panel where a listener nearly always chooses alike;
    modes alone make the scatter of such listeners too small (Tierney & Kadane 1986 JASA 81:82).
    The expansion holds while the shift is small beside the listener's own uncertainty; a larger one
    is faded out, or few answers would make the scatter run away.
    """
    p = expit(mode @ x.T)
    third = total * p * (1 - p) * (1 - 2 * p)
    spread = ((x @ unsure) * x).sum(axis=2)
    shift = -(unsure @ ((third * spread) @ x)[..., None])[..., 0] / 2
    errors = np.einsum("li,lij,lj->l", shift, curvature, shift)
    return np.asarray(shift / (1 + errors / _LARGEST_SHIFT**2)[:, None])


def _precision(axis: np.ndarray, along: float, across: float) -> np.ndarray:
    return np.eye(len(axis)) / across + (1 / along - 1 / across) * np.outer(axis, axis)


def _one_axis(scatter: np.ndarray) -> tuple[np.ndarray, float, float]:
    """Return the axis of largest scatter, its variance and the mean variance of the others."""
    values, vectors = np.linalg.eigh(scatter)
    along = min(max(float(values[-1]), _LEAST_VARIANCE), _MOST_VARIANCE)
    rest = float(values[:-1].mean()) if len(values) > 1 else along
    return vectors[:, -1], along, min(max(rest, _LEAST_VARIANCE), along)


def _laplace(found: Choices, mean: np.ndarray, precision: np.ndarray, mode: np.ndarray) -> float:
    x, won, total = found.x, found.won[None], found.total
    mode, _ = listener_modes(x, won, total, mean, precision, start=mode, steps=10)
    eta = mode[0] @ x.T
    p = expit(eta)
    curvature = information(x, total * p * (1 - p)) + precision
    around = mode[0] - mean
    fit = (found.won * eta - total * np.logaddexp(0, eta)).sum()
    fit -= np.einsum("li,ij,lj->", around, precision, around) / 2
    fit += len(total) * np.linalg.slogdet(precision)[1] / 2
    return float(fit - np.linalg.slogdet(curvature)[1].sum() / 2)


def draw_choices(
    panel: ScatteredPanel, x: np.ndarray, total: np.ndarray, n: int, rng: np.random.Generator
) -> np.ndarray:
    """Simulate panels of the fitted population with the same questions.

    Returns
    -------
    numpy.ndarray, shape (n, n_listeners, n_pairs)
        Choices of the first stage.
    """
    shape = (n, len(total), len(panel.mean))
    own = panel.mean + np.sqrt(panel.across) * rng.standard_normal(shape)
    more = np.sqrt(max(panel.along - panel.across, 0.0))
    own = own + more * rng.standard_normal((*shape[:2], 1)) * panel.axis
    chosen = rng.binomial(np.round(total).astype(np.int64), expit(own @ x.T))
    return chosen.astype(np.float64)


def widened(panel: ScatteredPanel, found: Choices, rng: np.random.Generator) -> ScatteredPanel:
    """Return the population with the variances that the fit takes away given back.

    Maximum likelihood by Laplace's method makes variances too small, by a fifth where tastes vary
    much. Panels simulated from the fit are fitted again; what they lose is made good (bias
    correction by simulation: Gourieroux, Renault & Touzi 2000). Never narrower than the fit.

    Parameters
    ----------
    panel : ScatteredPanel
        Fitted to `found`.
    found : Choices
    rng : numpy.random.Generator

    Returns
    -------
    ScatteredPanel
    """
    others = found.x.shape[1] - 1
    again = [
        fit_scattered(replace(found, won=won))
        for won in draw_choices(panel, found.x, found.total, _TRIED, rng)
    ]
    kept = np.mean([one.along + others * one.across for one in again])
    lost = (panel.along + others * panel.across) / kept
    factor = float(np.clip(lost, 1.0, _MOST_WIDENING))
    return replace(panel, along=panel.along * factor, across=panel.across * factor)
