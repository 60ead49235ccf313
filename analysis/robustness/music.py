"""A second verdict on a claim: for music like this, and not for these pieces alone.

The first verdict takes the listeners as a sample of people and the programmes as they are: "for
these pieces". Here both are samples (Clark 1973 J Verb Learn Verb Behav 12:335 for why it matters).
The estimand stays the mean over listeners, every listener counting once and, within a listener,
every programme that the listener heard; the error is that of :mod:`analysis.robustness.two_way`.

The second verdict is never surer than the first: its p-value is the larger of the two, so whatever
holds the first back (a small panel, unvaried places, missing controls) holds this one back too.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np

from analysis.claims.finding import NAN, Claim
from analysis.claims.grammar import parse_claim
from analysis.claims.judge import Heard
from analysis.claims.link import step_weights
from analysis.claims.preference import _sided_p
from analysis.hearing.dprime import CHANCE
from analysis.panels.multiplicity import holm
from analysis.panels.number_words import logistic, p_words, percent
from analysis.panels.panel import logit_test
from analysis.panels.proportions import discriminators
from analysis.panels.tails import t_above
from analysis.preference.fit import WorthDifference, worth_difference
from analysis.robustness.contributions import (
    Contributions,
    hearing_contributions,
    hearing_limit,
    worth_contributions,
)
from analysis.robustness.two_way import TwoWay, effective_number, two_way
from analysis.tables.counts import split_pair_counts
from analysis.tables.stages import StageTable
from analysis.upgrade.lattice import make_lattice

__all__ = ["FEWEST_PROGRAMMES", "claim_contributions", "music_like_this"]

#: Fewer pieces than this are no sample of music.
FEWEST_PROGRAMMES = 6
#: A piece counts towards them when so many listeners answered about it.
_FEWEST_PER_PROGRAMME = 3
_HEARING = ("hear", "similar")
_MOST = ("most", "most of")
_KINDS = (*_HEARING, *_MOST, "prefer", "step")
_NUMBERS = (None, "one", "two", "three", "four", "five", "six")


def claim_contributions(
    claim: Claim, row: Mapping[str, Any], heard: Heard, stages: StageTable | None
) -> dict[str, Contributions]:
    """Take the estimate of a claim apart by listener and programme.

    Parameters
    ----------
    claim : Claim
    row : mapping
        The claim's row of :func:`analysis.claims.judge.judge_claims`.
    heard : Heard
        The answers that the claim was judged by, with `trials`.
    stages : StageTable or None

    Returns
    -------
    dict of str to Contributions
        One for each comparison that the claim makes, named by the rival where there are several;
        empty where the claim could not be tested or is of a kind without such an estimate.
    """
    if claim.kind in _HEARING:
        pair = set(claim.stages)
        own = [g for g in heard.cells if set(g.pair) == pair and g.method == row["method"]]
        return {"": hearing_contributions(own[0])} if own else {}
    fit = None if heard.preference is None else heard.preference.fit_with(*claim.stages)
    if claim.kind not in _KINDS or fit is None or heard.trials is None:
        return {}
    contrasts = _contrasts(claim, heard, stages, fit.stages)
    if not contrasts:
        return {}
    by_programme = split_pair_counts(heard.trials.of("paired"), by="programme")
    return worth_contributions(by_programme, contrasts, like=fit)


def _contrasts(
    claim: Claim, heard: Heard, stages: StageTable | None, compared: tuple[str, ...]
) -> dict[str, dict[str, float]]:
    first = claim.stages[0]
    if claim.kind == "prefer":
        return {"": {first: 1.0, claim.stages[1]: -1.0}}
    if claim.kind in _MOST:
        assert heard.preference is not None
        everyone = heard.preference.counts.stages
        rivals = claim.stages[1:] or tuple(name for name in everyone if name != first)
        return {name: {first: 1.0, name: -1.0} for name in rivals}
    lattice = None if stages is None else make_lattice(stages, compared)
    weights = None if lattice is None else step_weights(claim, lattice)
    return {} if weights is None else {"": weights}


# verdicts ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Second:
    """What is said about music like this; the fields of the result's block."""

    verdict: str
    p_value: float
    p_holm: float
    ci_low: float
    ci_high: float
    estimate: float
    n_programmes: int | None
    df: float
    words: str
    declined_reason: str | None


def music_like_this(
    rows: Sequence[Mapping[str, Any]],
    heard: Heard,
    *,
    groups: Mapping[str, Heard] | None = None,
    stages: StageTable | None = None,
) -> list[dict[str, Any] | None]:
    """Judge claims for music like the pieces that were heard.

    Parameters
    ----------
    rows : sequence of mapping
        From :func:`analysis.claims.judge.judge_claims`.
    heard, groups, stages
        As they were given there; answers with their `trials`.

    Returns
    -------
    list of dict or None
        One a row: ``verdict``, ``p_value``, ``p_holm``, ``ci_low``, ``ci_high``, ``estimate``,
        ``n_programmes``, ``df``, ``words``, ``declined_reason`` (None where a verdict could be
        given). None for claims about one person or about a metric.
    """
    found = [_second(row, _heard_by(row, heard, groups), stages) for row in rows]
    # A claim for which nothing can be said of other music stays in the family: the others are
    # adjusted for as many claims as the first verdicts are.
    p = np.array(
        [_family_p(row, second) for row, second in zip(rows, found, strict=True)], dtype=float
    )
    adjusted = holm(p)
    return [
        None if second is None else asdict(_marked(_settled(row, second, float(q)), heard))
        for row, second, q in zip(rows, found, adjusted, strict=True)
    ]


def _marked(second: _Second, heard: Heard) -> _Second:
    """Mark the words where listeners were simulated."""
    if heard.trials is None or not heard.trials.simulated:
        return second
    return replace(second, words=f"Simulated listeners: {second.words}")


def _heard_by(
    row: Mapping[str, Any], heard: Heard, groups: Mapping[str, Heard] | None
) -> Heard | None:
    return heard if row.get("who") is None else (groups or {}).get(row["who"])


def _family_p(row: Mapping[str, Any], second: _Second | None) -> float:
    if second is None:
        return float(row["p_value"])
    if second.declined_reason is None:
        return second.p_value
    return NAN if np.isnan(row["p_value"]) else 1.0


def _second(
    row: Mapping[str, Any], heard: Heard | None, stages: StageTable | None
) -> _Second | None:
    claim = parse_claim(row["text"])
    if claim.kind not in _KINDS:
        return None
    if heard is None or np.isnan(row["p_value"]):
        return _declined(None, "the claim could not be tested for these pieces either")
    parts = claim_contributions(claim, row, heard, stages)
    if not parts:
        return _declined(None, "the claim could not be tested for these pieces either")
    for part in parts.values():
        problem = _problem(part)
        if problem is not None:
            return _declined(len([name for name in part.programmes if name]), problem)
    wide = {name: two_way(part) for name, part in parts.items()}
    if claim.kind in _HEARING:
        return _of_share(row, wide[""])
    if claim.kind in _MOST:
        return _of_most(claim, row, heard, wide)
    return _of_worths(row, wide[""], _size(claim, heard, stages))


def _size(claim: Claim, heard: Heard, stages: StageTable | None) -> float:
    """Return the largest weight of a claim's contrast; above 1 only for steps for their price."""
    fit = None if heard.preference is None else heard.preference.fit_with(*claim.stages)
    assert fit is not None
    contrast = _contrasts(claim, heard, stages, fit.stages)[""]
    return max(abs(weight) for weight in contrast.values())


def _declined(n_programmes: int | None, reason: str) -> _Second:
    words = f"No verdict for music like this: {reason}."
    numbers = (NAN, NAN, NAN, NAN, NAN)
    return _Second("undecided", *numbers, n_programmes, NAN, words, reason)


def _problem(part: Contributions) -> str | None:
    """Say why nothing can be said about other music; None where it can."""
    heard = part.weight > 0
    named = np.array([name != "" for name in part.programmes])
    n = int((heard.any(axis=0) & named).sum())
    if not named.all() and heard[:, ~named].any():
        return "not every trial says which piece was played"
    fewest = _NUMBERS[FEWEST_PROGRAMMES]
    if n < FEWEST_PROGRAMMES:
        pieces = "1 piece is" if n == 1 else f"{n} pieces are"
        return f"{pieces} too few to speak of other music; {fewest} are the fewest"
    if 2 * int((heard.sum(axis=1) > 1).sum()) < len(part.listeners):
        return "most listeners heard one piece only, so pieces and people cannot be told apart"
    shared = int((heard.sum(axis=0) >= _FEWEST_PER_PROGRAMME).sum())
    if shared < FEWEST_PROGRAMMES:
        return (
            f"only {shared} of {n} pieces were heard by {_NUMBERS[_FEWEST_PER_PROGRAMME]} "
            f"listeners or more; {fewest} are the fewest"
        )
    bearing = effective_number(part.weight.sum(axis=0))
    if bearing < FEWEST_PROGRAMMES:
        return (
            f"the answers are dealt so unequally over the {n} pieces that these count for "
            f"{bearing}; {fewest} are the fewest"
        )
    return None


def _numbers(row: Mapping[str, Any], p: float, wide: TwoWay, low: float, high: float) -> _Second:
    """Return what is found before the family is adjusted; never surer than the first verdict."""
    p = max(p, float(row["p_value"]))
    return _Second(
        "undecided", p, p, low, high, wide.estimate, wide.n_programmes, wide.df, "", None
    )


def _of_share(row: Mapping[str, Any], wide: TwoWay) -> _Second:
    margin = row.get("margin")
    chance = CHANCE[row["method"]]
    limit = hearing_limit(row)
    t = (wide.estimate - limit) / wide.se if wide.se > 0 else 0.0
    above = margin is None or row["estimate"] >= margin
    p = float(t_above(t if above else -t, wide.df))
    if wide.se == 0:
        p = float(row["p_value"])
    low, high = _share_interval(wide, 0.95 if margin is None else 0.9)
    if margin is None:
        return _numbers(row, p, wide, low, high)
    middle, low, high = (
        float(discriminators(v, chance=chance)) for v in (wide.estimate, low, high)
    )
    return _numbers(row, p, replace(wide, estimate=middle), low, high)


def _share_interval(wide: TwoWay, confidence: float) -> tuple[float, float]:
    """Return the interval of a share, which is never narrower than that of independent trials."""
    share = float(np.clip(wide.estimate, 1e-6, 1 - 1e-6))
    error = max(wide.se, float(np.sqrt(wide.naive)), 1e-12) / (share * (1 - share))
    logit = np.array(np.log(share / (1 - share)))
    _, _, low, high = logit_test(logit, np.array(error), wide.df, confidence=confidence)
    return logistic(float(low)), logistic(float(high))


def _of_worths(row: Mapping[str, Any], wide: TwoWay, size: float) -> _Second:
    """Test a contrast of worths whose largest weight is `size`, so that it is a logit again."""
    found = logit_test(np.array(wide.estimate / size), np.array(wide.se / size), wide.df)
    _, p, low, high = (float(value) for value in found)
    if row["direction"] and np.sign(wide.estimate) != row["direction"]:
        p = 1.0
    return _numbers(row, p, wide, low * size, high * size)


def _of_most(
    claim: Claim, row: Mapping[str, Any], heard: Heard, wide: dict[str, TwoWay]
) -> _Second:
    """Test a stage against all its rivals, with the first verdict's sharing of the error."""
    assert heard.preference is not None
    against = [
        _widened(worth_difference(heard.preference, claim.stages[0], name), one)
        for name, one in wide.items()
    ]
    closest = min(against, key=lambda found: found.estimate)
    p = _sided_p(against)
    ahead = np.array([found.estimate > 0 for found in against])
    leads = bool(ahead.all())
    if row["direction"] and leads != (row["direction"] > 0):
        value = 1.0
    else:
        value = float(p.max()) if leads else float(np.where(ahead, 1.0, p).min())
    one = next(w for w in wide.values() if w.estimate == closest.estimate)
    return _numbers(row, value, one, closest.ci_low, closest.ci_high)


def _widened(found: WorthDifference | None, wide: TwoWay) -> WorthDifference:
    """Return a comparison of these pieces with the error over music like them."""
    assert found is not None
    tested = logit_test(np.array(wide.estimate), np.array(wide.se), wide.df)
    statistic, p, low, high = (float(value) for value in tested)
    return replace(
        found,
        estimate=wide.estimate,
        se=wide.se,
        statistic=statistic,
        df=wide.df,
        p_value=p,
        ci_low=low,
        ci_high=high,
        share=logistic(wide.estimate),
    )


# words ---------------------------------------------------------------------------------


def _settled(row: Mapping[str, Any], second: _Second, p_holm: float) -> _Second:
    """Return the block with its verdict: the first verdict, where it still holds."""
    if second.declined_reason is not None:
        return second
    verdict = row["verdict"] if p_holm <= row["alpha"] else "undecided"
    numbers = f"({_interval_words(row, second)}; adjusted {p_words(p_holm)})"
    kept = f"For music like these {second.n_programmes} pieces"
    if verdict != "undecided":
        words = f"{kept} too: {verdict} {numbers}."
    elif row["verdict"] == "undecided":
        words = f"{kept}: undecided, as for these pieces themselves {numbers}."
    else:
        words = f"{kept}: undecided, though {row['verdict']} for these pieces themselves {numbers}."
    return replace(second, verdict=verdict, p_holm=p_holm, words=words)


def _interval_words(row: Mapping[str, Any], second: _Second) -> str:
    low, high = second.ci_low, second.ci_high
    if row["kind"] == "step":
        return f"95 % interval of the difference {low:.3g} to {high:.3g}"
    wide = "90" if row["kind"] == "similar" else "95"
    if row["kind"] not in _HEARING:
        low, high = logistic(low), logistic(high)
    return f"{wide} % interval {percent(low)} to {percent(high)}"
