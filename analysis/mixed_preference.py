"""Listeners with worths of their own: Bradley-Terry with correlated random worths.

Listener l has log-worths θ + u_l with u_l normal of mean 0 and covariance Σ. The marginal
likelihood is approximated by Laplace's method at each listener's mode, with exact gradients; θ and
the Cholesky factor of Σ are found by maximum likelihood. Model: Böckenholt (2001) Psychol Methods
6:49; Laplace: Breslow & Clayton (1993) JASA 88:9, without their further approximation.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy import stats
from scipy.special import expit

from analysis.bradley_terry import fit_pair_model
from analysis.counts import PairCounts, components
from analysis.optimise import minimise

__all__ = ["MixedPreference", "fit_mixed_preference"]

_INNER_STEPS = 60


@dataclass(frozen=True, slots=True)
class MixedPreference:
    """Fitted model.

    Attributes
    ----------
    stages : tuple of str
    reference : str
    log_worth : numpy.ndarray, shape (n_stages,)
        Of a listener in the middle of the panel (larger in size than the panel's average choice
        suggests, because averaging over listeners flattens).
    se : numpy.ndarray, shape (n_stages,)
        From the curvature of the marginal likelihood; 0 for the reference.
    covariance : numpy.ndarray, shape (n_stages, n_stages)
        Σ of the centred worths of listeners.
    difference_sd : numpy.ndarray, shape (n_stages, n_stages)
        SD over listeners of worth of row minus worth of column, logits.
    log_likelihood, log_likelihood_alike : float
        With and without differences between listeners.
    n_parameters : int
    p_value : float
        Likelihood-ratio test that listeners are alike, by the chi-square of all variance
        parameters: conservative, because the null lies on the boundary.
    listener_worth : numpy.ndarray, shape (n_listeners, n_stages)
        Most probable centred worths of each listener.
    listeners : tuple of str
    structure : str
        ``"full"`` Σ or ``"common"``, one SD for every stage.
    converged : bool
    n_trials, n_listeners : int
    """

    stages: tuple[str, ...]
    reference: str
    log_worth: np.ndarray
    se: np.ndarray
    covariance: np.ndarray
    difference_sd: np.ndarray
    log_likelihood: float
    log_likelihood_alike: float
    n_parameters: int
    p_value: float
    listener_worth: np.ndarray
    listeners: tuple[str, ...]
    structure: str
    converged: bool
    n_trials: int
    n_listeners: int


class _Laplace:
    """Laplace likelihood and gradient; parameters are θ then the factor's entries."""

    def __init__(self, x: np.ndarray, won: np.ndarray, total: np.ndarray, structure: str) -> None:
        self.x, self.won, self.total = x, won, total
        self.k = x.shape[1]
        self.structure = structure
        # Independent worths of equal SD, seen against the reference, correlate by one half.
        self.unit = np.linalg.cholesky(np.eye(self.k) + 1.0)
        self.rows, self.columns = np.tril_indices(self.k)
        self.z = np.zeros((len(won), self.k))

    @property
    def n_factor(self) -> int:
        return 1 if self.structure == "common" else len(self.rows)

    def factor(self, parameters: np.ndarray) -> np.ndarray:
        if self.structure == "common":
            return np.asarray(parameters[self.k] * self.unit)
        factor = np.zeros((self.k, self.k))
        factor[self.rows, self.columns] = parameters[self.k :]
        return factor

    def _modes(self, theta: np.ndarray, factor: np.ndarray) -> np.ndarray:
        """Return each listener's most probable standard effects by damped Newton steps."""
        xl, z = self.x @ factor, self.z
        offset = self.x @ theta
        for _ in range(_INNER_STEPS):
            p = expit(offset + z @ xl.T)
            slope = (self.won - self.total * p) @ xl - z
            weight = self.total * p * (1 - p)
            curve = np.eye(self.k) + np.einsum("lp,pi,pj->lij", weight, xl, xl, optimize=True)
            step = np.linalg.solve(curve, slope[..., None])[..., 0]
            largest = np.abs(step).max()
            z = z + step * min(1.0, 3.0 / max(largest, 1e-300))
            if largest < 1e-10:
                break
        self.z = z
        return z

    def value_and_gradient(self, parameters: np.ndarray) -> tuple[float, np.ndarray]:
        theta, factor = parameters[: self.k], self.factor(parameters)
        z, x, xl = self._modes(theta, factor), self.x, self.x @ factor
        eta = x @ theta + z @ xl.T
        p = expit(eta)
        residual, weight = self.won - self.total * p, self.total * p * (1 - p)
        curve = np.eye(self.k) + np.einsum("lp,pi,pj->lij", weight, xl, xl, optimize=True)
        inverse = np.linalg.inv(curve)
        fit = (self.won * eta - self.total * np.logaddexp(0, eta)).sum() - (z**2).sum() / 2
        value = float(fit - np.linalg.slogdet(curve)[1].sum() / 2)
        leverage = np.einsum("pi,lij,pj->lp", xl, inverse, xl, optimize=True)
        third = weight * (1 - 2 * p) * leverage
        pull = residual @ x
        gradient = np.concatenate(
            [
                self._by_theta(residual, weight, third, inverse, xl),
                self._by_factor(z, pull, residual, weight, third, inverse, xl),
            ]
        )
        return value, gradient

    def _by_theta(
        self,
        residual: np.ndarray,
        weight: np.ndarray,
        third: np.ndarray,
        inverse: np.ndarray,
        xl: np.ndarray,
    ) -> np.ndarray:
        x = self.x
        moved = -np.einsum("lij,pj,lp,pk->lik", inverse, xl, weight, x, optimize=True)
        explicit = residual.sum(axis=0) @ x - third.sum(axis=0) @ x / 2
        implicit = np.einsum("lp,pi,lik->k", third, xl, moved, optimize=True) / 2
        return np.asarray(explicit - implicit)

    def _by_factor(
        self,
        z: np.ndarray,
        pull: np.ndarray,
        residual: np.ndarray,
        weight: np.ndarray,
        third: np.ndarray,
        inverse: np.ndarray,
        xl: np.ndarray,
    ) -> np.ndarray:
        """Return the slope in every entry (i, j) of the factor, then in the free ones."""
        x = self.x
        explicit = np.einsum("lp,pi,lj->ij", residual - third / 2, x, z, optimize=True)
        inner = np.einsum("lp,pi,pj->lij", weight, x, xl, optimize=True)
        explicit -= np.einsum("lik,lkj->ij", inner, inverse, optimize=True)
        # How the mode moves: first through dL' X'r, then through the weights.
        towards = np.einsum("lp,pi,lij->lj", third, xl, inverse, optimize=True)
        explicit -= np.einsum("li,lj->ij", pull, towards, optimize=True) / 2
        through = np.einsum("lp,pm,lm,pi->li", weight, xl, towards, x, optimize=True)
        explicit += np.einsum("li,lj->ij", through, z, optimize=True) / 2
        if self.structure == "common":
            return np.array([(explicit * self.unit).sum()])
        return np.asarray(explicit[self.rows, self.columns])


def fit_mixed_preference(
    counts: PairCounts, *, reference: str | None = None, structure: str = "full"
) -> MixedPreference:
    """Fit listener-specific worths; ties count half for each side, position is not used.

    Parameters
    ----------
    counts : PairCounts
        Stages must be linked by comparisons.
    reference : str, optional
        Stage with log-worth 0; the last in sorted order when not given.
    structure : str, optional
        ``"full"``: any covariance of the worths. ``"common"``: one SD for every stage, for panels
        too small for more.

    Returns
    -------
    MixedPreference

    Raises
    ------
    ValueError
        Fewer than two listeners, an unknown reference or structure, or unlinked stages.
    """
    if structure not in ("full", "common"):
        raise ValueError(f"structure must be 'full' or 'common', got {structure!r}")
    if len(components(counts)) > 1:
        raise ValueError("the stages are not all linked by comparisons")
    heard = counts.counts.sum(axis=(1, 2)) > 0
    if heard.sum() < 2:
        raise ValueError("need at least two listeners")
    halved = counts.counts.copy()
    halved[:, :, :2] += halved[:, :, 2:] / 2
    halved[:, :, 2] = 0.0
    # The fit of listeners who are alike must count ties as this model does.
    counts = replace(counts, counts=halved)
    alike = fit_pair_model(counts, reference=reference, ties=False)
    flat = counts.unordered()
    size, cells = len(counts.stages), len(flat.first)
    x = np.zeros((cells, size))
    x[np.arange(cells), flat.first], x[np.arange(cells), flat.second] = 1.0, -1.0
    place = counts.stages.index(alike.reference)
    x = np.delete(x, place, axis=1)
    answers = flat.counts[heard]
    won, total = answers[:, :, 0], answers.sum(axis=2)
    model = _Laplace(x, won, total, structure)
    start = np.concatenate([np.delete(alike.log_worth, place), _start_factor(model)])
    found = minimise(
        lambda v: -model.value_and_gradient(v)[0],
        start,
        gradient=lambda v: -model.value_and_gradient(v)[1],
        bounds=[(-30.0, 30.0)] * len(start),
        tolerance=1e-11,
    )
    eta = x @ np.delete(alike.log_worth, place)
    no_difference = float((won * eta - total * np.logaddexp(0, eta)).sum())
    names = tuple(name for name, yes in zip(counts.listeners, heard, strict=True) if yes)
    return _package(model, found.x, found.converged, counts.stages, names, place, no_difference)


def _start_factor(model: _Laplace) -> np.ndarray:
    factor = 0.5 * model.unit
    return np.array([0.5]) if model.structure == "common" else factor[model.rows, model.columns]


def _standard_errors(model: _Laplace, x: np.ndarray) -> np.ndarray:
    """Return errors of θ from differences of the gradient."""
    tiny, size = 1e-4, len(x)
    curve = np.empty((size, size))
    for k in range(size):
        step = np.eye(size)[k] * tiny
        up, down = (model.value_and_gradient(x + sign * step)[1] for sign in (1, -1))
        curve[k] = (up - down) / (2 * tiny)
    covariance = np.linalg.pinv(-(curve + curve.T) / 2, hermitian=True)
    return np.sqrt(np.maximum(np.diag(covariance)[: model.k], 0.0))


def _package(
    model: _Laplace,
    x: np.ndarray,
    converged: bool,
    stages: tuple[str, ...],
    listeners: tuple[str, ...],
    place: int,
    no_difference: float,
) -> MixedPreference:
    size = len(stages)
    value, _ = model.value_and_gradient(x)
    factor, z = model.factor(x), model.z
    effects = np.insert(z @ factor.T, place, 0.0, axis=1)
    sigma = np.insert(np.insert(factor @ factor.T, place, 0.0, axis=0), place, 0.0, axis=1)
    centre = np.eye(size) - 1 / size
    spread = np.diag(sigma)
    between = spread[:, None] + spread[None, :] - 2 * sigma
    log_worth = np.insert(x[: model.k], place, 0.0)
    worths = (log_worth + effects) @ centre
    return MixedPreference(
        stages=stages,
        reference=stages[place],
        log_worth=log_worth,
        se=np.insert(_standard_errors(model, x), place, 0.0),
        covariance=centre @ sigma @ centre,
        difference_sd=np.sqrt(np.maximum(between, 0.0)),
        log_likelihood=value,
        log_likelihood_alike=no_difference,
        n_parameters=len(x),
        p_value=float(stats.chi2.sf(max(0.0, 2 * (value - no_difference)), model.n_factor)),
        listener_worth=worths,
        listeners=listeners,
        structure=model.structure,
        converged=converged,
        n_trials=round(float(model.total.sum())),
        n_listeners=len(listeners),
    )
