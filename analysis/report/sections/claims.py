"""The claims with their verdicts, their numbers, and what stands beside them."""

from __future__ import annotations

from collections.abc import Sequence

from markupsafe import Markup

from analysis.report.loudness import loudness_of_claim
from analysis.report.page import Page, PageBlock, Section
from analysis.report.sections.turning import music_of, turning_sentence
from analysis.report.words.conditions import Facts
from analysis.results.base import known
from analysis.results.claims import ClaimRow

__all__ = [
    "badge",
    "claim_facts",
    "claim_interval",
    "claim_short",
    "claims_section",
    "estimate_kind",
    "explored",
    "family",
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


def explored(page: Page) -> bool:
    """Whether the first screen rests on claims that the design suggests, none being declared."""
    return page.results.answer is not None and page.results.answer.exploratory


def family(page: Page) -> Sequence[ClaimRow]:
    """Return the claims that the first screen rests on."""
    answer = page.results.answer
    return answer.family if answer is not None and answer.exploratory else page.results.claims


def unheard_words(page: Page, claim: int | None = None) -> list[Markup]:
    """Say which pairs are preferred and not shown to be told apart; of one claim, or of all."""
    said = []
    for row in () if page.results.answer is None else page.results.answer.unheard:
        if claim is not None and claim not in row.claims:
            continue
        facts = page.about(claim="prefer", verdict="supported")
        words = {"first": page.quoted(row.first), "second": page.quoted(row.second)}
        said.append(page.say("answer.unheard", facts, **words))
    return said


def claim_facts(page: Page, row: ClaimRow) -> Facts:
    """Return the facts that the verdict of a claim allows."""
    verdict = row.verdict
    return page.about(
        claim=_KINDS.get(row.kind, "other"),
        verdict=verdict if verdict in _VERDICTS else None,
        matters=row.matters,
        p_value=row.p_value,
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


def estimate_kind(row: ClaimRow) -> tuple[str, str]:
    """Return what the estimate of a claim is called, and how it is written."""
    per = known(row.per)
    if row.kind == "step" and per in _PER:
        return _PER[per]
    return _ESTIMATES.get(row.kind, ("plain", "statistic"))


def _claim_estimate(page: Page, row: ClaimRow) -> list[Markup]:
    name, kind = estimate_kind(row)
    said = []
    if row.estimate is not None:
        said.append(page.say(f"claim.estimate.{name}", value=page.n(page.at(row).estimate, kind)))
    if row.ci_low is not None or row.ci_high is not None:
        said.append(claim_interval(page, row, kind, ("claim.interval", "claim.interval.own")))
    return said


def claim_interval(page: Page, row: ClaimRow, kind: str, keys: tuple[str, str]) -> Markup:
    """Write the interval of a claim, with its confidence where that is not the report's own.

    `keys` are the sentences for the report's confidence and for one of the claim's own.
    """
    bounds = page.interval(page.at(row).ci_low, page.at(row).ci_high, kind)
    if known(row.ci_confidence) is None:
        return page.say(keys[0], bounds=bounds)
    return page.say(
        keys[1], bounds=bounds, confidence=page.n(page.at(row).ci_confidence, "percent")
    )


def _claim_numbers(page: Page, row: ClaimRow) -> Markup:
    parts = []
    if row.test:
        parts.append(page.say("claim.test", test=page.user(row.test)))
    parts += _claim_estimate(page, row)
    scale = _statistic_scale(row)
    if scale is not None and row.statistic is not None:
        value = page.n(page.at(row).statistic, "statistic")
        parts.append(page.say(f"claim.statistic.{scale}", value=value))
    if row.p_value is not None:
        parts.append(page.say("claim.p_value", value=page.n(page.at(row).p_value, "p")))
    if row.p_holm is not None:
        parts.append(page.say("claim.p_holm", value=page.n(page.at(row).p_holm, "p")))
    if row.n_listeners is not None and row.n_trials is not None:
        parts.append(page.say("claim.panel", panel=page.panel(row)))
    if _own_level(page, row):
        parts.append(page.say("claim.own_alpha", alpha=page.n(page.at(row).alpha, "plain")))
    return Markup(" ").join(parts)


def _statistic_scale(row: ClaimRow) -> str | None:
    """Return what the statistic of a claim measures; None where the estimate is the statistic."""
    if row.kind in ("hear", "one hears"):
        return "right"
    if known(row.share_low) is not None:
        return "decisions"
    return "difference" if row.kind == "step" else None


def claim_short(page: Page, row: ClaimRow) -> Markup | None:
    """Write the share that a claim is about with its interval; None where there is none."""
    at = page.at(row)
    if known(row.share_low) is not None:
        bounds = page.interval(at.share_low, at.share_high, "percent")
        words = {"value": page.n(at.share, "percent"), "bounds": bounds}
        rival = known(row.rival)
        if rival is not None:
            return page.say("claim.short.rival", rival=page.quoted(rival), **words)
        return page.say("claim.short.decisions", **words)
    if row.estimate is None or row.ci_low is None:
        return None
    name, kind = estimate_kind(row)
    words = {
        "value": page.n(at.estimate, kind),
        "bounds": claim_interval(page, row, kind, ("claim.bounds", "claim.bounds.own")),
    }
    return page.say(f"claim.short.{'right' if name == 'right' else 'value'}", **words)


def _own_level(page: Page, row: ClaimRow) -> bool:
    """Whether a claim asks for another level than the plan's."""
    about = page.results.about
    return row.alpha is not None and about is not None and row.alpha != about.alpha


def _unbroken(words: str) -> str:
    """Keep a percent sign on the line of its number."""
    return words.replace(" %", "\u00a0%")


def _claim(page: Page, row: ClaimRow, number: int) -> dict[str, object]:
    facts = claim_facts(page, row)
    verdict = verdict_name(facts)
    needs = row.needs
    return {
        "verdict": verdict,
        "badge": badge(page, facts),
        "text": page.claim(row),
        "short": claim_short(page, row),
        "fold": page.name("claim.fold"),
        "typed": page.say("claim.typed_as", text=page.user(row.text)),
        "words": page.say(f"claim.{verdict}.words", facts),
        "given": page.user(_unbroken(row.words)) if row.words else None,
        "numbers": _claim_numbers(page, row),
        "needs": page.say("claim.needs", needs=page.user(_unbroken(needs))) if needs else None,
        "holds": page.user(row.conditions) if row.conditions else None,
        "beside": [
            *_beside(page, row),
            *unheard_words(page, number),
            *loudness_of_claim(page, row.stages),
        ],
    }


def smallest_note(page: Page) -> PageBlock | None:
    """Say which smallest effect the verdicts were given by."""
    about = page.results.about
    if about is None or about.smallest_effect is None:
        return None
    return page.note("claim.smallest", points=page.n(page.at(about).smallest_effect, "points"))


def _beside(page: Page, row: ClaimRow) -> list[Markup]:
    """Say whether a verdict holds for music like this, and what turns it."""
    music = music_of(row)
    said = []
    if music is not None and music.words:
        said.append(page.user(_unbroken(music.words)))
    turned = turning_sentence(page, row, stable=True)
    return [*said, turned] if turned else said


def claims_section(page: Page) -> Section:
    """Make the section of claims with their verdicts, the exploratory ones where none was given."""
    rows = family(page)
    own = explored(page)
    if not rows:
        return page.section("claims", [page.para("claim.none")])
    found = (claim_facts(page, row) for row in rows)
    undecided = next((facts for facts in found if facts.verdict == "undecided"), None)
    alpha = page.alpha_place()
    return page.section(
        "family" if own else "claims",
        [
            page.warning("claim.rehearsal") if page.mark else None,
            page.para("answer.family") if own else None,
            PageBlock("claims", [_claim(page, row, k) for k, row in enumerate(rows)]),
            page.note("claim.typed") if page.elsewhere and not own else None,
            page.note("claim.undecided.note", undecided) if undecided else None,
            None
            if own or alpha is None
            else page.note("claim.alpha", alpha=page.n(alpha, "plain")),
            smallest_note(page),
        ],
    )
