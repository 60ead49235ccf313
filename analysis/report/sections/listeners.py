"""How steady the listeners were, and how far they and the programmes differ."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from markupsafe import Markup

from analysis.report.evidence import clean_text
from analysis.report.figures.panel import worth_strip
from analysis.report.page import Page, PageBlock, Section
from analysis.report.sections.answer import badge, claim_facts
from analysis.results.claims import ClaimRow
from analysis.results.listeners import ControlCount, SteadinessRow
from analysis.results.tastes import GroupsResult, ProgrammesResult, TasteRow, TastesResult

__all__ = ["differences_section", "listeners_section"]

_DASH = "\u2013"


def _control(page: Page, count: ControlCount) -> object:
    """Write controls passed of those that can be scored."""
    if not count.scored:
        return _DASH
    at = page.at(count)
    return Markup("{}/{}").format(page.n(at.passed, "count"), page.n(at.scored, "count"))


def _cells(page: Page, row: SteadinessRow) -> dict[str, object]:
    """Write every figure of a listener; a dash where nothing was asked."""
    at = page.at(row)

    def shown(place: object, kind: str) -> object:
        return page.n(place, kind) if page.numbers.value(place, kind) is not None else _DASH

    return {
        "listener": page.user(row.listener),
        "answers": shown(at.n_trials, "count"),
        "repeats": shown(at.n_repeats, "count"),
        "agree": shown(at.repeat_agreement, "percent"),
        "agree_chance": shown(at.repeat_chance, "percent"),
        "identical": _control(page, row.controls.identical),
        "obvious": _control(page, row.controls.obvious),
        "circular": shown(at.circular_triads, "count"),
        "circular_chance": shown(at.circular_chance, "statistic"),
        "zeta": shown(at.zeta, "agreement"),
    }


def _verdict(page: Page, row: ClaimRow) -> Markup:
    return badge(page, claim_facts(page, row))


def _screening(page: Page) -> list[PageBlock]:
    """Show verdicts with and without the listeners that the plan's rule leaves out."""
    screened = page.results.screened
    if screened is None or not screened.rule:
        return []
    blocks = [page.para("rel.screen", rule=page.user(screened.rule))]
    if not screened.excluded:
        return [*blocks, page.para("rel.screen_none")]
    names = Markup(", ").join(page.user(name) for name in screened.excluded)
    blocks.append(page.para("rel.screen_out", names=names))
    rest = () if screened.results is None else screened.results.claims
    kept = {row.text: row for row in rest}
    both = [(row, kept[row.text]) for row in page.results.claims if row.text in kept]
    if both:
        cells = [[page.claim(a), _verdict(page, a), _verdict(page, b)] for a, b in both]
        blocks.append(page.para("rel.screen_both"))
        blocks.append(page.table(["claim", "with_all", "without"], cells, style="words"))
    if any(a.verdict != b.verdict for a, b in both):
        blocks.append(page.warning("rel.screen_changes"))
    return blocks


def listeners_section(page: Page) -> Section:
    """Make the section on the steadiness of the listeners."""
    found = page.results.reliability
    rows = () if found is None else found.listeners
    cells = [_cells(page, row) for row in rows]
    columns = [name for name in (cells[0] if cells else {}) if any(c[name] != _DASH for c in cells)]
    if not {"agree", "identical", "obvious", "zeta"} & set(columns):
        return page.section("listeners", [page.para("rel.none")])
    keys = (
        SteadinessRow.listener, SteadinessRow.n_trials, SteadinessRow.n_repeats,
        SteadinessRow.repeat_agreement, SteadinessRow.repeat_chance, SteadinessRow.circular_triads,
        SteadinessRow.circular_chance, SteadinessRow.zeta,
    )  # fmt: skip
    table = page.table(
        columns,
        [[cell[name] for name in columns] for cell in cells],
        data=page.csv_of("listeners", rows, keys),
    )
    u = None
    if found is not None and found.kendall_u is not None:
        u = page.para("rel.u", u=page.n(page.at(found).kendall_u, "agreement"))
    return page.section(
        "listeners",
        [
            page.para("rel.lead"),
            table,
            u,
            *(_screening(page) or [page.note("rel.note")]),
        ],
    )


# differences ---------------------------------------------------------------------------


def _own_worths(model: TastesResult, place: int) -> list[tuple[str, float]]:
    """Return (listener, worth) for the stage at ``place`` in the model's order."""
    found = []
    for row in model.listeners:
        if place < len(row.worths):
            worth = row.worths[place]
            found.append((clean_text(row.listener), math.nan if worth is None else worth))
    return found


def _listener_worths(
    page: Page, model: TastesResult, stages: Sequence[tuple[int, TasteRow]]
) -> list[PageBlock]:
    every = [(row, _own_worths(model, place)) for place, row in stages]
    drawn = [
        (page.evidence.stage_label(row.stage), [worth for _, worth in own])
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
    lines = [[row.stage, name, worth] for row, own in every for name, worth in own]
    data = page.csv("worths-by-listener", ("stage", "listener", "worth"), lines)
    panel = Markup("({})").format(page.panel(model))
    return [page.figure(svg, [page.say("diff.caption"), panel], data)]


def _spread_table(page: Page, stages: Sequence[tuple[int, TasteRow]]) -> PageBlock:
    cells = [
        [
            page.stage(row.stage),
            page.n(page.at(row).sd_between_listeners, "se"),
            page.n(page.at(row).share_of_listeners_with_it_first, "percent"),
        ]
        for _, row in stages
    ]
    return page.table(["stage", "sd_listeners", "share_first"], cells)


def _differ(page: Page, model: TastesResult) -> list[PageBlock]:
    """Say whether listeners differ, by the test that all want the same."""
    if model.p_value is None:
        return []
    facts = page.about(p_value=model.p_value)
    said = page.first(facts, "diff.differ", "diff.not_differ")
    alike = page.say("diff.alike", p=page.n(page.at(model).p_value, "p"))
    return [PageBlock("para", Markup(" ").join([said, alike]))]


def _groups(page: Page, found: GroupsResult) -> list[PageBlock]:
    """Name groups that passed their test, or say why there are none and what would be found."""
    if page.facts.n_groups > 1:
        at = page.at(found)
        groups, p = page.n(at.n_groups, "count"), page.n(at.p_value, "p")
        lines = [
            page.say(
                "diff.group_line",
                number=page.n(row.number, "count"),
                size=page.counted(row.n_listeners, "listener"),
                share=page.n(row.share, "percent"),
            )
            for row in map(page.at, found.groups)
        ]
        return [page.warning("diff.groups", groups=groups, p=p), PageBlock("list", lines)]
    return [_no_groups(page, found), _power_of_groups(page, found)]


def _no_groups(page: Page, found: GroupsResult) -> PageBlock:
    least = page.n(page.at(found).least_size, "count")
    if not found.steps:
        return page.note("diff.too_few", least=least)
    first, at = found.steps[0], page.at(found.steps[0])
    if first.p_value is not None:
        groups, p = page.n(at.n_groups, "count"), page.n(at.p_value, "p")
        return page.note("diff.one_population", groups=groups, p=p)
    if first.screening_passed:
        apart = page.counted(at.sizes[1], "listener")
        return page.note("diff.small_part", apart=apart, least=least)
    return page.note("diff.one_group")


def _power_of_groups(page: Page, found: GroupsResult) -> PageBlock:
    power = found.power
    if power is None or power.found is None:
        return page.note("diff.no_power")
    at = page.at(power)
    return page.note(
        "diff.power",
        panel=page.counted(at.n_listeners, "listener"),
        each=page.counted(at.n_trials_each, "trial"),
        difference=page.n(at.difference, "plain"),
        found=page.n(at.found, "percent"),
    )


def _programme_table(page: Page, found: ProgrammesResult) -> list[PageBlock]:
    rows = [(row, row.log_worth) for row in found.by_programme]
    told = [(row, worths) for row, worths in rows if worths is not None]
    if len(told) < 2:
        return []
    ids = list(dict.fromkeys(stage for _, worths in told for stage in worths))
    rank = page.evidence.stage_order()
    ids.sort(key=lambda stage: rank.get(stage, len(rank)))
    head = [page.say("col.programme"), *(page.stage(stage) for stage in ids)]
    cells: list[list[Any]] = [
        [
            page.user(row.programme or _DASH),
            *(
                page.n((page.at(row).log_worth or {})[stage], "logit")
                if worths.get(stage) is not None
                else _DASH
                for stage in ids
            ),
        ]
        for row, worths in told
    ]
    blocks = [
        PageBlock("heading", page.say("title.by_programme")),
        page.para("diff.programmes"),
        PageBlock("table", {"head": head, "rows": cells}),
    ]
    test = found.interaction
    if test is not None and test.p_value is not None:
        blocks.append(page.note("diff.interaction", p=page.n(page.at(test).p_value, "p")))
    return [*blocks, *_left_out(page, found)]


def _left_out(page: Page, found: ProgrammesResult) -> list[PageBlock]:
    """Say whether one programme alone decides which version is in front."""
    rows = [row for row in found.leave_one_out if row.best is not None]
    fronts = {row.best for row in rows}
    if not fronts:
        return []
    if len(fronts) == 1:
        return [page.note("diff.left_out_same", stage=page.quoted(next(iter(fronts))))]
    lines = [
        page.say(
            "diff.left_out_line",
            programme=page.user(row.left_out or _DASH),
            stage=page.quoted(row.best),
        )
        for row in rows
    ]
    return [page.warning("diff.left_out_changes"), PageBlock("list", lines)]


def differences_section(page: Page) -> Section | None:
    """Say how far listeners and programmes differ; None where this was not worked out."""
    preference = page.results.preference
    if preference is None:
        return None
    model, groups = preference.mixed, preference.classes
    stages = sorted(
        enumerate(() if model is None else model.stages),
        key=lambda item: -(item[1].log_worth or 0.0),
    )
    parts = preference.programmes
    programmes = [] if parts is None else _programme_table(page, parts)
    if not stages and not programmes:
        return None
    return page.section(
        "differences",
        [
            page.para("diff.lead") if stages else None,
            *([] if model is None else _listener_worths(page, model, stages)),
            _spread_table(page, stages) if stages else None,
            *([] if model is None else _differ(page, model)),
            *([] if groups is None else _groups(page, groups)),
            *programmes,
        ],
    )
