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

from analysis.models.bradley_terry import fit_pair_model
from analysis.models.optimise import minimise
from analysis.tables.counts import PairCounts, components

__all__ = ["MixedPreference", "enough_for_own_worths", "fit_mixed_preference"]

#: Fewest listeners and trials a listener, per free worth, for a full covariance of worths.
_FULL_LISTENERS, _FULL_TRIALS = 3, 4

_INNER_STEPS = 60
#: Directions along which the likelihood bends this little, of the most, are left alone at the end,
#: and no step is longer than this.
_BENT, _NEAR = 1e-4, 0.05


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
    """Laplace likelihood and gradient; parameters are θ then the factor's entries.

    Works on the pairs that a listener was asked about. A comparison touches two stages, so that
    X'WX of a listener is a table of stage by stage with minus the weights beside the diagonal, and
    x'Mx of a comparison is four entries of M.
    """

    def __init__(self, cells: PairCounts, place: int, structure: str) -> None:
        won, total = cells.counts[:, :, 0], cells.counts.sum(axis=2)
        self.who, cell = np.nonzero(total)
        self.won, self.total = won[self.who, cell], total[self.who, cell]
        self.n, self.size, self.place = len(total), len(cells.stages), place
        first, second = cells.first[cell], cells.second[cell]
        # Where an entry stands in a table of listener by stage, and of listener by stage by stage.
        self.up, self.down = (self.who * self.size + side for side in (first, second))
        self.beside = self.up * self.size + second
        self.turned = self.down * self.size + first
        self.kept = np.flatnonzero(np.arange(self.size) != place)
        self.k = self.size - 1
        self.structure = structure
        # Independent worths of equal SD, seen against the reference, correlate by one half.
        self.unit = np.linalg.cholesky(np.eye(self.k) + 1.0)
        self.rows, self.columns = np.tril_indices(self.k)
        self.z = np.zeros((self.n, self.k))
        self.known: tuple[bytes, tuple[float, np.ndarray]] | None = None

    @property
    def n_factor(self) -> int:
        return 1 if self.structure == "common" else len(self.rows)

    def factor(self, parameters: np.ndarray) -> np.ndarray:
        if self.structure == "common":
            return np.asarray(parameters[self.k] * self.unit)
        factor = np.zeros((self.k, self.k))
        factor[self.rows, self.columns] = parameters[self.k :]
        return factor

    def _predictors(self, worths: np.ndarray) -> np.ndarray:
        """Return the logit of every entry from listeners' worths, shape (n, k)."""
        flat = np.insert(worths, self.place, 0.0, axis=1).ravel()
        return np.asarray(flat[self.up] - flat[self.down])

    def _by_stage(self, values: np.ndarray) -> np.ndarray:
        """Return X'v of every listener, shape (n, k)."""
        size = self.n * self.size
        sums = np.bincount(self.up, values, size) - np.bincount(self.down, values, size)
        return np.asarray(sums.reshape(self.n, self.size)[:, self.kept])

    def _information(self, weight: np.ndarray) -> np.ndarray:
        """Return X'WX of every listener, shape (n, k, k)."""
        table = np.zeros((self.n, self.size, self.size))
        flat, own = table.reshape(-1), np.arange(self.size)
        flat[self.beside] = flat[self.turned] = -weight
        table[:, own, own] = -table.sum(axis=2)
        return np.delete(np.delete(table, self.place, axis=1), self.place, axis=2)

    def _leverage(self, covariance: np.ndarray) -> np.ndarray:
        """Return x'Mx of every entry."""
        whole = np.insert(np.insert(covariance, self.place, 0.0, axis=1), self.place, 0.0, axis=2)
        own = np.einsum("lii->li", whole).ravel()
        return np.asarray(own[self.up] + own[self.down] - 2 * whole.reshape(-1)[self.beside])

    def _modes(self, theta: np.ndarray, factor: np.ndarray) -> np.ndarray:
        """Return each listener's most probable standard effects by damped Newton steps."""
        z = self.z
        for _ in range(_INNER_STEPS):
            p = expit(self._predictors(theta + z @ factor.T))
            slope = self._by_stage(self.won - self.total * p) @ factor - z
            information = self._information(self.total * p * (1 - p))
            curve = np.eye(self.k) + factor.T @ (information @ factor)
            step = np.linalg.solve(curve, slope[..., None])[..., 0]
            largest = np.abs(step).max()
            z = z + step * min(1.0, 3.0 / max(largest, 1e-300))
            # What is left after a step is about its square.
            if largest < 1e-6:
                break
        self.z = z
        return z

    def value_and_gradient(self, parameters: np.ndarray) -> tuple[float, np.ndarray]:
        """Return both at parameters; a search asks for them one after the other."""
        key = np.asarray(parameters, dtype=float).tobytes()
        if self.known is None or self.known[0] != key:
            self.known = key, self._value_and_gradient(parameters)
        return self.known[1]

    def _value_and_gradient(self, parameters: np.ndarray) -> tuple[float, np.ndarray]:
        theta, factor = parameters[: self.k], self.factor(parameters)
        z = self._modes(theta, factor)
        eta = self._predictors(theta + z @ factor.T)
        p = expit(eta)
        residual, weight = self.won - self.total * p, self.total * p * (1 - p)
        spread = self._information(weight) @ factor
        curve = np.eye(self.k) + factor.T @ spread
        inverse = np.linalg.inv(curve)
        fit = (self.won * eta - self.total * np.logaddexp(0, eta)).sum() - (z**2).sum() / 2
        value = float(fit - np.linalg.slogdet(curve)[1].sum() / 2)
        third = weight * (1 - 2 * p) * self._leverage(factor @ inverse @ factor.T)
        bent = self._by_stage(third)
        # How the mode moves the curvature: through dL' X'r, and through the weights.
        towards = np.einsum("lij,lj->li", inverse, bent @ factor)
        through = np.einsum("lij,lj->li", spread, towards)
        pull = self._by_stage(residual)
        explicit = pull - bent / 2 + through / 2
        by_factor = explicit.T @ z - pull.T @ towards / 2
        by_factor -= np.tensordot(spread, inverse, axes=((0, 2), (0, 1)))
        by_theta = explicit.sum(axis=0)
        if self.structure == "common":
            return value, np.append(by_theta, (by_factor * self.unit).sum())
        return value, np.concatenate([by_theta, by_factor[self.rows, self.columns]])

    def log_likelihood_alike(self, theta: np.ndarray) -> float:
        """Return the log-likelihood of listeners who all have the worths θ."""
        eta = self._predictors(np.tile(theta, (self.n, 1)))
        return float((self.won * eta - self.total * np.logaddexp(0, eta)).sum())


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
    place = counts.stages.index(alike.reference)
    flat = counts.unordered()
    model = _Laplace(replace(flat, counts=flat.counts[heard]), place, structure)
    start = np.concatenate([np.delete(alike.log_worth, place), _start_factor(model)])
    found = minimise(
        lambda v: -model.value_and_gradient(v)[0],
        start,
        gradient=lambda v: -model.value_and_gradient(v)[1],
        bounds=[(-30.0, 30.0)] * len(start),
        tolerance=1e-11,
    )
    no_difference = model.log_likelihood_alike(np.delete(alike.log_worth, place))
    names = tuple(name for name, yes in zip(counts.listeners, heard, strict=True) if yes)
    return _package(model, found.x, found.converged, counts.stages, names, place, no_difference)


def _start_factor(model: _Laplace) -> np.ndarray:
    factor = 0.5 * model.unit
    return np.array([0.5]) if model.structure == "common" else factor[model.rows, model.columns]


def _curvature(model: _Laplace, x: np.ndarray) -> np.ndarray:
    """Return the curvature of the marginal likelihood from differences of the gradient."""
    tiny, size = 1e-4, len(x)
    curve = np.empty((size, size))
    for k in range(size):
        step = np.eye(size)[k] * tiny
        up, down = (model.value_and_gradient(x + sign * step)[1] for sign in (1, -1))
        curve[k] = (up - down) / (2 * tiny)
    return (curve + curve.T) / 2


def _newton(model: _Laplace, x: np.ndarray, curve: np.ndarray) -> np.ndarray:
    """Take the step that the search left, in the directions that the data bend.

    The search stops where the likelihood changes little, some 1e-5 away from its top; where that
    is depends on rounding, the top does not.
    """
    value, slope = model.value_and_gradient(x)
    size, axes = np.linalg.eigh(curve)
    bent = size < -_BENT * np.abs(size).max()
    step = -axes[:, bent] @ ((axes[:, bent].T @ slope) / size[bent])
    higher = np.abs(step).max() < _NEAR and model.value_and_gradient(x + step)[0] >= value
    return x + step if higher else x


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
    curve = _curvature(model, x)
    x = _newton(model, x, curve)
    value, _ = model.value_and_gradient(x)
    factor, z = model.factor(x), model.z
    effects = np.insert(z @ factor.T, place, 0.0, axis=1)
    sigma = np.insert(np.insert(factor @ factor.T, place, 0.0, axis=0), place, 0.0, axis=1)
    centre = np.eye(size) - 1 / size
    spread = np.diag(sigma)
    between = spread[:, None] + spread[None, :] - 2 * sigma
    log_worth = np.insert(x[: model.k], place, 0.0)
    variance = np.maximum(np.diag(np.linalg.pinv(-curve, hermitian=True)), 0.0)
    worths = (log_worth + effects) @ centre
    return MixedPreference(
        stages=stages,
        reference=stages[place],
        log_worth=log_worth,
        se=np.insert(np.sqrt(variance[: model.k]), place, 0.0),
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


def enough_for_own_worths(n_listeners: int, n_trials: int, n_stages: int) -> bool:
    """Tell whether listeners' worths may correlate freely, or are taken to spread alike."""
    free = n_stages - 1
    return n_listeners >= _FULL_LISTENERS * free and n_trials >= _FULL_TRIALS * free * n_listeners
