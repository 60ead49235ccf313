"""Linear mixed models with crossed random intercepts: ratings and grades.

The likelihood is profiled over the fixed effects and the residual variance, so that the search
runs over the relative SDs of the grouping factors alone (Bates, Maechler, Bolker & Walker 2015 J
Stat Softw 67(1), section 3.4). Rows enter through cross-products only: a million ratings cost as
much as their listeners, stages and programmes. Listeners do not meet except in the programmes and
the fixed effects, so that they are eliminated one by one and the cost grows with their number,
not with its cube. The kept library for this (statsmodels) wants crossed factors as one group with
a dense matrix over all rows, which is out of reach for a few thousand of them; hence our own.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy.linalg import cho_solve, solve_triangular
from scipy.sparse import csr_array

from analysis.models.optimise import minimise

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
    """Deviance as a function of the relative SDs.

    Levels are eliminated from the normal equations before anything dense is factored (the Schur
    complement that Bates et al. leave to a sparse Cholesky factor). The factor with the most
    levels has a diagonal block; so has, once that one is gone, every factor in which it is nested
    (listeners, once listener-by-stage is gone), because no two of their levels then share anything
    but the few columns left: the other factors' levels, the fixed effects and the values. With
    the variance ratio τ, a level of n rows and cross-products c with those columns takes
    τ/(1 + τn)·cc' from their cross-products and leaves c/(1 + τn) to the level it is nested in.
    """

    def __init__(
        self, y: np.ndarray, x: np.ndarray, groups: list[np.ndarray], *, reml: bool
    ) -> None:
        self.n, self.p, self.reml = len(y), x.shape[1], reml
        self.levels = [int(g.max()) + 1 for g in groups]
        self.chain = _nested_chain(groups, self.levels)
        self.dense = [f for f in range(len(groups)) if f not in self.chain]
        self.factor = np.repeat(self.dense, [self.levels[f] for f in self.dense]).astype(int)
        self.parents = [
            _parents(groups[fine], groups[coarse], self.levels[coarse])
            for fine, coarse in pairwise(self.chain)
        ]
        columns = np.column_stack([x, y])
        first = groups[self.chain[0]]
        self.rows = np.bincount(first).astype(float)
        self.left = self._across(first, self.levels[self.chain[0]], groups, columns)
        self.products = np.concatenate(
            [self._across(groups[f], self.levels[f], groups, columns) for f in self.dense]
            + [np.zeros((self.p + 1, len(self.factor) + self.p + 1))]
        )
        own = len(self.factor)
        self.products[own:, :own] = self.products[:own, own:].T
        self.products[own:, own:] = columns.T @ columns

    def _across(
        self, level: np.ndarray, size: int, groups: list[np.ndarray], columns: np.ndarray
    ) -> np.ndarray:
        """Return cross-products of a factor's levels with the columns that stay."""
        parts = [
            np.bincount(level * self.levels[f] + groups[f], minlength=size * self.levels[f])
            .reshape(size, self.levels[f])
            .astype(float)
            for f in self.dense
        ]
        sums = [np.bincount(level, weights=column, minlength=size) for column in columns.T]
        return np.concatenate([*parts, np.stack(sums, axis=1)], axis=1)

    def _eliminate(self, theta: np.ndarray) -> tuple[float, np.ndarray]:
        """Return the log-determinant of the eliminated levels and what they leave."""
        n, left, products, log_det = self.rows, self.left, self.products, 0.0
        for place, f in enumerate(self.chain):
            tau = theta[f] ** 2
            d = 1 + tau * n
            log_det += float(np.log(d).sum())
            products = products - left.T @ (left * (tau / d)[:, None])
            if place < len(self.parents):
                n = self.parents[place] @ (n / d)
                left = self.parents[place] @ (left / d[:, None])
        return log_det, products

    def _slopes(self, theta: np.ndarray) -> Iterator[tuple[int, float, np.ndarray]]:
        """Yield factor, and the slopes in its τ of what :meth:`_eliminate` returns."""
        n, left = self.rows, self.left
        moving: dict[int, list[np.ndarray]] = {}
        log_det = dict.fromkeys(self.chain, 0.0)
        products = {f: np.zeros_like(self.products) for f in self.chain}
        for place, f in enumerate(self.chain):
            tau = theta[f] ** 2
            d = 1 + tau * n
            w = tau / d
            for g, (dn, dleft) in moving.items():
                log_det[g] += float(w @ dn)
                cross = left.T @ (dleft * w[:, None])
                products[g] -= cross + cross.T - left.T @ (left * (w**2 * dn)[:, None])
            log_det[f] += float((n / d).sum())
            products[f] -= left.T @ (left / (d**2)[:, None])
            if place == len(self.parents):
                break
            up, c = self.parents[place], d[:, None]
            for g, (dn, dleft) in moving.items():
                moving[g] = [up @ (dn / d**2), up @ (dleft / c - left * (tau * dn / d**2)[:, None])]
            moving[f] = [-(up @ (n / d) ** 2), -(up @ (left * (n / d**2)[:, None]))]
            n, left = up @ (n / d), up @ (left / c)
        for f in self.chain:
            yield f, log_det[f], products[f]

    def solve(self, theta: np.ndarray) -> _Solution:
        """Return the penalised least-squares solution at relative SDs."""
        log_det, products = self._eliminate(theta)
        own, scale = len(self.factor), theta[self.factor]
        inner = scale[:, None] * products[:own, :own] * scale + np.eye(own)
        lower = np.linalg.cholesky(inner)
        half = solve_triangular(lower, scale[:, None] * products[:own, own:], lower=True)
        rest = products[own:, own:] - half.T @ half
        factor = np.linalg.cholesky(rest[:-1, :-1])
        fixed = solve_triangular(factor, rest[:-1, -1], lower=True)
        beta = solve_triangular(factor, fixed, lower=True, trans=1)
        log_det += 2 * float(np.log(np.diag(lower)).sum())
        left = max(float(rest[-1, -1] - fixed @ fixed), 1e-300)
        return _Solution(log_det, products, lower, factor, beta, left)

    def deviance(self, theta: np.ndarray) -> float:
        """Return minus twice the profiled (restricted) log-likelihood."""
        found = self.solve(theta)
        df = self.n - self.p if self.reml else self.n
        value = found.log_det
        if self.reml:
            value += 2 * np.log(np.diag(found.factor)).sum()
        return float(value + df * (1 + np.log(2 * np.pi * found.rest / df)))

    def gradient(self, theta: np.ndarray) -> np.ndarray:
        """Return the slopes of the deviance in the relative SDs."""
        found, own = self.solve(theta), len(self.factor)
        df = self.n - self.p if self.reml else self.n
        # The slope in the cross-products of fixed effects and values ...
        towards = np.append(-found.beta, 1.0)
        pull = df / found.rest * np.outer(towards, towards)
        if self.reml:
            pull[:-1, :-1] += cho_solve((found.factor, True), np.eye(self.p))
        # ... and, through the dense levels, in all that the elimination left.
        scale = theta[self.factor]
        p = cho_solve((found.lower, True), np.diag(scale)) * scale[:, None]
        k, across = found.products[:own, :own], found.products[:own, own:]
        through = np.concatenate([-p @ across, np.eye(self.p + 1)])
        adjoint = through @ pull @ through.T
        adjoint[:own, :own] += p
        slope = np.zeros(len(theta))
        for f, log_det, products in self._slopes(theta):
            slope[f] = log_det + float((adjoint * products).sum())
        moved = across - k @ (p @ across)
        by_level = np.diag(k - k @ p @ k) - ((moved @ pull) * moved).sum(axis=1)
        slope += np.bincount(self.factor, weights=by_level, minlength=len(theta))
        return np.asarray(2 * theta * slope)


@dataclass(frozen=True, slots=True)
class _Solution:
    """Log-determinant, cross-products after elimination, factors, estimates, residual sum."""

    log_det: float
    products: np.ndarray
    lower: np.ndarray
    factor: np.ndarray
    beta: np.ndarray
    rest: float


def _nested_chain(groups: list[np.ndarray], levels: list[int]) -> list[int]:
    """Return the factor with the most levels and those in which it is nested, one in the other."""
    order = sorted(range(len(groups)), key=lambda f: -levels[f])
    chain = [order[0]]
    for f in order[1:]:
        fine = groups[chain[-1]]
        if len(np.unique(fine * levels[f] + groups[f])) == levels[chain[-1]]:
            chain.append(f)
    return chain


def _parents(fine: np.ndarray, coarse: np.ndarray, size: int) -> csr_array:
    """Return the matrix that adds up the levels of one factor within another's."""
    first = np.unique(fine, return_index=True)[1]
    ones = np.ones(len(first))
    return csr_array((ones, (coarse[first], np.arange(len(first)))), shape=(size, len(first)))


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
