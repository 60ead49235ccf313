"""The sentences that may be claimed, and their parts.

The forms stand in :mod:`analysis.claims.judge` and :mod:`analysis.claims.link`, which judge them.
Reading a sentence needs none of the statistics, so that a study file is read at once.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import replace
from functools import lru_cache

from analysis.claims.finding import Claim
from stimuli.files.errors import InputError

__all__ = ["claim_parts", "claimed_groups", "made_step", "parse_claim"]

_LINK_GRAMMAR = (
    '"listeners prefer I most of J and K", "step I before J", "step I before J for its cost", '
    '"metric M orders the stages" or "listener L can tell I from J"'
)
_METRIC = re.compile(r"metric (\S+) orders the stages")
_STEP = re.compile(r"step (\S+) before (\S+?)(?: for its (cost|labour))?")
_MOST_OF = re.compile(r"listeners prefer (\S+) most of (\S+(?:(?:, | and | or )\S+)*)")
_NEITHER = re.compile(
    r"listeners prefer neither (\S+) nor (\S+) beyond (\d+(?:\.\d+)?) to (\d+(?:\.\d+)?)"
)
# "Hear I from J" is an older form of "can tell I from J"; sealed plans keep it.
_ONE = re.compile(r"listener (\S+) (?:can tell|hears) (\S+) from (\S+)")
_FORMS = (
    ("hear", re.compile(r"listeners (?:can tell|hear) (\S+) from (\S+)")),
    (
        "similar",
        re.compile(
            r"listeners (?:cannot tell|do not hear) (\S+) from (\S+) within (\d+(?:\.\d+)?) ?%"
        ),
    ),
    ("prefer", re.compile(r"listeners prefer (\S+) over (\S+)")),
    ("most", re.compile(r"listeners prefer (\S+) most")),
)
_GRAMMAR = (
    '"listeners can tell I from J", "listeners cannot tell I from J within 20 %", '
    '"listeners prefer I over J", "listeners prefer neither I nor J beyond 55 to 45", '
    f'"listeners prefer I most", {_LINK_GRAMMAR}, with stage ids (no spaces) for I and J; '
    '"among G" at the end names a group of listeners, "at 1 %" sets an error rate'
)


# Simulated studies read the same few sentences again and again.
@lru_cache(maxsize=1024)
def parse_claim(text: str, *, source: str | None = None, where: str | None = None) -> Claim:
    """Parse one claim.

    Raises
    ------
    InputError
        The sentence is not of a known form, or compares a stage with itself.
    """
    plain = " ".join(text.split())
    sentence, own_alpha = _own_alpha(plain)
    if own_alpha is not None:
        inner = parse_claim(sentence, source=source, where=where)
        return replace(inner, text=plain, alpha=own_alpha)
    sentence, who = _who(plain)
    if who is not None:
        inner = parse_claim(sentence, source=source, where=where)
        if inner.kind == "one hears" or inner.who is not None:
            raise InputError(
                source=source,
                where=where,
                problem=f"the claim {plain!r} names listeners twice",
                remedy="Name one listener or one group, not both",
            )
        return replace(inner, text=plain, who=who)
    if neither := _NEITHER.fullmatch(plain):
        return _neither(plain, *neither.groups(), source=source, where=where)
    linked = _parse_link_claim(plain)
    if linked is not None:
        _check_parts(plain, linked.stages, None, source, where)
        return linked
    for kind, form in _FORMS:
        found = form.fullmatch(plain)
        if found:
            margin = None
            stages = found.groups()
            if kind == "similar":
                stages, margin = found.groups()[:2], float(found.group(3)) / 100
            _check_parts(plain, stages, margin, source, where)
            return Claim(plain, kind, stages, margin)
    raise _unknown_form(plain, source, where)


def claim_parts(claim: Claim) -> list[str]:
    """Return what a claim says, words and stage ids in turn, so that a page can put names in.

    Parameters
    ----------
    claim : Claim

    Returns
    -------
    list of str
        Words first and last; every second part is a stage id. Words may be empty.

    Examples
    --------
    >>> claim_parts(parse_claim("listeners prefer damped over as-built at 1 %"))
    ['Listeners prefer ', 'damped', ' over ', 'as-built', ' at 1 %']
    """
    first, *rest = _between(claim)
    parts = [first]
    for stage, words in zip(claim.stages, rest, strict=True):
        parts += [stage, words]
    if claim.who is not None:
        parts[-1] += f" among {claim.who}"
    if claim.alpha is not None:
        parts[-1] += f" at {100 * claim.alpha:g} %"
    return parts


def _between(claim: Claim) -> list[str]:
    """Return the words before, between and after the stages of a claim."""
    match claim.kind:
        case "hear":
            return ["Listeners can tell ", " from ", ""]
        case "one hears":
            return [f"Listener {claim.names[0]} can tell ", " from ", ""]
        case "similar":
            return ["Listeners cannot tell ", " from ", f" within {100 * (claim.margin or 0):g} %"]
        case "prefer":
            return ["Listeners prefer ", " over ", ""]
        case "neither":
            more = 50 + 100 * (claim.points or 0)
            return ["Listeners prefer neither ", " nor ", f" beyond {more:g} to {100 - more:g}"]
        case "most":
            return ["Listeners prefer ", " most"]
        case "most of":
            gaps = [", "] * (len(claim.stages) - 3) + [" and "] * (len(claim.stages) > 2)
            return ["Listeners prefer ", " most of ", *gaps, ""]
        case "step":
            price = {"cost": ", counted by money", "labour": ", counted by hours of work"}
            counted = price[claim.names[0]] if claim.names else ""
            return ["Do ", " before ", counted]
        case "orders":
            return [f"Metric {claim.names[0]} orders the stages"]
    raise AssertionError(claim.kind)


def _unknown_form(plain: str, source: str | None, where: str | None) -> InputError:
    """Return the error of a sentence without a known form, or with an impossible error rate."""
    problem, remedy = f"the claim {plain!r} has no known form", f"Write {_GRAMMAR}"
    level = re.fullmatch(r"(.+) at (\S+) ?%", plain)
    if level is not None:
        with suppress(InputError):
            parse_claim(level.group(1))
            problem = f"the claim {plain!r} asks for an error rate of {level.group(2)} %"
            remedy = "Write one above 0 and at most 50 %, such as 'at 1 %'"
    return InputError(source=source, where=where, problem=problem, remedy=remedy)


def _who(plain: str) -> tuple[str, str | None]:
    """Split a group of listeners from the end of a sentence."""
    found = re.fullmatch(r"(.+) among (\S.*)", plain)
    return (plain, None) if found is None else (found.group(1), found.group(2))


def claimed_groups(claims: Sequence[str]) -> dict[str, set[str]]:
    """Return the groups that claims name, with the kinds of claims about each."""
    groups: dict[str, set[str]] = {}
    for text in claims:
        claim = parse_claim(text)
        if claim.who is not None:
            groups.setdefault(claim.who, set()).add(claim.kind)
    return groups


def made_step(stage: str) -> tuple[str, str]:
    """Return what is wrong with a claim of a step to a made stage, and the remedy."""
    return (
        f"'{stage}' is a made stage, an experiment that nobody can buy, so it is no step",
        f"claim 'listeners prefer {stage} over ...' instead, or name stages that were measured",
    )


def _own_alpha(plain: str) -> tuple[str, float | None]:
    """Split an error rate from the end of a sentence."""
    found = re.fullmatch(r"(.+) at (\d+(?:\.\d+)?) ?%", plain)
    if found is None or not 0 < float(found.group(2)) <= 50:
        return plain, None
    return found.group(1), float(found.group(2)) / 100


def _check_parts(
    plain: str,
    stages: tuple[str, ...],
    margin: float | None,
    source: str | None,
    where: str | None,
) -> None:
    if len(set(stages)) < len(stages):
        raise InputError(
            source=source,
            where=where,
            problem=f"the claim {plain!r} compares a stage with itself",
            remedy="Name two different stages",
        )
    if margin is not None and not 0 < margin < 1:
        raise InputError(
            source=source,
            where=where,
            problem=f"the margin in {plain!r} is not between 0 and 100 %",
            remedy="Write the share of listeners that would matter, 20 % or so",
        )


def _neither(
    plain: str, i: str, j: str, more: str, less: str, *, source: str | None, where: str | None
) -> Claim:
    """Make a claim of equal preference; its two numbers are a split of a hundred decisions."""
    _check_parts(plain, (i, j), None, source, where)
    if abs(float(more) + float(less) - 100) > 1e-9 or not float(less) < float(more) < 100:
        raise InputError(
            source=source,
            where=where,
            problem=f"{more} to {less} in {plain!r} is no uneven split of a hundred decisions",
            remedy="Write the split from which on a preference would matter, larger part first "
            'and both adding up to 100: "beyond 55 to 45"',
        )
    points = round(float(more) - 50, 9) / 100
    return Claim(plain, "neither", (i, j), points=points)


def _parse_link_claim(plain: str) -> Claim | None:
    """Parse a sentence of :mod:`analysis.claims.link`; None when it has none of its forms."""
    if found := _METRIC.fullmatch(plain):
        return Claim(plain, "orders", (), names=found.groups())
    if found := _STEP.fullmatch(plain):
        price = (found.group(3),) if found.group(3) else ()
        return Claim(plain, "step", (found.group(1), found.group(2)), names=price)
    if found := _MOST_OF.fullmatch(plain):
        rivals = re.split(r", | and | or ", found.group(2))
        return Claim(plain, "most of", (found.group(1), *rivals))
    if found := _ONE.fullmatch(plain):
        return Claim(plain, "one hears", found.groups()[1:], names=(found.group(1),))
    return None
