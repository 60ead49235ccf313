"""What an answer rests on: comparisons, and preferences without a difference that was heard."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from analysis.answer.choose import Said
from analysis.answer.family import Design
from analysis.answer.standing import Comparison, Standing

__all__ = ["comparisons", "unheard"]

Row = Mapping[str, Any]


def comparisons(
    rows: Sequence[Row],
    design: Design,
    standing: Standing,
    question: str | None,
    lead: Said | None,
    discrimination: Sequence[Row],
) -> list[dict[str, Any]]:
    """Return the comparisons that an answer rests on.

    Parameters
    ----------
    rows : sequence of mapping
        The claims of the family.
    design : Design
    standing : Standing
        Their verdicts.
    question : str or None
        What the first screen answers.
    lead : Said or None
        Its first sentence, whose claims are all listed.
    discrimination : sequence of mapping
        Forced-choice answers by pair.

    Returns
    -------
    list of dict
        Claims first: those that failed, are open, are too small, are shown. Then the pairs that
        were asked without a claim.
    """
    relevant = _relevant(question, design)
    pooled = _pooled(discrimination)
    return [
        *_lines(rows, standing, question, relevant, lead),
        *_unclaimed(design, standing, pooled, relevant),
    ]


def _pooled(discrimination: Sequence[Row]) -> dict[frozenset[str], int]:
    """Return where the answers of the whole panel about each pair stand."""
    found: dict[frozenset[str], int] = {}
    for k, row in enumerate(discrimination):
        if row.get("listener") is None and row.get("programme") is None:
            found.setdefault(frozenset(row["pair"]), k)
    return found


def _relevant(question: str | None, design: Design) -> set[str]:
    """Return the stages that the answer is about."""
    if question == "first step":
        return {str(design.baseline), *design.first_steps}
    if question == "liked most":
        return set(design.compared)
    return {stage for pair in design.asked for stage in pair}


def _lines(
    rows: Sequence[Row],
    standing: Standing,
    question: str | None,
    relevant: set[str],
    lead: Said | None,
) -> list[dict[str, Any]]:
    """Return the claims that the answer rests on, what failed first."""
    carries = set() if lead is None else set(lead.claims)
    kept = []
    for line in standing.comparisons():
        row = rows[line.claim]
        stages = set(row["stages"])
        hearing = row["kind"] in ("hear", "similar", "one hears")
        about = bool(stages) and stages <= relevant and row["kind"] != "one hears"
        if question == "told apart":
            about = about and hearing
        elif question == "first step":
            about = about and row["kind"] != "most"  # that is about more than a first step
        if not about and line.claim not in carries:
            continue
        kept.append(_comparison(line, row, relevant))
    return kept


def _comparison(line: Comparison, row: Row, relevant: set[str]) -> dict[str, Any]:
    share = row.get("share")
    if line.relation == "hear":
        share = row.get("estimate")
    elif line.outcome == "against" and line.relation == "prefer" and share is not None:
        share = 1 - share
    rivals = list(row["stages"][1:]) or sorted(relevant - {line.first})
    return {
        "relation": line.relation,
        "first": line.first,
        "second": line.second or None,
        "rivals": rivals if line.relation == "most" else [],
        "outcome": line.outcome,
        "claim": line.claim,
        "share": share,
        "n_trials": row.get("n_trials"),
        "n_listeners": row.get("n_listeners"),
        "discrimination": None,
    }


def _unclaimed(
    design: Design, standing: Standing, pooled: Mapping[frozenset[str], int], relevant: set[str]
) -> list[dict[str, Any]]:
    """Return the pairs that were asked and that no claim is about."""
    return [
        {
            "relation": "hear",
            "first": i,
            "second": j,
            "rivals": [],
            "outcome": "not claimed",
            "claim": None,
            "share": None,
            "n_trials": None,
            "n_listeners": None,
            "discrimination": pooled.get(frozenset((i, j))),
        }
        for i, j in design.asked
        if {i, j} <= relevant and standing.heard(i, j) is None
    ]


def unheard(
    design: Design, standing: Standing, discrimination: Sequence[Row], alpha: float
) -> list[dict[str, Any]]:
    """Return the pairs with a preference that is shown and a difference that is not.

    Parameters
    ----------
    design : Design
    standing : Standing
    discrimination : sequence of mapping
        By pair; decides, at its p allowing for the number of pairs, where no claim does.
    alpha : float

    Returns
    -------
    list of dict
        ``first`` (preferred), ``second``, ``claims`` that show it.
    """
    pooled = _pooled(discrimination)
    found = []
    for i, j in design.asked:
        if _apart(i, j, standing, discrimination, pooled, alpha):
            continue
        for first, second in ((i, j), (j, i)):
            claims = standing.preferred(first, second)
            if claims is not None:
                found.append({"first": first, "second": second, "claims": sorted(set(claims))})
    return found


def _apart(
    i: str,
    j: str,
    standing: Standing,
    discrimination: Sequence[Row],
    pooled: Mapping[frozenset[str], int],
    alpha: float,
) -> bool:
    """Whether a claim, or without one the test of all pairs together, tells two stages apart."""
    heard = standing.heard(i, j)
    if heard is not None:
        return heard[0] in ("shown", "small")
    place = pooled.get(frozenset((i, j)))
    p = None if place is None else discrimination[place].get("p_holm")
    return p is not None and p <= alpha
