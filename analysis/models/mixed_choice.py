"""Mixed logistic and probit models of right and wrong answers.

Fixed effects and the SDs of normal random intercepts are found by maximum likelihood; the integral
over the intercepts is done by Laplace's method or, with one grouping factor, by adaptive
Gauss-Hermite quadrature (Pinheiro & Bates 1995 J Comput Graph Stat 4:12). Kept Python libraries
offer variational or penalised approximations here, which shrink the SDs; hence our own.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import stats
from scipy.linalg import cho_solve
from scipy.special import gammaln, log_ndtr, logsumexp

from analysis.models.optimise import minimise, polish

__all__ = ["MixedChoice", "fit_mixed_choice"]

_INNER_STEPS = 100


@dataclass(frozen=True, slots=True)
class MixedChoice:
    """Fitted model.

    Attributes
    ----------
    names : tuple of str
        Fixed effects.
    beta, se : numpy.ndarray
        Estimates and standard errors from the curvature of the marginal likelihood.
    covariance : numpy.ndarray
        Of `beta`.
    sd : dict of str to float
        SD of the random intercepts by grouping factor.
    log_likelihood : float
        With the binomial constant.
    log_likelihood_alike : float
        Without random intercepts.
    effects : dict of str to numpy.ndarray
        Most probable intercepts by level, in sorted order of the levels.
    link : str
    n_nodes : int
        1 for Laplace.
    n_trials : int
    n_levels : dict of str to int
    converged : bool
    """

    names: tuple[str, ...]
    beta: np.ndarray
    se: np.ndarray
    covariance: np.ndarray
    sd: dict[str, float]
    log_likelihood: float
    log_likelihood_alike: float
    effects: dict[str, np.ndarray]
    link: str
    n_nodes: int
    n_trials: int
    n_levels: dict[str, int]
    converged: bool


class _Curvature:
    """Curvature in the standard effects.

    The factor with the most levels has a diagonal block, which is eliminated first: what is
    factored has the size of the others together.
    """

    def __init__(self, own: np.ndarray, cross: np.ndarray, inner: np.ndarray) -> None:
        self.own, self.half = own, cross / own[:, None]
        self.lower = np.linalg.cholesky(np.eye(len(inner)) + inner - cross.T @ self.half)

    @property
    def log_det(self) -> float:
        return float(np.log(self.own).sum() + 2 * np.log(np.diag(self.lower)).sum())

    def solve(self, score: np.ndarray, first: np.ndarray) -> np.ndarray:
        """Return the step; `first` tells the places of the eliminated factor's levels."""
        step = np.empty_like(score)
        rest = score[~first] - self.half.T @ score[first]
        step[~first] = cho_solve((self.lower, True), rest) if rest.size else rest
        step[first] = score[first] / self.own - self.half @ step[~first]
        return step


class _Model:
    """Marginal log-likelihood of (beta, SDs)."""

    def __init__(
        self,
        correct: np.ndarray,
        trials: np.ndarray,
        x: np.ndarray,
        groups: list[np.ndarray],
        link: str,
        n_nodes: int,
    ) -> None:
        self.y, self.n, self.x, self.groups, self.link = correct, trials, x, groups, link
        self.levels = [int(g.max()) + 1 for g in groups]
        self.start = np.concatenate([[0], np.cumsum(self.levels)]).astype(int)
        self.z = np.zeros(self.start[-1])
        self.large = int(np.argmax(self.levels))
        self.others = [f for f in range(len(groups)) if f != self.large]
        self.first = np.zeros(self.start[-1], dtype=bool)
        self.first[self.start[self.large] : self.start[self.large + 1]] = True
        nodes, weights = np.polynomial.hermite_e.hermegauss(n_nodes)
        # With probabilists' nodes, exp(node²/2) undoes the weight; the last term is the density's.
        self.nodes = nodes
        self.log_weights = np.log(weights) + nodes**2 / 2 - np.log(2 * np.pi) / 2
        self.constant = float(
            (gammaln(trials + 1) - gammaln(correct + 1) - gammaln(trials - correct + 1)).sum()
        )

    def _parts(self, eta: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Return log-likelihood, slope and expected curvature in eta, row by row."""
        if self.link == "logit":
            p = np.exp(-np.logaddexp(0, -eta))
            value = self.y * eta - self.n * np.logaddexp(0, eta)
            return value, self.y - self.n * p, self.n * p * (1 - p)
        up, down, density = log_ndtr(eta), log_ndtr(-eta), stats.norm.logpdf(eta)
        value = self.y * up + (self.n - self.y) * down
        slope = self.y * np.exp(density - up) - (self.n - self.y) * np.exp(density - down)
        return value, slope, self.n * np.exp(2 * density - up - down)

    def _eta(self, fixed: np.ndarray, sd: np.ndarray, z: np.ndarray) -> np.ndarray:
        eta = fixed.copy()
        for f, group in enumerate(self.groups):
            eta += sd[f] * z[self.start[f] + group]
        return eta

    def _curvature(self, sd: np.ndarray, weight: np.ndarray) -> _Curvature:
        """Return I + sd Z'WZ sd, the factor with the most levels apart from the others."""
        first = self.groups[self.large]
        own = np.bincount(first, weights=weight, minlength=self.levels[self.large])
        cross = [sd[self.large] * sd[f] * self._block(self.large, f, weight) for f in self.others]
        inner = [
            [sd[f] * sd[g] * self._block(f, g, weight) for g in self.others] for f in self.others
        ]
        return _Curvature(
            1 + sd[self.large] ** 2 * own,
            np.concatenate(cross, axis=1) if cross else np.zeros((len(own), 0)),
            np.block(inner) if inner else np.zeros((0, 0)),
        )

    def _block(self, f: int, g: int, weight: np.ndarray) -> np.ndarray:
        shape = (self.levels[f], self.levels[g])
        flat = self.groups[f] * shape[1] + self.groups[g]
        return np.bincount(flat, weights=weight, minlength=shape[0] * shape[1]).reshape(shape)

    def _mode(self, fixed: np.ndarray, sd: np.ndarray) -> tuple[np.ndarray, _Curvature]:
        """Return the most probable standard effects and the curvature there."""
        z = self.z
        value = -np.inf
        for _ in range(_INNER_STEPS):
            part, slope, weight = self._parts(self._eta(fixed, sd, z))
            score = -z.copy()
            for f, group in enumerate(self.groups):
                rows = slice(self.start[f], self.start[f + 1])
                score[rows] += sd[f] * np.bincount(group, weights=slope, minlength=self.levels[f])
            curve = self._curvature(sd, weight)
            step = curve.solve(score, self.first)
            value = float(part.sum() - (z**2).sum() / 2)
            z = self._walk(fixed, sd, z, step, value)
            if np.abs(step).max() < 1e-11:
                break
        self.z = z
        return z, curve

    def _walk(
        self, fixed: np.ndarray, sd: np.ndarray, z: np.ndarray, step: np.ndarray, value: float
    ) -> np.ndarray:
        for _ in range(30):
            trial = z + step
            higher = self._parts(self._eta(fixed, sd, trial))[0].sum() - (trial**2).sum() / 2
            if higher >= value - 1e-10 * abs(value):
                return trial
            step = step / 2
        return z

    def log_likelihood(self, parameters: np.ndarray) -> float:
        p = self.x.shape[1]
        fixed, sd = self.x @ parameters[:p], np.abs(parameters[p:])
        z, curve = self._mode(fixed, sd)
        if len(self.nodes) == 1:
            part = float(self._parts(self._eta(fixed, sd, z))[0].sum() - (z**2).sum() / 2)
            return part - curve.log_det / 2 + self.constant
        return self._quadrature(fixed, sd, z, curve.own) + self.constant

    def _quadrature(
        self, fixed: np.ndarray, sd: np.ndarray, z: np.ndarray, curve: np.ndarray
    ) -> float:
        width = 1 / np.sqrt(curve)
        by_node = np.empty((self.levels[0], len(self.nodes)))
        for k, node in enumerate(self.nodes):
            point = z + width * node
            part = self._parts(self._eta(fixed, sd, point))[0]
            own = np.bincount(self.groups[0], weights=part, minlength=self.levels[0])
            by_node[:, k] = own - point**2 / 2 + self.log_weights[k]
        return float((logsumexp(by_node, axis=1) + np.log(width)).sum())


def fit_mixed_choice(
    correct: np.ndarray,
    trials: np.ndarray,
    fixed: Mapping[str, np.ndarray],
    groups: Mapping[str, Sequence[str] | np.ndarray],
    *,
    link: str = "logit",
    n_nodes: int = 1,
) -> MixedChoice:
    """Fit right answers by fixed effects and random intercepts.

    Parameters
    ----------
    correct, trials : numpy.ndarray, shape (n,)
        Right and given answers by row.
    fixed : mapping of str to numpy.ndarray, shape (n,)
        Columns of the fixed effects, the intercept among them.
    groups : mapping of str to sequence, shape (n,)
        Grouping factors, crossed or nested: listener, programme ...
    link : str, optional
        ``"logit"`` or ``"probit"``.
    n_nodes : int, optional
        1 for Laplace, more for adaptive quadrature, which needs a single grouping factor. With
        the probit link Laplace takes the expected curvature.

    Returns
    -------
    MixedChoice

    Raises
    ------
    ValueError
        Lengths that differ, impossible counts, an unknown link, quadrature over crossed factors,
        or fixed effects that repeat each other.
    """
    y, n = np.asarray(correct, dtype=float), np.asarray(trials, dtype=float)
    x = np.column_stack([np.asarray(column, dtype=float) for column in fixed.values()])
    _check(y, n, x, groups, link, n_nodes)
    coded = [np.unique(np.asarray(g), return_inverse=True)[1] for g in groups.values()]
    y, n, x, coded = _compress(y, n, x, coded)
    model = _Model(y, n, x, coded, link, n_nodes)
    p, f = x.shape[1], len(coded)
    beta = _without_groups(model)
    alike = float(model._parts(x @ beta)[0].sum()) + model.constant
    start = np.concatenate([beta, np.full(f, 0.5)])
    found = minimise(lambda v: -model.log_likelihood(v), start, tolerance=1e-13)
    best, curve = polish(model.log_likelihood, found.x)
    covariance = np.linalg.pinv(-curve, hermitian=True)[:p, :p]
    value = model.log_likelihood(best)
    sd = np.abs(best[p:])
    effects = {
        name: sd[k] * model.z[model.start[k] : model.start[k + 1]] for k, name in enumerate(groups)
    }
    return MixedChoice(
        names=tuple(fixed),
        beta=best[:p],
        se=np.sqrt(np.maximum(np.diag(covariance), 0.0)),
        covariance=covariance,
        sd=dict(zip(groups, (float(v) for v in sd), strict=True)),
        log_likelihood=value,
        log_likelihood_alike=alike,
        effects=effects,
        link=link,
        n_nodes=n_nodes,
        n_trials=round(float(n.sum())),
        n_levels=dict(zip(groups, model.levels, strict=True)),
        converged=found.converged or bool(np.isfinite(value)),
    )


def _check(
    y: np.ndarray,
    n: np.ndarray,
    x: np.ndarray,
    groups: Mapping[str, Sequence[str] | np.ndarray],
    link: str,
    n_nodes: int,
) -> None:
    if link not in ("logit", "probit"):
        raise ValueError(f"link must be 'logit' or 'probit', got {link!r}")
    if not groups or any(len(g) != len(y) for g in groups.values()) or len(x) != len(y):
        raise ValueError("correct, fixed effects and groups must have one value a row")
    if np.any(y < 0) or np.any(y > n) or n.sum() < 1:
        raise ValueError("need 0 <= correct <= trials and at least one trial")
    if n_nodes < 1 or (n_nodes > 1 and len(groups) > 1):
        raise ValueError("quadrature needs n_nodes >= 1 and a single grouping factor")
    if np.linalg.matrix_rank(x) < x.shape[1]:
        raise ValueError("the fixed effects repeat each other")


def _compress(
    y: np.ndarray, n: np.ndarray, x: np.ndarray, groups: list[np.ndarray]
) -> tuple[np.ndarray, np.ndarray, np.ndarray, list[np.ndarray]]:
    """Add up rows that differ in nothing but the answer."""
    if np.any(n > 1):
        # Counts by row carry a binomial constant that adding up would change.
        return y, n, x, groups
    key = np.column_stack([x, *groups])
    _, first, cell = np.unique(key, axis=0, return_index=True, return_inverse=True)
    cell = cell.ravel()
    size = len(first)
    if size == len(y):
        return y, n, x, groups
    # The constant of single answers is zero; keep it so by splitting right from wrong.
    right, wrong = (np.bincount(cell, weights=part, minlength=size) for part in (y, n - y))
    rows = np.concatenate([first, first])
    total = np.concatenate([right, wrong])
    kept = total > 0
    hits = np.concatenate([right, np.zeros(size)])
    return hits[kept], total[kept], x[rows][kept], [g[rows][kept] for g in groups]


def _without_groups(model: _Model) -> np.ndarray:
    beta = np.zeros(model.x.shape[1])
    for _ in range(50):
        _, slope, weight = model._parts(model.x @ beta)
        information = (model.x * weight[:, None]).T @ model.x
        step = np.linalg.solve(information + 1e-9 * np.eye(len(beta)), model.x.T @ slope)
        step *= min(1.0, 2.0 / max(float(np.abs(step).max()), 1e-300))
        beta = beta + step
        if np.abs(step).max() < 1e-10 or np.abs(beta).max() > 25:
            break
    return beta
