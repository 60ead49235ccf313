"""What a claim and a finding are, and the words they are told in."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

__all__ = [
    "NAN",
    "POWER",
    "Claim",
    "Finding",
    "listed",
    "logistic",
    "more_listeners",
    "nothing",
    "p_words",
    "panels",
    "people",
    "percent",
    "percents",
]

#: Chance to decide on which the advice about the size of a new study rests.
POWER = 0.8
NAN = float("nan")


@dataclass(frozen=True, slots=True)
class Claim:
    """A parsed claim.

    Attributes
    ----------
    text : str
        As written.
    kind : str
        ``"hear"``, ``"similar"``, ``"prefer"``, ``"neither"``, ``"most"``, or a kind of
        :mod:`analysis.claim_link`.
    stages : tuple of str
        Stage ids in the order of the sentence.
    margin : float or None
        Share of discriminators that would matter, for ``"similar"``.
    names : tuple of str
        What the sentence names beside stages: a metric, a price, a listener.
    alpha : float or None
        Error rate that the sentence itself asks for ("... at 1 %").
    who : str or None
        Group of listeners that the sentence is about ("... among players").
    points : float or None
        How far from an even split, as a share of decisions, for ``"neither"``: 0.05 where the
        sentence says "beyond 55 to 45".
    """

    text: str
    kind: str
    stages: tuple[str, ...]
    margin: float | None = None
    names: tuple[str, ...] = ()
    alpha: float | None = None
    who: str | None = None
    points: float | None = None


@dataclass(frozen=True, slots=True)
class Finding:
    """What the data say about one claim before verdicts are settled.

    Attributes
    ----------
    direction : int
        +1 where the data lean to the claim, -1 where they lean against it and that can be tested,
        0 where nothing can be tested.
    p_value : float
        Of the direction.
    test : str
        Name of the test.
    words : dict of str to str
        Sentence by verdict.
    needs : str or None
        What it would take to decide.
    numbers : dict
        Further figures of the claim's row.
    effects : sequence of (float, float)
        Intervals, at the level of this claim, that say whether a difference matters; on the scale
        of :mod:`analysis.smallest_effect`, above 0 in the direction of the claim. Empty where the
        claim is not about the size of a difference.
    """

    direction: int
    p_value: float
    test: str
    words: dict[str, str]
    needs: str | None
    numbers: dict[str, Any] = field(default_factory=dict)
    effects: Sequence[tuple[float, float]] = ()


def nothing(test: str, problem: str, needs: str) -> Finding:
    """Return the finding of data that do not speak to the claim."""
    return Finding(0, NAN, test, {"undecided": problem}, needs)


def more_listeners(now: int, ratio: float, what: str) -> str:
    """Say how many listeners a new study would take; `ratio` is wanted over found signal.

    Never how many to add: topping up a study whose answers are known keeps no level.
    """
    wanted = int(np.ceil(now * ratio**2)) if ratio < 1e3 else 10**9
    if wanted > 1000:
        return (
            f"a new study of more than 1000 listeners, if {what} is the true one: too small to "
            "matter to many"
        )
    return (
        f"a new study of about {max(wanted, now + 1)} listeners, for an {percent(POWER)} chance "
        f"to decide, if {what} is the true one"
    )


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
