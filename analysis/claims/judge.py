"""Sentences of a fixed form that data support, contradict or leave undecided.

Grammar::

    listeners hear I from J                   can they tell the two apart?
    listeners do not hear I from J within M%  fewer than M percent do (margin set beforehand)
    listeners prefer I over J
    listeners prefer neither I nor J beyond 55 to 45
                                              decisions split closer to even than that
    listeners prefer I most                   over every other compared stage

and the forms of :mod:`analysis.claims.link`. Any of them may end in ``among G``, the group of
listeners it is about, and in ``at 1 %``, its own error rate in place of the plan's. I and J are
stage ids. Tests take the listener as the unit. Several claims in one analysis are one family:
verdicts rest on p-values adjusted by Holm (1979) Scand J Stat 6:65.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from analysis.claims.conditions import conditions
from analysis.claims.equivalence import neither
from analysis.claims.finding import Claim, Finding, nothing
from analysis.claims.grammar import parse_claim
from analysis.claims.hearing import Controls, hear, not_heard
from analysis.claims.limits import held_back
from analysis.claims.link import find_link_claim
from analysis.claims.preference import most, prefer
from analysis.hearing.discrimination import PairCells
from analysis.link.block import Link
from analysis.panels.multiplicity import holm
from analysis.panels.number_words import p_words, people
from analysis.panels.smallest_effect import TOO_SMALL, Matters, matters, remark
from analysis.preference.fit import Preference
from analysis.tables.stages import StageTable
from analysis.tables.trials import TrialTable

__all__ = ["Claim", "Heard", "judge_claims"]


@dataclass(frozen=True, slots=True, eq=False)
class Heard:
    """The answers of some listeners, ready to be held against claims.

    Attributes
    ----------
    cells : sequence of PairCells
        Forced-choice answers.
    preference : Preference or None
        Fitted paired answers.
    controls : Controls or tuple of int
        Obvious controls, or how many were scored and passed, one a listener.
    links : sequence of Link
        Metrics held against the worths.
    trials : TrialTable or None
        The answers themselves, which say what a verdict holds for.
    """

    cells: Sequence[PairCells]
    preference: Preference | None
    controls: Controls | tuple[int, int] = (0, 0)
    links: Sequence[Link] = ()
    trials: TrialTable | None = None


def judge_claims(
    claims: Sequence[str],
    heard: Heard,
    *,
    groups: Mapping[str, Heard] | None = None,
    stages: StageTable | None = None,
    alpha: float = 0.05,
    smallest_effect: float | None = None,
    simulated: bool = False,
) -> list[dict[str, Any]]:
    """Judge claims by the data.

    Parameters
    ----------
    claims : sequence of str
        Sentences of the grammar.
    heard : Heard
        The answers of all listeners.
    groups : mapping of str to Heard, optional
        The same of each group that a claim names.
    stages : StageTable, optional
        Factors, costs and labour hours.
    alpha : float, optional
        Error rate of the family of claims.
    smallest_effect : float, optional
        The smallest effect that matters, as a share of decisions from an even split (0.05 for 55
        to 45), see :mod:`analysis.panels.smallest_effect`.
    simulated : bool, optional
        Mark the words.

    Returns
    -------
    list of dict
        ``text``, ``verdict`` (supported, contradicted, undecided, and where a smallest effect is
        declared, too small to matter), ``direction`` (1 where the data lean to the claim, -1
        against it, 0 where it was held open), ``matters`` (yes, no, open; None without a smallest
        effect and for claims of another kind), ``smallest_effect``, ``effect_low``,
        ``effect_high`` (interval at the claim's own level on the scale of the smallest effect),
        ``test``,
        ``statistic``, ``p_value``, ``p_holm``, ``ci_low``, ``ci_high``, ``estimate``, ``needs``,
        ``words``, ``n_trials``, ``n_listeners``, ``method``, ``who`` (group, or None for
        everybody), ``conditions`` (what the verdict holds for).

    Raises
    ------
    InputError
        A claim is not of the grammar.
    """
    parsed = [parse_claim(text, where=f"claim {k}") for k, text in enumerate(claims, start=1)]
    own = [heard if claim.who is None else (groups or {}).get(claim.who) for claim in parsed]
    findings = [
        _find(claim, answers, stages, _level(claim, alpha, len(parsed)))
        for claim, answers in zip(parsed, own, strict=True)
    ]
    adjusted = holm(np.array([finding.p_value for finding in findings]))
    mark = "Simulated listeners: " if simulated else ""
    rows = []
    for claim, answers, finding, p in zip(parsed, own, findings, adjusted, strict=True):
        trials = None if answers is None else answers.trials
        family = _Family(alpha, len(parsed), smallest_effect)
        row = _row(claim, finding, float(p), family, mark + _among(claim, trials))
        row["who"] = claim.who
        row["conditions"] = None if trials is None else conditions(trials, claim)
        rows.append(row)
    return rows


def _level(claim: Claim, alpha: float, family: int) -> float:
    """Return the level at which a claim is open or not, and what it would take is worked out.

    A share of the family's error rate, as Bonferroni deals it: Holm asks for no more. A metric's
    claim has its own family of pairs and takes the whole.
    """
    level = alpha if claim.alpha is None else claim.alpha
    return level if claim.kind == "orders" else level / family


def _among(claim: Claim, trials: TrialTable | None) -> str:
    """Begin the words of a claim about a group."""
    if claim.who is None or trials is None:
        return ""
    return f"Among {claim.who} ({people(trials.n_listeners)}): "


@dataclass(frozen=True, slots=True)
class _Family:
    """What all claims of one analysis share: level, number, smallest effect."""

    alpha: float
    size: int
    smallest: float | None


def _row(
    claim: Claim, finding: Finding, p_holm: float, family: _Family, mark: str
) -> dict[str, Any]:
    smallest = family.smallest
    alpha = family.alpha if claim.alpha is None else claim.alpha
    verdict = "undecided"
    if finding.direction and p_holm <= alpha:
        verdict = "supported" if finding.direction > 0 else "contradicted"
    found = _matters(finding, verdict, smallest)
    if found == "no":
        verdict = TOO_SMALL
    words = _worded(claim, finding, verdict, found, smallest)
    if family.size > 1 and np.isfinite(p_holm):
        words += f" Adjusted for {family.size} claims, {p_words(p_holm)}."
    empty = dict.fromkeys(
        ("statistic", "df", "estimate", "ci_low", "ci_high", "n_trials", "n_listeners", "method")
    )
    return {
        "text": claim.text,
        "kind": claim.kind,
        "stages": list(claim.stages),
        "verdict": verdict,
        "direction": finding.direction,
        "matters": found,
        **_effect(finding, found, smallest),
        "test": finding.test,
        **empty,
        **finding.numbers,
        "p_value": finding.p_value,
        "p_holm": p_holm,
        "alpha": alpha,
        "needs": _needs(claim, finding) if verdict == "undecided" else None,
        "words": mark + words,
    }


def _matters(finding: Finding, verdict: str, smallest: float | None) -> Matters | None:
    """Say whether a difference matters; open where none is shown."""
    if smallest is None or not finding.effects:
        return None
    if verdict == "undecided":
        # A panel that does not listen leaves a narrow interval about nothing, too.
        return "open"
    return matters(finding.effects, smallest, finding.direction)


def _worded(
    claim: Claim, finding: Finding, verdict: str, found: Matters | None, smallest: float | None
) -> str:
    if found is None or smallest is None or verdict == "undecided":
        return finding.words[verdict]
    said = remark(found, smallest, one=claim.kind == "one hears")
    if found == "no":
        return f"{said}: {finding.words[TOO_SMALL]}"
    return f"{finding.words[verdict]} {said}"


def _effect(finding: Finding, found: Matters | None, smallest: float | None) -> dict[str, Any]:
    """Return the smallest effect and the interval that decides; of rivals, the closest one's."""
    if found is None:
        return dict.fromkeys(("smallest_effect", "effect_low", "effect_high"))
    low, high = min(finding.effects)
    return {"smallest_effect": smallest, "effect_low": low, "effect_high": high}


def _needs(claim: Claim, finding: Finding) -> str | None:
    """Say what it would take to decide, of whom."""
    if claim.who is None or finding.needs is None or finding.test == _NOBODY:
        return finding.needs
    return f"among {claim.who}, {finding.needs}"


_NOBODY = "none: nobody of that group answered"


def _find(claim: Claim, heard: Heard | None, stages: StageTable | None, alpha: float) -> Finding:
    if heard is None:
        return nothing(
            _NOBODY,
            f"No listener of these data is in the group {claim.who}.",
            f"listeners whose group is {claim.who}, in the column group of the trials",
        )
    finding = _test(claim, heard, stages, alpha)
    return held_back(claim, finding, heard.preference, alpha=alpha)


def _test(claim: Claim, heard: Heard, stages: StageTable | None, alpha: float) -> Finding:
    linked = find_link_claim(
        claim,
        cells=heard.cells,
        preference=heard.preference,
        links=heard.links,
        stages=stages,
        alpha=alpha,
    )
    if linked is not None:
        return linked
    if claim.kind == "hear":
        return hear(claim, heard.cells, alpha)
    if claim.kind == "similar":
        return not_heard(claim, heard.cells, heard.controls, alpha)
    if claim.kind == "prefer":
        return prefer(claim, heard.preference, alpha)
    if claim.kind == "neither":
        return neither(claim, heard.preference, heard.cells, heard.controls, alpha)
    return most(claim, heard.preference, alpha)
