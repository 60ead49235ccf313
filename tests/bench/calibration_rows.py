"""One simulated claim of the calibration: how often it errs, and what it is held to.

A cell is a rule and a panel that it is tried on. Bounds count the error of the simulation at the
nominal rate, not at the rate found: few studies may well find nothing at all. A cell beyond its
nominal rate by more than two such errors is run once more, with another seed and :data:`AGAIN`
times as many studies (10,000 after 2,000), and must then stay within :data:`SLACK` of the nominal
rate, or within two errors where that run is too short to see so little.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

__all__ = ["AGAIN", "SLACK", "Cell", "Row", "run"]

#: How many times the studies of the first run make the second, deciding one.
AGAIN = 5
#: How far the second run may lie from the nominal rate.
SLACK = 0.01

#: Kinds of bound; see :class:`Cell`.
_SIDES = {
    "level": (True, True),
    "at most": (False, True),
    "cover": (True, True),
    "at least": (True, False),
    "figure": (False, False),
}
#: Two-sided bounds leave room for rules that are known to be a little cautious or a little bold.
_WIDTH = {"level": 0.015, "cover": 0.02}


@dataclass(frozen=True)
class Cell:
    """One claim on one kind of panel.

    Attributes
    ----------
    name : str
        What is claimed, and of which panel.
    listeners : int
    kind : str
        ``"level"`` (the rate is near the nominal one), ``"at most"`` (a rate of false alarms that
        may be smaller), ``"cover"`` and ``"at least"`` (the same of intervals), ``"figure"``
        (printed, held to nothing: the chance to find what is there).
    one : callable
        ``one(rng)`` simulates one study: True, False, or None where the study has no answer.
    n : int
        Studies of the first run.
    seed : int
    nominal : float, optional
        Rate that the claim promises; 0.05, or 0.95 for intervals, when not given.
    """

    name: str
    listeners: int
    kind: str
    one: Callable[[np.random.Generator], bool | np.bool_ | None]
    n: int
    seed: int
    nominal: float | None = None


@dataclass(frozen=True)
class Row:
    """The outcome of a cell.

    Attributes
    ----------
    name, listeners, kind
        As in the cell.
    rate : float
        Of the run that decided.
    n : int
        Studies with an answer in that run.
    nominal, low, high : float
        Nominal rate and bounds.
    first_rate : float or None
        Of the first run, where a second one decided.
    """

    name: str
    listeners: int
    kind: str
    rate: float
    n: int
    nominal: float
    low: float
    high: float
    first_rate: float | None = None

    @property
    def kept(self) -> bool:
        """Whether the rate lies within its bounds."""
        return self.low <= self.rate <= self.high

    def line(self) -> str:
        """Return the row as text."""
        bounds = (
            "" if self.kind == "figure" else f"  ({100 * self.low:.1f} to {100 * self.high:.1f})"
        )
        first = "" if self.first_rate is None else f"  first run {100 * self.first_rate:.2f} %"
        mark = "" if self.kept else "  OUTSIDE"
        return (
            f"{self.name:58s} {self.listeners:4d} listeners  {self.kind:8s} "
            f"{100 * self.rate:6.2f} % of {self.n}{bounds}{first}{mark}"
        )


def _bounds(kind: str, nominal: float, error: float) -> tuple[float, float]:
    lower, upper = _SIDES[kind]
    width = _WIDTH.get(kind, 0.0) + error
    return nominal - width if lower else 0.0, nominal + width if upper else 1.0


def _two_errors(nominal: float, n: int) -> float:
    return 2 * float(np.sqrt(nominal * (1 - nominal) / max(n, 1)))


def _rate(cell: Cell, n: int, seed: int) -> tuple[float, int]:
    rng = np.random.default_rng(seed)
    found = [cell.one(rng) for _ in range(n)]
    known = [bool(value) for value in found if value is not None]
    return (float(np.mean(known)) if known else float("nan")), len(known)


def run(cell: Cell) -> Row:
    """Simulate a cell, a second time where the first run lies beyond its bounds."""
    usual = 0.95 if cell.kind in ("cover", "at least") else 0.05
    nominal = usual if cell.nominal is None else cell.nominal
    rate, n = _rate(cell, cell.n, cell.seed)
    error = _two_errors(nominal, n)
    row = Row(
        cell.name, cell.listeners, cell.kind, rate, n, nominal, *_bounds(cell.kind, nominal, error)
    )
    if row.kept or n == 0:
        return row
    second, n = _rate(cell, AGAIN * cell.n, cell.seed + 1_000_003)
    bounds = _bounds(cell.kind, nominal, max(SLACK, _two_errors(nominal, n)))
    return Row(cell.name, cell.listeners, cell.kind, second, n, nominal, *bounds, first_rate=rate)
