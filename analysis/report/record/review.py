"""The reviewer's sheet: verdicts, checks, departures from the plan, and how to recompute."""

from __future__ import annotations

from collections.abc import Sequence

from markupsafe import Markup

from analysis.report.evidence import Row
from analysis.report.page import Page, PageBlock, Section
from analysis.report.record.practice import points_of_plan, practice_table, same_text
from analysis.report.sections.claims import (
    badge,
    claim_facts,
    claim_interval,
    estimate_kind,
    family_place,
    smallest_note,
    unheard_words,
)
from analysis.report.sections.turning import other_music, stable_word, turning_sentence

__all__ = ["departures_section", "verdicts_section"]

_DASH = "\u2013"


def _claim_row(page: Page, row: Row) -> list[object]:
    facts = claim_facts(page, row)
    name, kind = estimate_kind(row)

    def shown(key: str, how: str) -> object:
        return page.n(row.at(key), how) if row.number(key) is not None else _DASH

    if row.number("share_low") is not None:
        estimate: object = page.say("claim.estimate.decisions", value=shown("share", "percent"))
        bounds: object = page.between(row, "share_low", "share_high", "percent")
    else:
        bounded = row.number("ci_low") is not None or row.number("ci_high") is not None
        estimate = shown("estimate", kind)
        if name != "plain" and estimate is not _DASH:
            estimate = page.say(f"claim.estimate.{name}", value=estimate)
        keys = ("claim.bounds", "claim.bounds.own")
        bounds = claim_interval(page, row, kind, keys) if bounded else _DASH
    return [
        _claim_and_test(page, row),
        badge(page, facts),
        estimate,
        bounds,
        shown("p_value", "p"),
        shown("p_holm", "p"),
        other_music(page, row),
        stable_word(page, row),
    ]


def _claim_and_test(page: Page, row: Row) -> Markup:
    small = [page.user(row.get("text") or "")]
    if row.get("test"):
        small.append(page.user(row.get("test")))
    lines = Markup("<br>").join(small)
    return Markup("{}<br><small>{}</small>").format(page.claim(row), lines)


def verdicts_section(page: Page) -> Section:
    """Make the table of claims with their verdicts and tests."""
    rows = page.evidence.rows(family_place(page))
    explored = family_place(page) != "/results/claims"
    if not rows:
        return page.section("claims", [page.para("claim.none")])
    columns = ["claim", "verdict", "estimate", "interval", "p", "p_holm"]
    columns += ["other_music", "turns"]
    undecided = next((f for r in rows if (f := claim_facts(page, r)).verdict == "undecided"), None)
    return page.section(
        "claims",
        [
            page.warning("claim.rehearsal") if page.mark else None,
            page.para("answer.family") if explored else None,
            page.table(columns, [_claim_row(page, row) for row in rows], style="words"),
            smallest_note(page),
            *_held(page, rows),
            page.note("claim.undecided.note", undecided) if undecided else None,
        ],
    )


def _held(page: Page, rows: Sequence[Row]) -> list[PageBlock]:
    """Say what the verdicts hold for, claims of like conditions together, and what is missing."""
    by_words: dict[str, list[Markup]] = {}
    for row in rows:
        if row.get("conditions"):
            by_words.setdefault(str(row.get("conditions")), []).append(page.claim(row))
    lines = []
    for words, texts in by_words.items():
        whose = Markup("; ").join(texts)
        held = Markup("{}: {}").format(whose, page.user(words))
        lines.append(held if len(by_words) > 1 else page.user(words))
    lines += [
        Markup("{}: {}").format(
            page.claim(row),
            page.say("claim.needs", needs=page.user(row.get("needs"))),
        )
        for row in rows
        if row.get("needs")
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
    judged = [row.get("text") or "" for row in page.evidence.rows("/results/claims")]
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
