"""The order of the first steps by gain, by gain for their money and by gain for their hours.

Orders of estimates: they describe these answers and assert nothing of listeners.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

__all__ = ["price_orders"]

_BY = {"gain": "gain", "cost": "per_cost", "hour": "per_hour"}


def price_orders(steps: Sequence[Mapping[str, Any]]) -> dict[str, Any] | None:
    """Return the orders of the first steps.

    Parameters
    ----------
    steps : sequence of mapping
        ``upgrade.first_step``.

    Returns
    -------
    dict or None
        ``gain``, ``cost``, ``hour``: stages, largest estimate first; None where a figure of some
        step is unknown. ``differ``: those of ``cost`` and ``hour`` whose order is not that of the
        gain. None with fewer than two steps, or where no price is known.
    """
    orders = {name: _order(steps, key) for name, key in _BY.items()}
    known = [name for name in ("cost", "hour") if orders[name] is not None]
    if len(steps) < 2 or not known:
        return None
    return orders | {"differ": [name for name in known if orders[name] != orders["gain"]]}


def _order(steps: Sequence[Mapping[str, Any]], key: str) -> list[str] | None:
    known = [(row.get(key), str(row["step"])) for row in steps]
    if any(value is None or value != value for value, _ in known):
        return None
    return [step for _, step in sorted(known, key=lambda one: (-float(one[0] or 0.0), one[1]))]
