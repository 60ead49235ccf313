"""The reviewer's sheet: verdicts, checks, departures from the plan, and how to recompute."""

from __future__ import annotations

from markupsafe import Markup

from analysis.report.answer import claim_facts, claim_parts
from analysis.report.evidence import Row, clean_text
from analysis.report.page import Block, Page, Section

__all__ = ["departures_section", "verdicts_section"]

_DASH = "\u2013"


def _claim_row(page: Page, row: Row) -> list[object]:
    facts = claim_facts(page, row)
    kind = "percent" if claim_parts(row)[0] == "hear" else "statistic"

    def shown(key: str, how: str) -> object:
        return page.n(row.at(key), how) if row.number(key) is not None else _DASH

    bounded = row.number("ci_low") is not None or row.number("ci_high") is not None
    return [
        page.user(row.get("text") or ""),
        page.say(f"claim.{facts.verdict or 'unknown'}", facts),
        page.user(row.get("test") or _DASH),
        shown("estimate", kind),
        page.between(row, "ci_low", "ci_high", kind) if bounded else _DASH,
        shown("p_value", "p"),
        shown("p_holm", "p"),
    ]


def verdicts_section(page: Page) -> Section:
    """Make the table of claims with their verdicts and tests."""
    rows = page.evidence.rows("/results/claims")
    if not rows:
        return page.section("claims", [page.para("claim.none")])
    columns = ["claim", "verdict", "test", "estimate", "interval", "p", "p_holm"]
    undecided = next((f for r in rows if (f := claim_facts(page, r)).verdict == "undecided"), None)
    return page.section(
        "claims",
        [
            page.warning("claim.rehearsal") if page.mark else None,
            page.table(columns, [_claim_row(page, row) for row in rows], style="words"),
            page.note("claim.undecided.note", undecided) if undecided else None,
        ],
    )


def _same(text: object) -> str:
    return " ".join(clean_text(text).split()).lower()


def _listeners(page: Page) -> Markup | None:
    planned, found = "/study/plan/listeners", "/results/about/n_listeners"
    if not (page.known(planned) and page.known(found)):
        return None
    words = {
        "planned": page.counted(planned, "listener"),
        "found": page.n(found, "count"),
    }
    difference = page.numbers.required(found) - page.numbers.required(planned)
    key = "as_planned" if difference == 0 else "fewer" if difference < 0 else "more"
    return page.say(f"plan.listeners_{key}", **words)


def _claims(page: Page) -> list[Markup]:
    planned = page.evidence.get("/study/plan/claims")
    planned = planned if isinstance(planned, list) else []
    judged = [row.get("text") or "" for row in page.evidence.rows("/results/claims")]
    known, done = {_same(text) for text in planned}, {_same(text) for text in judged}
    said = [
        page.say("plan.claim_missing", claim=page.user(text))
        for text in planned
        if _same(text) not in done
    ]
    said += [
        page.say("plan.claim_added", claim=page.user(text))
        for text in judged
        if _same(text) not in known
    ]
    return said


def _alpha(page: Page) -> Markup | None:
    planned, used = "/study/plan/alpha", "/results/about/alpha"
    if not (page.known(planned) and page.known(used)):
        return None
    if page.evidence.number(planned) == page.evidence.number(used):
        return None
    return page.say("plan.alpha", planned=page.n(planned, "plain"), used=page.n(used, "plain"))


def _methods(page: Page) -> list[Markup]:
    answered = page.evidence.get("/results/about/methods")
    if not isinstance(answered, dict):
        return []
    declared = [row.get("method") for row in page.evidence.rows("/study/tests")]
    return [
        page.say("plan.method_missing", method=page.user(method))
        for method in dict.fromkeys(declared)
        if method not in answered
    ]


def _metric(page: Page) -> Markup | None:
    planned = page.evidence.text("/study/plan/primary_metric")
    rows = page.evidence.rows("/results/link")
    if not planned or not rows or rows[0].get("metric") == planned:
        return None
    return page.say(
        "plan.metric", planned=page.user(planned), used=page.user(rows[0].get("metric") or "")
    )


def _playback(page: Page) -> Markup | None:
    place = "/results/about/playback"
    if not page.evidence.number(f"{place}/n_stuttered"):
        return None
    return page.say(
        "plan.playback",
        stuttered=page.n(f"{place}/n_stuttered", "count"),
        counted=page.counted(f"{place}/n_counted", "trial"),
    )


def departures_section(page: Page) -> Section:
    """Say where the study left its plan, as far as the evidence shows it."""
    if not page.evidence.get("/study/plan"):
        return page.section("departures", [page.warning("plan.none")])
    found = [_listeners(page), *_claims(page), _alpha(page), *_methods(page), _metric(page)]
    found.append(_playback(page))
    said = [words for words in found if words is not None]
    if page.evidence.get("/study/state") == "open":
        said.append(page.say("plan.open"))
    stopping = page.evidence.text("/study/plan/stopping")
    return page.section(
        "departures",
        [
            page.para("plan.stopping", rule=page.user(stopping)) if stopping else None,
            Block("list", said) if said else page.para("plan.nothing"),
            page.note("plan.scope"),
        ],
    )
