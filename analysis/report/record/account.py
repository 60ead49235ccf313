"""The account a study gives of itself: balance, versions, limits, checks."""

from __future__ import annotations

from markupsafe import Markup

from analysis.report.evidence import Row
from analysis.report.figures.charts import paired_bars
from analysis.report.figures.csvdata import json_link
from analysis.report.page import Page, PageBlock, Section
from analysis.report.sections.linked import LINK_VERDICTS, link_facts
from analysis.report.sections.prices import counting_notes, has_sums, hours_cell, money_cell

__all__ = [
    "checks_section",
    "limits_section",
    "schedule_section",
    "stages_section",
]

_DASH = "\u2013"


def schedule_section(page: Page) -> Section:
    """Make the balance of presentation order."""
    declared = page.evidence.stage_rows()
    rows = [
        row
        for row in page.evidence.rows("/schedule/pairs")
        if not declared or set(page.pair_ids(row)) <= set(declared)
    ]
    if not rows:
        return page.section("schedule", [page.para("sched.none")])
    several = len({row.get("method") for row in rows}) > 1
    labels = [page.pair_text(row) + (f" ({row.get('method')})" if several else "") for row in rows]
    svg = paired_bars(
        [
            (label, row.number("first") or 0.0, row.number("second") or 0.0)
            for label, row in zip(labels, rows, strict=True)
        ],
        key="balance",
        alt="Trials in which each version of a pair was played first. The saved table holds the "
        "counts.",
        axis=page.name("sched.axis"),
        legend=(page.name("col.first"), page.name("col.second")),
        mark=page.mark,
    )
    caption = [page.say("sched.lead"), Markup("({})").format(_asked(page))]
    data = page.csv_of("order-balance", rows, ("pair", "method", "first", "second"))
    return page.section("schedule", [page.figure(svg, caption, data)])


def _asked(page: Page) -> Markup:
    """Count listeners, and the answers whose order the figure shows."""
    if not page.known("/schedule/n_trials"):
        return page.panel()
    about = page.results.about
    people = [] if about is None else [page.counted(page.at(about).n_listeners, "listener")]
    return Markup(", ").join([*people, page.counted("/schedule/n_trials", "trial")])


# versions --------------------------------------------------------------------------


def _factor_text(page: Page, row: Row) -> Markup:
    factors = row.get("factors")
    pairs = factors.items() if isinstance(factors, dict) else ()
    return Markup(", ").join(page.user(f"{name}: {value}") for name, value in pairs)


def stages_section(page: Page) -> Section | None:
    """List the stages with their factors and what they cost; None where none are declared."""
    rows = list(page.evidence.stage_rows().values())
    if not rows:
        return None
    sums = has_sums(row.number("total") for row in rows)
    cells = []
    for row in rows:
        made = bool(row.get("made"))
        cells.append(
            [
                page.stage(row.get("id")),
                Markup("<code>{}</code>").format(page.user(row.get("id"))),
                _factor_text(page, row),
                money_cell(page, row.at("cost"), made=made),
                hours_cell(page, row.at("labour_h"), row.at("labour_cost"), made=made),
                *([money_cell(page, row.at("total"), made=made)] if sums else []),
            ]
        )
    columns = ["stage", "id", "factors", "cost", "labour", *(["sum"] if sums else [])]
    table = page.table(columns, cells, style="words")
    return page.section("stages", [table, *counting_notes(page)])


# limits --------------------------------------------------------------------------------


def _link_words(page: Page) -> list[Markup]:
    """Say what measurement can and cannot do here; the number of stages decides."""
    preference, declared = page.results.preference, page.evidence.get("/study/stages")
    if page.results.link:
        row = page.results.link[0]
        facts, count = link_facts(page, row), row.n_stages
        counted = page.counted(page.at(row).n_stages, "stage")
    elif declared:
        facts, count = page.about(n_stages=len(declared)), len(declared)
        counted = page.counted("/study/stages", "stage", "length")
    elif preference is not None and preference.stages:
        count = len(preference.stages)
        facts = page.about(n_stages=count)
        counted = page.counted(page.at(preference).stages, "stage", "length")
    else:
        return []
    first = page.first(facts, *LINK_VERDICTS, stages=counted)
    if count < 6:
        return [first, page.say("lim.few_stages_can", facts)]
    return [first]


def _stated(page: Page) -> list[Markup]:
    """Quote what the sender of a table states about it."""
    if not page.elsewhere:
        return []
    stated = page.evidence.get("/study/elsewhere")
    quoted = [
        page.say("lim.stated", what=page.say(f"told.{key}"), words=page.user(words))
        for key, words in stated.items()
    ]
    return quoted or [page.say("lim.unstated")]


def limits_section(page: Page) -> Section:
    """Say what these data can and cannot say, and the cautions."""
    items = [page.say(key) for key in ("lim.tonal", "lim.left_out", "lim.scope", "lim.bridge")]
    items[2:2] = _stated(page)
    if page.results.preference is not None and page.results.preference.stages:
        items.append(page.say("lim.average"))
    if page.results.discrimination:
        items.append(page.say("lim.null"))
    items += _link_words(page)
    notes = () if page.results.about is None else page.results.about.notes
    odd = [note.rstrip(".?") for note in notes]
    items += [page.say("lim.odd", note=page.user(note)) for note in odd]
    items += [page.say(key) for key in ("lim.many_looks", "lim.work", "lim.ears")]
    return page.section("limits", [PageBlock("list", items)])


# checks --------------------------------------------------------------------------------


def _check_table(page: Page) -> list[PageBlock | None]:
    rows = page.evidence.rows("/level_check")
    if not rows:
        return []
    cells = []
    for row in rows:
        passed = bool(row.get("passed"))
        outcome = page.say("chk.passed" if passed else "chk.failed")
        cells.append(
            [
                page.user(row.get("words") or row.get("name") or ""),
                Markup('<span class="{}">{}</span>').format("ok" if passed else "bad", outcome),
                page.n(row.at("figure"), "check"),
                page.n(row.at("limit"), "plain"),
            ]
        )
    failed = any(not row.get("passed") for row in rows)
    return [
        PageBlock("heading", page.say("chk.levels")),
        page.warning("chk.any_failed") if failed else None,
        page.table(["check", "outcome", "figure", "limit"], cells),
    ]


def _pairs_table(page: Page, pointer: str, title: str) -> list[PageBlock]:
    fields = page.evidence.fields(pointer)
    if not fields:
        return []
    cells = [
        [page.user(key), Markup("<code>{}</code>").format(page.user(value))]
        for key, _, value in fields
    ]
    return [
        PageBlock("heading", page.say(title)),
        page.table(["what", "value"], cells, style="facts"),
    ]


def _seal(page: Page) -> list[PageBlock | None]:
    commitment = page.evidence.text("/study/seed_commitment")
    if not commitment:
        return []
    seed = page.evidence.text("/study/seed")
    code = Markup("<code>{}</code>")
    return [
        page.para("chk.commitment", hash=code.format(page.user(commitment))),
        page.para("chk.seed", seed=code.format(page.user(seed)))
        if seed
        else page.para("chk.seed_hidden"),
    ]


def _how(page: Page) -> list[PageBlock]:
    link = json_link("evidence", page.evidence.data, simulated=page.facts.simulated)
    anchor = Markup('<a download="{}" href="{}">{}</a>').format(
        link["file"], link["href"], page.say("title.evidence")
    )
    return [
        page.para(
            "chk.how",
            verify=Markup("<code>earwitness verify</code>"),
            analyse=Markup("<code>earwitness analyse</code>"),
        ),
        page.para("chk.numbers", link=anchor),
        page.note("chk.made"),
    ]


def checks_section(page: Page) -> Section:
    """Make checks, hashes, versions and the way to check again."""
    facts = [
        *_pairs_table(page, "/hashes", "chk.hashes"),
        *_pairs_table(page, "/software", "chk.software"),
    ]
    return page.section(
        "checks",
        [
            *_check_table(page),
            *_seal(page),
            *(facts or [page.para("chk.none")]),
            *_how(page),
        ],
    )
