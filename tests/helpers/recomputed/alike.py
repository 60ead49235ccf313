"""Which numbers of the documents have one meaning, by the words that stand beside them."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from typing import Any

Meaning = tuple[Any, ...]


def _difference(base: str, first: str, second: str, names: dict[str, str]) -> Iterator[Any]:
    """Name the figures of a difference of worths; turned round, the ends change places."""
    if first == second:
        return
    turned = first > second
    pair = (second, first) if turned else (first, second)
    for key, figure in names.items():
        if figure in ("low", "high") and turned:
            figure = "high" if figure == "low" else "low"
        sign = -1 if turned and figure != "p" else 1
        yield f"{base}/{key}", ("difference", *pair, figure), sign


_CLAIM = {"estimate": "value", "ci_low": "low", "ci_high": "high", "p_value": "p"}
_GAIN = {"gain": "value", "gain_low": "low", "gain_high": "high"}
_EFFECT = {"estimate": "value", "low": "low", "high": "high", "p_value": "p"}


def meanings(words: dict[str, Any]) -> Iterator[tuple[str, Meaning, int]]:
    """Return pointers with what they mean, and -1 where the number stands with the other sign.

    Parameters
    ----------
    words : dict
        The words of ``results.json``.
    """
    for k, row in enumerate(words["claims"]):
        yield from _claim(k, row)
    up = words["upgrade"]
    for block in ("first_step", "second_step", "order"):
        for k, row in enumerate(up[block]):
            at = f"/results/upgrade/{block}/{k}"
            yield from _difference(at, row["step"], row["from_stage"], _GAIN)
            start, step = row["from_stage"], row["step"]
            # Of one step only there is no choice: how often it gains is another question.
            yield f"{at}/p_best", ("best step", start, step), 1
    for k, row in enumerate(up["budget"]):
        at = f"/results/upgrade/budget/{k}"
        yield from _difference(at, row["stage"], up["baseline"], _GAIN)
    for k, row in enumerate(up["effects"]):
        if row["kind"] == "increment":
            at = f"/results/upgrade/effects/{k}"
            yield from _difference(at, row["to_stage"], row["from_stage"], _EFFECT)
    for k, row in enumerate(words["discrimination"]):
        if row["listener"] is None and row["programme"] is None:
            yield from _heard(f"/results/discrimination/{k}/panel", row["pair"])
            yield f"/results/discrimination/{k}/n_trials", ("asked", *sorted(row["pair"])), 1
    for k, row in enumerate(words["answer"]["rests_on"]):
        if row["relation"] == "hear":
            pair = sorted((row["first"], row["second"]))
            yield f"/results/answer/rests_on/{k}/share", ("heard", *pair, "value"), 1
        elif row["claim"] is None and row["relation"] == "prefer":
            yield f"/results/answer/rests_on/{k}/share", ("share", row["first"], row["second"]), 1
    for k, row in enumerate(words["answer"]["beside"]):
        if row["names"].get("step"):
            place = ("best step", up["baseline"], row["names"]["step"][0])
            yield f"/results/answer/beside/{k}/p", place, 1
    for k, row in enumerate(words["preference"]["stages"]):
        at = f"/results/preference/stages/{k}"
        yield f"{at}/p_best", ("best of all", row["stage"]), 1
        yield f"{at}/rank_probabilities/0", ("best of all", row["stage"]), 1
    for place in ("preference", "upgrade"):
        for what in ("n_listeners", "n_trials"):
            yield f"/results/{place}/{what}", ("preferring", what), 1
    for place in ("about", "power_claims"):
        for what in ("n_listeners", "n_trials"):
            yield f"/results/{place}/{what}", ("all", what), 1
    for place in ("/results/about/alpha", "/study/plan/alpha"):
        yield place, ("alpha",), 1


def _heard(base: str, pair: list[str]) -> Iterator[tuple[str, Meaning, int]]:
    names = {"estimate": "value", "ci_low": "low", "ci_high": "high", "p_value": "p"}
    for key, figure in names.items():
        yield f"{base}/{key}", ("heard", *sorted(pair), figure), 1


def _claim(k: int, row: dict[str, Any]) -> Iterator[tuple[str, Meaning, int]]:
    at = f"/results/claims/{k}"
    if row["kind"] == "hear":
        yield from _heard(at, row["stages"])
        yield f"{at}/n_trials", ("asked", *sorted(row["stages"])), 1
    if row["kind"] == "prefer" or (row["kind"] == "step" and not row.get("per")):
        yield from _difference(at, *row["stages"], _CLAIM)
    if row["kind"] == "most":
        names = {key: figure for key, figure in _CLAIM.items() if figure != "p"}
        yield from _difference(at, row["stages"][0], row["rival"], names)
    variants = (row["sensitivity"] or {"rows": []})["rows"]
    for n, one in enumerate(variants):
        if one["kind"] == "listeners":
            yield f"{at}/sensitivity/rows/{n}/p_value", ("claim", k, "p"), 1
            yield f"{at}/p_value", ("claim", k, "p"), 1


def contradictions(words: dict[str, Any], printed: dict[str, str]) -> tuple[list[str], int]:
    """Return the meanings for which the documents print several numbers, and how many they share.

    Parameters
    ----------
    words : dict
    printed : dict of str to str
        Exact values by pointer.
    """
    places = defaultdict(dict)
    for pointer, meaning, sign in meanings(words):
        if printed.get(pointer):
            places[meaning][pointer] = sign * float(printed[pointer])
    shared = {m: found for m, found in places.items() if len(found) > 1}
    return [
        f"{meaning}: {found}"
        for meaning, found in shared.items()
        if max(found.values()) - min(found.values()) > 1e-9
    ], len(shared)
