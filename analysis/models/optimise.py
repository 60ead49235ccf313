"""One way to minimise a smooth function, with its outcome kept."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy import optimize

__all__ = ["Minimum", "minimise", "polish"]


@dataclass(frozen=True, slots=True)
class Minimum:
    """Outcome of :func:`minimise`.

    Attributes
    ----------
    x : numpy.ndarray
    value : float
    converged : bool
    """

    x: np.ndarray
    value: float
    converged: bool


def minimise(
    function: Callable[[np.ndarray], float],
    start: Sequence[float] | np.ndarray,
    *,
    bounds: Sequence[tuple[float, float]] | None = None,
    gradient: Callable[[np.ndarray], np.ndarray] | None = None,
    tolerance: float = 1e-14,
) -> Minimum:
    """Minimise with L-BFGS-B.

    Parameters
    ----------
    function : callable
        Of a vector.
    start : sequence of float
        First guess.
    bounds : sequence of tuple, optional
        Limits by coordinate.
    gradient : callable, optional
        Of `function`; by finite differences when not given.
    tolerance : float, optional
        Relative change of the value that ends the search.

    Returns
    -------
    Minimum
    """
    settings: Any = {"ftol": tolerance, "gtol": 1e-8, "maxiter": 2000, "maxfun": 100_000}
    run: Any = optimize.minimize
    found = run(
        function,
        np.asarray(start, dtype=float),
        method="L-BFGS-B",
        bounds=bounds,
        jac=gradient,
        options=settings,
    )
    return Minimum(np.asarray(found.x), float(found.fun), bool(found.success))


def polish(
    function: Callable[[np.ndarray], float],
    x: np.ndarray,
    *,
    gradient: Callable[[np.ndarray], np.ndarray] | None = None,
) -> tuple[np.ndarray, np.ndarray]:
    """Take Newton steps towards a maximum; return the place and the curvature there.

    Parameters
    ----------
    function : callable
        Smooth log-likelihood.
    x : numpy.ndarray, shape (n,)
        Near the maximum.
    gradient : callable, optional
        Slopes of `function`, whose differences give the curvature. When not given, both come from
        differences of `function`, which asks for n² values.

    Returns
    -------
    x : numpy.ndarray, shape (n,)
    curvature : numpy.ndarray, shape (n, n)
    """
    curve = np.eye(len(x))
    for _ in range(4):
        slope, curve = _differences(function, x) if gradient is None else _bend(gradient, x)
        size, axes = np.linalg.eigh(curve)
        if size.max() > -1e-8:
            break
        step = -axes @ ((axes.T @ slope) / size)
        if np.abs(step).max() > 0.5:
            break
        x = x + step
        if np.abs(step).max() < 1e-7:
            break
    return x, curve


def _differences(
    function: Callable[[np.ndarray], float], x: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    tiny, size = 2e-4, len(x)
    unit = np.eye(size) * tiny
    middle = function(x)
    up = np.array([function(x + e) for e in unit])
    down = np.array([function(x - e) for e in unit])
    curve = np.diag((up - 2 * middle + down) / tiny**2)
    for i in range(size):
        for j in range(i):
            cross = sum(
                s * t * function(x + s * unit[i] + t * unit[j]) for s in (1, -1) for t in (1, -1)
            )
            curve[i, j] = curve[j, i] = cross / (4 * tiny**2)
    return (up - down) / (2 * tiny), curve


def _bend(
    gradient: Callable[[np.ndarray], np.ndarray], x: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    tiny = 1e-4
    unit = np.eye(len(x)) * tiny
    curve = np.array([gradient(x + e) - gradient(x - e) for e in unit]) / (2 * tiny)
    return gradient(x), (curve + curve.T) / 2
