"""The error of an estimate when listeners and programmes are both samples.

The variance has three parts, of the contributions of :mod:`analysis.robustness.contributions`:
between listeners, between programmes, and what is left in their cells, which both of the others
contain and which is therefore taken off once (Cameron, Gelbach & Miller 2011 J Bus Econ Stat
29:238; on balanced tables this is the crossed analysis of variance). It never falls below either
one-way variance, nor in small samples below that of independent trials. Degrees of freedom are
Satterthwaite's (1946 Biometrics Bull 2:110), never fewer than the smaller of the two numbers less
one. Of the rules that keep their level in simulations this one finds most; they stand side by side
in ``tests/bench/calibration_music.py``.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.preference.contrast import floored_error
from analysis.robustness.contributions import Contributions

__all__ = ["TwoWay", "effective_number", "two_way"]


@dataclass(frozen=True, slots=True)
class TwoWay:
    """An estimate with its error over listeners and programmes.

    Attributes
    ----------
    estimate, se, df : float
    n_listeners, n_programmes : int
        Effective numbers, rounded up: (Σh)²/Σh² of their shares h in the error.
    naive : float
        Variance, were all trials independent.
    """

    estimate: float
    se: float
    df: float
    n_listeners: int
    n_programmes: int
    naive: float


def two_way(parts: Contributions) -> TwoWay:
    """Work out the error of an estimate over listeners and programmes.

    Parameters
    ----------
    parts : Contributions
        Of two listeners and two programmes or more.

    Returns
    -------
    TwoWay
    """
    u, s = parts.moves, parts.weight
    g, p = u.shape
    across, down = u.sum(axis=1, keepdims=True), u.sum(axis=0, keepdims=True)
    v_listener = g / (g - 1) * float((across**2).sum())
    v_programme = p / (p - 1) * float((down**2).sum())
    own = s.sum(axis=1, keepdims=True), s.sum(axis=0, keepdims=True)
    fair = across / np.maximum(own[0], 1e-300) + down / np.maximum(own[1], 1e-300)
    rest = u - s * (fair - u.sum())
    filled = int((s > 0).sum())
    df_cell = max(filled - g - p + 1, 1)
    v_cell = float((rest**2).sum()) * filled / df_cell
    variance = max(v_listener + v_programme - v_cell, v_listener, v_programme)
    listeners, programmes = (effective_number(s.sum(axis=a)) for a in (1, 0))
    fewest = min(g, programmes)
    spread = v_listener**2 / (g - 1) + v_programme**2 / max(programmes - 1, 1)
    spread += v_cell**2 / df_cell
    df = max(variance**2 / spread, fewest - 1) if spread > 0 else fewest - 1
    se = floored_error(np.sqrt(variance), np.sqrt(parts.naive), fewest)
    return TwoWay(parts.estimate, float(se), float(df), listeners, programmes, parts.naive)


def effective_number(share: np.ndarray) -> int:
    """Return how many equal shares would make an error as concentrated: (Σh)²/Σh², rounded up."""
    return int(np.ceil(share.sum() ** 2 / max(float((share**2).sum()), 1e-300) - 1e-6))
