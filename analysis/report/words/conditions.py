"""When a sentence may be said: the facts, the conditions on them, and the guarded words.

Guarded words (prefer, hear, "no difference", significant, predict, best, told apart) assert
something about listeners; :data:`GUARDS` names what must be true before a finding may use
them.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass

from markupsafe import Markup

from analysis.report.words.numbers import rule

__all__ = [
    "GUARDS",
    "MODELS_DISAGREE_LU",
    "RULES",
    "STAGES_FOR_LINK",
    "USES",
    "Condition",
    "Facts",
    "Sentence",
    "WordingError",
    "finding",
    "guarded_words",
    "limit",
    "name",
]

# Limits of the report itself. Sources: the 0.5 dB between loudness models and the six stages are
# fixed in the project's design; 85 dBA, 8 h and 3 dB are the NIOSH recommended exposure limit
# (NIOSH publication 98-126, 1998).
MODELS_DISAGREE_LU = 0.5
STAGES_FOR_LINK = 6
RULES: dict[str, Markup] = {
    "rule_power": rule(0.8, "percent"),
    "rule_models": rule(MODELS_DISAGREE_LU),
    "rule_six": rule(STAGES_FOR_LINK, "count"),
    "rule_dba": rule(85, "count"),
    "rule_rel_h": rule(8, "count"),
    "rule_exchange_db": rule(3, "count"),
    "rule_interval": rule(0.95, "percent"),
    "rule_match_lu": rule(0.1),
    "rule_filter_db": rule(0.3),
    "rule_peak": rule(-1.0, "count"),
    "rule_half": rule(0.5, "percent"),
    "rule_zero": rule(0, "count"),
    "rule_hundred": rule(100, "count"),
}


class WordingError(RuntimeError):
    """A sentence was asked for without its condition being met: a fault of the program."""


@dataclass(frozen=True, slots=True)
class Facts:
    """What the evidence allows a sentence to assume.

    Attributes
    ----------
    simulated : bool
        Any simulated listener took part.
    claim : str or None
        Kind of the claim spoken about: ``hear``, ``prefer``, ``most``, ``same``, ``other``;
        ``first`` for what several claims say of first steps together.
    verdict : str or None
        ``supported``, ``contradicted``, ``undecided``, ``too small to matter``.
    matters : str or None
        ``yes``, ``no`` or ``open``, where the plan declares a smallest effect that matters.
    p_value, alpha : float or None, float
        The test of one pair and its level.
    n_stages : int
        Stages behind a link between measurement and choices.
    link_passed : bool
        The primary metric of a sealed plan passed its own test.
    link_predicts : bool
        The checks beside that test allow a prediction: the stages do not differ by more than the
        metric explains, and it comes nearer to a stage left out than the mean of the others.
    link_explored : bool
        A figure that no sealed plan names passed its test, adjusted for all that were looked at.
    control_passed : bool
        The obvious control trials were passed by the panel.
    n_groups : int
        Groups of listeners that passed their test against one varied population; 1 for none.
    """

    simulated: bool = False
    claim: str | None = None
    verdict: str | None = None
    matters: str | None = None
    p_value: float | None = None
    alpha: float = 0.05
    n_stages: int = 0
    link_passed: bool = False
    link_predicts: bool = False
    link_explored: bool = False
    control_passed: bool = False
    n_groups: int = 1


@dataclass(frozen=True, slots=True)
class Condition:
    """A named condition on the facts."""

    words: str
    holds: Callable[[Facts], bool]


def _claims(kind: str, verdict: str = "supported") -> Callable[[Facts], bool]:
    return lambda f: f.claim == kind and f.verdict == verdict


def _below_alpha(f: Facts) -> bool:
    return f.p_value is not None and f.p_value < f.alpha


def _link(f: Facts) -> bool:
    return f.link_passed and f.n_stages >= STAGES_FOR_LINK


ALWAYS = Condition("always", lambda f: True)
REHEARSAL = Condition("listeners were simulated", lambda f: f.simulated)
SUPPORTED = Condition("the claim is supported", lambda f: f.verdict == "supported")
CONTRADICTED = Condition("the claim is contradicted", lambda f: f.verdict == "contradicted")
UNDECIDED = Condition("the claim is undecided", lambda f: f.verdict == "undecided")
SMALL = Condition("shown and too small to matter", lambda f: f.verdict == "too small to matter")
SUPPORTED_OPEN = Condition(
    "the claim is supported, whether its difference matters is open",
    lambda f: f.verdict == "supported" and f.matters == "open",
)
CONTRADICTED_OPEN = Condition(
    "the claim is contradicted, whether the difference matters is open",
    lambda f: f.verdict == "contradicted" and f.matters == "open",
)
PREFER_SHOWN = Condition("a claim 'prefer I over J' is supported", _claims("prefer"))
MOST_SHOWN = Condition("a claim 'prefer I most' is supported", _claims("most"))
FIRST_SHOWN = Condition("claims on first steps are decided so", _claims("first"))
HEAR_SHOWN = Condition("a claim 'hear I from J' is supported", _claims("hear"))
SAME_SHOWN = Condition(
    "an equivalence claim is supported and the obvious control was passed",
    lambda f: f.claim == "same" and f.verdict == "supported" and f.control_passed,
)
TOLD_APART = Condition("the exact test of the pair is below alpha", _below_alpha)
NOT_TOLD_APART = Condition("the exact test is not below alpha", lambda f: not _below_alpha(f))
GROUPS_SHOWN = Condition(
    "groups passed the test against one varied population", lambda f: f.n_groups > 1
)
DIFFER_SHOWN = Condition("the test that all want the same is below alpha", _below_alpha)
DIFFER_OPEN = Condition(
    "the test that all want the same is not below alpha", lambda f: not _below_alpha(f)
)
LINK_SHOWN = Condition(
    "six stages or more, the link's test and the checks beside it passed",
    lambda f: _link(f) and f.link_predicts,
)
LINK_BARE = Condition(
    "six stages or more, the link's test passed and a check beside it did not",
    lambda f: _link(f) and not f.link_predicts,
)
FEW_STAGES = Condition("fewer than six stages", lambda f: f.n_stages < STAGES_FOR_LINK)
LINK_EXPLORED = Condition(
    "six stages or more and only a link passed that no sealed plan names",
    lambda f: f.n_stages >= STAGES_FOR_LINK and not f.link_passed and f.link_explored,
)
NO_LINK = Condition(
    "six stages, link not shown",
    lambda f: f.n_stages >= STAGES_FOR_LINK and not f.link_passed and not f.link_explored,
)

USES = ("finding", "limit", "name", "fact")


@dataclass(frozen=True, slots=True)
class Sentence:
    """One sentence with its condition and its kind."""

    text: str
    when: Condition = ALWAYS
    use: str = "fact"


# A finding may use the word only if its own condition implies this one.
GUARDS: dict[str, tuple[re.Pattern[str], Callable[[Facts], bool]]] = {
    "prefer": (
        re.compile(r"\b(prefer|prefers|preferred|best liked)\b", re.I),
        lambda f: (
            PREFER_SHOWN.holds(f)
            or MOST_SHOWN.holds(f)
            or FIRST_SHOWN.holds(f)
            or CONTRADICTED.holds(f)
        ),
    ),
    "hear": (
        re.compile(
            r"\b(hear|hears|heard|audible|told apart|tell apart)\b|\bcan tell .*\bfrom\b", re.I
        ),
        lambda f: HEAR_SHOWN.holds(f) or _below_alpha(f) or CONTRADICTED.holds(f),
    ),
    "no difference": (
        re.compile(r"\b(no difference|the same as|identical|equivalent)\b", re.I),
        SAME_SHOWN.holds,
    ),
    "significant": (re.compile(r"\bsignifican", re.I), _below_alpha),
    "predict": (re.compile(r"\b(predict\w*|forecast\w*)\b", re.I), LINK_SHOWN.holds),
    "best": (
        re.compile(r"\b(best|first step|winner|favou?rite)\b", re.I),
        lambda f: FIRST_SHOWN.holds(f) or PREFER_SHOWN.holds(f) or MOST_SHOWN.holds(f),
    ),
}


def guarded_words(text: str) -> list[str]:
    """Return the names of the guards whose words stand in ``text``."""
    return [name for name, (pattern, _) in GUARDS.items() if pattern.search(text)]


def finding(text: str, when: Condition) -> Sentence:
    """Make a sentence that asserts a result."""
    return Sentence(text, when, "finding")


def limit(text: str, when: Condition = ALWAYS) -> Sentence:
    """Make a sentence that denies, asks, or says what was not done."""
    return Sentence(text, when, "limit")


def name(text: str) -> Sentence:
    """Make a heading, a column or a unit word."""
    return Sentence(text, use="name")
