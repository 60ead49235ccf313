"""Claims about a metric, about what to do first, about the best of some, and about one listener.

Grammar of this module::

    metric M orders the stages                 worths of the measured stages fall into the order
                                               of M, or its reverse
    step I before J                            as a first step I gains more than J
    step I before J for its cost               the same by gain per unit of cost
    step I before J for its labour             the same by gain per labour hour
    listeners prefer I most of J and K         over each of the named stages
    listener L can tell I from J               one person, by that person's own trials

M is a metric of the stage table, I, J and K are stage ids, L is a listener's name in the trials.

A claim about a metric that a sealed plan makes stands on the metric's own p. One that is made when
the data are there might have been about any metric of the table: it is exploratory, and its p is
adjusted by Holm for all of them, as if each had been claimed. The other direction needs none: all
metrics whose order holds in truth have that one order, and the test against it runs over its pairs.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from analysis.claims.finding import NAN, POWER, Claim, Finding, more_listeners, nothing
from analysis.claims.preference import most
from analysis.hearing.dprime import CHANCE
from analysis.hearing.pair_cells import PairCells
from analysis.hearing.sides import own_test, sides_needs, sides_words
from analysis.link.block import Link
from analysis.link.regression import FEWEST_STAGES
from analysis.models.bootstrap import ROUNDING
from analysis.panels.multiplicity import holm
from analysis.panels.number_words import listed, logistic, p_words, panels, people, percent
from analysis.panels.proportions import clopper_pearson
from analysis.panels.smallest_effect import TOO_SMALL, beyond_guessing
from analysis.panels.tails import normal_quantile
from analysis.preference.contrast import contrast_test
from analysis.preference.fit import Preference, worth_difference
from analysis.tables.stages import StageTable
from analysis.upgrade.lattice import Lattice, make_lattice
from analysis.upgrade.prices import unknown_among

__all__ = ["find_link_claim", "step_weights"]

_PRICE = {"cost": "cost", "labour": "labour_h"}


def find_link_claim(
    claim: Claim,
    *,
    cells: Sequence[PairCells],
    preference: Preference | None,
    links: Sequence[Link],
    stages: StageTable | None,
    alpha: float,
) -> Finding | None:
    """Judge a claim of this module; None when its kind belongs elsewhere."""
    if claim.kind == "orders":
        return _orders(claim, preference, links, alpha)
    if claim.kind == "step":
        return _step_first(claim, preference, stages, alpha)
    if claim.kind == "most of":
        return most(claim, preference, alpha)
    return _one_hears(claim, cells, alpha) if claim.kind == "one hears" else None


# metric M orders the stages ------------------------------------------------------------


def _orders(
    claim: Claim, preference: Preference | None, links: Sequence[Link], alpha: float
) -> Finding:
    name = claim.names[0]
    test = "exact permutation of the stages on the rank correlation"
    link = next((one for one in links if one.metric.name == name), None)
    if link is None or preference is None or link.order is None:
        return nothing(
            test,
            f"No stages of these data have both a worth and the metric {name}.",
            f"paired-preference trials of {FEWEST_STAGES} stages or more with {name} in the stage "
            "table",
        )
    opposed, p_opposed = _opposed(link, preference)
    numbers = {
        "method": "paired",
        "statistic": link.order.spearman,
        "estimate": link.order.spearman,
        "n_stages": link.n_stages,
        "n_trials": link.n_trials,
        "n_listeners": link.n_listeners,
        "exploratory": not link.declared,
        "n_adjusted": link.n_tried,
        "p_unadjusted": link.order.p_value,
    }
    told = (
        f"over {link.n_stages} stages the rank correlation of {name} and worth is "
        f"{link.order.spearman:+.2f} (permutation {p_words(link.order.p_value)}"
        f"{_tried(link)}; {people(link.n_listeners)}, {link.n_trials} paired trials)."
        f"{_exploratory(link)}"
    )
    words = {
        "supported": f"{name} orders the stages as listeners do: {told}",
        "contradicted": f"{name} does not order the stages: {_against(opposed)}; {told}",
        "undecided": f"These data do not settle whether {name} orders the stages: {told}",
    }
    if p_opposed <= alpha:
        needs = f"more listeners, to make sure that {_against(opposed)}"
        return Finding(-1, p_opposed, test, words, needs, numbers)
    needs = f"{FEWEST_STAGES} stages or more with {name}: the stages are the unit, not the trials"
    if link.n_stages < FEWEST_STAGES:
        words["undecided"] += (
            f" {link.n_stages} stages cannot show that an order is more than luck."
        )
        return Finding(0, NAN, test, words, needs, numbers)
    needs = f"more stages than {link.n_stages}, measured and compared"
    return Finding(1, link.p_order, test, words, needs, numbers)


def _tried(link: Link) -> str:
    """Say what is left of the p once all metrics are allowed for that could have been named."""
    if link.n_tried < 2:
        return ""
    return (
        f", adjusted for {link.n_tried} metrics that could have been named {p_words(link.p_order)}"
    )


def _exploratory(link: Link) -> str:
    return (
        ""
        if link.declared
        else " Exploratory: no plan that was sealed before listening makes this claim."
    )


def _against(pair: tuple[str, str]) -> str:
    return f"listeners prefer {pair[0]} over {pair[1]}, against its order"


def _opposed(link: Link, preference: Preference) -> tuple[tuple[str, str], float]:
    """Return the surest pair that goes against the metric's order, and its p adjusted by Holm.

    Every pair of stages is one test, whichever way it points, so that the choice of pairs does
    not hang on the data.
    """
    order = link.order
    lead = 1.0 if order is None or order.spearman >= 0 else -1.0
    pairs, p = [], []
    for i in range(link.n_stages):
        for j in range(i + 1, link.n_stages):
            a, b = link.metric.stages[i], link.metric.stages[j]
            found = worth_difference(preference, a, b)
            expected = lead * np.sign(link.metric.value[i] - link.metric.value[j])
            against = found is not None and expected * found.estimate < 0
            pairs.append((a, b) if found is not None and found.estimate > 0 else (b, a))
            p.append(found.p_value if found is not None and against else 1.0)
    adjusted = holm(np.array(p))
    k = int(np.nanargmin(adjusted)) if np.isfinite(adjusted).any() else 0
    return pairs[k], float(adjusted[k]) if np.isfinite(adjusted[k]) else 1.0


# step I before J -----------------------------------------------------------------------


def _step_first(
    claim: Claim, preference: Preference | None, stages: StageTable | None, alpha: float
) -> Finding:
    i, j = claim.stages
    price = claim.names[0] if claim.names else None
    test = "two-sided t between listeners on the difference of first-step gains"
    fit = None if preference is None else preference.main
    lattice = None if fit is None or stages is None else make_lattice(stages, fit.stages)
    if fit is None or lattice is None or not {i, j} <= set(lattice.stage_of.values()):
        return nothing(
            test,
            f"No paired trials of these data link {i} and {j} with stages of the stage table.",
            f"paired-preference trials of the baseline, {i} and {j}",
        )
    if lattice.baseline in (i, j):
        words = {"undecided": f"{lattice.baseline} is the baseline, so it is no step."}
        return Finding(0, NAN, test, words, "two steps from the baseline", {})
    weights = step_weights(claim, lattice)
    if weights is None:
        words, needs = _without_price(claim, lattice)
        return Finding(0, NAN, test, words, needs, {"per": price})
    if fit.n_listeners < 2:
        words = {"undecided": "One listener's answers say nothing about other listeners."}
        return Finding(0, NAN, test, words, "more listeners, 12 or more", {})
    return _step_finding(claim, preference, weights, test, alpha)


def _without_price(claim: Claim, lattice: Lattice) -> tuple[dict[str, str], str]:
    """Say why two steps cannot be held against each other for a price, and what it would take.

    A price that nobody entered is not known, which is not the same as free.
    """
    what, (i, j) = claim.names[0], claim.stages
    unknown = unknown_among(lattice, what, (i, j, lattice.baseline))
    if unknown:
        named = listed(unknown)
        reason = f"The {what} of {named} is not known, so the gains for it cannot be compared."
        needs = f"the {what} of {named}, entered as {_PRICE[what]} in the study or the stage table"
        return {"undecided": reason}, needs
    table = lattice.cost if what == "cost" else lattice.labour_h
    free = listed([s for s in (i, j) if not table[s] > table[lattice.baseline]])
    reason = f"The {what} of {free} is not above that of {lattice.baseline}, so a gain for it "
    return {"undecided": f"{reason}is not defined."}, f"steps that both take {what}"


def step_weights(claim: Claim, lattice: Lattice) -> dict[str, float] | None:
    """Return the weights of log-worths whose sum is the lead of one first step over another.

    Parameters
    ----------
    claim : Claim
        Of kind ``"step"``, about two steps of the lattice.
    lattice : Lattice

    Returns
    -------
    dict of str to float, or None
        By stage, the baseline included; None where a price that the claim asks for is unknown or
        not above 0.
    """
    i, j = claim.stages
    unit = [1.0, 1.0]
    if claim.names:
        table = lattice.cost if claim.names[0] == "cost" else lattice.labour_h
        unit = [table[s] - table[lattice.baseline] for s in (i, j)]
    if not all(np.isfinite(u) and u > 0 for u in unit):
        return None
    return {i: 1 / unit[0], j: -1 / unit[1], lattice.baseline: 1 / unit[1] - 1 / unit[0]}


def _step_finding(
    claim: Claim, preference: Preference | None, weights: dict[str, float], test: str, alpha: float
) -> Finding:
    assert preference is not None
    assert preference.main is not None
    fit, (i, j) = preference.main, claim.stages
    found = contrast_test(fit, weights)
    value, statistic, p, g = found.estimate, found.statistic, found.p_value, fit.n_listeners
    chance = NAN
    if preference.draws is not None:
        order = [preference.draws.stages.index(name) for name in fit.stages]
        leads = preference.draws.draws[:, order] @ np.array(
            [weights.get(name, 0.0) for name in fit.stages]
        )
        if preference.draws.vary:
            # Equal gains are no lead of either; they are shared.
            chance = float(((leads > ROUNDING) + (np.abs(leads) <= ROUNDING) / 2).mean())
    how = {"cost": " per unit of cost", "labour": " per labour hour"}
    price = claim.names[0] if claim.names else None
    per = how[price] if price else ""
    first = i if value > 0 else j
    told = (
        f"{people(g)}, {fit.n_trials} paired trials, {p_words(p)}"
        f"{_ahead(chance if value > 0 else 1 - chance, first, per)}."
    )
    words = {
        "supported": f"As a first step {i} gains more{per} than {j}: {told}",
        "contradicted": f"The opposite holds, {j} gains more{per} than {i}: {told}",
        "undecided": f"These data do not settle which of {i} and {j} to do first: {told}",
        TOO_SMALL: told,
    }
    numbers: dict[str, Any] = {
        "method": "paired",
        "per": price,
        "statistic": statistic,
        "df": found.df,
        "estimate": value,
        "ci_low": found.ci_low,
        "ci_high": found.ci_high,
        "p_first": chance,
        "share": logistic(value) if price is None else None,
        "share_low": logistic(found.ci_low) if price is None else None,
        "share_high": logistic(found.ci_high) if price is None else None,
        "n_trials": fit.n_trials,
        "n_listeners": g,
    }
    needs = more_listeners(g, _wanted(alpha) / max(abs(statistic), 1e-9), f"a lead of {first}")
    effects = []
    if price is None:
        # Without a price the difference of gains is the preference between the two steps; gains
        # by money or hours are on no scale of decisions.
        ends = contrast_test(fit, weights, confidence=1 - alpha)
        effects = [(logistic(ends.ci_low) - 0.5, logistic(ends.ci_high) - 0.5)]
    return Finding(1 if value > 0 else -1, p, test, words, needs, numbers, effects)


def _ahead(chance: float, first: str, per: str) -> str:
    """Say in how many resampled panels a step gains more, where that is defined."""
    if np.isnan(chance):
        return ""
    return f"; in {panels(chance)} of resampled panels {first} gains more{per}"


def _wanted(alpha: float) -> float:
    return normal_quantile(1 - alpha / 2) + normal_quantile(POWER)


# listener L can tell I from J -------------------------------------------------------------


def _one_hears(claim: Claim, cells: Sequence[PairCells], alpha: float) -> Finding:
    (i, j), name = claim.stages, claim.names[0]
    test = "one-sided exact binomial on one listener's trials"
    own = [
        (group, group.cells[group.cells["listener"].astype(str) == name])
        for group in cells
        if set(group.pair) == {i, j}
    ]
    own = [(group, rows) for group, rows in own if len(rows)]
    if not own:
        return nothing(
            test,
            f"No trial of these data asks listener {name} whether {i} and {j} can be told apart.",
            f"ABX, triangle, duo-trio or same-different trials of {i} and {j} by {name}",
        )
    group, rows = max(own, key=lambda part: int(part[1]["n_trials"].sum()))
    right, total = int(rows["n_correct"].sum()), int(rows["n_trials"].sum())
    chance = CHANCE[group.method]
    p, places = own_test(rows, chance=chance)
    low, high = (float(v[0]) for v in clopper_pearson(np.array([right]), np.array([total])))
    numbers = {
        "method": group.method,
        "places": places,
        "estimate": right / total,
        "ci_low": low,
        "ci_high": high,
        "n_trials": total,
        "n_listeners": 1,
    }
    told = f"{right} of {total} {group.method} trials right where guessing gives {percent(chance)}"
    personal = "This speaks of that person only."
    if places == "confounded":
        open_ = f"It is open whether listener {name} can tell {i} from {j}: {told}. {personal}"
        words = {"undecided": open_ + sides_words(places, one=True)}
        return Finding(0, NAN, test, words, f"{sides_needs(group.method)}, by {name}", numbers)
    told += f" ({p_words(p)}). {personal}{sides_words(places)}"
    words = {
        "supported": f"Listener {name} can tell {i} from {j}: {told}",
        "undecided": f"It is open whether listener {name} can tell {i} from {j}: {told}",
        TOO_SMALL: told,
    }
    needs = f"more trials by {name}: {_fewest(chance, alpha)} or more, all right, could decide"
    ends = clopper_pearson(np.array([right]), np.array([total]), confidence=1 - alpha)
    effect = tuple(beyond_guessing(float(end[0]), chance=chance) for end in ends)
    return Finding(1, p, test, words, needs, numbers, ((effect[0], effect[1]),))


def _fewest(chance: float, alpha: float) -> int:
    """Return the fewest trials in which a perfect score reaches alpha."""
    return int(np.ceil(np.log(alpha) / np.log(chance)))
