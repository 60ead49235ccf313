"""What a study asks by its design, and the claims that follow from it.

Where nobody declared anything, these claims are judged together as one family, and all of them are
exploratory. They follow from the stages and the questions alone, never from the answers.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from analysis.claims.finding import Claim
from analysis.hearing.pair_cells import PairCells
from analysis.preference.fit import Preference
from analysis.tables.stages import StageTable
from analysis.upgrade.lattice import Lattice, make_lattice

__all__ = [
    "Design",
    "asks_already",
    "default_claims",
    "design_of",
    "first_steps",
    "planned_design",
    "step_claims",
]


@dataclass(frozen=True, slots=True)
class Design:
    """What was compared and asked.

    Attributes
    ----------
    compared : tuple of str
        Stages that one fit of paired answers links, made ones included.
    made : tuple of str
        Those of them that are experiments, nothing to buy.
    baseline : str or None
        Where the steps begin; None where the stages are no steps from one another.
    first_steps : tuple of str
        Stages that one step leads to, in the order of the stage table.
    asked : tuple of (str, str)
        Pairs of which a forced choice was asked, in the order of the stage table.
    """

    compared: tuple[str, ...] = ()
    made: tuple[str, ...] = ()
    baseline: str | None = None
    first_steps: tuple[str, ...] = ()
    asked: tuple[tuple[str, str], ...] = ()


def design_of(
    preference: Preference | None, cells: Sequence[PairCells], stages: StageTable | None
) -> Design:
    """Return what the answers were asked about.

    Parameters
    ----------
    preference : Preference or None
        Fitted paired answers.
    cells : sequence of PairCells
        Forced-choice answers.
    stages : StageTable or None
        With factors and costs where known.
    """
    fit = None if preference is None else preference.main
    compared = () if fit is None else tuple(fit.stages)
    return planned_design(compared, [group.pair for group in cells], stages)


def planned_design(
    compared: Sequence[str], asked: Iterable[tuple[str, str]], stages: StageTable | None
) -> Design:
    """Return what a study asks, from the stages compared in pairs and the pairs to be told apart.

    Parameters
    ----------
    compared : sequence of str
    asked : iterable of (str, str)
    stages : StageTable or None
        With factors and costs where known; it also gives the order of everything.
    """
    known = [] if stages is None else stages.frame["stage"].tolist()
    rank = {stage: k for k, stage in enumerate(known)}

    def place(stage: str) -> tuple[int, str]:
        return rank.get(stage, len(rank)), stage

    pairs = {(min(pair, key=place), max(pair, key=place)) for pair in asked}
    ordered = sorted(pairs, key=lambda pair: [place(stage) for stage in pair])
    made = () if stages is None else tuple(s for s in compared if s in stages.made)
    lattice = None if stages is None or not compared else make_lattice(stages, tuple(compared))
    baseline: str | None = None
    steps: tuple[str, ...] = ()
    if lattice is not None and stages is not None and _has_steps(lattice, stages):
        baseline = lattice.baseline
        steps = tuple(sorted(first_steps(lattice), key=place))
    return Design(tuple(compared), made, baseline, steps, tuple(ordered))


def first_steps(lattice: Lattice) -> list[str]:
    """Return the stages that a first step leads to."""
    return [lattice.stage_of[state] for state in lattice.next_states(frozenset())]


def _has_steps(lattice: Lattice, stages: StageTable) -> bool:
    """Whether factors or prices say that the stages are steps from one another."""
    own = stages.frame[stages.frame["stage"].isin(lattice.stage_of.values())]
    if any(own[f"factor_{name}"].nunique() > 1 for name in stages.step_factors):
        return True
    prices = own[["cost", "labour_h"]].to_numpy(dtype=float)
    return bool((np.nan_to_num(prices) > 0).any())


def step_claims(steps: Sequence[str]) -> list[Claim]:
    """Return the claims that together ask which of some first steps to take.

    Two steps are one claim, "step I before J". Of more, each is held against all others at once,
    so that their number grows with the steps and not with their pairs.
    """
    if len(steps) < 2:
        return []
    if len(steps) == 2:
        i, j = steps
        return [Claim(f"step {i} before {j}", "step", (i, j))]
    return [_most_of(i, [j for j in steps if j != i]) for i in steps]


def _most_of(stage: str, rivals: Sequence[str]) -> Claim:
    named = f"{', '.join(rivals[:-1])} and {rivals[-1]}"
    return Claim(f"listeners prefer {stage} most of {named}", "most of", (stage, *rivals))


def default_claims(design: Design) -> list[Claim]:
    """Return the claims that are judged where none were declared.

    Can each pair that was asked be told apart? And of the paired answers: is each first step liked
    better than where one stands, and which comes first; or, where stages are no steps, which is
    liked most.
    """
    claims = [Claim(f"listeners can tell {j} from {i}", "hear", (j, i)) for i, j in design.asked]
    if design.baseline is not None:
        claims += [_prefer(step, design.baseline) for step in design.first_steps]
        return claims + step_claims(design.first_steps)
    return claims + _liked(design.compared)


def _liked(compared: Sequence[str]) -> list[Claim]:
    if len(compared) <= 2:
        return [_prefer(i, j) for i, j in combinations(compared, 2)]
    return [Claim(f"listeners prefer {stage} most", "most", (stage,)) for stage in compared]


def _prefer(first: str, second: str) -> Claim:
    return Claim(f"listeners prefer {first} over {second}", "prefer", (first, second))


def asks_already(claims: Iterable[Claim], asked: Claim) -> bool:
    """Whether some claims of everybody ask what one claim about a first step asks.

    Without a price, one first step before another is a preference between the two.
    """
    for claim in claims:
        if claim.who is not None or (claim.kind == "step" and claim.names):
            continue
        pair = claim.kind in ("prefer", "step") and asked.kind == "step"
        if pair and set(claim.stages) == set(asked.stages):
            return True
        if claim.kind == "most of" and set(asked.stages) <= set(claim.stages):
            if claim.stages[0] == asked.stages[0]:
                return True
    return False
