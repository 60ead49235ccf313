"""Claims about hearing a difference, and about hearing none that matters."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats

from analysis.claim_words import (
    NAN,
    POWER,
    Claim,
    Finding,
    more_listeners,
    nothing,
    p_words,
    people,
    percent,
)
from analysis.discrimination import PairCells, panel_counts
from analysis.dprime import CHANCE
from analysis.panel import PanelProportion, panel_proportion
from analysis.similarity import Similarity, similarity

__all__ = ["Controls", "hear", "not_heard", "obvious_controls"]


def hear(claim: Claim, cells: Sequence[PairCells], alpha: float) -> Finding:
    """Judge "listeners hear I from J"."""
    i, j = claim.stages
    test = "one-sided t between listeners against guessing"
    own = [group for group in cells if set(group.pair) == {i, j} and group.testable]
    if not own:
        return nothing(
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
        f"{percent(found.estimate)} right in the mean over listeners, where guessing gives "
        f"{percent(chance)} "
        f"(95 % interval {percent(found.ci_low)} to {percent(found.ci_high)}; "
        f"{people(found.n_listeners)}, {found.n_trials} trials of {group.method}; "
        f"{p_words(found.p_value)})."
    )
    words = {
        "supported": f"Listeners told {i} from {j}: {told}",
        "undecided": (
            f"These data do not settle whether listeners can tell {i} from {j}: {told} "
            "That is no evidence that the two sound the same."
        ),
    }
    needs = _needs_hear(found, chance, alpha)
    return Finding(1, found.p_value, test, words, needs, _hear_numbers(found, group.method))


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
            "beforehand and a passed obvious control"
        )
    wanted = stats.norm.ppf(1 - alpha) + stats.norm.ppf(POWER)
    t = found.statistic if np.isfinite(found.statistic) and found.statistic > 0 else 1.0
    return more_listeners(found.n_listeners, wanted / t, f"a share of {percent(found.estimate)}")


Controls = tuple[int, int]
#: Share of obvious controls that must be right before silence may count as not hearing.
_CONTROLS_RIGHT = 0.9


def obvious_controls(frame: pd.DataFrame) -> Controls:
    """Return scored and passed obvious controls of checked trials."""
    rows = frame.loc[(frame["control"] == "obvious") & frame["correct"].notna(), "correct"]
    return len(rows), int(rows.sum())


def not_heard(
    claim: Claim, cells: Sequence[PairCells], controls: Controls, alpha: float
) -> Finding:
    """Judge "listeners do not hear I from J within M"."""
    i, j = claim.stages
    margin = claim.margin if claim.margin is not None else NAN
    test = "one-sided exact and between-listener tests against the declared margin"
    own = [group for group in cells if set(group.pair) == {i, j} and group.testable]
    if not own:
        return nothing(
            test,
            f"No trial of these data asks whether {i} and {j} can be told apart.",
            f"ABX, triangle, duo-trio or same-different trials of {i} and {j}, with obvious "
            "controls",
        )
    group = max(own, key=lambda g: int(g.cells["n_trials"].sum()))
    correct, trials = panel_counts(group.cells)
    found = similarity(correct, trials, chance=CHANCE[group.method], margin=margin)
    numbers = _hear_numbers(found.panel, group.method) | {
        "estimate": found.share,
        "ci_low": found.share_low,
        "ci_high": found.share_high,
        "margin": margin,
        "controls_scored": controls[0],
        "controls_passed": controls[1],
    }
    if found.panel.n_listeners < 2:
        words = {"undecided": "One listener's answers say nothing about other listeners."}
        return Finding(0, NAN, test, words, "more listeners, 12 or more", numbers)
    needs = _needs_similar(found, alpha)
    return _similar_finding(claim, found, controls, group.method, test, numbers, needs)


def _similar_finding(
    claim: Claim,
    found: Similarity,
    controls: Controls,
    method: str,
    test: str,
    numbers: dict[str, Any],
    needs: str,
) -> Finding:
    i, j = claim.stages
    told = (
        f"the share of listeners' trials with a heard difference is put at {percent(found.share)} "
        f"(90 % interval {percent(found.share_low)} to {percent(found.share_high)}) against a "
        f"declared margin of {percent(found.margin)}; {people(found.panel.n_listeners)}, "
        f"{found.panel.n_trials} trials of {method}"
    )
    below = found.p_similar < found.p_exceeds
    p = found.p_similar if below else found.p_exceeds
    scored, passed = controls
    awake = scored > 0 and passed >= _CONTROLS_RIGHT * scored
    undecided = (
        f"These data do not settle whether {i} and {j} differ audibly: {told}; {p_words(p)}."
    )
    if below and not awake:
        given = f"{passed} of {scored} obvious controls were right" if scored else "none was given"
        undecided += f" Too few answers to obvious differences vouch for the listeners: {given}."
        words = {"undecided": undecided}
        return Finding(0, p, test, words, "obvious controls, nine of ten answered right", numbers)
    words = {
        "supported": (
            f"No audible difference of {i} and {j} beyond the declared margin: {told}; "
            f"{p_words(p)}; {passed} of {scored} obvious controls right."
        ),
        "contradicted": f"More listeners hear {i} from {j} than the margin allows: {told}; "
        f"{p_words(p)}.",
        "undecided": undecided,
    }
    return Finding(1 if below else -1, p, test, words, needs, numbers)


def _needs_similar(found: Similarity, alpha: float) -> str:
    """Say how large a panel would put the found share clear of the margin, on either side."""
    error = (found.share_high - found.share_low) / (2 * float(stats.norm.ppf(0.95)))
    away = abs(found.margin - found.share)
    wanted = float(stats.norm.ppf(1 - alpha) + stats.norm.ppf(POWER))
    ratio = wanted * error / away if away > 0 else float("inf")
    what = f"a share of {percent(found.share)} with a heard difference"
    return more_listeners(found.panel.n_listeners, ratio, what)
