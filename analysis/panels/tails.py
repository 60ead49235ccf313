"""Tails and quantiles of Student's t and the normal distribution, for the loops of simulations.

The same numbers as ``scipy.stats`` gives, from the same functions of ``scipy.special``, without
the checks of arguments that take most of its time: a simulated study asks thousands of times.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

__all__ = ["normal_quantile", "t_above", "t_quantile"]


def t_above(t: ArrayLike, df: float) -> Any:
    """Return the chance of more than ``t`` under Student's t; NaN without degrees of freedom."""
    return special.stdtr(df, -np.asarray(t, dtype=float))


@lru_cache(maxsize=4096)
def t_quantile(chance: float, df: float) -> float:
    """Return the quantile of Student's t; NaN without degrees of freedom."""
    return float(special.stdtrit(df, chance))


@lru_cache(maxsize=256)
def normal_quantile(chance: float) -> float:
    """Return the quantile of the normal distribution."""
    return float(special.ndtri(chance))
