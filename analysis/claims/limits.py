"""What holds a verdict back whatever the p-value: too few people, places that were not varied."""

from __future__ import annotations

from dataclasses import replace

from analysis.claims.finding import Claim, Finding
from analysis.panels.number_words import people
from analysis.panels.panel import least_panel
from analysis.preference.fit import Preference

__all__ = ["held_back"]

#: Kinds of claim that one person's answers decide.
_ONE_PERSON = ("one hears",)
#: Kinds whose test looks in one direction only.
_ONE_SIDED = ("hear", "similar", "orders")
_HEARING = ("hear", "similar")
_PREFERENCE = ("prefer", "neither", "most", "most of", "step", "orders")


def held_back(
    claim: Claim, finding: Finding, preference: Preference | None, *, alpha: float
) -> Finding:
    """Return the finding, left open where its data cannot carry a verdict about listeners.

    Parameters
    ----------
    claim : Claim
    finding : Finding
        What the test of the claim says.
    preference : Preference or None
        The fits behind claims about preference.
    alpha : float
        Level of this claim, its share of the family's.

    Returns
    -------
    Finding
        With ``direction`` 0, and words and needs that say why, where the panel is smaller than
        :func:`analysis.panels.panel.least_panel` or where a liking and a habit of place cannot be
        told apart; with a remark where the fit allows for places that were not balanced.
    """
    if claim.kind in _ONE_PERSON or finding.direction == 0:
        return finding
    return _few_people(claim, _places(claim, finding, preference), alpha)


def _few_people(claim: Claim, finding: Finding, alpha: float) -> Finding:
    n = finding.numbers.get("n_bearing", finding.numbers.get("n_listeners"))
    least = least_panel(alpha, sides=1 if claim.kind in _ONE_SIDED else 2)
    finding = replace(finding, numbers=finding.numbers | {"least_panel": least})
    if n is None or n >= least or finding.direction == 0:
        return finding
    rests = f"This rests on {people(n)}"
    if claim.kind in _HEARING and "n_bearing" in finding.numbers:
        rests = f"Trials with the rarer right answer were given to {people(n)} only"
    why = (
        f" {rests}. At this level {least} are the fewest that could decide "
        "anything, were they all of one mind, so nothing is said about listeners."
    )
    words = {"undecided": finding.words["undecided"] + why}
    return replace(finding, direction=0, words=words, needs=f"a panel of {least} listeners or more")


def _places(claim: Claim, finding: Finding, preference: Preference | None) -> Finding:
    if preference is None or claim.kind not in _PREFERENCE:
        return finding
    stages = claim.stages
    if not stages and preference.main is not None:
        stages = preference.main.stages
    places = preference.places_with(*stages)
    finding = replace(finding, numbers=finding.numbers | {"places": places})
    if places == "balanced":
        return finding
    if places == "allowed for":
        why = (
            " The two places were not used equally often for every pair; the verdict allows for "
            "a leaning to one place."
        )
        return replace(finding, words={key: text + why for key, text in finding.words.items()})
    why = (
        " Some stage always stood in the same place, so a liking for it and a habit of choosing "
        "that place cannot be told apart."
    )
    return replace(
        finding,
        direction=0,
        words={"undecided": finding.words["undecided"] + why},
        needs="paired trials that give every pair in both orders",
    )
