"""Claims about hearing a difference, and about hearing none that matters."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from analysis.claims.finding import NAN, POWER, Claim, Finding, more_listeners, nothing
from analysis.hearing.controls import Controls, Vouch, obvious_controls, vouch
from analysis.hearing.dprime import CHANCE
from analysis.hearing.pair_cells import PairCells
from analysis.hearing.sides import panel_share, sides_needs, sides_words
from analysis.hearing.similarity import Similarity, similarity
from analysis.panels.number_words import p_words, people, percent, percents
from analysis.panels.panel import PanelProportion
from analysis.panels.smallest_effect import TOO_SMALL, beyond_guessing
from analysis.panels.tails import normal_quantile

__all__ = ["Controls", "hear", "not_heard", "obvious_controls"]


def hear(claim: Claim, cells: Sequence[PairCells], alpha: float) -> Finding:
    """Judge "listeners can tell I from J"."""
    i, j = claim.stages
    test = "one-sided t between listeners against guessing"
    group = _asked(cells, i, j)
    if group is None:
        return nothing(
            test,
            f"No trial of these data asks whether {i} and {j} can be told apart.",
            f"ABX, triangle, duo-trio or same-different trials of {i} and {j}",
        )
    if not group.testable:
        return _confounded(claim, group, test)
    chance = CHANCE[group.method]
    found = panel_share(*group.answers, chance=chance)
    if found.n_listeners < 2:
        return _one_listener_hears(claim, found, group.method, test)
    share, low, high = percents(found.estimate, found.ci_low, found.ci_high, apart=chance)
    told = (
        f"{share} right in the mean over listeners, where guessing gives {percent(chance)} "
        f"(95 % interval {low} to {high}; "
        f"{people(found.n_listeners)}, {found.n_trials} trials of {group.method}; "
        f"{p_words(found.p_value)})."
    )
    words = {
        "supported": f"Listeners told {i} from {j}: {told}",
        "undecided": (
            f"These data do not settle whether listeners can tell {i} from {j}: {told} "
            "That is no evidence that the two sound the same."
        ),
        TOO_SMALL: told,
    }
    needs = _needs_hear(found, chance, alpha)
    numbers = _hear_numbers(found, group.method) | _sides(group, found)
    words, effect = _allowed(words, numbers), _effect(group, chance, alpha)
    return Finding(1, found.p_value, test, words, needs, numbers, (effect,))


def _effect(group: PairCells, chance: float, alpha: float) -> tuple[float, float]:
    """Return the interval of what is heard at a level, on the scale of the smallest effect."""
    found = panel_share(*group.answers, chance=chance, confidence=1 - alpha)
    low, high = (beyond_guessing(p, chance=chance) for p in (found.ci_low, found.ci_high))
    return low, high


def _asked(cells: Sequence[PairCells], i: str, j: str) -> PairCells | None:
    """Return the answers that speak to a pair: the most trials, of those that can be tested."""
    own = [group for group in cells if set(group.pair) == {i, j}]
    return max(own, key=lambda g: (g.testable, int(g.cells["n_trials"].sum())), default=None)


def _confounded(claim: Claim, group: PairCells, test: str) -> Finding:
    """Leave a claim open whose trials cannot tell hearing from a habit of answering."""
    i, j = claim.stages
    right, total = (int(group.cells[name].sum()) for name in ("n_correct", "n_trials"))
    told = (
        f"These data do not settle whether listeners can tell {i} from {j}: {right} of {total} "
        f"{group.method} trials were right, but that is no test."
    )
    numbers = {
        "method": group.method,
        "places": "confounded",
        "n_trials": total,
        "n_listeners": int(group.cells["listener"].nunique()),
    }
    words = {"undecided": told + sides_words("confounded")}
    return Finding(0, NAN, test, words, sides_needs(group.method), numbers)


def _sides(group: PairCells, found: PanelProportion) -> dict[str, Any]:
    """Return how the sides were used, and how many listeners bear the rarer one."""
    sides = group.sides
    if sides is None:
        return {}
    numbers: dict[str, Any] = {"places": sides.places}
    if sides.by_sides and found.df + 1 < found.n_listeners:
        numbers["n_bearing"] = int(found.df) + 1
    return numbers


def _allowed(words: dict[str, str], numbers: dict[str, Any]) -> dict[str, str]:
    """Say in every verdict's words where sides were allowed for."""
    why = sides_words(numbers.get("places", "balanced"))
    return {verdict: text + why for verdict, text in words.items()}


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


def _one_listener_hears(claim: Claim, found: PanelProportion, method: str, test: str) -> Finding:
    words = {
        "undecided": (
            f"One listener was right in {percent(found.estimate)} of {found.n_trials} trials; "
            "one person's answers say nothing about other listeners."
        )
    }
    numbers = _hear_numbers(found, method)
    return Finding(0, NAN, test, words, "more listeners, 12 or more", numbers)


def _needs_hear(found: PanelProportion, chance: float, alpha: float) -> str:
    if found.estimate <= chance:
        return (
            "a difference that listeners can hear; to show that they cannot, a margin declared "
            "beforehand and obvious controls that were passed"
        )
    wanted = normal_quantile(1 - alpha) + normal_quantile(POWER)
    t = found.statistic if np.isfinite(found.statistic) and found.statistic > 0 else 1.0
    return more_listeners(found.n_listeners, wanted / t, f"a share of {percent(found.estimate)}")


def not_heard(
    claim: Claim, cells: Sequence[PairCells], controls: Controls | tuple[int, int], alpha: float
) -> Finding:
    """Judge "listeners cannot tell I from J within M"."""
    i, j = claim.stages
    margin = claim.margin if claim.margin is not None else NAN
    test = "one-sided exact and between-listener tests against the declared margin"
    group = _asked(cells, i, j)
    if group is None:
        return nothing(
            test,
            f"No trial of these data asks whether {i} and {j} can be told apart.",
            f"ABX, triangle, duo-trio or same-different trials of {i} and {j}, with obvious "
            "controls",
        )
    if not group.testable:
        return _confounded(claim, group, test)
    correct, trials = group.answers
    found = similarity(correct, trials, chance=CHANCE[group.method], margin=margin)
    ears = vouch(controls, alpha)
    numbers = _hear_numbers(found.panel, group.method) | _sides(group, found.panel)
    numbers |= {
        "estimate": found.share,
        "ci_low": found.share_low,
        "ci_high": found.share_high,
        "ci_confidence": 0.9,
        "margin": margin,
        "controls_scored": ears.scored,
        "controls_passed": ears.passed,
        "controls_listeners": ears.n_listeners,
        "controls_p": ears.p_value,
    }
    if found.panel.n_listeners < 2:
        words = {"undecided": "One listener's answers say nothing about other listeners."}
        return Finding(0, NAN, test, words, "more listeners, 12 or more", numbers)
    needs = _needs_similar(found, alpha)
    finding = _similar_finding(claim, found, ears, test, numbers, needs)
    return replace(finding, words=_allowed(finding.words, numbers))


def _similar_finding(
    claim: Claim,
    found: Similarity,
    ears: Vouch,
    test: str,
    numbers: dict[str, Any],
    needs: str,
) -> Finding:
    i, j = claim.stages
    told = (
        f"the share of listeners' trials with a heard difference is put at {percent(found.share)} "
        f"(90 % interval {percent(found.share_low)} to {percent(found.share_high)}) against a "
        f"declared margin of {percent(found.margin)}; {people(found.panel.n_listeners)}, "
        f"{found.panel.n_trials} trials of {numbers['method']}"
    )
    below = found.p_similar < found.p_exceeds
    p = found.p_similar if below else found.p_exceeds
    undecided = (
        f"These data do not settle whether {i} and {j} differ audibly: {told}; {p_words(p)}."
    )
    if below and not ears.awake:
        undecided += (
            f" Too few answers to obvious differences vouch for the listeners: {ears.words}."
            f"{ears.why}"
        )
        return Finding(0, p, test, {"undecided": undecided}, ears.needs, numbers)
    words = {
        "supported": (
            f"No audible difference of {i} and {j} beyond the declared margin: {told}; "
            f"{p_words(p)}; {ears.passed} of {ears.scored} obvious controls right."
        ),
        "contradicted": f"More listeners can tell {i} from {j} than the margin allows: {told}; "
        f"{p_words(p)}.",
        "undecided": undecided,
    }
    return Finding(1 if below else -1, p, test, words, needs, numbers)


def _needs_similar(found: Similarity, alpha: float) -> str:
    """Say how large a panel would put the found share clear of the margin, on either side."""
    error = (found.share_high - found.share_low) / (2 * normal_quantile(0.95))
    away = abs(found.margin - found.share)
    wanted = normal_quantile(1 - alpha) + normal_quantile(POWER)
    ratio = wanted * error / away if away > 0 else float("inf")
    what = f"a share of {percent(found.share)} with a heard difference"
    return more_listeners(found.panel.n_listeners, ratio, what)
