"""The claims with their verdicts, their numbers, and what stands beside them."""

from __future__ import annotations

from markupsafe import Markup

from analysis.report.evidence import Row
from analysis.report.loudness import loudness_of_claim
from analysis.report.page import Page, PageBlock, Section
from analysis.report.sections.turning import turning_sentence
from analysis.report.words.conditions import Facts

__all__ = [
    "badge",
    "claim_facts",
    "claim_interval",
    "claim_short",
    "claim_stages",
    "claims_section",
    "estimate_kind",
    "family_place",
    "smallest_note",
    "unheard_words",
]

# The kinds of claims under the names of the facts.
_KINDS = {
    "hear": "hear",
    "prefer": "prefer",
    "neither": "neither",
    "most": "most",
    "similar": "same",
    "same": "same",
}
_SMALL = "too small to matter"
_VERDICTS = ("supported", "contradicted", "undecided", _SMALL)


def claim_stages(row: Row) -> tuple[str, ...]:
    """Return the stages that a claim names."""
    stages = row.get("stages")
    return tuple(str(stage) for stage in stages) if isinstance(stages, list) else ()


def family_place(page: Page) -> str:
    """Return where the claims stand that the first screen rests on."""
    explored = page.evidence.get("/results/answer/exploratory") is True
    return "/results/answer/family" if explored else "/results/claims"


def unheard_words(page: Page, claim: int | None = None) -> list[Markup]:
    """Say which pairs are preferred and not shown to be told apart; of one claim, or of all."""
    said = []
    for row in page.evidence.rows("/results/answer/unheard"):
        shown_by = row.get("claims")
        if claim is not None and claim not in (shown_by if isinstance(shown_by, list) else []):
            continue
        facts = page.about(claim="prefer", verdict="supported")
        words = {name: page.quoted(row.get(name)) for name in ("first", "second")}
        said.append(page.say("answer.unheard", facts, **words))
    return said


def claim_facts(page: Page, row: Row) -> Facts:
    """Return the facts that the verdict of a claim allows."""
    verdict = row.get("verdict")
    return page.about(
        claim=_KINDS.get(str(row.get("kind")), "other"),
        verdict=verdict if verdict in _VERDICTS else None,
        matters=row.get("matters"),
        p_value=row.number("p_value"),
    )


def verdict_name(facts: Facts) -> str:
    """Return the name of a verdict in the keys of sentences and in the style sheet."""
    return "too-small" if facts.verdict == _SMALL else facts.verdict or "unknown"


def badge(page: Page, facts: Facts) -> Markup:
    """Write a verdict, with the remark that it is open whether the difference matters."""
    shown = facts.verdict in ("supported", "contradicted")
    is_open = "_open" if shown and facts.matters == "open" else ""
    return page.say(f"claim.{verdict_name(facts)}{is_open}", facts)


# What the estimate of a claim is, and how it is written.
_ESTIMATES = {
    "hear": ("right", "percent"),
    "prefer": ("worth", "logit"),
    "neither": ("worth", "logit"),
    "most": ("worth", "logit"),
    "most of": ("worth", "logit"),
    "same": ("share", "percent"),
    "one hears": ("right", "percent"),
    "orders": ("rank", "agreement"),
    "step": ("gain", "logit"),
}
# Gains by price are written for a hundred units of money, or they would all read as nothing.
_PER = {"cost": ("gain_per_hundred", "per_hundred"), "labour": ("gain_per_hour", "logit")}


def estimate_kind(row: Row) -> tuple[str, str]:
    """Return what the estimate of a claim is called, and how it is written."""
    own = str(row.get("kind"))
    if own == "step" and row.get("per") in _PER:
        return _PER[str(row.get("per"))]
    return _ESTIMATES.get(own, ("plain", "statistic"))


def _claim_estimate(page: Page, row: Row) -> list[Markup]:
    name, kind = estimate_kind(row)
    said = []
    if row.number("estimate") is not None:
        said.append(page.say(f"claim.estimate.{name}", value=page.n(row.at("estimate"), kind)))
    if row.number("ci_low") is not None or row.number("ci_high") is not None:
        said.append(claim_interval(page, row, kind, ("claim.interval", "claim.interval.own")))
    return said


def claim_interval(page: Page, row: Row, kind: str, keys: tuple[str, str]) -> Markup:
    """Write the interval of a claim, with its confidence where that is not the report's own.

    `keys` are the sentences for the report's confidence and for one of the claim's own.
    """
    bounds = page.between(row, "ci_low", "ci_high", kind)
    if row.number("ci_confidence") is None:
        return page.say(keys[0], bounds=bounds)
    return page.say(keys[1], bounds=bounds, confidence=page.n(row.at("ci_confidence"), "percent"))


def _claim_numbers(page: Page, row: Row) -> Markup:
    parts = []
    if row.get("test"):
        parts.append(page.say("claim.test", test=page.user(row.get("test"))))
    parts += _claim_estimate(page, row)
    scale = _statistic_scale(row)
    if scale is not None and row.number("statistic") is not None:
        value = page.n(row.at("statistic"), "statistic")
        parts.append(page.say(f"claim.statistic.{scale}", value=value))
    for key in ("p_value", "p_holm"):
        if row.number(key) is not None:
            parts.append(page.say(f"claim.{key}", value=page.n(row.at(key), "p")))
    if row.number("n_listeners") is not None and row.number("n_trials") is not None:
        parts.append(page.say("claim.panel", panel=page.panel(row.pointer)))
    if _own_level(page, row):
        parts.append(page.say("claim.own_alpha", alpha=page.n(row.at("alpha"), "plain")))
    return Markup(" ").join(parts)


def _statistic_scale(row: Row) -> str | None:
    """Return what the statistic of a claim measures; None where the estimate is the statistic."""
    kind = str(row.get("kind"))
    if kind in ("hear", "one hears"):
        return "right"
    if row.number("share_low") is not None:
        return "decisions"
    return "difference" if kind == "step" else None


def claim_short(page: Page, row: Row) -> Markup | None:
    """Write the share that a claim is about with its interval; None where there is none."""
    if row.number("share_low") is not None:
        bounds = page.between(row, "share_low", "share_high", "percent")
        words = {"value": page.n(row.at("share"), "percent"), "bounds": bounds}
        if row.get("rival"):
            return page.say("claim.short.rival", rival=page.quoted(row.get("rival")), **words)
        return page.say("claim.short.decisions", **words)
    if row.number("estimate") is None or row.number("ci_low") is None:
        return None
    name, kind = estimate_kind(row)
    words = {
        "value": page.n(row.at("estimate"), kind),
        "bounds": claim_interval(page, row, kind, ("claim.bounds", "claim.bounds.own")),
    }
    return page.say(f"claim.short.{'right' if name == 'right' else 'value'}", **words)


def _own_level(page: Page, row: Row) -> bool:
    """Whether a claim asks for another level than the plan's."""
    level, common = row.number("alpha"), page.evidence.number("/results/about/alpha")
    return level is not None and common is not None and level != common


def _unbroken(words: object) -> str:
    """Keep a percent sign on the line of its number."""
    return str(words).replace(" %", "\u00a0%")


def _claim(page: Page, row: Row, number: int) -> dict[str, object]:
    facts = claim_facts(page, row)
    verdict = verdict_name(facts)
    needs = row.get("needs")
    return {
        "verdict": verdict,
        "badge": badge(page, facts),
        "text": page.claim(row),
        "short": claim_short(page, row),
        "fold": page.name("claim.fold"),
        "typed": page.say("claim.typed_as", text=page.user(row.get("text") or "")),
        "words": page.say(f"claim.{verdict}.words", facts),
        "given": page.user(_unbroken(row.get("words"))) if row.get("words") else None,
        "numbers": _claim_numbers(page, row),
        "needs": page.say("claim.needs", needs=page.user(_unbroken(needs))) if needs else None,
        "holds": page.user(row.get("conditions")) if row.get("conditions") else None,
        "beside": [
            *_beside(page, row),
            *unheard_words(page, number),
            *loudness_of_claim(page, claim_stages(row)),
        ],
    }


def smallest_note(page: Page) -> PageBlock | None:
    """Say which smallest effect the verdicts were given by."""
    place = "/results/about/smallest_effect"
    if not page.known(place):
        return None
    return page.note("claim.smallest", points=page.n(place, "points"))


def _beside(page: Page, row: Row) -> list[Markup]:
    """Say whether a verdict holds for music like this, and what turns it."""
    music = row.get("music_like_this")
    said = []
    if isinstance(music, dict) and music.get("words"):
        said.append(page.user(_unbroken(music["words"])))
    turned = turning_sentence(page, row, stable=True)
    return [*said, turned] if turned else said


def claims_section(page: Page) -> Section:
    """Make the section of claims with their verdicts, the exploratory ones where none was given."""
    rows = page.evidence.rows(family_place(page))
    explored = bool(rows) and family_place(page) != "/results/claims"
    if not rows:
        return page.section("claims", [page.para("claim.none")])
    found = (claim_facts(page, row) for row in rows)
    undecided = next((facts for facts in found if facts.verdict == "undecided"), None)
    places = ("/study/plan/alpha", "/results/about/alpha")
    alpha = next((place for place in places if page.known(place)), None)
    return page.section(
        "family" if explored else "claims",
        [
            page.warning("claim.rehearsal") if page.mark else None,
            page.para("answer.family") if explored else None,
            PageBlock("claims", [_claim(page, row, k) for k, row in enumerate(rows)]),
            page.note("claim.typed") if page.elsewhere and not explored else None,
            page.note("claim.undecided.note", undecided) if undecided else None,
            None
            if explored or not alpha
            else page.note("claim.alpha", alpha=page.n(alpha, "plain")),
            smallest_note(page),
        ],
    )
