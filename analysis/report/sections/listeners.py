"""How steady the listeners were, and how far they and the programmes differ."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from markupsafe import Markup

from analysis.report.evidence import Row, clean_text
from analysis.report.figures.panel import worth_strip
from analysis.report.page import Page, PageBlock, Section
from analysis.report.sections.answer import badge, claim_facts

__all__ = ["differences_section", "listeners_section"]

_DASH = "\u2013"


def _control(page: Page, row: Row, kind: str) -> object:
    """Write controls passed of those that can be scored."""
    scored = row.at("controls", kind, "scored")
    if not page.evidence.number(scored):
        return _DASH
    passed = page.n(row.at("controls", kind, "passed"), "count")
    return Markup("{}/{}").format(passed, page.n(scored, "count"))


def _cells(page: Page, row: Row) -> dict[str, object]:
    """Write every figure of a listener; a dash where nothing was asked."""

    def shown(key: str, kind: str) -> object:
        return page.n(row.at(key), kind) if row.number(key) is not None else _DASH

    return {
        "listener": page.user(row.get("listener") or ""),
        "answers": shown("n_trials", "count"),
        "repeats": shown("n_repeats", "count"),
        "agree": shown("repeat_agreement", "percent"),
        "agree_chance": shown("repeat_chance", "percent"),
        "identical": _control(page, row, "identical"),
        "obvious": _control(page, row, "obvious"),
        "circular": shown("circular_triads", "count"),
        "circular_chance": shown("circular_chance", "statistic"),
        "zeta": shown("zeta", "agreement"),
    }


def _verdict(page: Page, row: Row) -> Markup:
    return badge(page, claim_facts(page, row))


def _screening(page: Page) -> list[PageBlock]:
    """Show verdicts with and without the listeners that the plan's rule leaves out."""
    base = "/results/screened"
    if not page.evidence.text(f"{base}/rule"):
        return []
    blocks = [page.para("rel.screen", rule=page.user(page.evidence.text(f"{base}/rule")))]
    out = page.evidence.get(f"{base}/excluded") or []
    if not out:
        return [*blocks, page.para("rel.screen_none")]
    names = Markup(", ").join(page.user(name) for name in out)
    blocks.append(page.para("rel.screen_out", names=names))
    everyone = page.evidence.rows("/results/claims")
    kept = {row.get("text"): row for row in page.evidence.rows(f"{base}/results/claims")}
    both = [(row, kept[row.get("text")]) for row in everyone if row.get("text") in kept]
    if both:
        cells = [[page.claim(a), _verdict(page, a), _verdict(page, b)] for a, b in both]
        blocks.append(page.para("rel.screen_both"))
        blocks.append(page.table(["claim", "with_all", "without"], cells, style="words"))
    if any(a.get("verdict") != b.get("verdict") for a, b in both):
        blocks.append(page.warning("rel.screen_changes"))
    return blocks


def listeners_section(page: Page) -> Section:
    """Make the section on the steadiness of the listeners."""
    rows = page.evidence.rows("/results/reliability/listeners")
    cells = [_cells(page, row) for row in rows]
    columns = [name for name in (cells[0] if cells else {}) if any(c[name] != _DASH for c in cells)]
    if not {"agree", "identical", "obvious", "zeta"} & set(columns):
        return page.section("listeners", [page.para("rel.none")])
    asked = ("listener", "n_trials", "n_repeats", "repeat_agreement", "repeat_chance")
    keys = (*asked, "circular_triads", "circular_chance", "zeta")
    table = page.table(
        columns,
        [[cell[name] for name in columns] for cell in cells],
        data=page.csv_of("listeners", rows, keys),
    )
    u = "/results/reliability/kendall_u"
    return page.section(
        "listeners",
        [
            page.para("rel.lead"),
            table,
            page.para("rel.u", u=page.n(u, "agreement")) if page.known(u) else None,
            *(_screening(page) or [page.note("rel.note")]),
        ],
    )


# differences ---------------------------------------------------------------------------


def _own_worths(page: Page, place: int) -> list[tuple[str, float]]:
    """Return (listener, worth) for the stage at ``place`` in the model's order."""
    found = []
    for row in page.evidence.rows("/results/preference/mixed/listeners"):
        own = page.evidence.curve(row, "worths")
        if place < len(own):
            found.append((clean_text(row.get("listener")), own[place]))
    return found


def _listener_worths(page: Page, stages: Sequence[tuple[int, Row]]) -> list[PageBlock]:
    every = [(row, _own_worths(page, place)) for place, row in stages]
    drawn = [
        (page.evidence.stage_label(row.get("stage")), [worth for _, worth in own])
        for row, own in every
        if own
    ]
    if not drawn:
        return []
    svg = worth_strip(
        drawn,
        key="own",
        alt="Worth that each listener gives to each version, one dot a listener. The saved table "
        "holds the figures.",
        axis=page.name("pref.axis.centred"),
        mark=page.mark,
    )
    lines = [[row.get("stage"), name, worth] for row, own in every for name, worth in own]
    data = page.csv("worths-by-listener", ("stage", "listener", "worth"), lines)
    panel = Markup("({})").format(page.panel("/results/preference/mixed"))
    return [page.figure(svg, [page.say("diff.caption"), panel], data)]


def _spread_table(page: Page, stages: Sequence[tuple[int, Row]]) -> PageBlock:
    cells = [
        [
            page.stage(row.get("stage")),
            page.n(row.at("sd_between_listeners"), "se"),
            page.n(row.at("share_of_listeners_with_it_first"), "percent"),
        ]
        for _, row in stages
    ]
    return page.table(["stage", "sd_listeners", "share_first"], cells)


_CLASSES = "/results/preference/classes"


def _differ(page: Page) -> list[PageBlock]:
    """Say whether listeners differ, by the test that all want the same."""
    place = "/results/preference/mixed/p_value"
    if not page.known(place):
        return []
    facts = page.about(p_value=page.evidence.number(place))
    said = page.first(facts, "diff.differ", "diff.not_differ")
    return [
        PageBlock("para", Markup(" ").join([said, page.say("diff.alike", p=page.n(place, "p"))])),
    ]


def _groups(page: Page) -> list[PageBlock]:
    """Name groups that passed their test, or say why there are none and what would be found."""
    if not page.known(f"{_CLASSES}/n_groups"):
        return []
    if page.facts.n_groups > 1:
        groups, p = page.n(f"{_CLASSES}/n_groups", "count"), page.n(f"{_CLASSES}/p_value", "p")
        lines = [
            page.say(
                "diff.group_line",
                number=page.n(row.at("class"), "count"),
                size=page.counted(row.at("n_listeners"), "listener"),
                share=page.n(row.at("share"), "percent"),
            )
            for row in page.evidence.rows(f"{_CLASSES}/groups")
        ]
        return [page.warning("diff.groups", groups=groups, p=p), PageBlock("list", lines)]
    return [_no_groups(page), _power_of_groups(page)]


def _no_groups(page: Page) -> PageBlock:
    first = next(iter(page.evidence.rows(f"{_CLASSES}/steps")), None)
    least = page.n(f"{_CLASSES}/least_size", "count")
    if first is None:
        return page.note("diff.too_few", least=least)
    if first.number("p_value") is not None:
        groups, p = page.n(first.at("n_groups"), "count"), page.n(first.at("p_value"), "p")
        return page.note("diff.one_population", groups=groups, p=p)
    if first.get("screening_passed"):
        apart = page.counted(first.at("sizes", 1), "listener")
        return page.note("diff.small_part", apart=apart, least=least)
    return page.note("diff.one_group")


def _power_of_groups(page: Page) -> PageBlock:
    place = f"{_CLASSES}/power"
    if not page.known(f"{place}/found"):
        return page.note("diff.no_power")
    return page.note(
        "diff.power",
        panel=page.counted(f"{place}/n_listeners", "listener"),
        each=page.counted(f"{place}/n_trials_each", "trial"),
        difference=page.n(f"{place}/difference", "plain"),
        found=page.n(f"{place}/found", "percent"),
    )


def _programme_table(page: Page) -> list[PageBlock]:
    base = "/results/preference/programmes"
    rows = [
        row
        for row in page.evidence.rows(f"{base}/by_programme")
        if isinstance(row.get("log_worth"), Mapping)
    ]
    if len(rows) < 2:
        return []
    ids = list(dict.fromkeys(str(stage) for row in rows for stage in row.get("log_worth")))
    rank = page.evidence.stage_order()
    ids.sort(key=lambda stage: rank.get(stage, len(rank)))
    head = [page.say("col.programme"), *(page.stage(stage) for stage in ids)]
    cells: list[list[Any]] = [
        [
            page.user(row.get("programme") or _DASH),
            *(
                page.n(row.at("log_worth", stage), "logit")
                if row.get("log_worth").get(stage) is not None
                else _DASH
                for stage in ids
            ),
        ]
        for row in rows
    ]
    found = [
        PageBlock("heading", page.say("title.by_programme")),
        page.para("diff.programmes"),
        PageBlock("table", {"head": head, "rows": cells}),
    ]
    if page.known(f"{base}/interaction/p_value"):
        found.append(page.note("diff.interaction", p=page.n(f"{base}/interaction/p_value", "p")))
    return [*found, *_left_out(page)]


def _left_out(page: Page) -> list[PageBlock]:
    """Say whether one programme alone decides which version is in front."""
    rows = page.evidence.rows("/results/preference/programmes/leave_one_out")
    fronts = {str(row.get("best")) for row in rows if row.get("best") is not None}
    if not fronts:
        return []
    if len(fronts) == 1:
        return [page.note("diff.left_out_same", stage=page.quoted(next(iter(fronts))))]
    lines = [
        page.say(
            "diff.left_out_line",
            programme=page.user(row.get("left_out") or _DASH),
            stage=page.quoted(row.get("best")),
        )
        for row in rows
        if row.get("best") is not None
    ]
    return [page.warning("diff.left_out_changes"), PageBlock("list", lines)]


def differences_section(page: Page) -> Section | None:
    """Say how far listeners and programmes differ; None where this was not worked out."""
    stages = sorted(
        enumerate(page.evidence.rows("/results/preference/mixed/stages")),
        key=lambda item: -(item[1].number("log_worth") or 0.0),
    )
    programmes = _programme_table(page)
    if not stages and not programmes:
        return None
    return page.section(
        "differences",
        [
            page.para("diff.lead") if stages else None,
            *_listener_worths(page, stages),
            _spread_table(page, stages) if stages else None,
            *_differ(page),
            *_groups(page),
            *programmes,
        ],
    )
