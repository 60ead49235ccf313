"""What simulated studies found out about a plan, in lines and rows for people."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from abx.planning.power import Asked
from analysis.claims.grammar import parse_claim

if TYPE_CHECKING:
    from analysis.planning.families import Chance
    from analysis.planning.findings import Findings
    from analysis.planning.size import Needed
    from analysis.planning.supposed import Sizes

__all__ = ["chance_words", "claim_rows", "finding_lines", "table_lines"]

#: A difference that is found less often than this is out of reach, or mostly missed.
_OUT_OF_REACH, _MOSTLY_MISSED = 0.2, 0.5
_WANTED = 0.8


def chance_words(chance: Chance, *, error: bool = True) -> str:
    """Write a chance in percent with its Monte Carlo error."""
    if not chance.n_studies:
        return "..."
    percent, off = 100 * chance.share, 100 * chance.error
    shown = "over 99" if percent > 99 else "under 1" if percent < 1 else f"{percent:.0f}"
    if not error:
        return f"{shown} %"
    return f"{shown} ± {off:.1f} %" if off < 0.95 else f"{shown} ± {off:.0f} %"


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %"


def _size_words(sizes: Sizes) -> str:
    if sizes.right is None or sizes.right == sizes.share:
        return _percent(sizes.share)
    return f"{_percent(sizes.share)}, right {_percent(sizes.right)}"


def _needed_words(needed: Needed) -> str:
    from analysis.planning.size import LARGEST

    if needed.listeners is None:
        return f"over {LARGEST}"
    return f"about {_rounded(needed.listeners)}"


def _rounded(n: int) -> int:
    """Round a number of listeners up, as far as it is known."""
    step = 1 if n < 20 else 2 if n < 60 else 5 if n < 120 else 10
    return -(-n // step) * step


def claim_rows(asked: Asked, found: Findings) -> list[dict[str, object]]:
    """Return one row a claim: its chances, and the listeners that a new study needs.

    Parameters
    ----------
    asked : Asked
    found : Findings
        What is known so far; columns of what is not known yet are left out.

    Returns
    -------
    list of dict
        Text by column.
    """
    rows: list[dict[str, object]] = []
    n = len(asked.claims)
    together = f"With all {n}" if asked.declared and n > 1 else None
    for k, text in enumerate(asked.claims):
        row: dict[str, object] = {"Claim": _claim_words(asked, found, k, text)}
        row["Alone"] = chance_words(found.alone(k))
        if together:
            row[together] = chance_words(found.together(k))
        for place, (sizes, _) in enumerate(found.others):
            row[f"At {_size_words(sizes)}"] = (
                "as before" if _nobody_hears(asked, k) else chance_words(found.at(place, k))
            )
        if found.panels:
            row["Listeners for 80 %"] = _listeners_words(asked, found, k)
        rows.append(row)
    return rows


def _kind(asked: Asked, k: int) -> str:
    return parse_claim(asked.question.family.claims[k]).kind


def _nobody_hears(asked: Asked, k: int) -> bool:
    return _kind(asked, k) == "similar"


def _listeners_words(asked: Asked, found: Findings, k: int) -> str:
    """Say how many listeners a claim needs; of one person other listeners say nothing."""
    if _kind(asked, k) == "one hears":
        return "that one" if found.together(k).share >= _WANTED else "more trials"
    return _needed_words(found.needed(k))


def _claim_words(asked: Asked, found: Findings, k: int, text: str) -> str:
    """Name a claim, and the size at which it is true where others push it beyond the stated one."""
    from analysis.planning.findings import true_share

    share = true_share(found.world, asked.question.family.claims[k])
    if share is None or share < found.world.sizes.share + 0.005:
        return text
    return f"{text} (true at {_percent(share)})"


def table_lines(rows: list[dict[str, object]]) -> list[str]:
    """Write rows as lines with the first column last, since it is the longest."""
    names = [*list(rows[0])[1:], next(iter(rows[0]))]
    widths = [max(len(name), *(len(str(row[name])) for row in rows)) for name in names]
    lines = []
    for cells in [names, *([str(row[name]) for name in names] for row in rows)]:
        padded = [cell.rjust(w) for cell, w in zip(cells[:-1], widths[:-1], strict=True)]
        lines.append("   ".join([*padded, cells[-1]]))
    return lines


def finding_lines(asked: Asked, found: Findings) -> list[str]:
    """Say in sentences what the table does not: the family, what was supposed, what is missed."""
    return [
        *_family_lines(asked, found),
        *_supposed_lines(asked, found),
        *_pair_lines(asked, found),
        *_reach_lines(asked, found),
        *_problem_lines(asked, found),
        *_size_lines(asked, found),
    ]


def _family_lines(asked: Asked, found: Findings) -> Iterator[str]:
    n = len(asked.claims)
    if not asked.declared:
        yield "The study declares no claim. These are examples, each as if it were the only one."
    elif n > 1:
        yield (
            f"All {n} claims supported: {chance_words(found.every)}. At least one: "
            f"{chance_words(found.some)}. Every further claim makes it harder for the others."
        )
    for method in asked.silent if asked.declared else ():
        yield f"No claim rests on the {method} answers, so no chance is given for them."


def _supposed_lines(asked: Asked, found: Findings) -> Iterator[str]:
    kinds = {parse_claim(text).kind for text in asked.question.family.claims}
    sizes = found.world.sizes
    parts = []
    if kinds & {"hear", "one hears"}:
        parts.append(
            f"{_percent(sizes.heard)} right answers "
            f"(SD over listeners {100 * sizes.spread_right:g} points)"
        )
    if "similar" in kinds:
        parts.append(
            "nobody hears what is claimed not to be heard, and obvious controls are right in "
            f"{_percent(sizes.controls)}"
        )
    if kinds & {"prefer", "most", "most of", "step"}:
        parts.append(
            f"{_percent(sizes.share)} choices for the better stage (SD of tastes "
            f"{sizes.spread_taste:g} logits)"
        )
    if "orders" in kinds:
        parts.append(f"a correlation of {sizes.correlation:g} of metric and worths over stages")
    if asked.question.panel_of(asked.question.n_listeners).ties:
        parts.append(f"{_percent(sizes.ties)} ties between equals")
    if asked.visits:
        parts.append(f"{_percent(asked.visits)} of listeners come for a short visit")
    if asked.question.groups != ("",):
        parts.append("listeners spread evenly over the groups")
    yield f"Supposed: {'; '.join(parts)}."


def _pair_lines(asked: Asked, found: Findings) -> Iterator[str]:
    question = asked.question
    if question.pair is None or len(question.panel_of(question.n_listeners).stages) < 3:
        return
    text = "listeners prefer {} over {}".format(*question.pair)
    k = [parse_claim(claim).text for claim in question.family.claims].index(text)
    yield (
        f"'{text}' as the only claim: {chance_words(found.by_own_votes)} by the votes on this pair "
        f"alone, {chance_words(found.alone(k))} by all pairs fitted together."
    )


def _reach_lines(asked: Asked, found: Findings) -> Iterator[str]:
    people = asked.question.n_listeners
    kept = [
        k
        for k in range(len(asked.claims))
        if not _nobody_hears(asked, k) and k not in found.impossible
    ]
    for place, (sizes, _) in enumerate(found.others):
        if sizes.share > asked.question.sizes.share or not kept:
            continue
        best = max((found.at(place, k) for k in kept), key=lambda chance: chance.share)
        told = f"(chance at most {chance_words(best)})"
        if best.share < _OUT_OF_REACH:
            yield f"A share of {_size_words(sizes)} cannot be shown by {people} listeners {told}."
        elif best.share < _MOSTLY_MISSED:
            yield (
                f"A share of {_size_words(sizes)} would mostly be missed by {people} listeners "
                f"{told}."
            )


def _problem_lines(asked: Asked, found: Findings) -> Iterator[str]:
    shown = dict(zip(asked.question.family.claims, asked.claims, strict=True))
    for conflict in found.world.conflicts:
        against = "' and '".join(shown.get(text, text) for text in conflict.against)
        yield (
            f"'{shown.get(conflict.claim, conflict.claim)}' and '{against}' cannot all be true at "
            "this size; the first is taken to be false here."
        )
    conflicting = {conflict.claim for conflict in found.world.conflicts}
    for k, needs in found.impossible.items():
        if asked.question.family.claims[k] not in conflicting:
            yield (
                f"'{asked.claims[k]}' cannot be supported by this plan, whatever listeners "
                f"answer. It takes {needs}."
            )


def _size_lines(asked: Asked, found: Findings) -> Iterator[str]:
    if not found.panels:
        return
    if asked.declared and len(asked.claims) > 1 and _all_hang_on_listeners(asked, found):
        every = found.needed(None)
        yield (
            f"A new study with an 80 % chance to support all {len(asked.claims)} claims at once "
            f"needs {_needed_words(every)} listeners{_between(every)}."
        )
    yield (
        "Fix the number before the first listener comes. Adding listeners to a finished study "
        "gives neither this chance nor this level."
    )


def _all_hang_on_listeners(asked: Asked, found: Findings) -> bool:
    """Tell whether some number of listeners could support all claims at once."""
    never = {k for k in found.impossible if found.needed(k).listeners is None}
    single = {k for k in range(len(asked.claims)) if _kind(asked, k) == "one hears"}
    return not (found.world.conflicts or never or single)


def _between(needed: Needed) -> str:
    if needed.listeners is None or needed.low is None:
        return ""
    if needed.high is None:
        return f" (at least {_rounded(needed.low)}, by the simulation's error)"
    low, high = _rounded(needed.low), _rounded(needed.high)
    return "" if low == high else f" ({low} to {high}, by the simulation's error)"
