"""What a step costs in money and labour, and which prices are not known.

A price that nobody entered is unknown, which is not the same as free: nothing is worked out with
it, and what it leaves open is named.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np

from analysis.upgrade.lattice import Lattice

__all__ = ["money", "price_block", "unknown_among", "unpriced"]


def price_block(lattice: Lattice) -> dict[str, Any]:
    """Return how money is counted here, and the stages whose prices are not known.

    Returns
    -------
    dict
        ``currency`` and ``hourly_rate`` (None where not given); ``cost_unknown``,
        ``labour_unknown`` and ``unpriced`` (stages that no budget can buy), in the order of the
        stage table.
    """
    return {
        "currency": lattice.currency or None,
        "hourly_rate": lattice.hourly_rate,
        "cost_unknown": unknown_among(lattice, "cost", lattice.cost),
        "labour_unknown": unknown_among(lattice, "labour", lattice.cost),
        "unpriced": unpriced(lattice),
    }


def unknown_among(lattice: Lattice, what: str, stages: Iterable[str]) -> list[str]:
    """Return those of some stages whose ``"cost"`` or ``"labour"`` is not known."""
    table = lattice.cost if what == "cost" else lattice.labour_h
    return [s for s in stages if s in _states(lattice) and not np.isfinite(table[s])]


def unpriced(lattice: Lattice) -> list[str]:
    """Return the stages that no budget can buy, since their whole price is not known."""
    return [s for s in lattice.cost if s in _states(lattice) and not np.isfinite(lattice.price(s))]


def money(lattice: Lattice, start: str, end: str) -> dict[str, float | None]:
    """Return the labour of a way from one stage to another in money, and all that it takes.

    Both are None without an hourly rate, and NaN where a part is not known.
    """
    if lattice.hourly_rate is None:
        return {"labour_cost": None, "total": None}
    hours = lattice.labour_h[end] - lattice.labour_h[start]
    return {
        "labour_cost": lattice.hourly_rate * hours,
        "total": lattice.price(end) - lattice.price(start),
    }


def _states(lattice: Lattice) -> set[str]:
    return set(lattice.stage_of.values())
