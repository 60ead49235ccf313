"""The one picture of a first screen: the steps in their order, and what is known of each.

A step is held against what was there before it. The share of decisions and its interval describe;
whether it is preferred, and whether it is told apart, are verdicts of the family's claims.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from analysis.answer.standing import Standing
from analysis.panels.number_words import logistic

__all__ = ["step_picture"]

Row = Mapping[str, Any]
_PRICES = ("cost", "labour_h", "total")


def step_picture(order: Sequence[Row], standing: Standing) -> list[dict[str, Any]]:
    """Return the rows of the picture.

    Parameters
    ----------
    order : sequence of mapping
        Steps in their order, from :func:`analysis.upgrade.order.likely_order`.
    standing : Standing
        The verdicts.

    Returns
    -------
    list of dict
        ``step``, ``before``, ``share``, ``share_low`` and ``share_high`` (of decisions for the
        step, the mean over listeners, with the interval of its gain), ``preferred`` (``shown``,
        ``against``, ``small``, ``open`` or ``not claimed``), ``heard`` (the same), ``cost``,
        ``labour_h``, ``total``.
    """
    return [
        {
            "step": row["step"],
            "before": row["from_stage"],
            "share": logistic(row["gain"]),
            "share_low": logistic(row["gain_low"]),
            "share_high": logistic(row["gain_high"]),
            "preferred": standing.liking(row["step"], row["from_stage"]),
            "heard": _heard(standing, row["step"], row["from_stage"]),
            **{key: row.get(key) for key in _PRICES},
        }
        for row in order
    ]


def _heard(standing: Standing, step: str, before: str) -> str:
    found = standing.heard(step, before)
    return "not claimed" if found is None else found[0]
