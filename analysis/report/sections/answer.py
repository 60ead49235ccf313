"""The first screen: the sentences that the analysis chose, what they rest on, and the prices."""

from __future__ import annotations

from collections.abc import Sequence

from markupsafe import Markup

from analysis.report.figures.charts import Interval, interval_chart
from analysis.report.loudness import loudness_warning
from analysis.report.page import Page, PageBlock, Section
from analysis.report.sections.claims import badge, claim_facts, explored, family, unheard_words
from analysis.report.sections.hearing import right_share
from analysis.report.sections.prices import cost_block, plain_price
from analysis.report.sections.steps import gains_table
from analysis.report.words.conditions import Facts
from analysis.results.base import Counted, known
from analysis.results.claims import AnswerSentence, ClaimRow, ComparisonRow, PictureRow

__all__ = ["bearing_block", "comparison_lines", "lead_blocks", "short_section", "step_figure"]

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


def _lead(page: Page) -> AnswerSentence | None:
    """Return the first sentence; None where none was chosen, or its claims are not there."""
    lead = None if page.results.answer is None else page.results.answer.lead
    return lead if lead is not None and _stands(page, lead) else None


def _stands(page: Page, said: AnswerSentence) -> bool:
    """Whether a sentence asserts nothing, or the claims that carry it are there and decided."""
    return not said.asserts or _facts(page, said).verdict is not None


def _carried_by(page: Page, said: AnswerSentence) -> list[ClaimRow]:
    """Return the claims that carry a sentence."""
    rows = family(page)
    return [rows[k] for k in said.claims if k < len(rows)]


def _facts(page: Page, said: AnswerSentence) -> Facts:
    """Return what a sentence may assume: all claims that carry it are decided."""
    carried = _carried_by(page, said)
    decided = ("supported", "contradicted", _SMALL)
    shown = bool(carried) and all(claim.verdict in decided for claim in carried)
    return page.about(claim=_ABOUT.get(said.say, "first"), verdict="supported" if shown else None)


def _named(page: Page, stages: Sequence[str]) -> Markup:
    """Write stages as a list in a sentence."""
    quoted = [page.quoted(stage) for stage in stages]
    if len(quoted) < 2:
        return quoted[0] if quoted else Markup("")
    words = Markup("{} {} {}")
    return words.format(Markup(", ").join(quoted[:-1]), page.name("line.and"), quoted[-1])


def _words(page: Page, said: AnswerSentence) -> dict[str, object]:
    """Return what fills the places of a sentence."""
    words: dict[str, object] = {place: _named(page, stages) for place, stages in said.names.items()}
    at = page.at(said)
    numbers = (
        ("p", said.p, at.p, "chance"),
        ("n", said.n, at.n, "count"),
        ("n_shown", said.n_shown, at.n_shown, "count"),
        ("n_asked", said.n_asked, at.n_asked, "count"),
    )
    return words | {
        key: page.n(place, kind) for key, value, place, kind in numbers if known(value) is not None
    }


def _say(page: Page, said: AnswerSentence) -> Markup:
    return page.say(said.say, _facts(page, said), **_words(page, said))


def _how(page: Page, lead: AnswerSentence) -> PageBlock | None:
    """Say what listeners preferred, where the first sentence says what to do."""
    key = lead.say
    if key not in _HOW:
        return None
    words = _words(page, lead)
    if key == "answer.first" and not words.get("others"):
        return None
    return PageBlock("para", page.say(f"{key}.how", _facts(page, lead), **words))


def _beside(page: Page, lead: AnswerSentence) -> list[PageBlock]:
    beside = () if page.results.answer is None else page.results.answer.beside
    rows = [row for row in beside if _stands(page, row)]
    said = [_say(page, row) for row in rows]
    if rows and rows[-1].say in _PANELS and not lead.asserts:
        said.append(page.say("answer.panels_note"))
    return [PageBlock("para", Markup(" ").join(said))] if said else []


def _size(page: Page, lead: AnswerSentence) -> PageBlock | None:
    """Say of a difference that it is too small to matter, or not shown to matter."""
    about, answer = page.results.about, page.results.answer
    if about is None or about.smallest_effect is None or answer is None:
        return None
    n_claims = len(family(page))
    rests = {row.claim for row in answer.rests_on}
    if any(k in rests for k in answer.small if k < n_claims):
        return page.para("head.matters_no")
    carried = _carried_by(page, lead)
    if carried and any(row.matters != "yes" for row in carried):
        return page.para("head.matters_open")
    return None


def _cost(page: Page, lead: AnswerSentence) -> PageBlock | None:
    """Say what the step of the first sentence costs, where the study says so."""
    steps = lead.names.get("step", ())
    return cost_block(page, steps[0]) if lead.asserts and len(steps) == 1 else None


def lead_blocks(page: Page) -> list[PageBlock | None]:
    """Make the first sentence and what is said beside it; also for the customer's card."""
    kicker = PageBlock("para", page.say("head.in_rehearsal"), style="kicker") if page.mark else None
    lead = _lead(page)
    if lead is None:
        return [kicker, PageBlock("para", page.say(_nothing(page)), style="lead")]
    own = explored(page)
    return [
        kicker,
        PageBlock("para", page.say("answer.exploratory"), style="kicker") if own else None,
        PageBlock("para", _say(page, lead), style="lead"),
        _how(page, lead),
        *_beside(page, lead),
        _size(page, lead),
        _cost(page, lead),
        _orders(page),
    ]


def _nothing(page: Page) -> str:
    """Return the first sentence of results that answer no question."""
    results = page.results
    if results.ratings or results.grading:
        return "head.ratings_only"
    compared = results.preference is not None and results.preference.stages
    return "answer.missing" if compared or results.discrimination else "head.no_answers"


# prices ---------------------------------------------------------------------------------


def _orders(page: Page) -> PageBlock | None:
    """Say whether money and hours put the steps in another order than the gain alone."""
    orders = None if page.results.answer is None else page.results.answer.orders
    if orders is None:
        return None
    by_price = {"cost": orders.cost, "hour": orders.hour}
    held = {name: order for name, order in by_price.items() if order is not None}
    same = [name for name in held if name not in orders.differ]
    by_lead: dict[str, list[str]] = {}
    for name in orders.differ:
        by_lead.setdefault(held[name][0], []).append(name)
    said = [_order(page, (orders.gain or ("",))[0], lead, names) for lead, names in by_lead.items()]
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
    answer = page.results.answer
    rows = () if answer is None else answer.picture
    if answer is None or not rows:
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
    shown = any(row.preferred in _DECIDED for row in rows)
    marks = "picture.marks" if shown else "picture.marks_open"
    panel = Markup("({})").format(page.panel(answer))
    caption = [verdict, page.say("picture.caption"), page.say(marks), panel]
    keys = (
        PictureRow.step, PictureRow.before, PictureRow.share, PictureRow.share_low,
        PictureRow.share_high, PictureRow.preferred, PictureRow.heard, PictureRow.cost,
        PictureRow.labour_h,
    )  # fmt: skip
    data = page.csv_of("steps-in-order", rows, keys)
    return page.figure(svg, [part for part in caption if part], data)


def _heard_words(page: Page, outcome: str) -> str:
    """Say whether a step was told apart from what was there before, as plain text."""
    if outcome == "shown":
        return str(page.say("picture.heard.shown", page.about(claim="hear", verdict="supported")))
    key = outcome if outcome in ("small", "not claimed") else "open"
    return str(page.say(f"picture.heard.{key.replace(' ', '_')}"))


def _pictured(page: Page, row: PictureRow) -> Interval:
    label = page.evidence.stage_label(row.step)
    before = page.evidence.stage_label(row.before)
    said = [_heard_words(page, row.heard), *plain_price(page, row)]
    return Interval(
        f"{label} ({page.name('picture.over')} {before})",
        row.share,
        row.share_low,
        row.share_high,
        note="\n".join(said),
        hollow=row.preferred not in _DECIDED,
    )


def _prices(page: Page) -> PageBlock | None:
    """Set gain, gain for money and gain for hours of the first steps side by side."""
    answer, upgrade = page.results.answer, page.results.upgrade
    if answer is None or answer.question != "first step":
        return None
    rows = () if upgrade is None else upgrade.first_step
    ranked = sorted(rows, key=lambda row: -(row.gain or 0.0))
    return gains_table(page, ranked) if ranked else None


# what it rests on -----------------------------------------------------------------------


def comparison_lines(page: Page, relations: Sequence[str]) -> list[Markup]:
    """Write the comparisons that the answer rests on, those that failed first."""
    rows = () if page.results.answer is None else page.results.answer.rests_on
    lines = (_line(page, row) for row in rows if row.relation in relations)
    return [line for line in lines if line is not None]


def _line(page: Page, row: ComparisonRow) -> Markup | None:
    relation, outcome, number = row.relation, row.outcome, row.claim
    claims = family(page)
    claim = claims[number] if number is not None and number < len(claims) else None
    verdict = None if claim is None else claim.verdict
    decided = verdict in ("supported", "contradicted")
    if (claim is None and number is not None) or (outcome in _DECIDED and not decided):
        return None  # claims of another run
    if relation == "other" and claim is not None:
        facts = claim_facts(page, claim)
        words = {"claim": page.user(claim.text), "verdict": badge(page, facts)}
        return page.say("line.other", **words)
    facts = page.about(claim=relation, verdict="supported" if decided else None)
    if relation == "most" and outcome == "against":
        facts = page.about(claim=relation, verdict=verdict)
    key = f"line.{relation}.{outcome.replace(' ', '_')}"
    return page.say(key, facts, **_line_words(page, row))


def _line_words(page: Page, row: ComparisonRow) -> dict[str, object]:
    words: dict[str, object] = {"first": page.quoted(row.first)}
    if row.relation == "most":
        few = len(row.rivals) < 4
        named = _named(page, row.rivals) if few else page.name("line.all_others")
        return words | {"others": named}
    return words | {"second": page.quoted(row.second), "share": _share(page, row)}


def _share(page: Page, row: ComparisonRow) -> object:
    """Write the share of a comparison; of a pair without a claim, the one of its answers."""
    if row.share is not None:
        return page.n(page.at(row).share, "percent")
    pairs, place = page.results.discrimination, row.discrimination
    if place is not None and place < len(pairs):
        return page.n(right_share(page, pairs[place]), "percent")
    return page.name("line.share_unknown")


def _rests_on(page: Page) -> list[PageBlock]:
    lines = comparison_lines(page, ("hear", "prefer", "most", "other"))
    if not lines:
        return []
    return [PageBlock("heading", page.say("title.rests_on")), PageBlock("list", lines)]


def short_section(page: Page) -> Section:
    """Make the opening section: the answer, what it rests on, what it costs, its scope."""
    has_answers = page.results.about is not None
    preference = page.results.preference is not None and page.results.preference.stages
    ordered = page.results.answer is not None and page.results.answer.question == "first step"
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
            _groups(page),
            bearing_block(page),
            page.note("head.scope") if has_answers else None,
        ],
    )


def _groups(page: Page) -> PageBlock | None:
    found = None if page.results.preference is None else page.results.preference.classes
    if found is None or found.n_groups < 2:
        return None
    return page.para("head.groups", groups=page.n(page.at(found).n_groups, "count"))


def bearing_block(page: Page) -> PageBlock | None:
    """Count the answers that bear on the first sentence; all, where none bears on one."""
    answer, about = page.results.answer, page.results.about
    block: Counted | None = about
    if answer is not None and answer.n_trials is not None:
        block = answer
    if block is None:
        return None
    at = page.at(block)
    panel = page.counted(at.n_listeners, "listener")
    return page.para("head.panel", trials=page.counted(at.n_trials, "answer"), panel=panel)
