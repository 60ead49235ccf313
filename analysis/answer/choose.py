"""Which sentence comes first, and what is said beside it.

A sentence is a key of the report's words, the stages it names, what it asserts of listeners, and
the claims that carry it. A sentence that asserts nothing needs no claim: it says what is open, or
counts resampled panels, or puts estimates in order.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import combinations
from typing import Any

from analysis.answer.family import Design
from analysis.answer.standing import Standing

__all__ = ["Said", "choose", "question_of"]

_MOST_PAIRS = 4


@dataclass(frozen=True, slots=True)
class Said:
    """One sentence.

    Attributes
    ----------
    say : str
        Key of the sentence.
    names : mapping of str to sequence of str
        Stages by the place they take in it.
    asserts : tuple of (str, str, str)
        ``("prefer", I, J)`` or ``("hear", I, J)``: what must be true of listeners.
    claims : tuple of int
        Claims of the family whose verdicts carry it; empty where it asserts nothing.
    numbers : mapping of str to float
    """

    say: str
    names: Mapping[str, Sequence[str]] = field(default_factory=dict)
    asserts: tuple[tuple[str, str, str], ...] = ()
    claims: tuple[int, ...] = ()
    numbers: Mapping[str, float] = field(default_factory=dict)

    def row(self) -> dict[str, Any]:
        """Return it as plain data."""
        return {
            "say": self.say,
            "names": {place: list(stages) for place, stages in self.names.items()},
            "asserts": [list(one) for one in self.asserts],
            "claims": sorted(set(self.claims)),
            **self.numbers,
        }


def question_of(design: Design, standing: Standing, *, exploratory: bool) -> str | None:
    """Return what the first screen answers.

    ``first step``, ``liked most`` or ``told apart``: the first of them that the study can ask and
    that its claims do ask; without such a claim, the first that it can ask.
    """
    steps = design.baseline is not None and bool(design.first_steps)
    can = {
        "first step": steps,
        "liked most": len(design.compared) > 1,
        "told apart": bool(design.asked),
    }
    asks = {
        "first step": steps and standing.asks_between([str(design.baseline), *design.first_steps]),
        "liked most": standing.asks_preference(),
        "told apart": any(standing.heard(i, j) for i, j in design.asked),
    }
    wanted = [name for name, yes in can.items() if yes and (exploratory or asks[name])]
    return next(iter(wanted or [name for name, yes in can.items() if yes]), None)


def choose(
    question: str | None,
    design: Design,
    standing: Standing,
    panels: Mapping[str, tuple[str, float] | None],
    *,
    exploratory: bool,
) -> tuple[Said | None, list[Said]]:
    """Return the first sentence, and those beside it.

    Parameters
    ----------
    question : str or None
        From :func:`question_of`.
    design : Design
    standing : Standing
        The verdicts.
    panels : mapping of str to (str, float), or None
        By question, which stage came first in most resampled panels, and in what share of them.
    exploratory : bool
        No claim was declared.
    """
    if question == "first step":
        return _first_step(design, standing, panels.get(question), exploratory=exploratory)
    if question == "liked most":
        lead, beside = _liked_most(design, standing, panels.get(question))
        return lead, [*beside, *_unasked_step(design, panels.get("first step"))]
    if question == "told apart":
        return _told_apart(design, standing), []
    return None, []


# what to do first -----------------------------------------------------------------------


def _first_step(
    design: Design,
    standing: Standing,
    panel: tuple[str, float] | None,
    *,
    exploratory: bool,
) -> tuple[Said, list[Said]]:
    base, steps = str(design.baseline), design.first_steps
    known = _panels_step(base, steps, panel)
    leads = (_before_all(step, base, steps, standing) for step in steps)
    ahead = next((lead for lead in leads if lead is not None), None)
    if ahead is not None:
        return ahead, [*_pairs(_others(ahead, base, steps), standing), *known]
    helps = {s: found for s in steps if (found := standing.preferred(s, base)) is not None}
    lead, left = _helping(base, steps, helps, standing)
    beside = _pairs(left, standing)
    if not exploratory and not standing.asks_between(steps) and len(steps) > 1:
        beside.append(Said("answer.unasked_step"))
    return lead, [*beside, *known]


def _before_all(step: str, base: str, steps: Sequence[str], standing: Standing) -> Said | None:
    """Return the sentence of a step that is shown to come before all others."""
    rivals = [s for s in steps if s != step]
    over = [standing.preferred(step, rival) for rival in rivals]
    if any(found is None for found in over):
        return None
    gains = standing.preferred(step, base)
    claims = tuple(k for found in over if found is not None for k in found)
    asserts = tuple(("prefer", step, rival) for rival in rivals)
    names = {"step": [step], "others": rivals, "base": [base]}
    if gains is not None:
        key = "answer.first" if rivals else "answer.helps"
        return Said(key, names, (*asserts, ("prefer", step, base)), (*claims, *gains))
    if not rivals or standing.preferred(base, step) is not None:
        return None
    return Said("answer.before", names, asserts, claims)


def _others(lead: Said, base: str, steps: Sequence[str]) -> list[tuple[str, str]]:
    """Return the pairs of steps and baseline that the first sentence says nothing about."""
    said = {frozenset(one[1:]) for one in lead.asserts}
    pairs = [*((step, base) for step in steps), *combinations(steps, 2)]
    return [pair for pair in pairs if frozenset(pair) not in said]


def _helping(
    base: str, steps: Sequence[str], helps: Mapping[str, list[int]], standing: Standing
) -> tuple[Said, list[tuple[str, str]]]:
    """Return the sentence where no step is shown to come first, and the pairs left to say."""
    claims = tuple(k for found in helps.values() for k in found)
    asserts = tuple(("prefer", step, base) for step in helps)
    names = {"step": list(helps), "base": [base]}
    among = list(combinations(steps, 2))
    if helps and len(steps) > 1:
        key = "answer.one_helps" if len(helps) == 1 else "answer.some_help"
        if len(helps) == len(steps):
            key = "answer.both_help" if len(steps) == 2 else "answer.all_help"
        lead = Said(key, names, asserts, claims)
        return lead, [*((s, base) for s in steps if s not in helps), *among]
    worse = {s: found for s in steps if (found := standing.preferred(base, s)) is not None}
    if len(worse) == len(steps):
        claims = tuple(k for found in worse.values() for k in found)
        asserts = tuple(("prefer", base, step) for step in worse)
        return Said("answer.none_helps", {"base": [base]}, asserts, claims), among
    key = "answer.step_open" if len(steps) > 1 else "answer.one_step_open"
    lead = Said(key, {"step": list(steps[:1]), "base": [base]})
    return lead, [*((s, base) for s in steps), *among]


def _pairs(pairs: Sequence[tuple[str, str]], standing: Standing) -> list[Said]:
    """Return a sentence for each pair of which a preference is shown."""
    said = []
    for pair in pairs:
        for first, second in (pair, pair[::-1]):
            found = standing.preferred(first, second)
            if found is not None:
                said.append(_prefers(first, second, tuple(found)))
    return said[:_MOST_PAIRS]


def _prefers(first: str, second: str, claims: tuple[int, ...]) -> Said:
    names = {"first": [first], "second": [second]}
    return Said("answer.prefers", names, (("prefer", first, second),), claims)


def _panels_step(base: str, steps: Sequence[str], panel: tuple[str, float] | None) -> list[Said]:
    if panel is None:
        return []
    key = "answer.panels_first" if len(steps) > 1 else "answer.panels_gain"
    return [Said(key, {"step": [panel[0]], "base": [base]}, numbers={"p": panel[1]})]


def _unasked_step(design: Design, panel: tuple[str, float] | None) -> list[Said]:
    if design.baseline is None or len(design.first_steps) < 2:
        return []
    known = _panels_step(design.baseline, design.first_steps, panel)
    return [Said("answer.unasked_step"), *known]


# which is liked most --------------------------------------------------------------------


def _liked_most(
    design: Design, standing: Standing, panel: tuple[str, float] | None
) -> tuple[Said, list[Said]]:
    compared = design.compared
    best = next((said for s in compared if (said := _over_all(s, compared, standing))), None)
    front = panel[0] if panel is not None else None
    if (best.names["best"][0] if best else front) in design.made:
        return Said("head.experiment"), []
    if best is not None:
        return best, _panels_best(panel)
    known = [] if standing.asks_most() else [Said("answer.unasked_most")]
    known += _panels_best(panel)
    pairs = [
        _prefers(first, second, (k,))
        for first, second, k in standing.shown_pairs()
        if not {first, second} & set(design.made)
    ]
    if len(compared) == 2:
        if pairs:
            return pairs[0], known
        names = {"first": compared[:1], "second": compared[1:]}
        return Said("answer.pair_open", names), known
    return Said("answer.most_open"), [*pairs[:_MOST_PAIRS], *known]


def _over_all(stage: str, compared: Sequence[str], standing: Standing) -> Said | None:
    rivals = [s for s in compared if s != stage]
    over = [standing.preferred(stage, rival) for rival in rivals]
    if len(compared) < 3 or any(found is None for found in over):
        return None
    claims = tuple(k for found in over if found is not None for k in found)
    asserts = tuple(("prefer", stage, rival) for rival in rivals)
    return Said("answer.best", {"best": [stage]}, asserts, claims, {"n": len(compared)})


def _panels_best(panel: tuple[str, float] | None) -> list[Said]:
    if panel is None:
        return []
    return [Said("answer.panels_best", {"front": [panel[0]]}, numbers={"p": panel[1]})]


# what can be told apart -----------------------------------------------------------------


def _told_apart(design: Design, standing: Standing) -> Said:
    found = [(i, j, standing.heard(i, j)) for i, j in design.asked]
    claimed = [(i, j, one) for i, j, one in found if one is not None]
    shown = [(i, j, one[1]) for i, j, one in claimed if one[0] in ("shown", "small")]
    if not claimed:
        return Said("answer.unasked_hearing")
    asserts = tuple(("hear", i, j) for i, j, _ in shown)
    claims = tuple(k for _, _, k in shown)
    numbers = {"n_shown": len(shown), "n_asked": len(claimed)}
    if not shown:
        return Said("answer.apart_none")
    if len(claimed) == 1:
        i, j, _ = shown[0]
        return Said("answer.hears", {"first": [i], "second": [j]}, asserts, claims)
    key = "answer.apart_all" if len(shown) == len(claimed) else "answer.apart_some"
    return Said(key, {}, asserts, claims, numbers)
