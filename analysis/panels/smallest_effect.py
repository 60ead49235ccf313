"""The smallest effect that matters: a difference below it is of no use to anybody.

With enough answers any difference is shown, were it 50.1 to 49.9. So a study may declare what
would matter, in points of decisions: 5 points are a split of 55 to 45. One definition serves all
methods: of that split a tenth of the decisions is made by ear and nine tenths fall as they would
if nothing were there. For M points, then,

- a preference splits at least 0.5 + M to 0.5 - M;
- a difference is heard in a share 2M of the trials (the share of discriminators of Abbott's
  formula), so that P(correct) = c + 2M (1 - c) where guessing gives c: 55 % in ABX, duo-trio and
  same-different, 40 % in triangles, for 5 points.

Whether a shown difference matters is read off an interval at the claim's own level, adjusted for
the family: all of it below M, "no"; all of it at M or above, "yes"; else "open". An interval of
confidence 1 - alpha errs in one direction in alpha / 2 of panels, so "no" is said of a difference
that does matter in at most that share, and "yes" of one that does not in at most that share.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

from stimuli.files.errors import InputError

__all__ = [
    "TOO_SMALL",
    "Matters",
    "beyond_guessing",
    "check_smallest_effect",
    "matters",
    "remark",
    "split",
]

Matters = Literal["yes", "no", "open"]
TOO_SMALL = "too small to matter"
"""The verdict on a claim of which a difference is shown, and shown to be smaller than matters."""

#: Range in points; below, somebody has written a share in place of points.
LEAST, MOST = 0.5, 45.0


def check_smallest_effect(points: float, *, where: str = "smallest effect") -> float:
    """Return points as a share of decisions.

    Raises
    ------
    InputError
        Not a number of points between 0.5 and 45.
    """
    if not LEAST <= points <= MOST:
        raise InputError(
            where=where,
            problem=f"{points:g} is not between {LEAST:g} and {MOST:g} points",
            remedy="Write points of decisions: 5 where less than 55 to 45 does not matter",
        )
    return points / 100


def beyond_guessing(proportion: float, *, chance: float) -> float:
    """Return on the common scale, half the share of trials heard, what a P(correct) stands for."""
    return (proportion - chance) / (1 - chance) / 2


def matters(effects: Sequence[tuple[float, float]], smallest: float, direction: int) -> Matters:
    """Say whether a shown difference is large enough to matter.

    Parameters
    ----------
    effects : sequence of (float, float)
        One interval of a difference, or several where a stage is held against rivals. Above 0 in
        the direction of the claim.
    smallest : float
        Share of decisions from an even split.
    direction : int
        +1 where the claim holds: it has to matter against every rival. -1 where it does not: one
        rival that is ahead by enough decides.

    Returns
    -------
    {"yes", "no", "open"}
    """
    inside = [-smallest < low and high < smallest for low, high in effects]
    if direction > 0:
        if all(low >= smallest for low, _ in effects):
            return "yes"
        return "no" if any(inside) else "open"
    if any(high <= -smallest for _, high in effects):
        return "yes"
    return "no" if all(inside) else "open"


def split(smallest: float) -> str:
    """Write a smallest effect: "5 points (55 to 45)"."""
    points = round(100 * smallest, 9)
    noun = "point" if points == 1 else "points"
    return f"{points:g} {noun} ({50 + points:g} to {50 - points:g})"


def remark(found: Matters, smallest: float, *, one: bool = False) -> str:
    """Say it: a sentence after the verdict's own, or for "no" the words that begin it.

    Parameters
    ----------
    found : {"yes", "no", "open"}
    smallest : float
    one : bool, optional
        Of one listener, not of the mean over several.
    """
    mean = "" if one else " in the mean over listeners, whatever single listeners may find"
    least = split(smallest)
    return {
        "yes": f"The difference is large enough to matter: {least} or more.",
        "no": (f"There is a difference, but a smaller one than matters, below {least}{mean}"),
        "open": f"Whether the difference is large enough to matter, {least}, is open.",
    }[found]
