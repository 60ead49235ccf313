"""The claim that listeners prefer neither of two stages beyond a declared split.

Two one-sided tests between listeners (Schuirmann 1987 J Pharmacokinet Biopharm 15:657) on the
difference of worths, on the scale of :func:`analysis.panels.panel.logit_test`, so that the verdict
agrees with its interval: supported where the interval of confidence 1 - 2 alpha lies inside the
declared split, contradicted where it lies outside.

People who do not listen split evenly too. So the claim is supported only of a panel that has been
shown to listen: by obvious controls, by telling some pair apart, or by preferring one stage of
another pair. The three are tests with an error of their own; together a panel that answers by lot
passes them in at most alpha of studies.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
from scipy import stats

from analysis.claims.finding import NAN, POWER, Claim, Finding, more_listeners, nothing
from analysis.claims.preference import difference_numbers
from analysis.hearing.controls import Controls, vouch
from analysis.hearing.dprime import CHANCE
from analysis.hearing.pair_cells import PairCells
from analysis.hearing.sides import panel_share
from analysis.panels.number_words import logistic, p_words, people, percent, percents
from analysis.panels.panel import least_panel, logit_test
from analysis.panels.smallest_effect import split
from analysis.panels.tails import normal_quantile, t_above
from analysis.preference.fit import Preference, WorthDifference, worth_difference

__all__ = ["Equivalence", "equivalence", "neither", "shown_to_listen"]

_TEST = "two one-sided t between listeners against the declared split"
_NEEDS_LISTENING = (
    "a panel shown to listen: obvious controls answered right, a pair told apart, or another pair "
    "of which one stage is preferred"
)


@dataclass(frozen=True, slots=True)
class Equivalence:
    """A difference of worths against a split.

    Attributes
    ----------
    p_inside : float
        Small where the share lies inside the split: the larger of the two one-sided p-values.
    p_outside : float
        Small where it lies outside, whichever way: two-sided against the whole range inside, the
        tails beyond the observed distance from even at the split itself.
    low, high : float
        Shares; interval of confidence 1 - 2 alpha.
    """

    p_inside: float
    p_outside: float
    low: float
    high: float


def equivalence(found: WorthDifference, points: float, *, alpha: float) -> Equivalence:
    """Hold a difference of worths against a split.

    Parameters
    ----------
    found : WorthDifference
        Of two listeners or more.
    points : float
        Distance of the split from even, as a share in (0, 0.5).
    alpha : float
        Level of each one-sided test.

    Returns
    -------
    Equivalence
    """
    # The effective number of trials of logit_test; at a split its share has this variance.
    n = 1 / (found.se**2 * found.share * (1 - found.share))
    error = float(np.sqrt((0.25 - points**2) / n))
    away = abs(found.share - 0.5)
    inside = stats.t.cdf((away - points) / error, found.df)
    outside = t_above((away - points) / error, found.df) + t_above(
        (away + points) / error, found.df
    )
    _, _, low, high = logit_test(
        np.array(found.estimate), np.array(found.se), found.df, confidence=1 - 2 * alpha
    )
    return Equivalence(
        float(inside), min(1.0, float(outside)), logistic(float(low)), logistic(float(high))
    )


def neither(
    claim: Claim,
    preference: Preference | None,
    cells: Sequence[PairCells],
    controls: Controls | tuple[int, int],
    alpha: float,
) -> Finding:
    """Judge "listeners prefer neither I nor J beyond M to N"."""
    i, j = claim.stages
    points = NAN if claim.points is None else claim.points
    known = preference is not None and {i, j} <= set(preference.counts.stages)
    found = worth_difference(preference, i, j) if preference is not None and known else None
    if found is None or preference is None:
        return nothing(
            _TEST,
            f"No paired trials of these data link {i} and {j}.",
            f"paired-preference trials of {i} and {j}, and obvious controls",
        )
    numbers = difference_numbers(found) | {"margin": points}
    if found.n_listeners < 2:
        words = {"undecided": "One listener's answers say nothing about other listeners."}
        return Finding(0, NAN, _TEST, words, "more listeners, 12 or more", numbers)
    judged = equivalence(found, points, alpha=alpha)
    listens = shown_to_listen(claim.stages, preference, cells, controls, alpha)
    numbers |= {
        "inside_low": judged.low,
        "inside_high": judged.high,
        "inside_confidence": 1 - 2 * alpha,
        "shown_to_listen": listens,
    }
    return _finding(claim, found, judged, listens, alpha, numbers)


def _finding(
    claim: Claim,
    found: WorthDifference,
    judged: Equivalence,
    listens: str | None,
    alpha: float,
    numbers: dict[str, Any],
) -> Finding:
    i, j = claim.stages
    points = claim.points or NAN
    inside = judged.p_inside < judged.p_outside
    p = judged.p_inside if inside else judged.p_outside
    told = _told(claim, found, judged, alpha, p)
    first, second = (i, j) if found.estimate > 0 else (j, i)
    words = {
        "supported": (
            f"In the mean over listeners neither {i} nor {j} is preferred beyond "
            f"{split(points)}: {told} Shown to listen by {listens}. Single listeners may prefer "
            "one or the other."
        ),
        "contradicted": f"Listeners prefer {first} over {second} beyond {split(points)}: {told}",
        "undecided": (
            f"These data do not settle whether the preference between {i} and {j} stays within "
            f"{split(points)}: {told}"
        ),
    }
    if inside and listens is None:
        words["undecided"] += (
            " Nothing shows that this panel listened, and people who answer by lot split evenly "
            "too."
        )
        return Finding(0, p, _TEST, {"undecided": words["undecided"]}, _NEEDS_LISTENING, numbers)
    needs = _needs(found, points, alpha)
    return Finding(1 if inside else -1, p, _TEST, words, needs, numbers)


def _told(claim: Claim, found: WorthDifference, judged: Equivalence, alpha: float, p: float) -> str:
    i, j = claim.stages
    share, low, high = percents(found.share, judged.low, judged.high)
    return (
        f"according to the model {i} is chosen over {j} in {share} of decisions, the mean over "
        f"listeners ({100 * (1 - 2 * alpha):.4g} % interval {low} to {high}; "
        f"{people(found.n_listeners)}, {found.n_direct} trials of this pair; {p_words(p)})."
    )


def _needs(found: WorthDifference, points: float, alpha: float) -> str:
    """Say how large a panel would put the found share clear of the split, on either side."""
    n = 1 / (found.se**2 * found.share * (1 - found.share))
    away = abs(abs(found.share - 0.5) - points)
    wanted = normal_quantile(1 - alpha) + normal_quantile(POWER)
    ratio = wanted * float(np.sqrt((0.25 - points**2) / n)) / max(away, 1e-9)
    return more_listeners(found.n_listeners, ratio, f"a share of {percent(found.share)}")


def shown_to_listen(
    pair: Sequence[str],
    preference: Preference,
    cells: Sequence[PairCells],
    controls: Controls | tuple[int, int],
    alpha: float,
) -> str | None:
    """Return what shows that a panel listened; None where nothing does.

    Parameters
    ----------
    pair : sequence of str
        The two stages of the claim; a preference between them cannot vouch for itself.
    preference, cells, controls
        Answers of the same listeners.
    alpha : float
        Chance that a panel answering by lot is taken to listen; shared out over the kinds of
        evidence that the data hold, and within a kind over its pairs.

    Returns
    -------
    str or None
        "by" this: a few words.
    """
    scored = controls[0] if isinstance(controls, tuple) else controls.scored
    rivals = [p for p in combinations(preference.counts.stages, 2) if set(p) != set(pair)]
    heard = [group for group in cells if group.testable]
    level = alpha / max((scored > 0) + bool(rivals) + bool(heard), 1)
    ears = vouch(controls, level)
    if ears.awake:
        return f"{ears.passed} of {ears.scored} obvious controls answered right"
    for group in heard:
        panel = panel_share(*group.answers, chance=CHANCE[group.method])
        enough = panel.n_listeners >= least_panel(level, sides=1)
        if enough and panel.p_value <= level / len(heard):
            return f"telling {group.pair[0]} from {group.pair[1]}"
    for first, second in rivals:
        if _prefers(preference, first, second, level / len(rivals)):
            return f"a preference between {first} and {second}"
    return None


def _prefers(preference: Preference, first: str, second: str, level: float) -> bool:
    """Whether a preference of the panel is shown that no habit of place could make."""
    found = worth_difference(preference, first, second)
    if found is None or found.n_listeners < 2 or found.n_bearing < least_panel(level):
        return False
    told_apart = preference.places_with(first, second) in ("balanced", "allowed for")
    return told_apart and found.p_value <= level
