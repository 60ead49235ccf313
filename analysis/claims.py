"""Sentences of a fixed form that data support, contradict or leave undecided.

Grammar::

    listeners hear I from J        can they tell the two apart?
    listeners prefer I over J
    listeners prefer I most        over every other compared stage

I and J are stage ids. Tests take the listener as the unit. Several claims in one analysis are
one family: verdicts rest on p-values adjusted by Holm (1979) Scand J Stat 6:65.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from scipy import stats

from analysis.discrimination import PairCells, panel_counts
from analysis.dprime import CHANCE
from analysis.errors import InputError
from analysis.multiplicity import holm
from analysis.panel import PanelProportion, panel_proportion
from analysis.preference import Preference, WorthDifference, worth_difference

__all__ = ["Claim", "judge_claims", "parse_claim"]

_FORMS = (
    ("hear", re.compile(r"listeners hear (\S+) from (\S+)")),
    ("prefer", re.compile(r"listeners prefer (\S+) over (\S+)")),
    ("most", re.compile(r"listeners prefer (\S+) most")),
)
_GRAMMAR = (
    '"listeners hear I from J", "listeners prefer I over J" or "listeners prefer I most", '
    "with stage ids for I and J"
)
_POWER = 0.8
_NAN = float("nan")


@dataclass(frozen=True, slots=True)
class Claim:
    """A parsed claim.

    Attributes
    ----------
    text : str
        As written.
    kind : str
        ``"hear"``, ``"prefer"`` or ``"most"``.
    stages : tuple of str
        Stage ids in the order of the sentence.
    """

    text: str
    kind: str
    stages: tuple[str, ...]


def parse_claim(text: str, *, source: str | None = None, where: str | None = None) -> Claim:
    """Parse one claim.

    Raises
    ------
    InputError
        The sentence is not of a known form, or compares a stage with itself.
    """
    plain = " ".join(text.split())
    for kind, form in _FORMS:
        found = form.fullmatch(plain)
        if found:
            if len(set(found.groups())) < len(found.groups()):
                raise InputError(
                    source=source,
                    where=where,
                    problem=f"the claim {plain!r} compares a stage with itself",
                    remedy="Name two different stages",
                )
            return Claim(plain, kind, found.groups())
    raise InputError(
        source=source,
        where=where,
        problem=f"the claim {plain!r} has no known form",
        remedy=f"Write {_GRAMMAR}",
    )


@dataclass(frozen=True, slots=True)
class _Finding:
    """What the data say about one claim before verdicts are settled.

    ``direction`` is +1 where the data lean to the claim, -1 where they lean against it and that
    can be tested, 0 where nothing can be tested.
    """

    direction: int
    p_value: float
    test: str
    words: dict[str, str]
    needs: str | None
    numbers: dict[str, Any] = field(default_factory=dict)


def judge_claims(
    claims: Sequence[str],
    *,
    cells: Sequence[PairCells],
    preference: Preference | None,
    alpha: float = 0.05,
    simulated: bool = False,
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
    alpha : float, optional
        Error rate of the family of claims.
    simulated : bool, optional
        Mark the words.

    Returns
    -------
    list of dict
        ``text``, ``verdict`` (supported, contradicted, undecided), ``test``, ``statistic``,
        ``p_value``, ``p_holm``, ``ci_low``, ``ci_high``, ``estimate``, ``needs``, ``words``,
        ``n_trials``, ``n_listeners``, ``method``.

    Raises
    ------
    InputError
        A claim is not of the grammar.
    """
    parsed = [parse_claim(text, where=f"claim {k}") for k, text in enumerate(claims, start=1)]
    findings = [_find(claim, cells, preference, alpha) for claim in parsed]
    adjusted = holm(np.array([finding.p_value for finding in findings]))
    mark = "Simulated listeners: " if simulated else ""
    return [
        _row(claim, finding, float(p), alpha, mark, len(parsed))
        for claim, finding, p in zip(parsed, findings, adjusted, strict=True)
    ]


def _row(
    claim: Claim, finding: _Finding, p_holm: float, alpha: float, mark: str, family: int
) -> dict[str, Any]:
    verdict = "undecided"
    if finding.direction and p_holm <= alpha:
        verdict = "supported" if finding.direction > 0 else "contradicted"
    words = finding.words[verdict]
    if family > 1 and np.isfinite(p_holm):
        words += f" Adjusted for {family} claims, {_p(p_holm)}."
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
    claim: Claim, cells: Sequence[PairCells], preference: Preference | None, alpha: float
) -> _Finding:
    if claim.kind == "hear":
        return _hear(claim, cells, alpha)
    if claim.kind == "prefer":
        return _prefer(claim, preference, alpha)
    return _most(claim, preference, alpha)


def _nothing(test: str, problem: str, needs: str) -> _Finding:
    return _Finding(0, _NAN, test, {"undecided": problem}, needs)


# --- hearing a difference ---------------------------------------------------------------------


def _hear(claim: Claim, cells: Sequence[PairCells], alpha: float) -> _Finding:
    i, j = claim.stages
    test = "one-sided t between listeners against guessing"
    own = [group for group in cells if set(group.pair) == {i, j}]
    if not own:
        return _nothing(
            test,
            f"No trial of these data asks whether {i} and {j} can be told apart.",
            f"ABX, triangle, duo-trio or same-different trials of {i} and {j}",
        )
    group = max(own, key=lambda g: int(g.cells["n_trials"].sum()))
    chance = CHANCE[group.method]
    found = panel_proportion(*panel_counts(group.cells), chance=chance)
    if found.n_listeners < 2:
        return _one_listener_hears(claim, found, group.method, test)
    told = (
        f"{_percent(found.estimate)} right where guessing gives {_percent(chance)} "
        f"(95 % interval {_percent(found.ci_low)} to {_percent(found.ci_high)}; "
        f"{_people(found.n_listeners)}, {found.n_trials} trials of {group.method}; "
        f"{_p(found.p_value)})."
    )
    words = {
        "supported": f"Listeners told {i} from {j}: {told}",
        "undecided": (
            f"These data do not settle whether listeners can tell {i} from {j}: {told} "
            "That is no evidence that the two sound the same."
        ),
    }
    needs = _needs_hear(found, chance, alpha)
    return _Finding(1, found.p_value, test, words, needs, _hear_numbers(found, group.method))


def _hear_numbers(found: PanelProportion, method: str) -> dict[str, Any]:
    return {
        "method": method,
        "statistic": found.statistic,
        "df": found.df,
        "estimate": found.estimate,
        "ci_low": found.ci_low,
        "ci_high": found.ci_high,
        "rests_on": found.rule,
        "n_trials": found.n_trials,
        "n_listeners": found.n_listeners,
    }


def _one_listener_hears(claim: Claim, found: PanelProportion, method: str, test: str) -> _Finding:
    words = {
        "undecided": (
            f"One listener was right in {_percent(found.estimate)} of {found.n_trials} trials; "
            "one person's answers say nothing about other listeners."
        )
    }
    numbers = _hear_numbers(found, method)
    return _Finding(0, _NAN, test, words, "more listeners, 12 or more", numbers)


def _needs_hear(found: PanelProportion, chance: float, alpha: float) -> str:
    if found.estimate <= chance:
        return (
            "a difference that listeners can hear; to show that they cannot, a margin declared "
            "beforehand and a passed obvious control"
        )
    wanted = stats.norm.ppf(1 - alpha) + stats.norm.ppf(_POWER)
    t = found.statistic if np.isfinite(found.statistic) and found.statistic > 0 else 1.0
    return _more_listeners(found.n_listeners, wanted / t, f"a share of {_percent(found.estimate)}")


# --- preferring -------------------------------------------------------------------------------


def _prefer(claim: Claim, preference: Preference | None, alpha: float) -> _Finding:
    i, j = claim.stages
    test = "two-sided t between listeners on the difference of log-worths"
    known = preference is not None and {i, j} <= set(preference.counts.stages)
    found = worth_difference(preference, i, j) if preference is not None and known else None
    if found is None:
        return _nothing(
            test,
            f"No paired trials of these data link {i} and {j}.",
            f"paired-preference trials of {i} and {j}",
        )
    numbers = _prefer_numbers(found)
    if found.n_listeners < 2:
        words = {
            "undecided": (
                f"One listener's answers put {_lead(found, i, j)} ahead; they say nothing about "
                "other listeners."
            )
        }
        return _Finding(0, _NAN, test, words, "more listeners, 12 or more", numbers)
    direction = 1 if found.estimate > 0 else -1
    wanted = stats.norm.ppf(1 - alpha / 2) + stats.norm.ppf(_POWER)
    needs = _more_listeners(
        found.n_listeners,
        wanted / max(abs(found.statistic), 1e-9),
        f"a share of {_percent(max(found.share, 1 - found.share))}",
    )
    return _Finding(direction, found.p_value, test, _prefer_words(found, i, j), needs, numbers)


def _lead(found: WorthDifference, i: str, j: str) -> str:
    return i if found.estimate > 0 else j


def _prefer_words(found: WorthDifference, i: str, j: str) -> dict[str, str]:
    told = (
        f"by the fitted worths {i} is chosen over {j} in {_percent(found.share)} of decisions "
        f"(95 % interval {_percent(_logistic(found.ci_low))} to "
        f"{_percent(_logistic(found.ci_high))}; {_people(found.n_listeners)}, "
        f"{found.n_direct} trials of this pair; {_p(found.p_value)})."
    )
    return {
        "supported": f"Listeners prefer {i} over {j}: {told}",
        "contradicted": f"The opposite holds, listeners prefer {j} over {i}: {told}",
        "undecided": (
            f"These data do not settle which of {i} and {j} listeners prefer: {told} "
            "That is no evidence that they like both equally."
        ),
    }


def _prefer_numbers(found: WorthDifference) -> dict[str, Any]:
    return {
        "method": "paired",
        "statistic": found.statistic,
        "df": found.df,
        "estimate": found.estimate,
        "ci_low": found.ci_low,
        "ci_high": found.ci_high,
        "share": found.share,
        "n_trials": found.n_trials,
        "n_listeners": found.n_listeners,
    }


def _most(claim: Claim, preference: Preference | None, alpha: float) -> _Finding:
    stage = claim.stages[0]
    test = "two-sided t between listeners against every rival, largest p counts"
    if preference is None or stage not in preference.counts.stages:
        return _nothing(
            test,
            f"No paired trials of these data include {stage}.",
            f"paired-preference trials of {stage} with every other stage",
        )
    rivals = [name for name in preference.counts.stages if name != stage]
    against = {name: worth_difference(preference, stage, name) for name in rivals}
    unlinked = [name for name, found in against.items() if found is None]
    if unlinked:
        return _nothing(
            test,
            f"No chain of comparisons links {stage} with {_list(unlinked)}.",
            f"paired-preference trials that link {stage} with {_list(unlinked)}",
        )
    linked = {name: found for name, found in against.items() if found is not None}
    if next(iter(linked.values())).n_listeners < 2:
        words = {"undecided": "One listener's answers say nothing about other listeners."}
        numbers = _most_numbers(linked, preference, stage)
        return _Finding(0, _NAN, test, words, "more listeners, 12 or more", numbers)
    return _most_finding(stage, linked, preference, test, alpha)


def _most_finding(
    stage: str,
    against: dict[str, WorthDifference],
    preference: Preference,
    test: str,
    alpha: float,
) -> _Finding:
    names = list(against)
    p = np.array([against[name].p_value for name in names])
    ahead = np.array([against[name].estimate > 0 for name in names])
    if ahead.all():
        direction, p_value = 1, float(p.max())
        worst = names[int(p.argmax())]
    else:
        # Against the claim one rival that is truly preferred is enough; the smallest p among
        # all rivals is adjusted for having been chosen.
        one_way = np.where(ahead, 1.0, p)
        direction, p_value = -1, float(holm(one_way).min())
        worst = names[int(one_way.argmin())]
    open_ = [
        name for name in names if against[name].p_value > alpha or not ahead[names.index(name)]
    ]
    numbers = _most_numbers(against, preference, stage)
    chance = numbers["p_best"]
    told = (
        f"{_people(against[worst].n_listeners)}, {against[worst].n_trials} paired trials, "
        f"{_p(p_value)}; in {_percent(chance)} of resampled panels it comes first."
    )
    words = {
        "supported": f"Listeners prefer {stage} over each of {_list(names)} ({told[:-1]}).",
        "contradicted": (
            f"Listeners prefer {worst} over {stage}, so {stage} is not what they prefer most "
            f"({told[:-1]})."
        ),
        "undecided": (
            f"These data do not settle that listeners prefer {stage} most; open against "
            f"{_list(open_ or [worst])} ({told[:-1]})."
        ),
    }
    wanted = stats.norm.ppf(1 - alpha / 2) + stats.norm.ppf(_POWER)
    hardest = against[worst]
    needs = _more_listeners(
        hardest.n_listeners,
        wanted / max(abs(hardest.statistic), 1e-9),
        f"the difference from {worst}",
    )
    return _Finding(direction, p_value, test, words, needs, numbers)


def _most_numbers(
    against: dict[str, WorthDifference], preference: Preference, stage: str
) -> dict[str, Any]:
    closest = min(against.values(), key=lambda found: found.estimate)
    fit, draws = preference.fit_with(stage), preference.draws
    p_best = _NAN
    if fit is not None and draws is not None and stage in draws.stages:
        p_best = float(draws.p_best()[draws.stages.index(stage)])
    return _prefer_numbers(closest) | {"p_best": p_best}


# --- words ------------------------------------------------------------------------------------


def _more_listeners(now: int, ratio: float, what: str) -> str:
    wanted = int(np.ceil(now * ratio**2)) if ratio < 1e3 else 10**9
    if wanted > 1000:
        return f"more than 1000 listeners, if {what} is the true one: too small to matter to many"
    return (
        f"about {max(wanted, now + 1)} listeners in all for an {_percent(_POWER)} chance to "
        f"decide, if {what} is the true one"
    )


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %"


def _p(p: float) -> str:
    if np.isnan(p):
        return "p not defined"
    return "p < 0.0001" if p < 0.0001 else f"p = {p:.4f}" if p < 0.01 else f"p = {p:.3f}"


def _people(n: int) -> str:
    return f"{n} listener" if n == 1 else f"{n} listeners"


def _list(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else ", ".join(names[:-1]) + " and " + names[-1]


def _logistic(x: float) -> float:
    return float(1 / (1 + np.exp(-x)))
