"""Sentences of a fixed form that data support, contradict or leave undecided.

Grammar::

    listeners can tell I from J               can they tell the two apart?
    listeners cannot tell I from J within M % fewer than M percent do (margin set beforehand)
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

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np

from analysis.claims.check import check_claims
from analysis.claims.conditions import conditions
from analysis.claims.equivalence import neither
from analysis.claims.finding import Claim, Finding, nothing
from analysis.claims.grammar import claim_parts, claimed_groups, parse_claim
from analysis.claims.hearing import Controls, hear, not_heard, obvious_controls
from analysis.claims.limits import held_back
from analysis.claims.link import find_link_claim
from analysis.claims.preference import most, prefer
from analysis.hearing.pair_cells import PairCells, forced_choice_cells
from analysis.link.block import Link, fit_links
from analysis.panels.multiplicity import holm
from analysis.panels.number_words import p_words, people
from analysis.panels.smallest_effect import TOO_SMALL, Matters, matters, remark
from analysis.preference.fit import Preference, fit_preference
from analysis.tables.stages import StageTable
from analysis.tables.trials import TrialTable
from stimuli.files.errors import InputError

__all__ = ["Claim", "Heard", "judge_claims", "judge_parsed"]


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

    @staticmethod
    def of(
        trials: TrialTable,
        *,
        links_of: Callable[[Preference | None], Sequence[Link]] | None = None,
        n_draws: int = 0,
        seed: int = 1,
    ) -> Heard:
        """Return the answers of a table.

        Parameters
        ----------
        trials : TrialTable
        links_of : callable, optional
            Holds metrics against the fitted answers, where a claim is about them.
        n_draws, seed : int, optional
            Resampled panels; no verdict rests on them.
        """
        preference = fit_preference(trials, n_draws=n_draws, seed=seed)
        links = () if links_of is None else links_of(preference)
        controls = obvious_controls(trials.frame)
        return Heard(forced_choice_cells(trials), preference, controls, links, trials)


def judge_claims(
    claims: Sequence[str],
    heard: Heard | TrialTable,
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
    heard : Heard or TrialTable
        The answers of all listeners. Of a trial table everything that the claims rest on is made
        here, the groups that they name included.
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
        A claim is not of the grammar. With a trial table also: a claim names what the table does
        not have, or the smallest effect is no share between 0 and 0.5.

    Examples
    --------
    >>> import pandas as pd
    >>> from analysis import judge_claims, trials_from
    >>> rows = [
    ...     {"listener": f"P{person}", "stage_a": a, "stage_b": b, "answer": "damped"}
    ...     for person in range(12)
    ...     for a, b in (("damped", "as-built"), ("as-built", "damped"))
    ... ]
    >>> trials = trials_from(pd.DataFrame(rows))
    >>> (row,) = judge_claims(["listeners prefer damped over as-built"], trials)
    >>> row["verdict"], row["n_listeners"]
    ('supported', 12)
    """
    if isinstance(heard, TrialTable):
        simulated = simulated or heard.simulated
        heard, groups = _answers(claims, heard, stages, smallest_effect)
    parsed = [parse_claim(text, where=f"claim {k}") for k, text in enumerate(claims, start=1)]
    return judge_parsed(
        parsed,
        heard,
        groups=groups,
        stages=stages,
        alpha=alpha,
        smallest_effect=smallest_effect,
        simulated=simulated,
    )


def judge_parsed(
    parsed: Sequence[Claim],
    heard: Heard,
    *,
    groups: Mapping[str, Heard] | None = None,
    stages: StageTable | None = None,
    alpha: float = 0.05,
    smallest_effect: float | None = None,
    simulated: bool = False,
) -> list[dict[str, Any]]:
    """Judge claims that are parsed already, as one family; see :func:`judge_claims`.

    For claims that no sentence of the grammar can make, since a stage's name holds a space.
    """
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


def _answers(
    claims: Sequence[str],
    trials: TrialTable,
    stages: StageTable | None,
    smallest_effect: float | None,
) -> tuple[Heard, dict[str, Heard]]:
    """Return what claims rest on, of everybody and of each group that they name."""
    check_claims(claims, trials, stages, sealed=False)
    if smallest_effect is not None and not 0 < smallest_effect < 0.5:
        raise InputError(
            where="smallest effect",
            problem=f"{smallest_effect!r} is no share between 0 and 0.5",
            remedy="Write 0.05 where less than 55 to 45 does not matter",
        )

    def answers_of(part: TrialTable, kinds: set[str]) -> Heard:
        wanted = "orders" in kinds
        return Heard.of(part, links_of=partial(fit_links, stages=stages) if wanted else None)

    named = claimed_groups(claims)
    everybody = {claim.kind for claim in map(parse_claim, claims) if claim.who is None}
    return answers_of(trials, everybody), {
        name: answers_of(part, kinds)
        for name, kinds in named.items()
        if (part := trials.among(name)) is not None
    }


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
        "parts": claim_parts(claim),
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
