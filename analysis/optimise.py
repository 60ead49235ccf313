"""One way to minimise a smooth function, with its outcome kept."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy import optimize

__all__ = ["Minimum", "minimise"]


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
