"""How the places of a pair were used, and whether a habit of place can be told from a liking.

Listeners may lean to one place whatever is played there. Where the places of a pair are balanced
the leaning cancels; where they are not it looks like a preference, unless the model allows for it
(the order effect of Davidson & Beaver 1977 Biometrics 33:693); and where a stage always stood in
the same place no model can tell the two apart.
"""

from __future__ import annotations

from typing import Literal

import numpy as np

from analysis.models.bradley_terry import order_identified
from analysis.tables.counts import PairCounts

__all__ = ["PLACE_SLACK", "Places", "place_balance", "places_of"]

Places = Literal["balanced", "allowed for", "confounded"]

#: How far from one half the share of answers with a stage in one place may lie. A leaning that
#: turns 60 of 100 decisions between equal stages then moves the share of a pair by one point.
PLACE_SLACK = 0.05


def place_balance(counts: PairCounts) -> float:
    """Return the largest distance from one half of any pair's share of answers in one order.

    Parameters
    ----------
    counts : PairCounts
        With the positions kept, weighted or not.

    Returns
    -------
    float
        0 for perfect balance, 0.5 where some pair was given in one order only.
    """
    total = counts.counts.sum(axis=(0, 2))
    size = len(counts.stages)
    given = np.zeros((size, size))
    np.add.at(given, (counts.first, counts.second), total)
    both = given + given.T
    asked = both > 0
    if not asked.any():
        return 0.0
    return float(np.abs(given[asked] / both[asked] - 0.5).max())


def places_of(counts: PairCounts) -> Places:
    """Say whether places need to be allowed for, and whether they can be.

    Parameters
    ----------
    counts : PairCounts
        Weighted as the fit will be.

    Returns
    -------
    {"balanced", "allowed for", "confounded"}
    """
    if place_balance(counts) <= PLACE_SLACK:
        return "balanced"
    return "allowed for" if order_identified(counts) else "confounded"
