"""Shares, p-values and numbers of people as they stand in a sentence."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

__all__ = ["listed", "logistic", "p_words", "panels", "people", "percent", "percents"]

#: More decimals than this are never written; shares that agree to so many are equal.
_MOST_DECIMALS = 6


def percent(share: float, *, apart: float = 0.5) -> str:
    """Write a share as a percentage: whole, unless it would then pass for the share `apart`."""
    return percents(share, apart=apart)[0]


def percents(*shares: float, apart: float = 0.5) -> tuple[str, ...]:
    """Write shares that are read together with equally many decimals.

    Parameters
    ----------
    *shares : float
        An estimate and the ends of its interval.
    apart : float, optional
        What they are held against, an even split or the share of right guesses.

    Returns
    -------
    tuple of str
        The fewest decimals that keep different shares different, and each of them different from
        `apart`: "50.03 %", "50.01 %" and "50.05 %", never "50 %" three times.
    """
    for decimals in range(_MOST_DECIMALS + 1):
        written = [f"{100 * share:.{decimals}f} %" for share in shares]
        even = f"{100 * apart:.{decimals}f} %"
        known = dict(zip(shares, written, strict=True))
        differ = len(set(known.values())) == len(known)
        if differ and all(text != even or share == apart for share, text in known.items()):
            break
    return tuple(written)


def panels(chance: float) -> str:
    """Write a share of resampled panels, which is never quite none or all."""
    if chance > 0.99:
        return "over 99 %"
    return "under 1 %" if chance < 0.01 else percent(chance)


def p_words(p: float) -> str:
    """Write a p-value."""
    if np.isnan(p):
        return "p not defined"
    return "p < 0.0001" if p < 0.0001 else f"p = {p:.4f}" if p < 0.01 else f"p = {p:.3f}"


def people(n: int) -> str:
    """Write a number of listeners."""
    return f"{n} listener" if n == 1 else f"{n} listeners"


def listed(names: Sequence[str]) -> str:
    """Write names as a list in a sentence."""
    return names[0] if len(names) == 1 else ", ".join(names[:-1]) + " and " + names[-1]


def logistic(x: float) -> float:
    """Return the share behind a logit."""
    return float(1 / (1 + np.exp(-x)))
