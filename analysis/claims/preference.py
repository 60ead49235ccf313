"""Claims about what listeners prefer."""

from __future__ import annotations

from typing import Any

import numpy as np

from analysis.claims.finding import NAN, POWER, Claim, Finding, more_listeners, nothing
from analysis.models.bootstrap import first_shares
from analysis.panels.number_words import (
    listed,
    logistic,
    p_words,
    panels,
    people,
    percent,
    percents,
)
from analysis.panels.panel import logit_test
from analysis.panels.smallest_effect import TOO_SMALL
from analysis.panels.tails import normal_quantile
from analysis.preference.fit import Preference, WorthDifference, worth_difference

__all__ = ["difference_numbers", "most", "prefer"]


def prefer(claim: Claim, preference: Preference | None, alpha: float) -> Finding:
    """Judge "listeners prefer I over J"."""
    i, j = claim.stages
    test = "two-sided t between listeners on the difference of log-worths"
    known = preference is not None and {i, j} <= set(preference.counts.stages)
    found = worth_difference(preference, i, j) if preference is not None and known else None
    if found is None:
        return nothing(
            test,
            f"No paired trials of these data link {i} and {j}.",
            f"paired-preference trials of {i} and {j}",
        )
    numbers = difference_numbers(found)
    if found.n_listeners < 2:
        words = {
            "undecided": (
                f"One listener's answers put {_lead(found, i, j)} ahead; they say nothing about "
                "other listeners."
            )
        }
        return Finding(0, NAN, test, words, "more listeners, 12 or more", numbers)
    direction = 1 if found.estimate > 0 else -1
    wanted = normal_quantile(1 - alpha / 2) + normal_quantile(POWER)
    needs = more_listeners(
        found.n_listeners,
        wanted / max(abs(found.statistic), 1e-9),
        f"a share of {percent(max(found.share, 1 - found.share))}",
    )
    words, effect = _prefer_words(found, i, j), _effect(found, alpha)
    return Finding(direction, found.p_value, test, words, needs, numbers, (effect,))


def _effect(found: WorthDifference, alpha: float) -> tuple[float, float]:
    """Return the interval of a difference at a level, in shares from an even split."""
    _, _, low, high = logit_test(
        np.array(found.estimate), np.array(found.se), found.df, confidence=1 - alpha
    )
    return logistic(float(low)) - 0.5, logistic(float(high)) - 0.5


def _lead(found: WorthDifference, i: str, j: str) -> str:
    return i if found.estimate > 0 else j


def _prefer_words(found: WorthDifference, i: str, j: str) -> dict[str, str]:
    share, low, high = percents(found.share, logistic(found.ci_low), logistic(found.ci_high))
    told = (
        f"according to the model {i} is chosen over {j} in {share} of decisions, "
        f"the mean over listeners (95 % interval {low} to {high}; {people(found.n_listeners)}, "
        f"{found.n_direct} trials of this pair; {p_words(found.p_value)})."
    )
    return {
        "supported": f"Listeners prefer {i} over {j}: {told}",
        "contradicted": f"The opposite holds, listeners prefer {j} over {i}: {told}",
        "undecided": (
            f"These data do not settle which of {i} and {j} listeners prefer: {told} "
            "That is no evidence that they like both equally."
        ),
        TOO_SMALL: told,
    }


def difference_numbers(found: WorthDifference) -> dict[str, Any]:
    """Return the figures of a difference of worths for the row of a claim."""
    return {
        "method": "paired",
        "statistic": found.statistic,
        "df": found.df,
        "estimate": found.estimate,
        "ci_low": found.ci_low,
        "ci_high": found.ci_high,
        "share": found.share,
        "share_low": logistic(found.ci_low),
        "share_high": logistic(found.ci_high),
        "n_trials": found.n_trials,
        "n_listeners": found.n_listeners,
        "n_bearing": found.n_bearing,
    }


def most(claim: Claim, preference: Preference | None, alpha: float) -> Finding:
    """Judge "listeners prefer I most", over all others or over the stages that it names."""
    stage = claim.stages[0]
    test = "one-sided t between listeners against every rival, largest p counts"
    if preference is None or stage not in preference.counts.stages:
        return nothing(
            test,
            f"No paired trials of these data include {stage}.",
            f"paired-preference trials of {stage} with every other stage",
        )
    rivals = list(claim.stages[1:])
    unheard = [name for name in rivals if name not in preference.counts.stages]
    if unheard:
        return nothing(
            test,
            f"No paired trials of these data include {listed(unheard)}.",
            f"paired-preference trials of {stage} with {listed(unheard)}",
        )
    rivals = rivals or [name for name in preference.counts.stages if name != stage]
    against = {name: worth_difference(preference, stage, name) for name in rivals}
    unlinked = [name for name, found in against.items() if found is None]
    if unlinked:
        return nothing(
            test,
            f"No chain of comparisons links {stage} with {listed(unlinked)}.",
            f"paired-preference trials that link {stage} with {listed(unlinked)}",
        )
    linked = {name: found for name, found in against.items() if found is not None}
    if next(iter(linked.values())).n_listeners < 2:
        words = {"undecided": "One listener's answers say nothing about other listeners."}
        numbers = _most_numbers(linked, preference, stage)
        return Finding(0, NAN, test, words, "more listeners, 12 or more", numbers)
    return _most_finding(stage, linked, preference, test, alpha)


def _most_finding(
    stage: str,
    against: dict[str, WorthDifference],
    preference: Preference,
    test: str,
    alpha: float,
) -> Finding:
    names = list(against)
    p = _sided_p([against[name] for name in names])
    ahead = np.array([against[name].estimate > 0 for name in names])
    if ahead.all():
        direction, p_value = 1, float(p.max())
        worst = names[int(p.argmax())]
    else:
        direction, p_value = -1, float(np.where(ahead, 1.0, p).min())
        worst = names[int(np.where(ahead, 1.0, p).argmin())]
    open_ = [name for name, q, first in zip(names, p, ahead, strict=True) if q > alpha or not first]
    numbers = _most_numbers(against, preference, stage)
    chance = numbers["p_best"]
    told = (
        f"{people(against[worst].n_listeners)}, {against[worst].n_trials} paired trials, "
        f"{p_words(p_value)}{_first_in(chance)}."
    )
    words = {
        "supported": f"Listeners prefer {stage} over each of {listed(names)} ({told[:-1]}).",
        "contradicted": (
            f"Listeners prefer {worst} over {stage}, so {stage} is not what they prefer most "
            f"({told[:-1]})."
        ),
        "undecided": (
            f"These data do not settle that listeners prefer {stage} most; open against "
            f"{listed(open_ or [worst])} ({told[:-1]})."
        ),
        TOO_SMALL: _small_lead(stage, against, direction, told),
    }
    wanted = normal_quantile(1 - alpha / 2) + normal_quantile(POWER)
    hardest = against[worst]
    needs = more_listeners(
        hardest.n_listeners,
        wanted / max(abs(hardest.statistic), 1e-9),
        f"the difference from {worst}",
    )
    # One interval a rival: a share of the level each, since any of them may decide.
    bearing = [one for one in against.values() if direction > 0 or one.estimate < 0]
    effects = [_effect(one, alpha / len(against)) for one in bearing]
    return Finding(direction, p_value, test, words, needs, numbers, effects)


def _small_lead(stage: str, against: dict[str, WorthDifference], direction: int, told: str) -> str:
    """Say by how little a stage leads its closest rival, or lags behind the best."""
    name = min(against, key=lambda rival: against[rival].estimate)
    first, second = (stage, name) if direction > 0 else (name, stage)
    share = against[name].share if direction > 0 else 1 - against[name].share
    return (
        f"according to the model {first} is chosen over {second} in {percent(share)} of decisions "
        f"({told[:-1]})."
    )


def _first_in(chance: float) -> str:
    """Say in how many resampled panels a stage comes first, where that is defined."""
    if np.isnan(chance):
        return ""
    return f"; in {panels(chance)} of resampled panels it comes first"


def _sided_p(found: list[WorthDifference]) -> np.ndarray:
    """Return one p-value a rival, in the direction of its estimate, for a joint verdict.

    Being ahead of all k rivals is an intersection-union test: the largest one-sided p counts,
    without adjustment (Berger 1982 Technometrics 24:295). Being behind one of them is enough
    against the claim. The error is shared, k parts of k+1 for the first and one part for each
    rival, so that with any number of equally good stages on top both wrong verdicts together
    stay within the level; with one rival this is the ordinary two-sided test.
    """
    k = len(found)
    first = np.array([one.p_first for one in found]) * (k + 1) / k
    behind = np.array([1 - one.p_first for one in found]) * (k + 1)
    ahead = np.array([one.estimate > 0 for one in found])
    return np.asarray(np.minimum(np.where(ahead, first, behind), 1.0))


def _most_numbers(
    against: dict[str, WorthDifference], preference: Preference, stage: str
) -> dict[str, Any]:
    rival = min(against, key=lambda name: against[name].estimate)
    fit, draws = preference.fit_with(stage), preference.draws
    p_best = NAN
    if fit is not None and draws is not None and {stage, *against} <= set(draws.stages):
        columns = [draws.stages.index(name) for name in (stage, *against)]
        p_best = float(first_shares(draws.draws[:, columns])[0])
    return difference_numbers(against[rival]) | {"rival": rival, "p_best": p_best}
