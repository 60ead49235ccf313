"""Linear mixed models with crossed random intercepts: ratings and grades.

The likelihood is profiled over the fixed effects and the residual variance, so that the search
runs over the relative SDs of the grouping factors alone (Bates, Maechler, Bolker & Walker 2015 J
Stat Softw 67(1), section 3.4). Rows enter through cross-products only: a million ratings cost as
much as their listeners, stages and programmes. The kept library for this (statsmodels) wants
crossed factors as one group with a dense matrix over all rows, which is out of reach for a few
thousand of them; hence our own.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.linalg import cho_solve, solve_triangular

from analysis.optimise import minimise

__all__ = ["MixedMeans", "fit_mixed_means"]

#: Starts of the relative SDs; the profile may have a second, lower valley at 0.
_STARTS = (1.0, 0.1)
_LARGEST = 1e3


@dataclass(frozen=True, slots=True)
class MixedMeans:
    """Fitted model.

    Attributes
    ----------
    names : tuple of str
        Fixed effects.
    beta, se : numpy.ndarray
        In units of the response.
    covariance : numpy.ndarray
        Of `beta`.
    sd : dict of str to float
        SD of the random intercepts by grouping factor.
    sd_residual : float
    log_likelihood : float
        Restricted unless maximum likelihood was asked for.
    reml, converged : bool
    n_trials : int
    n_levels : dict of str to int
    """

    names: tuple[str, ...]
    beta: np.ndarray
    se: np.ndarray
    covariance: np.ndarray
    sd: dict[str, float]
    sd_residual: float
    log_likelihood: float
    reml: bool
    converged: bool
    n_trials: int
    n_levels: dict[str, int]


class _Profile:
    """Deviance as a function of the relative SDs."""

    def __init__(
        self, y: np.ndarray, x: np.ndarray, groups: list[np.ndarray], *, reml: bool
    ) -> None:
        self.n, self.p, self.reml = len(y), x.shape[1], reml
        self.levels = [int(g.max()) + 1 for g in groups]
        first = np.concatenate([[0], np.cumsum(self.levels)]).astype(int)
        self.size = int(first[-1])
        self.factor = np.repeat(np.arange(len(groups)), self.levels)
        place = [g + start for g, start in zip(groups, first[:-1], strict=True)]
        self.xx, self.xy, self.yy = x.T @ x, x.T @ y, float(y @ y)
        self.zy = self._by_level(place, y[:, None])[:, 0]
        self.zx = self._by_level(place, x)
        self.zz = np.zeros((self.size, self.size))
        for f in place:
            for g in place:
                pairs = np.bincount(f * self.size + g, minlength=self.size**2)
                self.zz += pairs.reshape(self.size, self.size)

    def _by_level(self, place: list[np.ndarray], values: np.ndarray) -> np.ndarray:
        columns = [
            sum(np.bincount(f, weights=column, minlength=self.size) for f in place)
            for column in values.T
        ]
        return np.stack(columns, axis=1)

    def solve(self, theta: np.ndarray) -> _Solution:
        """Return the penalised least-squares solution at relative SDs."""
        scale = theta[self.factor]
        inner = scale[:, None] * self.zz * scale[None, :] + np.eye(self.size)
        lower = np.linalg.cholesky(inner)
        right = scale[:, None] * np.column_stack([self.zx, self.zy])
        half = solve_triangular(lower, right, lower=True)
        zx, zy = half[:, :-1], half[:, -1]
        factor = np.linalg.cholesky(self.xx - zx.T @ zx)
        fixed = solve_triangular(factor, self.xy - zx.T @ zy, lower=True)
        rest = self.yy - float(zy @ zy) - float(fixed @ fixed)
        beta = solve_triangular(factor, fixed, lower=True, trans=1)
        return _Solution(lower, factor, beta, max(rest, 1e-300))

    def deviance(self, theta: np.ndarray) -> float:
        """Return minus twice the profiled (restricted) log-likelihood."""
        found = self.solve(theta)
        df = self.n - self.p if self.reml else self.n
        value = 2 * np.log(np.diag(found.lower)).sum()
        if self.reml:
            value += 2 * np.log(np.diag(found.factor)).sum()
        return float(value + df * (1 + np.log(2 * np.pi * found.rest / df)))

    def gradient(self, theta: np.ndarray) -> np.ndarray:
        """Return the slopes of the deviance in the relative SDs."""
        found, scale = self.solve(theta), theta[self.factor]
        inverse = cho_solve((found.lower, True), np.eye(self.size))
        spread = (self.zz * scale[None, :]) @ inverse
        by_level = 2 * np.diag(spread)
        left = self.zy - self.zx @ found.beta
        effects = inverse @ (scale * left)
        df = self.n - self.p if self.reml else self.n
        by_level -= 2 * df / found.rest * effects * (left - self.zz @ (scale * effects))
        if self.reml:
            across = self.zx - spread @ (scale[:, None] * self.zx)
            half = solve_triangular(found.factor, across.T, lower=True)
            by_level -= 2 * scale * (half**2).sum(axis=0)
        return np.bincount(self.factor, weights=by_level)


@dataclass(frozen=True, slots=True)
class _Solution:
    """Factors of the random and of the fixed part, estimates, penalised residual sum."""

    lower: np.ndarray
    factor: np.ndarray
    beta: np.ndarray
    rest: float


def fit_mixed_means(
    values: np.ndarray,
    fixed: Mapping[str, np.ndarray],
    groups: Mapping[str, Sequence[str] | np.ndarray],
    *,
    reml: bool = True,
) -> MixedMeans:
    """Fit values by fixed effects and random intercepts, crossed or nested.

    Parameters
    ----------
    values : numpy.ndarray, shape (n,)
    fixed : mapping of str to numpy.ndarray, shape (n,)
        Columns of the fixed effects, the intercept among them.
    groups : mapping of str to sequence, shape (n,)
        Grouping factors: listener, programme, listener and stage ...
    reml : bool, optional
        Restricted maximum likelihood; otherwise maximum likelihood.

    Returns
    -------
    MixedMeans

    Raises
    ------
    ValueError
        Lengths that differ, no grouping factor, fixed effects that repeat each other, or values
        that leave no residual.
    """
    y = np.asarray(values, dtype=float)
    x = np.column_stack([np.asarray(column, dtype=float) for column in fixed.values()])
    if not groups or len(x) != len(y) or any(len(g) != len(y) for g in groups.values()):
        raise ValueError("values, fixed effects and groups must have one entry a row")
    if np.linalg.matrix_rank(x) < x.shape[1]:
        raise ValueError("the fixed effects repeat each other")
    coded = [np.unique(np.asarray(g), return_inverse=True)[1] for g in groups.values()]
    # The least-squares fit is taken out first, so that large means cost no digits.
    start = np.linalg.lstsq(x, y, rcond=None)[0]
    spread = float(np.std(y - x @ start))
    if spread <= 1e-10 * max(1.0, float(np.abs(y).max())):
        raise ValueError("the values leave no residual to estimate spreads from")
    model = _Profile((y - x @ start) / spread, x, coded, reml=reml)
    bounds = [(0.0, _LARGEST)] * len(coded)
    found = min(
        (
            minimise(
                model.deviance,
                np.full(len(coded), first),
                gradient=model.gradient,
                bounds=bounds,
            )
            for first in _STARTS
        ),
        key=lambda result: result.value,
    )
    return _package(model, found.x, start, spread, fixed, groups)


def _package(
    model: _Profile,
    theta: np.ndarray,
    start: np.ndarray,
    spread: float,
    fixed: Mapping[str, np.ndarray],
    groups: Mapping[str, Sequence[str] | np.ndarray],
) -> MixedMeans:
    found = model.solve(theta)
    df = model.n - model.p if model.reml else model.n
    sigma = float(np.sqrt(found.rest / df)) * spread
    inverse = solve_triangular(found.factor, np.eye(model.p), lower=True)
    covariance = sigma**2 * inverse.T @ inverse
    # How flat it is where the search ended, not what the search says: rounding can stop it early.
    slope = model.gradient(theta)
    return MixedMeans(
        names=tuple(fixed),
        beta=start + found.beta * spread,
        se=np.sqrt(np.diag(covariance)),
        covariance=covariance,
        sd={name: float(t) * sigma for name, t in zip(groups, theta, strict=True)},
        sd_residual=sigma,
        log_likelihood=-model.deviance(theta) / 2 - df * float(np.log(spread)),
        reml=model.reml,
        converged=bool(np.all((np.abs(slope) < 1e-3) | ((theta == 0) & (slope > 0)))),
        n_trials=model.n,
        n_levels=dict(zip(groups, model.levels, strict=True)),
    )
