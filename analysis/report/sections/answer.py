"""The first screen: the sentences that the analysis chose, what they rest on, and the prices."""

from __future__ import annotations

from collections.abc import Sequence

from markupsafe import Markup

from analysis.report.evidence import Row
from analysis.report.figures.charts import Interval, interval_chart
from analysis.report.loudness import loudness_warning
from analysis.report.page import Page, PageBlock, Section
from analysis.report.sections.claims import badge, claim_facts, family_place, unheard_words
from analysis.report.sections.hearing import right_share
from analysis.report.sections.prices import cost_block, plain_price
from analysis.report.sections.steps import gains_table
from analysis.report.words.conditions import Facts

__all__ = ["bearing_block", "comparison_lines", "lead_blocks", "short_section", "step_figure"]

_ANSWER = "/results/answer"
# What a sentence is about, in the words of the facts; every other one is about first steps.
_ABOUT = {
    "answer.best": "most",
    "answer.prefers": "prefer",
    "answer.hears": "hear",
    "answer.apart_all": "hear",
    "answer.apart_some": "hear",
}
_HOW = (
    *("answer.first", "answer.before", "answer.helps", "answer.both_help", "answer.all_help"),
    *("answer.some_help", "answer.one_helps", "answer.none_helps"),
)
_PANELS = ("answer.panels_first", "answer.panels_gain", "answer.panels_best")
_SMALL = "too small to matter"
# Outcomes of a comparison that rest on a verdict.
_DECIDED = ("shown", "against")


def _lead(page: Page) -> Row | None:
    """Return the first sentence; None where none was chosen, or its claims are not there."""
    fields = page.evidence.get(f"{_ANSWER}/lead")
    lead = Row(f"{_ANSWER}/lead", fields) if isinstance(fields, dict) else None
    return lead if lead is not None and _stands(page, lead) else None


def _stands(page: Page, row: Row) -> bool:
    """Whether a sentence asserts nothing, or the claims that carry it are there and decided."""
    return not row.get("asserts") or _facts(page, row).verdict is not None


def _carried_by(page: Page, row: Row) -> list[Row]:
    """Return the claims that carry a sentence."""
    rows = page.evidence.rows(family_place(page))
    numbers = row.get("claims")
    kept = numbers if isinstance(numbers, list) else []
    return [rows[k] for k in kept if isinstance(k, int) and k < len(rows)]


def _facts(page: Page, row: Row) -> Facts:
    """Return what a sentence may assume: all claims that carry it are decided."""
    carried = _carried_by(page, row)
    decided = ("supported", "contradicted", _SMALL)
    shown = bool(carried) and all(claim.get("verdict") in decided for claim in carried)
    return page.about(
        claim=_ABOUT.get(str(row.get("say")), "first"), verdict="supported" if shown else None
    )


def _named(page: Page, stages: object) -> Markup:
    """Write stages as a list in a sentence."""
    quoted = [page.quoted(stage) for stage in (stages if isinstance(stages, list) else [])]
    if len(quoted) < 2:
        return quoted[0] if quoted else Markup("")
    words = Markup("{} {} {}")
    return words.format(Markup(", ").join(quoted[:-1]), page.name("line.and"), quoted[-1])


def _words(page: Page, row: Row) -> dict[str, object]:
    """Return what fills the places of a sentence."""
    names = row.get("names")
    words: dict[str, object] = {
        place: _named(page, stages)
        for place, stages in (names if isinstance(names, dict) else {}).items()
    }
    numbers = {"p": "chance", "n": "count", "n_shown": "count", "n_asked": "count"}
    return words | {
        key: page.n(row.at(key), kind) for key, kind in numbers.items() if row.get(key) is not None
    }


def _say(page: Page, row: Row) -> Markup:
    return page.say(str(row.get("say")), _facts(page, row), **_words(page, row))


def _how(page: Page, row: Row) -> PageBlock | None:
    """Say what listeners preferred, where the first sentence says what to do."""
    key = str(row.get("say"))
    if key not in _HOW:
        return None
    words = _words(page, row)
    if key == "answer.first" and not words.get("others"):
        return None
    return PageBlock("para", page.say(f"{key}.how", _facts(page, row), **words))


def _beside(page: Page, lead: Row) -> list[PageBlock]:
    rows = [row for row in page.evidence.rows(f"{_ANSWER}/beside") if _stands(page, row)]
    said = [_say(page, row) for row in rows]
    if rows and rows[-1].get("say") in _PANELS and not lead.get("asserts"):
        said.append(page.say("answer.panels_note"))
    return [PageBlock("para", Markup(" ").join(said))] if said else []


def _size(page: Page, lead: Row) -> PageBlock | None:
    """Say of a difference that it is too small to matter, or not shown to matter."""
    if page.evidence.number("/results/about/smallest_effect") is None:
        return None
    rows = page.evidence.rows(family_place(page))
    small = page.evidence.get(f"{_ANSWER}/small")
    rests = {row.get("claim") for row in page.evidence.rows(f"{_ANSWER}/rests_on")}
    if any(k in rests for k in (small if isinstance(small, list) else []) if k < len(rows)):
        return page.para("head.matters_no")
    carried = _carried_by(page, lead)
    if carried and any(row.get("matters") != "yes" for row in carried):
        return page.para("head.matters_open")
    return None


def _cost(page: Page, lead: Row) -> PageBlock | None:
    """Say what the step of the first sentence costs, where the study says so."""
    names = lead.get("names")
    steps = names.get("step") if isinstance(names, dict) else None
    asserted = lead.get("asserts") and isinstance(steps, list) and len(steps) == 1
    return cost_block(page, str(steps[0])) if asserted and steps else None


def lead_blocks(page: Page) -> list[PageBlock | None]:
    """Make the first sentence and what is said beside it; also for the customer's card."""
    kicker = PageBlock("para", page.say("head.in_rehearsal"), style="kicker") if page.mark else None
    lead = _lead(page)
    if lead is None:
        return [kicker, PageBlock("para", page.say(_nothing(page)), style="lead")]
    explored = page.evidence.get(f"{_ANSWER}/exploratory") is True
    return [
        kicker,
        PageBlock("para", page.say("answer.exploratory"), style="kicker") if explored else None,
        PageBlock("para", _say(page, lead), style="lead"),
        _how(page, lead),
        *_beside(page, lead),
        _size(page, lead),
        _cost(page, lead),
        _orders(page),
    ]


def _nothing(page: Page) -> str:
    """Return the first sentence of results that answer no question."""
    if page.evidence.get("/results/ratings") or page.evidence.get("/results/grading"):
        return "head.ratings_only"
    answered = page.evidence.get("/results/preference/stages")
    answered = answered or page.evidence.get("/results/discrimination")
    return "answer.missing" if answered else "head.no_answers"


# prices ---------------------------------------------------------------------------------


def _orders(page: Page) -> PageBlock | None:
    """Say whether money and hours put the steps in another order than the gain alone."""
    orders = page.evidence.get(f"{_ANSWER}/orders")
    if not isinstance(orders, dict):
        return None
    known = [name for name in ("cost", "hour") if isinstance(orders.get(name), list)]
    same = [name for name in known if name not in orders["differ"]]
    by_lead: dict[str, list[str]] = {}
    for name in orders["differ"]:
        by_lead.setdefault(orders[name][0], []).append(name)
    said = [_order(page, orders["gain"][0], lead, names) for lead, names in by_lead.items()]
    if same:
        said.append(page.say("answer.order_same", price=_prices_named(page, same)))
    said.append(page.say("answer.orders_note"))
    return PageBlock("para", Markup(" ").join(said))


def _prices_named(page: Page, names: Sequence[str]) -> str:
    return f" {page.name('line.and')} ".join(page.name(f"answer.price.{name}") for name in names)


def _order(page: Page, by_gain: str, ahead: str, names: Sequence[str]) -> Markup:
    price = _prices_named(page, names)
    if ahead == by_gain:
        return page.say("answer.order_differs", price=price)
    words = {"step": page.quoted(ahead), "other": page.quoted(by_gain)}
    return page.say("answer.leads_differ", price=price, **words)


def step_figure(page: Page) -> PageBlock | None:
    """Draw the steps in their order, each against what was there before; None without steps.

    A filled mark is a preference that a claim shows; the caption is the first sentence.
    """
    rows = page.evidence.rows(f"{_ANSWER}/picture")
    if not rows:
        return None
    svg = interval_chart(
        [_pictured(page, row) for row in rows],
        key="picture",
        alt=page.name("picture.alt"),
        axis=page.name("picture.axis"),
        line=0.5,
        percent=True,
        mark=page.mark,
    )
    lead = _lead(page)
    verdict = None if lead is None else _say(page, lead)
    shown = any(row.get("preferred") in ("shown", "against") for row in rows)
    marks = "picture.marks" if shown else "picture.marks_open"
    panel = Markup("({})").format(page.panel(_ANSWER))
    caption = [verdict, page.say("picture.caption"), page.say(marks), panel]
    keys = ("step", "before", "share", "share_low", "share_high", "preferred", "heard")
    data = page.csv_of("steps-in-order", rows, (*keys, "cost", "labour_h"))
    return page.figure(svg, [part for part in caption if part], data)


def _heard_words(page: Page, outcome: str) -> str:
    """Say whether a step was told apart from what was there before, as plain text."""
    if outcome == "shown":
        return str(page.say("picture.heard.shown", page.about(claim="hear", verdict="supported")))
    known = outcome if outcome in ("small", "not claimed") else "open"
    return str(page.say(f"picture.heard.{known.replace(' ', '_')}"))


def _pictured(page: Page, row: Row) -> Interval:
    label = page.evidence.stage_label(row.get("step"))
    before = page.evidence.stage_label(row.get("before"))
    known = [_heard_words(page, str(row.get("heard"))), *plain_price(page, row)]
    return Interval(
        f"{label} ({page.name('picture.over')} {before})",
        row.number("share"),
        row.number("share_low"),
        row.number("share_high"),
        note="\n".join(known),
        hollow=row.get("preferred") not in ("shown", "against"),
    )


def _prices(page: Page) -> PageBlock | None:
    """Set gain, gain for money and gain for hours of the first steps side by side."""
    if page.evidence.get(f"{_ANSWER}/question") != "first step":
        return None
    rows = page.evidence.rows("/results/upgrade/first_step")
    ranked = sorted(rows, key=lambda row: -(row.number("gain") or 0.0))
    return gains_table(page, ranked) if ranked else None


# what it rests on -----------------------------------------------------------------------


def comparison_lines(page: Page, relations: Sequence[str]) -> list[Markup]:
    """Write the comparisons that the answer rests on, those that failed first."""
    rows = page.evidence.rows(f"{_ANSWER}/rests_on")
    lines = (_line(page, row) for row in rows if row.get("relation") in relations)
    return [line for line in lines if line is not None]


def _line(page: Page, row: Row) -> Markup | None:
    relation, outcome = str(row.get("relation")), str(row.get("outcome"))
    claims = page.evidence.rows(family_place(page))
    number = row.get("claim")
    claim = claims[number] if isinstance(number, int) and number < len(claims) else None
    verdict = None if claim is None else claim.get("verdict")
    decided = verdict in ("supported", "contradicted")
    if (claim is None and number is not None) or (outcome in _DECIDED and not decided):
        return None  # claims of another run
    if relation == "other" and claim is not None:
        facts = claim_facts(page, claim)
        words = {"claim": page.user(claim.get("text") or ""), "verdict": badge(page, facts)}
        return page.say("line.other", **words)
    facts = page.about(claim=relation, verdict="supported" if decided else None)
    if relation == "most" and outcome == "against":
        facts = page.about(claim=relation, verdict=verdict)
    key = f"line.{relation}.{outcome.replace(' ', '_')}"
    return page.say(key, facts, **_line_words(page, row))


def _line_words(page: Page, row: Row) -> dict[str, object]:
    words: dict[str, object] = {"first": page.quoted(row.get("first"))}
    if row.get("relation") == "most":
        rivals = row.get("rivals")
        few = isinstance(rivals, list) and len(rivals) < 4
        named = _named(page, rivals) if few else page.name("line.all_others")
        return words | {"others": named}
    return words | {"second": page.quoted(row.get("second")), "share": _share(page, row)}


def _share(page: Page, row: Row) -> object:
    """Write the share of a comparison; of a pair without a claim, the one of its answers."""
    if row.number("share") is not None:
        return page.n(row.at("share"), "percent")
    pairs = page.evidence.rows("/results/discrimination")
    place = row.get("discrimination")
    if isinstance(place, int) and place < len(pairs):
        return page.n(right_share(page, pairs[place]), "percent")
    return page.name("line.share_unknown")


def _rests_on(page: Page) -> list[PageBlock]:
    lines = comparison_lines(page, ("hear", "prefer", "most", "other"))
    if not lines:
        return []
    return [PageBlock("heading", page.say("title.rests_on")), PageBlock("list", lines)]


def short_section(page: Page) -> Section:
    """Make the opening section: the answer, what it rests on, what it costs, its scope."""
    has_answers = page.known("/results/about/n_trials")
    preference = page.evidence.rows("/results/preference/stages")
    ordered = page.evidence.get(f"{_ANSWER}/question") == "first step"
    unheard = unheard_words(page)
    return page.section(
        "short",
        [
            *lead_blocks(page),
            step_figure(page),
            _prices(page),
            *_rests_on(page),
            *(PageBlock("para", said, style="warning") for said in unheard),
            loudness_warning(page),
            page.para("head.no_order") if preference and not ordered else None,
            page.para("head.groups", groups=page.n(_GROUPS, "count"))
            if page.facts.n_groups > 1
            else None,
            bearing_block(page),
            page.note("head.scope") if has_answers else None,
        ],
    )


_GROUPS = "/results/preference/classes/n_groups"


def bearing_block(page: Page) -> PageBlock | None:
    """Count the answers that bear on the first sentence; all, where none bears on one."""
    block = _ANSWER if page.known(f"{_ANSWER}/n_trials") else "/results/about"
    if not page.known(f"{block}/n_trials"):
        return None
    trials = page.counted(f"{block}/n_trials", "answer")
    panel = page.counted(f"{block}/n_listeners", "listener")
    return page.para("head.panel", trials=trials, panel=panel)
