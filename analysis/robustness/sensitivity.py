"""How far a verdict hangs on choices that could have been made otherwise.

Every claim is judged again by the same functions: with every answer counting once in place of every
listener, without each listener in turn, without the listeners farthest out on either side, without
those whose conduct is flagged, and without each programme in turn. Nothing is resampled, so that
each costs a refit. This describes; it is no further test, and no verdict is changed by it.

In panels of more than :data:`EVERYBODY` the listeners left out in turn are those who come nearest
to turning some claim by the linearised estimate and error without them, five at a time until five
in a row turn nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from functools import partial
from typing import Any

import numpy as np

from analysis.claims.finding import Claim
from analysis.claims.grammar import parse_claim
from analysis.claims.judge import Heard
from analysis.panels.number_words import listed
from analysis.robustness.contributions import Contributions, hearing_limit
from analysis.robustness.music import claim_contributions
from analysis.robustness.rejudge import HEARING, Judge, LinksOf
from analysis.tables.stages import StageTable

__all__ = ["EVERYBODY", "extremes", "sensitivity"]

#: Up to this many listeners, each is left out in turn.
EVERYBODY = 30
#: In larger panels, so many at a time.
_AT_ONCE = 5
#: One listener of so many is left out on either side as farthest out, one at least.
_ONE_IN = 20
#: So many names are spelled out where a verdict turns.
_MOST_NAMES = 3


@dataclass(frozen=True, slots=True)
class _Variant:
    """One other way to judge a claim, and what came of it: a row of the result."""

    kind: str
    variant: str
    left_out: list[str]
    verdict: str
    p_value: float
    p_holm: float
    estimate: float | None
    ci_low: float | None
    ci_high: float | None
    n_listeners: int | None


def _variant(kind: str, words: str, left_out: Sequence[str], row: Mapping[str, Any]) -> _Variant:
    return _Variant(
        kind=kind,
        variant=words,
        left_out=list(left_out),
        verdict=row["verdict"],
        p_value=row["p_value"],
        p_holm=row["p_holm"],
        estimate=row["estimate"],
        ci_low=row["ci_low"],
        ci_high=row["ci_high"],
        n_listeners=row["n_listeners"],
    )


def sensitivity(
    rows: Sequence[Mapping[str, Any]],
    heard: Heard,
    *,
    groups: Mapping[str, Heard] | None = None,
    stages: StageTable | None = None,
    alpha: float = 0.05,
    flagged: Mapping[str, Sequence[str]] | None = None,
    links_of: LinksOf | None = None,
) -> list[dict[str, Any] | None]:
    """Judge claims in other ways and tell which of them turn the verdicts.

    Parameters
    ----------
    rows : sequence of mapping
        From :func:`analysis.claims.judge.judge_claims`.
    heard, groups, stages, alpha
        As they were given there; answers with their `trials`.
    flagged : mapping of str to sequence of str, optional
        Listeners whose conduct is flagged, with the reasons.
    links_of : callable, optional
        Holds the metrics against a fitted preference, as was done for `heard`.

    Returns
    -------
    list of dict or None
        One a row: ``stable`` (the verdict is the same in every way), ``turns`` (what turns it, in
        words), ``word`` (both in one line), ``flagged`` (listeners of that claim), ``rows`` (each
        ``kind``, ``variant``, ``left_out``, ``verdict``, ``p_value``, ``p_holm``, ``estimate``,
        ``ci_low``, ``ci_high``, ``n_listeners``). None for claims about one person, and where the
        claim could not be tested.
    """
    if not rows:
        return []
    judge = Judge(rows, heard, groups or {}, stages, alpha, links_of)
    common = _common_variants(judge, flagged or {})
    result: list[dict[str, Any] | None] = []
    for k, row in enumerate(rows):
        claim = parse_claim(row["text"])
        untested = row["n_listeners"] is None or row["n_listeners"] < 2
        if claim.kind == "one hears" or untested:
            result.append(None)
            continue
        own = judge.listeners_of(row)
        found = [v for v in (make(k) for make in common) if _concerns(v, own)]
        found[2:2] = _without_extremes(judge, k, claim, row)
        result.append(_block(row, found, own & set(flagged or {})))
    return result


def _concerns(variant: _Variant, own: set[str]) -> bool:
    """Tell whether a variant leaves out anybody whose answers a claim rests on."""
    return variant.kind not in ("one out", "flagged") or bool(own & set(variant.left_out))


# variants ------------------------------------------------------------------------------


def _common_variants(
    judge: Judge, flagged: Mapping[str, Sequence[str]]
) -> list[Callable[[int], _Variant]]:
    """Return the variants that are the same for every claim, as functions of the claim's place."""
    everyone = sorted(set().union(*(judge.listeners_of(row) for row in judge.rows)))
    made: list[tuple[str, str, list[str], Sequence[Mapping[str, Any]]]] = []
    made.append(("listeners", "every listener once", [], judge.rows))
    made.append(("answers", "every answer once", [], judge.every_answer()))
    out = sorted(set(flagged) & set(everyone))
    if out:
        made.append(("flagged", f"without the flagged: {listed(out)}", out, judge.without(out)))
    for name in _programmes(judge):
        made.append(("programme", f"without {name}", [name], judge.without((), name)))
    for name in everyone if len(everyone) <= EVERYBODY else _nearest(judge):
        made.append(("one out", f"without {name}", [name], judge.without([name])))
    return [partial(_placed, kind, words, names, judged) for kind, words, names, judged in made]


def _placed(
    kind: str, words: str, names: list[str], rows: Sequence[Mapping[str, Any]], place: int
) -> _Variant:
    return _variant(kind, words, names, rows[place])


def _nearest(judge: Judge) -> list[str]:
    """Return the listeners without whom some verdict turns, and those next to them."""
    chosen: set[str] = set()
    for k, row in enumerate(judge.rows):
        order = _by_linearised(judge, row)
        for start in range(0, len(order), _AT_ONCE):
            names = order[start : start + _AT_ONCE]
            chosen |= set(names)
            if all(judge.without([name])[k]["verdict"] == row["verdict"] for name in names):
                break
    return sorted(chosen)


def _by_linearised(judge: Judge, row: Mapping[str, Any]) -> list[str]:
    """Sort listeners by how near leaving them out brings the verdict to turning, to first order."""
    answers = judge.answers_of(row)
    if answers is None or np.isnan(row["p_value"]):
        return []
    parts = claim_contributions(parse_claim(row["text"]), row, answers, judge.stages)
    if not parts:
        return []
    part = min(parts.values(), key=lambda one: one.estimate)
    moves, g = part.by_listener, len(part.listeners)
    null = hearing_limit(row) if row["kind"] in HEARING else 0.0
    lead = part.estimate - moves * g / (g - 1) - null
    spread = np.sqrt(np.maximum((moves**2).sum() - moves**2, 1e-300))
    # A decided verdict turns where the lead gets small, an open one where it gets large.
    turn = np.abs(lead / spread) * (-1 if row["verdict"] == "undecided" else 1)
    return [part.listeners[i] for i in np.argsort(turn, kind="stable")]


def _programmes(judge: Judge) -> list[str]:
    if judge.heard.trials is None:
        return []
    frame = judge.heard.trials.frame
    names = sorted(set(frame.loc[frame["control"] == "", "programme"].unique()) - {""})
    return [str(name) for name in names] if len(names) > 1 else []


def _without_extremes(judge: Judge, k: int, claim: Claim, row: Mapping[str, Any]) -> list[_Variant]:
    answers = judge.answers_of(row)
    if answers is None or np.isnan(row["p_value"]):
        return []
    parts = claim_contributions(claim, row, answers, judge.stages)
    if not parts:
        return []
    out = extremes(min(parts.values(), key=lambda part: part.estimate))
    if not out:
        return []
    words = f"without the farthest out: {listed(out)}"
    return [_variant("extremes", words, out, judge.without(out)[k])]


def extremes(parts: Contributions) -> list[str]:
    """Return the listeners who move an estimate farthest, on either side.

    Parameters
    ----------
    parts : Contributions

    Returns
    -------
    list of str
        One listener in twenty on each side, one at least, in sorted order; empty with fewer than
        four listeners or where nobody moves it.
    """
    moves = parts.by_listener
    if len(moves) < 4 or np.ptp(moves) < 1e-12:
        return []
    each = max(1, len(moves) // _ONE_IN)
    order = np.argsort(moves, kind="stable")
    return sorted(parts.listeners[i] for i in (*order[:each], *order[-each:]))


# words ---------------------------------------------------------------------------------


def _block(row: Mapping[str, Any], found: list[_Variant], flagged: set[str]) -> dict[str, Any]:
    turned = [variant for variant in found if variant.verdict != row["verdict"]]
    turns = _turns(row, turned)
    return {
        "stable": not turned,
        "turns": turns,
        "word": "; ".join(turns) if turns else "stable",
        "flagged": sorted(flagged),
        "rows": [asdict(variant) for variant in found],
    }


def _turns(row: Mapping[str, Any], turned: list[_Variant]) -> list[str]:
    said = []
    alone = [v.left_out[0] for v in turned if v.kind == "one out"]
    if alone and row["verdict"] != "undecided":
        least = row.get("least_panel")
        n = row.get("n_bearing", row["n_listeners"])
        if least is not None and n - 1 < least:
            said.append("one listener fewer would be too few to decide")
        else:
            said.append("hangs on one listener")
    if alone:
        said.append(f"turns without {_either(alone)}")
    words = {
        "answers": "turns if every answer counts once",
        "extremes": "turns without those farthest out ({names})",
        "flagged": "turns without those flagged ({names})",
    }
    for variant in turned:
        if variant.kind in words:
            names = listed(variant.left_out) if variant.left_out else ""
            said.append(words[variant.kind].format(names=names))
    pieces = [v.left_out[0] for v in turned if v.kind == "programme"]
    if pieces:
        said.append(f"turns without {_either(pieces)}")
    return said


def _either(names: list[str]) -> str:
    """Name those of whom each alone would do."""
    if len(names) <= _MOST_NAMES:
        return " or ".join(names)
    return f"any one of {len(names)} ({', '.join(names[:_MOST_NAMES])} ...)"
