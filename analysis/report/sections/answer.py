"""The headline and the claims: what to do first, how sure that is, and on what ground."""

from __future__ import annotations

import re
from collections.abc import Sequence

from markupsafe import Markup

from analysis.report.evidence import Row
from analysis.report.page import Page, PageBlock, Section
from analysis.report.sections.prices import cost_block
from analysis.report.words.conditions import LIKELY, Facts

__all__ = [
    "Headline",
    "badge",
    "claim_facts",
    "claim_interval",
    "claims_section",
    "estimate_kind",
    "headline",
    "short_section",
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
_CLAIM_FORMS = {
    "prefer": re.compile(r"^\s*listeners prefer (\S+) over (\S+)\s*$", re.I),
    "most": re.compile(r"^\s*listeners prefer (\S+) most\s*$", re.I),
    "hear": re.compile(r"^\s*listeners hear (\S+) from (\S+)\s*$", re.I),
    "same": re.compile(r"^\s*listeners do not hear (\S+) from (\S+) within", re.I),
}
_SMALL = "too small to matter"
_VERDICTS = ("supported", "contradicted", "undecided", _SMALL)


class Headline:
    """The first sentence, what it rests on, and the stage it is about."""

    def __init__(
        self, lead: Markup, sure: Markup | None, stage: str | None, *, order: bool
    ) -> None:
        self.lead = lead
        self.sure = sure
        self.stage = stage
        self.order = order


def claim_parts(row: Row) -> tuple[str, tuple[str, ...]]:
    """Return the kind of a claim and the stages it names: as judged, else from its text."""
    kind, stages = row.get("kind"), row.get("stages")
    if kind in _KINDS and isinstance(stages, list):
        return _KINDS[str(kind)], tuple(str(stage) for stage in stages)
    text = str(row.get("text") or "")
    for kind, form in _CLAIM_FORMS.items():
        found = form.search(text)
        if found:
            return kind, found.groups()
    return "other", ()


def claim_facts(page: Page, row: Row) -> Facts:
    """Return the facts that the verdict of a claim allows."""
    verdict = row.get("verdict")
    return page.about(
        claim=claim_parts(row)[0],
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


def size_remark(page: Page, kinds: Sequence[str], stage: object = None) -> Markup | None:
    """Say of a headline that its difference is too small to matter, or not shown to matter.

    Nothing is said where no smallest effect was declared, or where a claim of these kinds that
    begins with this stage is supported and its difference shown to matter.
    """
    if page.evidence.number("/results/about/smallest_effect") is None:
        return None
    rows = [row for row in _everyones(page) if row.get("kind") in kinds]
    named = [row for row in rows if stage is None or stage in (row.get("stages") or [])]
    if any(row.get("verdict") == _SMALL for row in named):
        return page.say("head.matters_no")
    leads = [row for row in named if stage is None or (row.get("stages") or [None])[0] == stage]
    if any(row.get("verdict") == "supported" and row.get("matters") == "yes" for row in leads):
        return None
    return page.say("head.matters_open")


def _with(first: Markup | None, second: Markup | None) -> Markup | None:
    """Join two sentences, either of which may be missing."""
    return Markup(" ").join(part for part in (first, second) if part) or None


def _everyones(page: Page) -> list[Row]:
    """Return the claims about all listeners: what holds for a group is no headline."""
    return [row for row in page.evidence.rows("/results/claims") if not row.get("who")]


def _most(rows: list[Row], key: str) -> Row | None:
    known = [row for row in rows if row.number(key) is not None]
    return max(known, key=lambda row: row.number(key) or 0.0) if known else None


def _one_step_apart(page: Page, first: str, second: str) -> bool:
    """Whether both stages are single changes to one and the same declared stage."""
    factors = {stage: row.get("factors") or {} for stage, row in page.evidence.stage_rows().items()}
    if not (factors.get(first) and factors.get(second)):
        return False

    def changes(stage: str, base: dict[str, object]) -> int:
        keys = {*factors[stage], *base}
        return sum(factors[stage].get(key) != base.get(key) for key in keys)

    return any(
        changes(first, base) == 1 and changes(second, base) == 1
        for base in factors.values()
        if base
    )


def _from_steps(page: Page) -> Headline | None:
    row = _most(page.evidence.rows("/results/upgrade/first_step"), "p_best")
    if row is None:
        return None
    facts = page.about(step_p_best=row.number("p_best"))
    step = page.quoted(row.get("step"))
    lead = page.first(facts, "head.step_sure", "head.step_likely", "head.step_open", step=step)
    chance = page.n(row.at("p_best"), "chance")
    how = page.first(facts, "head.step_how_sure", "head.step_not_sure", step=step, p=chance)
    sure: Markup | None = how
    shown = (facts.step_p_best or 0) >= LIKELY
    if shown:
        sure = _with(sure, size_remark(page, ("step", "prefer", "most"), row.get("step")))
    return Headline(lead, sure, str(row.get("step")) if shown else None, order=True)


def _from_step_claim(page: Page) -> Headline | None:
    for row in _everyones(page):
        kind, stages = claim_parts(row)
        facts = claim_facts(page, row)
        if page.evidence.made_stages() & set(stages):
            continue  # nobody can do an experiment first
        if kind == "prefer" and facts.verdict == "supported" and _one_step_apart(page, *stages):
            words = {"better": page.quoted(stages[0]), "worse": page.quoted(stages[1])}
            lead = page.say("head.before", facts, **words)
            how_sure = page.say("head.before_how_sure", facts, **words)
            sure = _with(how_sure, size_remark(page, ("prefer", "step"), stages[0]))
            return Headline(lead, sure, stages[0], order=True)
    return None


def _claim_open(page: Page, stage: object) -> bool:
    """Whether a claim that this stage is liked most failed to find support."""
    passed = ("supported", _SMALL)
    return any(
        claim_parts(row) == ("most", (str(stage),)) and row.get("verdict") not in passed
        for row in _everyones(page)
    )


def _from_best(page: Page) -> Headline | None:
    row = _most(page.evidence.rows("/results/preference/stages"), "p_best")
    if row is None:
        return None
    if str(row.get("stage")) in page.evidence.made_stages():
        return Headline(page.say("head.experiment"), None, None, order=False)
    facts = page.about(p_best=row.number("p_best"), claim_open=_claim_open(page, row.get("stage")))
    words = {
        "best": page.quoted(row.get("stage")),
        "n": page.n("/results/preference/stages", "length"),
        "p": page.n(row.at("p_best"), "chance"),
    }
    lead = page.first(facts, "head.best_sure", "head.best_likely", "head.best_open", **words)
    sure: Markup | None = page.first(facts, "head.best_how_sure", "head.best_not_sure", **words)
    shown = (facts.p_best or 0) >= LIKELY
    if shown and facts.claim_open:
        sure = Markup("{} {}").format(sure, page.say("head.best_claim_open"))
    elif shown:
        sure = _with(sure, size_remark(page, ("most", "most of", "prefer"), row.get("stage")))
    return Headline(lead, sure, str(row.get("stage")) if shown else None, order=False)


def _from_hearing(page: Page) -> Headline | None:
    for row in _everyones(page):
        kind, stages = claim_parts(row)
        facts = claim_facts(page, row)
        if kind == "hear" and facts.verdict == "supported":
            first, second = (page.quoted(stage) for stage in stages)
            lead = page.say("head.heard", facts, first=first, second=second)
            return Headline(lead, _open_size(page, facts), None, order=False)
    pooled = [r for r in page.evidence.rows("/results/discrimination") if r.get("listener") is None]
    if not pooled:
        return None
    smallest = min((p for r in pooled if (p := r.number("p_value")) is not None), default=None)
    facts = page.about(p_value=smallest)
    lead = page.first(facts, "head.apart_some", "head.apart_none")
    told_apart = smallest is not None and smallest < facts.alpha
    remark = size_remark(page, ("hear", "one hears")) if told_apart else None
    return Headline(lead, remark, None, order=False)


def _open_size(page: Page, facts: Facts) -> Markup | None:
    return page.say("head.matters_open") if facts.matters == "open" else None


def headline(page: Page) -> Headline:
    """Choose the strongest first sentence that the evidence allows."""
    for source in (_from_steps, _from_step_claim, _from_best, _from_hearing):
        found = source(page)
        if found:
            return found
    key = "head.ratings_only" if page.evidence.get("/results/ratings") else "head.no_answers"
    return Headline(page.say(key), None, None, order=False)


def short_section(page: Page) -> Section:
    """Make the opening section: the answer, how sure it is, what it costs, its scope."""
    found = headline(page)
    has_answers = page.known("/results/about/n_trials")
    preference = page.evidence.rows("/results/preference/stages")
    return page.section(
        "short",
        [
            PageBlock("para", page.say("head.in_rehearsal"), style="kicker") if page.mark else None,
            PageBlock("para", found.lead, style="lead"),
            PageBlock("para", found.sure) if found.sure else None,
            cost_block(page, found.stage),
            page.para("head.no_order") if preference and not found.order else None,
            page.para("head.groups", groups=page.n(_GROUPS, "count"))
            if page.facts.n_groups > 1
            else None,
            page.para("head.panel", **_counts(page)) if has_answers else None,
            page.note("head.scope") if has_answers else None,
        ],
    )


_GROUPS = "/results/preference/classes/n_groups"


def _counts(page: Page) -> dict[str, Markup]:
    return {
        "trials": page.counted("/results/about/n_trials", "answer"),
        "panel": page.counted("/results/about/n_listeners", "listener"),
    }


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
    return _ESTIMATES.get(own if own in _ESTIMATES else claim_parts(row)[0], ("plain", "statistic"))


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
    if row.number("statistic") is not None:
        parts.append(page.say("claim.statistic", value=page.n(row.at("statistic"), "statistic")))
    for key in ("p_value", "p_holm"):
        if row.number(key) is not None:
            parts.append(page.say(f"claim.{key}", value=page.n(row.at(key), "p")))
    if row.number("n_listeners") is not None and row.number("n_trials") is not None:
        parts.append(page.say("claim.panel", panel=page.panel(row.pointer)))
    if _own_level(page, row):
        parts.append(page.say("claim.own_alpha", alpha=page.n(row.at("alpha"), "plain")))
    return Markup(" ").join(parts)


def _own_level(page: Page, row: Row) -> bool:
    """Whether a claim asks for another level than the plan's."""
    level, common = row.number("alpha"), page.evidence.number("/results/about/alpha")
    return level is not None and common is not None and level != common


def _unbroken(words: object) -> str:
    """Keep a percent sign on the line of its number."""
    return str(words).replace(" %", "\u00a0%")


def _claim(page: Page, row: Row) -> dict[str, object]:
    facts = claim_facts(page, row)
    verdict = verdict_name(facts)
    needs = row.get("needs")
    return {
        "verdict": verdict,
        "badge": badge(page, facts),
        "text": page.user(row.get("text") or ""),
        "named": [
            Markup("{}: {}").format(page.user(stage), page.stage(stage))
            for stage in claim_parts(row)[1]
            if page.evidence.stage_label(stage) != stage
        ],
        "words": page.say(f"claim.{verdict}.words", facts),
        "given": page.user(_unbroken(row.get("words"))) if row.get("words") else None,
        "numbers": _claim_numbers(page, row),
        "needs": page.say("claim.needs", needs=page.user(_unbroken(needs))) if needs else None,
        "holds": page.user(row.get("conditions")) if row.get("conditions") else None,
        "beside": _beside(page, row),
    }


def smallest_note(page: Page) -> PageBlock | None:
    """Say which smallest effect the verdicts were given by."""
    place = "/results/about/smallest_effect"
    if not page.known(place):
        return None
    return page.note("claim.smallest", points=page.n(place, "points"))


def _beside(page: Page, row: Row) -> list[Markup]:
    """Say whether a verdict holds for music like this, and what turns it."""
    music, sensitivity = row.get("music_like_this"), row.get("sensitivity")
    said = []
    if isinstance(music, dict) and music.get("words"):
        said.append(page.user(_unbroken(music["words"])))
    if isinstance(sensitivity, dict) and sensitivity.get("word"):
        said.append(page.say("turn.by", word=page.user(_unbroken(_turner(sensitivity)))))
    return said


def _turner(sensitivity: dict[str, object]) -> str:
    return "nothing that was tried" if sensitivity.get("stable") else str(sensitivity["word"])


def claims_section(page: Page) -> Section:
    """Make the section of claims with their verdicts."""
    rows = page.evidence.rows("/results/claims")
    if not rows:
        return page.section("claims", [page.para("claim.none")])
    undecided = next(
        (f for f in (claim_facts(page, r) for r in rows) if f.verdict == "undecided"), None
    )
    alpha = next((p for p in ("/study/plan/alpha", "/results/about/alpha") if page.known(p)), None)
    return page.section(
        "claims",
        [
            page.warning("claim.rehearsal") if page.mark else None,
            PageBlock("claims", [_claim(page, row) for row in rows]),
            page.note("claim.typed") if page.elsewhere else None,
            page.note("claim.undecided.note", undecided) if undecided else None,
            page.note("claim.alpha", alpha=page.n(alpha, "plain")) if alpha else None,
            smallest_note(page),
        ],
    )
