"""How many listeners a new study needs, read from simulated panels of several sizes.

The same people answer in every panel, a smaller one being the beginning of a larger one. What is
left of dips with more listeners comes from discreteness: p-values of few answers come in steps. It
is smoothed by isotonic regression (pool adjacent violators; Barlow, Bartholomew, Bremner & Brunk
1972), which gives the chance from a size on, and between sizes by a line of its probit over the
square root of the size, which is straight for a test of a mean.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import isotonic_regression
from scipy.stats import norm

from analysis.planning.families import Chance

__all__ = ["LADDER", "LARGEST", "Needed", "PowerCurve", "next_sizes"]

#: Panels beyond this are not looked at.
LARGEST = 200
#: Sizes that are tried, each about a third larger than the one before.
LADDER = (2, 3, 4, 6, 8, 10, 12, 16, 20, 24, 32, 40, 50, 64, 90, 130, LARGEST)


@dataclass(frozen=True, slots=True)
class Needed:
    """Listeners that give a chance.

    Attributes
    ----------
    listeners : int or None
        The fewest; None where :data:`LARGEST` do not.
    low, high : int or None
        The same with the Monte Carlo error of the chances taken off and added.
    """

    listeners: int | None
    low: int | None
    high: int | None


@dataclass(frozen=True, slots=True)
class PowerCurve:
    """A chance at several numbers of listeners.

    Attributes
    ----------
    listeners : tuple of int
        Ascending.
    chances : tuple of Chance
    """

    listeners: tuple[int, ...]
    chances: tuple[Chance, ...]

    def smooth(self, shift: float = 0.0) -> np.ndarray:
        """Return the chances without dips, `shift` Monte Carlo errors added."""
        n = np.array([max(chance.n_studies, 1) for chance in self.chances], dtype=float)
        share = np.array([chance.share + shift * chance.error for chance in self.chances])
        return np.clip(isotonic_regression(share, weights=n).x, 0.0, 1.0)

    def needed(self, chance: float = 0.8) -> Needed:
        """Return how many listeners give a chance."""
        return Needed(*(self._crossing(chance, shift) for shift in (0.0, 1.0, -1.0)))

    def _crossing(self, chance: float, shift: float) -> int | None:
        power = self.smooth(shift)
        above = np.flatnonzero(power >= chance)
        if not above.size:
            return None
        k = int(above[0])
        if k == 0:
            return self.listeners[0]
        root = np.sqrt(self.listeners[k - 1 : k + 1])
        probit = norm.ppf(np.clip(power[k - 1 : k + 1], 1e-3, 1 - 1e-3))
        part = (norm.ppf(chance) - probit[0]) / (probit[1] - probit[0])
        return int(np.ceil((root[0] + part * (root[1] - root[0])) ** 2 - 1e-9))


def next_sizes(curves: Sequence[PowerCurve], *, chance: float = 0.8) -> list[int]:
    """Return the size to try next above and below those tried, where a curve still needs it.

    Parameters
    ----------
    curves : sequence of PowerCurve
        Of the same sizes, which contain steps of :data:`LADDER`.
    chance : float, optional
        Wanted.

    Returns
    -------
    list of int
        Empty once every curve is surely above at the largest size and below at the smallest.
    """
    tried = curves[0].listeners
    sizes = []
    higher = [size for size in LADDER if size > tried[-1]]
    lower = [size for size in LADDER if size < tried[0]]
    most, least = [c.chances[-1] for c in curves], [c.chances[0] for c in curves]
    if higher and any(found.share - found.error < chance for found in most):
        sizes.append(higher[0])
    if lower and any(found.share + found.error >= chance for found in least):
        sizes.append(lower[-1])
    return sizes
