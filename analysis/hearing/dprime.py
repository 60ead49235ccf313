"""Sensitivity d' from the proportion correct, by the decision model of each method.

All models are equal-variance Gaussian. ``proportion_correct`` gives P(correct) for a d',
``dprimes`` inverts it, ``dprime_intervals`` gives the likelihood interval.

Sources of the formulas: Green & Swets (1966); triangle and duo-trio: Ura (1960), Frijters (1979),
Ennis (1993) J Sensory Stud 8:353; ABX and same-different: Macmillan, Kaplan & Creelman (1977)
Psychol Rev 84:452, Kaplan, Macmillan & Creelman (1978) Behav Res Meth 10:796; m alternatives:
Hacker & Ratcliff (1979) Percept Psychophys 26:168; tetrad: Ennis & Jesionka (2011) J Sensory
Stud 26:371.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

import numpy as np
from scipy import stats
from scipy.special import ndtr, xlog1py, xlogy

from analysis.panels.proportions import clopper_pearson
from analysis.tables.trial_columns import GUESSING

__all__ = [
    "CHANCE",
    "MODELS",
    "DPrimeEstimate",
    "DPrimeInterval",
    "dprime_intervals",
    "dprimes",
    "estimate_dprime",
    "likelihood_bounds",
    "model_for",
    "proportion_correct",
]

_ROOT2, _ROOT3, _ROOT6 = np.sqrt(2.0), np.sqrt(3.0), np.sqrt(6.0)
_NODES = 201
_SPAN = 9.0
#: Beyond this d' every model is at 1 within double precision's reach of any real panel.
_MAX_DPRIME = 60.0


@cache
def _grid() -> tuple[np.ndarray, np.ndarray]:
    """Nodes and weights (Gauss-Legendre) on [-9, 9]; error below 1e-13 for these integrands."""
    x, w = np.polynomial.legendre.leggauss(_NODES)
    return x * _SPAN, w * _SPAN


def _two_interval(d: np.ndarray) -> np.ndarray:
    return ndtr(d / _ROOT2)


def _alternatives(m: int) -> Callable[[np.ndarray], np.ndarray]:
    def model(d: np.ndarray) -> np.ndarray:
        x, w = _grid()
        density = stats.norm.pdf(x) * w
        # Centred on the signal interval, where the integrand's mass lies for every d'.
        return (ndtr(x + d[..., None]) ** (m - 1) * density).sum(axis=-1)

    return model


def _differencing(d: np.ndarray) -> np.ndarray:
    return ndtr(d / _ROOT2) * ndtr(d / _ROOT6) + ndtr(-d / _ROOT2) * ndtr(-d / _ROOT6)


def _independent(d: np.ndarray) -> np.ndarray:
    return ndtr(d / _ROOT2) * ndtr(d / 2) + ndtr(-d / _ROOT2) * ndtr(-d / 2)


def _triangle(d: np.ndarray) -> np.ndarray:
    x, w = _grid()
    z, density = (x + _SPAN) / 2, w / 2
    shift = d[..., None] * np.sqrt(2.0 / 3.0)
    inside = ndtr(-z * _ROOT3 + shift) + ndtr(-z * _ROOT3 - shift)
    return 2 * (inside * stats.norm.pdf(z) * density).sum(axis=-1)


def _same_different(d: np.ndarray) -> np.ndarray:
    return ndtr(d / 2) ** 2 + ndtr(-d / 2) ** 2


def _tetrad(d: np.ndarray) -> np.ndarray:
    x, w = _grid()
    near, far = ndtr(x), ndtr(x - d[..., None])
    return 1 - 2 * (stats.norm.pdf(x) * w * (2 * near * far - far**2)).sum(axis=-1)


@dataclass(frozen=True, slots=True)
class _DecisionModel:
    function: Callable[[np.ndarray], np.ndarray]
    chance: float


#: Decision models by name. ``abx`` stands for differencing, the strategy of a listener who
#: compares X with A and with B when the pairs vary from trial to trial.
MODELS: dict[str, _DecisionModel] = {
    "two-interval": _DecisionModel(_two_interval, 1 / 2),
    "abx": _DecisionModel(_differencing, GUESSING["abx"]),
    "abx-independent": _DecisionModel(_independent, GUESSING["abx"]),
    "duo-trio": _DecisionModel(_differencing, GUESSING["duo-trio"]),
    "triangle": _DecisionModel(_triangle, GUESSING["triangle"]),
    "same-different": _DecisionModel(_same_different, GUESSING["same-different"]),
    "tetrad": _DecisionModel(_tetrad, 1 / 3),
    **{f"{m}-alternative": _DecisionModel(_alternatives(m), 1 / m) for m in (3, 4, 5, 8)},
}
#: P(correct) of a listener who guesses.
CHANCE: dict[str, float] = {name: model.chance for name, model in MODELS.items()}


def model_for(name: str) -> _DecisionModel:
    """Return a decision model.

    Raises
    ------
    ValueError
        The name is not in :data:`MODELS`.
    """
    if name not in MODELS:
        raise ValueError(f"model {name!r} is not one of {', '.join(MODELS)}")
    return MODELS[name]


def proportion_correct(d_prime: float | np.ndarray, *, model: str) -> np.ndarray:
    """Return P(correct) for d'.

    Parameters
    ----------
    d_prime : float or numpy.ndarray
        Sensitivity, 0 or more, any shape.
    model : str
        A key of :data:`MODELS`.

    Returns
    -------
    numpy.ndarray
        Same shape, from the guessing probability to 1.

    Raises
    ------
    ValueError
        Unknown model or negative d'.
    """
    d = np.asarray(d_prime, dtype=float)
    if not np.all(d >= 0):
        raise ValueError("d_prime must be 0 or more")
    return model_for(model).function(d)


def _bisect(
    function: Callable[[np.ndarray], np.ndarray], low: np.ndarray, high: np.ndarray, steps: int
) -> np.ndarray:
    """Return where `function` changes from negative to positive, element by element."""
    for _ in range(steps):
        middle = (low + high) / 2
        above = function(middle) > 0
        low, high = np.where(above, low, middle), np.where(above, middle, high)
    return (low + high) / 2


@cache
def _table(model: str) -> tuple[np.ndarray, np.ndarray]:
    d = np.linspace(0.0, _MAX_DPRIME, 1501)
    return d, model_for(model).function(d)


def dprimes(proportions: np.ndarray, *, model: str) -> np.ndarray:
    """Return the d' that gives each proportion correct.

    Parameters
    ----------
    proportions : numpy.ndarray
        P(correct) in [0, 1], shape ``(n,)``.
    model : str
        A key of :data:`MODELS`.

    Returns
    -------
    numpy.ndarray
        0 at or below the guessing probability, infinity at 1.

    Raises
    ------
    ValueError
        Unknown model or a proportion outside [0, 1].
    """
    chosen = model_for(model)
    p = np.asarray(proportions, dtype=float)
    if not np.all((p >= 0) & (p <= 1)):
        raise ValueError(f"proportions must be between 0 and 1, got {p}")
    grid, heights = _table(model)
    result = np.where(p >= heights[-1], np.inf, 0.0)
    inside = (p > chosen.chance) & (p < heights[-1])
    # The bracket is one cell wider on both sides because the flat top of the table rounds.
    at = np.searchsorted(heights, p[inside])
    low, high = grid[np.maximum(at - 2, 0)], grid[np.minimum(at + 1, len(grid) - 1)]
    wanted = p[inside]
    result[inside] = _bisect(lambda d: chosen.function(d) - wanted, low, high, 44)
    return result


def likelihood_bounds(
    n_correct: np.ndarray, n_trials: np.ndarray, *, chance: float, confidence: float = 0.95
) -> tuple[np.ndarray, np.ndarray]:
    """Return profile-likelihood intervals of P(correct), which cannot be below chance.

    Parameters
    ----------
    n_correct, n_trials : numpy.ndarray
        Counts of shape ``(n,)``, every ``n_trials >= 1``.
    chance : float
        Lower limit of P(correct), the guessing probability.
    confidence : float, optional
        Level.

    Returns
    -------
    tuple of numpy.ndarray
        Lower and upper bounds, each at least `chance`.
    """
    k, n = np.asarray(n_correct, dtype=float), np.asarray(n_trials, dtype=float)
    drop = stats.chi2.ppf(confidence, 1) / 2

    def log_likelihood(p: np.ndarray) -> np.ndarray:
        return xlogy(k, p) + xlog1py(n - k, -p)

    best = np.maximum(k / n, chance)
    top = log_likelihood(best)
    floor, ceiling = np.full_like(best, chance), np.ones_like(best)
    low = _bisect(lambda p: log_likelihood(p) - top + drop, floor, best, 52)
    high = _bisect(lambda p: top - drop - log_likelihood(p), best, ceiling, 52)
    reaches_chance = log_likelihood(floor) - top + drop >= 0
    return np.where(reaches_chance, chance, low), np.where(k == n, 1.0, high)


@dataclass(frozen=True, slots=True)
class DPrimeInterval:
    """d' with its likelihood interval.

    Attributes
    ----------
    d_prime, low, high : numpy.ndarray
        Estimate and bounds, shape ``(n,)``; infinite where all answers were correct.
    exact_low, exact_high : numpy.ndarray
        The Clopper-Pearson bounds of P(correct) sent through the model: wider.
    model : str
        Decision model.
    """

    d_prime: np.ndarray
    low: np.ndarray
    high: np.ndarray
    exact_low: np.ndarray
    exact_high: np.ndarray
    model: str


def dprime_intervals(
    n_correct: np.ndarray, n_trials: np.ndarray, *, model: str, confidence: float = 0.95
) -> DPrimeInterval:
    """Estimate d' from counts.

    Parameters
    ----------
    n_correct, n_trials : numpy.ndarray
        Correct and answered trials, shape ``(n,)``, ``0 <= n_correct <= n_trials`` and
        ``n_trials >= 1``.
    model : str
        A key of :data:`MODELS`.
    confidence : float, optional
        Level of both intervals.

    Returns
    -------
    DPrimeInterval
        Arrays of shape ``(n,)``.

    Raises
    ------
    ValueError
        Unknown model or impossible counts.
    """
    chance = model_for(model).chance
    k, n = np.atleast_1d(n_correct), np.atleast_1d(n_trials)
    if np.any(n < 1) or np.any(k < 0) or np.any(k > n):
        raise ValueError(f"need 0 <= n_correct <= n_trials, got {n_correct} of {n_trials}")
    low, high = likelihood_bounds(k, n, chance=chance, confidence=confidence)
    exact_low, exact_high = clopper_pearson(k, n, confidence=confidence)
    stacked = np.concatenate([k / n, low, high, exact_low, exact_high])
    estimate, low, high, exact_low, exact_high = np.split(dprimes(stacked, model=model), 5)
    return DPrimeInterval(estimate, low, high, exact_low, exact_high, model)


@dataclass(frozen=True, slots=True)
class DPrimeEstimate:
    """Result of :func:`estimate_dprime`.

    Attributes
    ----------
    d_prime, low, high : float
        Sensitivity and its likelihood interval, in standard deviations of the listener's noise;
        infinite where all answers were correct.
    exact_low, exact_high : float
        The Clopper-Pearson bounds of P(correct) sent through the model: wider.
    n_correct, n_trials : int
        Counts used.
    method : str
        Decision model.
    confidence : float
        Level of both intervals.
    """

    d_prime: float
    low: float
    high: float
    exact_low: float
    exact_high: float
    n_correct: int
    n_trials: int
    method: str
    confidence: float


def estimate_dprime(
    n_correct: int, n_trials: int, *, method: str, confidence: float = 0.95
) -> DPrimeEstimate:
    """Estimate how well a listener tells two stages apart, on a scale that methods share.

    Parameters
    ----------
    n_correct, n_trials : int
        Correct and answered trials of one listener.
    method : str
        Method of the test, a key of :data:`MODELS`: ``"abx"`` and ``"duo-trio"`` (differencing),
        ``"abx-independent"``, ``"triangle"``, ``"same-different"``, ``"two-interval"``,
        ``"tetrad"``, ``"3-alternative"`` and so on.
    confidence : float, optional
        Level of the intervals, in (0, 1).

    Returns
    -------
    DPrimeEstimate
        d' is 0 at or below guessing.

    Raises
    ------
    ValueError
        Unknown method, impossible counts or a confidence outside (0, 1).

    References
    ----------
    * Macmillan, Kaplan and Creelman, Psychol Rev 84, 452 (1977), for ABX; the others stand in
      the module's description.

    Examples
    --------
    >>> from analysis import estimate_dprime
    >>> round(estimate_dprime(12, 16, method="abx").d_prime, 2)
    2.02
    >>> round(estimate_dprime(12, 16, method="two-interval").d_prime, 2)
    0.95
    """
    if not 0 < confidence < 1:
        raise ValueError(f"confidence must lie in (0, 1), got {confidence}")
    found = dprime_intervals(
        np.array(n_correct), np.array(n_trials), model=method, confidence=confidence
    )
    return DPrimeEstimate(
        d_prime=float(found.d_prime[0]),
        low=float(found.low[0]),
        high=float(found.high[0]),
        exact_low=float(found.exact_low[0]),
        exact_high=float(found.exact_high[0]),
        n_correct=n_correct,
        n_trials=n_trials,
        method=method,
        confidence=confidence,
    )
