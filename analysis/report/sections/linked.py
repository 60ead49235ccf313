"""What the measurements have to do with the choices, and what the study could notice."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from markupsafe import Markup

from analysis.report.evidence import clean_text
from analysis.report.figures.panel import Point, power_chart, scatter_chart
from analysis.report.page import Page, PageBlock, Section
from analysis.report.sections.experiments import programme_link_blocks
from analysis.report.words.conditions import STAGES_FOR_LINK, Facts
from analysis.report.words.sentences import SENTENCES
from analysis.results.about import ClaimPower, PowerResult
from analysis.results.base import Real
from analysis.results.linked import LinkRow

__all__ = [
    "LINK_PASSED",
    "LINK_VERDICTS",
    "link_facts",
    "link_section",
    "power_section",
]

#: Verdict of a link that passed its own test.
LINK_PASSED = "supported"
#: What the link allows to be said; the first that holds is.
LINK_VERDICTS = (
    *("lim.few_stages", "lim.link", "lim.link_bare", "lim.link_explored", "lim.no_link"),
)
_WANTED_POWER = 0.8
_DASH = "\u2013"

# What a figure of the programme table is, in words.
_PROGRAMME_FIGURES = {
    "excitation_d": "Excitation-pattern difference D of the programme",
    "excitation_mean_abs_db": "Mean difference of excitation (dB)",
    "excitation_largest_db": "Largest difference of excitation (dB)",
    "loudness_difference_sone": "Loudness-weighted difference of the programme (sone)",
}


# link ----------------------------------------------------------------------------------


def link_facts(page: Page, row: LinkRow) -> Facts:
    """Return the facts that the link allows, `row` being the first one told."""
    passed = _passed(page)
    return page.about(
        n_stages=row.n_stages,
        link_passed=any(one.primary for one in passed),
        link_predicts=any(one.primary and one.predicts for one in passed),
        link_explored=any(not one.primary for one in passed),
        p_value=row.p_exact,
    )


def _passed(page: Page) -> list[LinkRow]:
    """Return the rows whose test was passed."""
    rows = page.results.link
    return [r for r in rows if r.verdict == LINK_PASSED and not r.declined_reason]


def _points(page: Page, row: LinkRow) -> list[Point]:
    """Pair the metric with the worths; intervals only where both speak of the same stages."""
    metric = {point.stage: point.x for point in row.points if point.x is not None}
    stored = {point.stage: point.y for point in row.points if point.y is not None}
    preference = page.results.preference
    worths = {} if preference is None else {r.stage: r for r in preference.stages}
    whole = set(worths) == set(metric)
    points = []
    for stage, x in metric.items():
        own = worths.get(stage)
        centred = own.centred if own else None
        y = centred if whole else stored.get(stage, centred)
        if y is None:
            continue
        low = own.centred_low if own and whole else None
        high = own.centred_high if own and whole else None
        points.append(Point(page.evidence.stage_label(stage), x, y, low, high))
    return points


def _band(row: LinkRow) -> tuple[Sequence[float], Sequence[float], Sequence[float]] | None:
    band = row.permutation_band
    if band is None:
        return None
    return _curve(band.x), _curve(band.low), _curve(band.high)


def _curve(values: Sequence[Real]) -> list[float]:
    """Return figures to be drawn, NaN where undefined."""
    return [math.nan if value is None else float(value) for value in values]


def _line(row: LinkRow, points: Sequence[Point]) -> tuple[float, float] | None:
    """Return intercept and slope of the fitted rule, on the scale of the points."""
    intercept, slope = row.intercept, row.slope
    if intercept is None or slope is None:
        return None
    # The rule speaks of worths about the mean of the stages that have the metric.
    return intercept + sum(point.y for point in points) / len(points), slope


def _metric_name(page: Page, metric: str) -> str:
    """Return a metric in words; its own name where it has none here."""
    key = f"metric.{metric}"
    return page.name(key) if key in SENTENCES else metric


def _link_figure(page: Page, row: LinkRow) -> PageBlock | None:
    points = _points(page, row)
    if len(points) < 3:
        return None
    band = _band(row)
    line = _line(row, points)
    metric = clean_text(row.metric)
    svg = scatter_chart(
        points,
        key="link",
        alt=f"Each stage by {metric} and by worth, with intervals of the worth.",
        x_label=_metric_name(page, metric),
        y_label=page.name("pref.axis.centred"),
        band=band,
        line=line,
        mark=page.mark,
    )
    caption = [
        page.say("link.caption", metric=page.user(_metric_name(page, metric))),
        *([page.say("link.caption.band")] if band else []),
        *([page.say("link.caption.line")] if line else []),
        Markup("({}; {})").format(
            page.counted(page.at(row).n_stages, "stage"), page.panel(page.results.preference)
        ),
    ]
    data = page.csv(
        "link",
        ("stage", metric, "worth", "worth_low", "worth_high"),
        [(p.label, p.x, p.y, p.low, p.high) for p in points],
    )
    return page.figure(svg, caption, data)


def _metric_cell(page: Page, row: LinkRow) -> Markup:
    return page.user(_metric_name(page, clean_text(row.metric)))


def _order_table(page: Page, rows: Sequence[LinkRow]) -> PageBlock:
    """Show how far the order by each metric agrees with the order of worths."""
    pairs = any(row.pairs_total is not None for row in rows)
    adjusted = any(row.p_exact_adjusted is not None for row in rows)
    cells = []
    for row in rows:
        agree = Markup("{}/{}").format(
            page.n(page.at(row).pairs_agree, "count"), page.n(page.at(row).pairs_total, "count")
        )
        cells.append(
            [
                _metric_cell(page, row),
                page.name("link.is_primary" if row.primary else "link.is_exploratory"),
                page.n(page.at(row).n_stages, "count"),
                *([agree if row.pairs_total is not None else _DASH] if pairs else []),
                page.n(page.at(row).spearman, "agreement"),
                page.n(page.at(row).p_exact, "p"),
                *([page.n(page.at(row).p_exact_adjusted, "p")] if adjusted else []),
                page.n(page.at(row.lack_of_fit).p_value, "p"),
            ]
        )
    columns = ["metric", "standing", "n_stages", *(["pairs_agree"] if pairs else []), "spearman"]
    columns += ["p_permutation", *(["p_permutation_holm"] if adjusted else [])]
    return page.table([*columns, "p_lack"], cells)


def _slope_table(page: Page, rows: Sequence[LinkRow]) -> PageBlock | None:
    """Show the slopes; None where no row has one, as with fewer than six stages."""
    kept = [row for row in rows if row.slope is not None]
    if not kept:
        return None
    bounded = any(row.ci_low is not None for row in kept)
    tested = any(row.p_value is not None for row in kept)
    cells = [
        [
            _metric_cell(page, row),
            page.n(page.at(row).n_stages, "count"),
            page.n(page.at(row).slope, "logit"),
            *(
                [page.interval(page.at(row).ci_low, page.at(row).ci_high, "logit")]
                if bounded
                else []
            ),
            page.n(page.at(row).se, "se"),
            *(
                [page.n(page.at(row).p_value, "p"), page.n(page.at(row).p_adjusted, "p")]
                if tested
                else []
            ),
        ]
        for row in kept
    ]
    columns = ["metric", "n_stages", "slope", *(["interval"] if bounded else []), "se_plain"]
    return page.table([*columns, *(["p", "p_holm"] if tested else [])], cells)


def link_section(page: Page) -> Section | None:
    """Make the link between measurement and choices; None where it was not worked out."""
    rows = page.results.link
    if not rows:
        return None
    first = rows[0]
    facts = link_facts(page, first)
    counted = page.counted(page.at(first).n_stages, "stage")
    verdict = page.first(facts, *LINK_VERDICTS, stages=counted)
    declined = first.declined_reason
    told = [first, *(row for row in _passed(page) if row is not first)]
    words = [row.words for row in told if row.words and row.words != declined]
    few = facts.n_stages < STAGES_FOR_LINK
    return page.section(
        "link",
        [
            page.para("link.lead"),
            PageBlock("para", verdict, style="warning" if few else ""),
            PageBlock("para", page.user(declined), style="note") if declined else None,
            *(PageBlock("para", page.user(one), style="note") for one in words),
            _link_figure(page, first),
            _order_table(page, rows),
            _slope_table(page, rows),
            page.note("link.primary" if first.primary else "link.exploratory"),
            *programme_link_blocks(page, _PROGRAMME_FIGURES),
        ],
    )


# power ---------------------------------------------------------------------------------


def _power_figure(
    page: Page, method: str, rows: Sequence[PowerResult], index: int
) -> PageBlock | None:
    curves = []
    lines: list[list[Any]] = []
    for row in rows:
        listeners, power = _curve(row.n_listeners), _curve(row.power)
        label = clean_text(row.what)
        if listeners and power:
            curves.append((label, listeners, power))
            lines += [[label, n, p] for n, p in zip(listeners, power, strict=True)]
    if not curves:
        return None
    svg = power_chart(
        curves,
        key=f"power{index}",
        alt="Chance to notice a true difference against the number of listeners, one curve for "
        "each size of difference.",
        x_label=page.name("power.axis.x"),
        y_label=page.name("power.axis.y"),
        as_run=None if page.results.about is None else page.results.about.n_listeners,
        wanted=_WANTED_POWER,
        mark=page.mark,
    )
    data = page.csv(f"power-{index + 1}", ("what", "n_listeners", "power"), lines)
    # A curve is about one question; the trials of the whole study are none of its numbers.
    about = page.results.about
    people = "" if about is None else page.counted(page.at(about).n_listeners, "listener")
    caption = [page.say("power.caption"), Markup("({})").format(people)]
    if method:
        caption.insert(0, page.say("power.method", method=page.user(method)))
    return page.figure(svg, caption, data)


def _power_table(page: Page, rows: Sequence[PowerResult]) -> PageBlock | None:
    if not any(row.power_as_run is not None for row in rows):
        return None
    cells = [[page.user(row.what), page.n(page.at(row).power_as_run, "chance")] for row in rows]
    return page.table(["true_size", "power"], cells)


def _claims_power(page: Page) -> list[PageBlock | None]:
    """Make the table of the claims as a set; nothing where they were not simulated."""
    found = page.results.power_claims
    if found is None or not found.claims:
        return []
    cells = [_claim_cells(page, row) for row in found.claims]
    at = page.at(found)
    lead = page.para(
        "power.claims",
        studies=page.n(at.n_studies, "count"),
        panel=page.panel(found),
        share=page.n(at.share, "percent"),
        share_right=page.n(at.share_right, "percent"),
    )
    kept = [lead, page.table(["claim", "power_alone", "power_family"], cells)]
    if len(found.claims) > 1:
        every, some = page.n(at.every, "chance"), page.n(at.some, "chance")
        kept.append(page.note("power.family", every=every, some=some))
    return [*kept, page.note("power.questions")]


def _claim_cells(page: Page, row: ClaimPower) -> list[object]:
    at = page.at(row)
    chances = ((at.alone, at.alone_error), (at.together, at.together_error))
    shown = (
        Markup("{} ± {}").format(page.n(chance, "chance"), page.n(error, "percent"))
        for chance, error in chances
    )
    return [page.claim_typed(row.claim), *shown]


def power_section(page: Page) -> Section | None:
    """Make the power of the study as run: its claims, then one picture a method; None without."""
    rows = page.results.power
    by_method: dict[str, list[PowerResult]] = {}
    for row in rows:
        by_method.setdefault(row.method, []).append(row)
    drawn = [
        _power_figure(page, method, own, index)
        for index, (method, own) in enumerate(by_method.items())
    ]
    claims = _claims_power(page)
    if not any(drawn) and not claims:
        return None
    blocks = [page.para("power.lead"), *claims, *drawn, _power_table(page, rows)]
    return page.section("power", blocks)
