"""The reviewer's sheet: verdicts, checks, departures from the plan, and how to recompute."""

from __future__ import annotations

from collections.abc import Sequence

from markupsafe import Markup

from analysis.report.page import Page, PageBlock, Section
from analysis.report.record.practice import points_of_plan, practice_table, same_text
from analysis.report.sections.claims import (
    badge,
    claim_facts,
    claim_interval,
    estimate_kind,
    explored,
    family,
    smallest_note,
    unheard_words,
)
from analysis.report.sections.turning import other_music, stable_word, turning_sentence
from analysis.results.base import known
from analysis.results.claims import ClaimRow

__all__ = ["departures_section", "verdicts_section"]

_DASH = "\u2013"


def _claim_row(page: Page, row: ClaimRow) -> list[object]:
    facts, at = claim_facts(page, row), page.at(row)
    name, kind = estimate_kind(row)

    def shown(place: object, how: str) -> object:
        return page.n(place, how) if page.numbers.value(place, how) is not None else _DASH

    if known(row.share_low) is not None:
        estimate: object = page.say("claim.estimate.decisions", value=shown(at.share, "percent"))
        bounds: object = page.interval(at.share_low, at.share_high, "percent")
    else:
        bounded = row.ci_low is not None or row.ci_high is not None
        estimate = shown(at.estimate, kind)
        if name != "plain" and estimate is not _DASH:
            estimate = page.say(f"claim.estimate.{name}", value=estimate)
        keys = ("claim.bounds", "claim.bounds.own")
        bounds = claim_interval(page, row, kind, keys) if bounded else _DASH
    return [
        _claim_and_test(page, row),
        badge(page, facts),
        estimate,
        bounds,
        shown(at.p_value, "p"),
        shown(at.p_holm, "p"),
        other_music(page, row),
        stable_word(page, row),
    ]


def _claim_and_test(page: Page, row: ClaimRow) -> Markup:
    small = [page.user(row.text)]
    if row.test:
        small.append(page.user(row.test))
    lines = Markup("<br>").join(small)
    return Markup("{}<br><small>{}</small>").format(page.claim(row), lines)


def verdicts_section(page: Page) -> Section:
    """Make the table of claims with their verdicts and tests."""
    rows, own = family(page), explored(page)
    if not rows:
        return page.section("claims", [page.para("claim.none")])
    columns = ["claim", "verdict", "estimate", "interval", "p", "p_holm"]
    columns += ["other_music", "turns"]
    undecided = next((f for r in rows if (f := claim_facts(page, r)).verdict == "undecided"), None)
    return page.section(
        "claims",
        [
            page.warning("claim.rehearsal") if page.mark else None,
            page.para("answer.family") if own else None,
            page.table(columns, [_claim_row(page, row) for row in rows], style="words"),
            smallest_note(page),
            *_held(page, rows),
            page.note("claim.undecided.note", undecided) if undecided else None,
        ],
    )


def _held(page: Page, rows: Sequence[ClaimRow]) -> list[PageBlock]:
    """Say what the verdicts hold for, claims of like conditions together, and what is missing."""
    by_words: dict[str, list[Markup]] = {}
    for row in rows:
        if row.conditions:
            by_words.setdefault(row.conditions, []).append(page.claim(row))
    lines = []
    for words, texts in by_words.items():
        whose = Markup("; ").join(texts)
        held = Markup("{}: {}").format(whose, page.user(words))
        lines.append(held if len(by_words) > 1 else page.user(words))
    lines += [
        Markup("{}: {}").format(
            page.claim(row),
            page.say("claim.needs", needs=page.user(row.needs)),
        )
        for row in rows
        if row.needs
    ]
    lines += [
        Markup("{}: {}").format(page.claim(row), said)
        for row in rows
        if (said := turning_sentence(page, row))
    ]
    lines += unheard_words(page)
    return [PageBlock("list", lines)] if lines else []


def _claims(page: Page) -> list[Markup]:
    """Name the claims that were declared and not judged, and the other way round."""
    planned = page.evidence.get("/study/plan/claims")
    planned = planned if isinstance(planned, list) else []
    judged = [row.text for row in page.results.claims]
    known = {same_text(text) for text in planned}
    done = {same_text(text) for text in judged}
    said = [
        page.say("plan.claim_missing", claim=page.user(text))
        for text in planned
        if same_text(text) not in done
    ]
    said += [
        page.say("plan.claim_added", claim=page.user(text))
        for text in judged
        if same_text(text) not in known
    ]
    return said


def departures_section(page: Page) -> Section:
    """Hold practice against plan, point by point, as far as the evidence shows it."""
    if not page.evidence.get("/study/plan"):
        return page.section("departures", [page.warning("plan.none")])
    claims = _claims(page)
    return page.section(
        "departures",
        [
            *practice_table(page, points_of_plan(page)),
            PageBlock("list", claims) if claims else None,
            page.warning("plan.open") if page.evidence.get("/study/state") == "open" else None,
            page.note("plan.scope"),
        ],
    )
