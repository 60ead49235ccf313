"""Sentences of a fixed form that data support, contradict or leave undecided.

Grammar::

    listeners hear I from J                   can they tell the two apart?
    listeners do not hear I from J within M%  fewer than M percent do (margin set beforehand)
    listeners prefer I over J
    listeners prefer I most                   over every other compared stage

and the forms of :mod:`analysis.claim_link`. Any of them may end in ``at 1 %``, its own error rate
in place of the plan's. I and J are stage ids. Tests take the listener as the unit. Several claims
in one analysis are one family: verdicts rest on p-values adjusted by Holm (1979) Scand J Stat 6:65.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from analysis.claim_hearing import Controls, hear, not_heard
from analysis.claim_link import LINK_GRAMMAR, find_link_claim, parse_link_claim
from analysis.claim_preference import most, prefer
from analysis.claim_words import Claim, Finding, p_words
from analysis.discrimination import PairCells
from analysis.errors import InputError
from analysis.link import Link
from analysis.multiplicity import holm
from analysis.preference import Preference
from analysis.stages import StageTable

__all__ = ["Claim", "judge_claims", "parse_claim"]

_FORMS = (
    ("hear", re.compile(r"listeners hear (\S+) from (\S+)")),
    ("similar", re.compile(r"listeners do not hear (\S+) from (\S+) within (\d+(?:\.\d+)?) ?%")),
    ("prefer", re.compile(r"listeners prefer (\S+) over (\S+)")),
    ("most", re.compile(r"listeners prefer (\S+) most")),
)
_GRAMMAR = (
    '"listeners hear I from J", "listeners do not hear I from J within 20 %", '
    f'"listeners prefer I over J", "listeners prefer I most", {LINK_GRAMMAR}, with stage ids for '
    'I and J; "at 1 %" at the end sets an error rate'
)


def parse_claim(text: str, *, source: str | None = None, where: str | None = None) -> Claim:
    """Parse one claim.

    Raises
    ------
    InputError
        The sentence is not of a known form, or compares a stage with itself.
    """
    plain = " ".join(text.split())
    sentence, own_alpha = _own_alpha(plain)
    if own_alpha is not None:
        inner = parse_claim(sentence, source=source, where=where)
        return replace(inner, text=plain, alpha=own_alpha)
    linked = parse_link_claim(plain)
    if linked is not None:
        _check_parts(plain, linked.stages, None, source, where)
        return linked
    for kind, form in _FORMS:
        found = form.fullmatch(plain)
        if found:
            margin = None
            stages = found.groups()
            if kind == "similar":
                stages, margin = found.groups()[:2], float(found.group(3)) / 100
            _check_parts(plain, stages, margin, source, where)
            return Claim(plain, kind, stages, margin)
    raise InputError(
        source=source,
        where=where,
        problem=f"the claim {plain!r} has no known form",
        remedy=f"Write {_GRAMMAR}",
    )


def _own_alpha(plain: str) -> tuple[str, float | None]:
    """Split an error rate from the end of a sentence."""
    found = re.fullmatch(r"(.+) at (\d+(?:\.\d+)?) ?%", plain)
    if found is None or not 0 < float(found.group(2)) <= 50:
        return plain, None
    return found.group(1), float(found.group(2)) / 100


def _check_parts(
    plain: str,
    stages: tuple[str, ...],
    margin: float | None,
    source: str | None,
    where: str | None,
) -> None:
    if len(set(stages)) < len(stages):
        raise InputError(
            source=source,
            where=where,
            problem=f"the claim {plain!r} compares a stage with itself",
            remedy="Name two different stages",
        )
    if margin is not None and not 0 < margin < 1:
        raise InputError(
            source=source,
            where=where,
            problem=f"the margin in {plain!r} is not between 0 and 100 %",
            remedy="Write the share of listeners that would matter, 20 % or so",
        )


def judge_claims(
    claims: Sequence[str],
    *,
    cells: Sequence[PairCells],
    preference: Preference | None,
    controls: Controls = (0, 0),
    alpha: float = 0.05,
    simulated: bool = False,
    links: Sequence[Link] = (),
    stages: StageTable | None = None,
    conditions: str | None = None,
) -> list[dict[str, Any]]:
    """Judge claims by the data.

    Parameters
    ----------
    claims : sequence of str
        Sentences of the grammar.
    cells : sequence of PairCells
        Forced-choice answers.
    preference : Preference or None
        Fitted paired answers.
    controls : tuple of int, optional
        Scored and passed obvious controls.
    alpha : float, optional
        Error rate of the family of claims.
    simulated : bool, optional
        Mark the words.
    links : sequence of Link, optional
        Metrics held against the worths.
    stages : StageTable, optional
        Factors, costs and labour hours.
    conditions : str, optional
        What was heard by whom and how: every verdict holds for that.

    Returns
    -------
    list of dict
        ``text``, ``verdict`` (supported, contradicted, undecided), ``test``, ``statistic``,
        ``p_value``, ``p_holm``, ``ci_low``, ``ci_high``, ``estimate``, ``needs``, ``words``,
        ``n_trials``, ``n_listeners``, ``method``, ``conditions``.

    Raises
    ------
    InputError
        A claim is not of the grammar.
    """
    parsed = [parse_claim(text, where=f"claim {k}") for k, text in enumerate(claims, start=1)]
    findings = []
    for claim in parsed:
        level = alpha if claim.alpha is None else claim.alpha
        found = find_link_claim(
            claim, cells=cells, preference=preference, links=links, stages=stages, alpha=level
        )
        findings.append(found or _find(claim, cells, preference, controls, level))
    adjusted = holm(np.array([finding.p_value for finding in findings]))
    mark = "Simulated listeners: " if simulated else ""
    return [
        _row(claim, finding, float(p), alpha, mark, len(parsed)) | {"conditions": conditions}
        for claim, finding, p in zip(parsed, findings, adjusted, strict=True)
    ]


def _row(
    claim: Claim, finding: Finding, p_holm: float, alpha: float, mark: str, family: int
) -> dict[str, Any]:
    alpha = alpha if claim.alpha is None else claim.alpha
    verdict = "undecided"
    if finding.direction and p_holm <= alpha:
        verdict = "supported" if finding.direction > 0 else "contradicted"
    words = finding.words[verdict]
    if family > 1 and np.isfinite(p_holm):
        words += f" Adjusted for {family} claims, {p_words(p_holm)}."
    empty = dict.fromkeys(
        ("statistic", "df", "estimate", "ci_low", "ci_high", "n_trials", "n_listeners", "method")
    )
    return {
        "text": claim.text,
        "kind": claim.kind,
        "stages": list(claim.stages),
        "verdict": verdict,
        "test": finding.test,
        **empty,
        **finding.numbers,
        "p_value": finding.p_value,
        "p_holm": p_holm,
        "alpha": alpha,
        "needs": finding.needs if verdict == "undecided" else None,
        "words": mark + words,
    }


def _find(
    claim: Claim,
    cells: Sequence[PairCells],
    preference: Preference | None,
    controls: Controls,
    alpha: float,
) -> Finding:
    if claim.kind == "hear":
        return hear(claim, cells, alpha)
    if claim.kind == "similar":
        return not_heard(claim, cells, controls)
    if claim.kind == "prefer":
        return prefer(claim, preference, alpha)
    return most(claim, preference, alpha)
