"""What a claim and a finding are."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from analysis.panels.number_words import percent

__all__ = [
    "NAN",
    "POWER",
    "Claim",
    "Finding",
    "more_listeners",
    "nothing",
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
        :mod:`analysis.claims.link`.
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
        of :mod:`analysis.panels.smallest_effect`, above 0 in the direction of the claim. Empty
        where the claim is not about the size of a difference.
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
