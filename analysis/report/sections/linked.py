"""What the measurements have to do with the choices, and what the study could notice."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from markupsafe import Markup

from analysis.report.evidence import Row, clean_text
from analysis.report.figures.panel import Point, power_chart, scatter_chart
from analysis.report.page import Page, PageBlock, Section
from analysis.report.sections.experiments import programme_link_blocks
from analysis.report.words.conditions import STAGES_FOR_LINK, Facts
from analysis.report.words.sentences import SENTENCES

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

# Where the figures of a metric stand in the deviation block.
_METRIC_FIELDS = {
    "deviation_sd_db": "sd_db",
    "deviation_mean_abs_db": "mean_abs_db",
    "deviation_tilt_db_per_octave": "tilt_db_per_octave",
}


# What a figure of the programme table is, in words.
_PROGRAMME_FIGURES = {
    "excitation_d": "Excitation-pattern difference D of the programme",
    "excitation_mean_abs_db": "Mean difference of excitation (dB)",
    "excitation_largest_db": "Largest difference of excitation (dB)",
    "loudness_difference_sone": "Loudness-weighted difference of the programme (sone)",
}


# link ----------------------------------------------------------------------------------


def link_facts(page: Page, row: Row) -> Facts:
    """Return the facts that the link allows, `row` being the first one told."""
    passed = _passed(page)
    return page.about(
        n_stages=int(row.number("n_stages") or 0),
        link_passed=any(one.get("primary") is not False for one in passed),
        link_predicts=any(
            one.get("primary") is not False and one.get("predicts") is not False for one in passed
        ),
        link_explored=any(one.get("primary") is False for one in passed),
        p_value=row.number("p_exact"),
    )


def _passed(page: Page) -> list[Row]:
    """Return the rows whose test was passed."""
    rows = page.evidence.rows("/results/link")
    return [r for r in rows if r.get("verdict") == LINK_PASSED and not r.get("declined_reason")]


def _metric_values(page: Page, row: Row) -> dict[str, float]:
    """Return the metric by stage: stored with the link, else from the deviation block."""
    points = page.evidence.rows(row.at("points"))
    found = {str(point.get("stage")): point.number("x") for point in points}
    field = _METRIC_FIELDS.get(str(row.get("metric")))
    if not points and field:
        found = {str(r.get("stage")): r.number(field) for r in page.evidence.rows("/deviation")}
    return {stage: value for stage, value in found.items() if value is not None}


def _points(page: Page, row: Row) -> list[Point]:
    """Pair the metric with the worths; intervals only where both speak of the same stages."""
    metric = _metric_values(page, row)
    stored = {
        str(r.get("stage")): y
        for r in page.evidence.rows(row.at("points"))
        if (y := r.number("y")) is not None
    }
    worths = {str(r.get("stage")): r for r in page.evidence.rows("/results/preference/stages")}
    whole = set(worths) == set(metric)
    points = []
    for stage, x in metric.items():
        own = worths.get(stage)
        centred = own.number("centred") if own else None
        y = centred if whole else stored.get(stage, centred)
        if y is None:
            continue
        low = own.number("centred_low") if own and whole else None
        high = own.number("centred_high") if own and whole else None
        points.append(Point(page.evidence.stage_label(stage), x, y, low, high))
    return points


def _band(page: Page, row: Row) -> tuple[Sequence[float], Sequence[float], Sequence[float]] | None:
    band = row.get("permutation_band")
    if not isinstance(band, Mapping):
        return None
    x, low, high = page.evidence.curves(Row(row.at("permutation_band"), band), "x", "low", "high")
    return x, low, high


def _line(row: Row, points: Sequence[Point]) -> tuple[float, float] | None:
    """Return intercept and slope of the fitted rule, on the scale of the points."""
    intercept, slope = row.number("intercept"), row.number("slope")
    if intercept is None or slope is None:
        return None
    # The rule speaks of worths about the mean of the stages that have the metric.
    return intercept + sum(point.y for point in points) / len(points), slope


def _metric_name(page: Page, metric: str) -> str:
    """Return a metric in words; its own name where it has none here."""
    key = f"metric.{metric}"
    return page.name(key) if key in SENTENCES else metric


def _link_figure(page: Page, row: Row) -> PageBlock | None:
    points = _points(page, row)
    if len(points) < 3:
        return None
    band = _band(page, row)
    line = _line(row, points)
    metric = clean_text(row.get("metric"))
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
            page.counted(row.at("n_stages"), "stage"), page.panel("/results/preference")
        ),
    ]
    data = page.csv(
        "link",
        ("stage", metric, "worth", "worth_low", "worth_high"),
        [(p.label, p.x, p.y, p.low, p.high) for p in points],
    )
    return page.figure(svg, caption, data)


def _metric_cell(page: Page, row: Row) -> Markup:
    return page.user(_metric_name(page, clean_text(row.get("metric") or "")))


def _order_table(page: Page, rows: Sequence[Row]) -> PageBlock:
    """Show how far the order by each metric agrees with the order of worths."""
    pairs = any(row.number("pairs_total") is not None for row in rows)
    adjusted = any(row.number("p_exact_adjusted") is not None for row in rows)
    cells = []
    for row in rows:
        agree = Markup("{}/{}").format(
            page.n(row.at("pairs_agree"), "count"), page.n(row.at("pairs_total"), "count")
        )
        cells.append(
            [
                _metric_cell(page, row),
                page.name(
                    "link.is_primary" if row.get("primary") is not False else "link.is_exploratory"
                ),
                page.n(row.at("n_stages"), "count"),
                *([agree if row.number("pairs_total") is not None else _DASH] if pairs else []),
                page.n(row.at("spearman"), "agreement"),
                page.n(row.at("p_exact"), "p"),
                *([page.n(row.at("p_exact_adjusted"), "p")] if adjusted else []),
                page.n(row.at("lack_of_fit", "p_value"), "p"),
            ]
        )
    columns = ["metric", "standing", "n_stages", *(["pairs_agree"] if pairs else []), "spearman"]
    columns += ["p_permutation", *(["p_permutation_holm"] if adjusted else [])]
    return page.table([*columns, "p_lack"], cells)


def _slope_table(page: Page, rows: Sequence[Row]) -> PageBlock | None:
    """Show the slopes; None where no row has one, as with fewer than six stages."""
    kept = [row for row in rows if row.number("slope") is not None]
    if not kept:
        return None
    bounded = any(row.number("ci_low") is not None for row in kept)
    tested = any(row.number("p_value") is not None for row in kept)
    cells = [
        [
            _metric_cell(page, row),
            page.n(row.at("n_stages"), "count"),
            page.n(row.at("slope"), "logit"),
            *([page.between(row, "ci_low", "ci_high", "logit")] if bounded else []),
            page.n(row.at("se"), "se"),
            *(
                [page.n(row.at("p_value"), "p"), page.n(row.at("p_adjusted"), "p")]
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
    rows = page.evidence.rows("/results/link")
    if not rows:
        return None
    facts = link_facts(page, rows[0])
    counted = page.counted(rows[0].at("n_stages"), "stage")
    verdict = page.first(facts, *LINK_VERDICTS, stages=counted)
    declined = rows[0].get("declined_reason")
    told = [rows[0], *(row for row in _passed(page) if row.pointer != rows[0].pointer)]
    words = [row.get("words") for row in told if row.get("words") not in (None, declined)]
    few = facts.n_stages < STAGES_FOR_LINK
    return page.section(
        "link",
        [
            page.para("link.lead"),
            PageBlock("para", verdict, style="warning" if few else ""),
            PageBlock("para", page.user(declined), style="note") if declined else None,
            *(PageBlock("para", page.user(one), style="note") for one in words),
            _link_figure(page, rows[0]),
            _order_table(page, rows),
            _slope_table(page, rows),
            page.note("link.exploratory" if rows[0].get("primary") is False else "link.primary"),
            *programme_link_blocks(page, _PROGRAMME_FIGURES),
        ],
    )


# power ---------------------------------------------------------------------------------


def _power_figure(page: Page, method: str, rows: Sequence[Row], index: int) -> PageBlock | None:
    curves = []
    lines: list[list[Any]] = []
    for row in rows:
        listeners, power = page.evidence.curves(row, "n_listeners", "power")
        label = clean_text(row.get("what") or "")
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
        as_run=page.evidence.number("/results/about/n_listeners"),
        wanted=_WANTED_POWER,
        mark=page.mark,
    )
    data = page.csv(f"power-{index + 1}", ("what", "n_listeners", "power"), lines)
    # A curve is about one question; the trials of the whole study are none of its numbers.
    took_part = Markup("({})").format(page.counted("/results/about/n_listeners", "listener"))
    caption = [page.say("power.caption"), took_part]
    if method:
        caption.insert(0, page.say("power.method", method=page.user(method)))
    return page.figure(svg, caption, data)


def _power_table(page: Page, rows: Sequence[Row]) -> PageBlock | None:
    if not any(row.number("power_as_run") is not None for row in rows):
        return None
    cells = [
        [page.user(row.get("what") or ""), page.n(row.at("power_as_run"), "chance")] for row in rows
    ]
    return page.table(["true_size", "power"], cells)


def _claims_power(page: Page) -> list[PageBlock | None]:
    """Make the table of the claims as a set; nothing where they were not simulated."""
    rows = page.evidence.rows("/results/power_claims/claims")
    if not rows:
        return []
    cells = [
        [
            page.claim_typed(row.get("claim")),
            _chance_cell(page, row, "alone"),
            _chance_cell(page, row, "together"),
        ]
        for row in rows
    ]
    at = "/results/power_claims"
    known = {name: page.n(f"{at}/{name}", "percent") for name in ("share", "share_right")}
    studies = page.n(f"{at}/n_studies", "count")
    lead = page.para("power.claims", studies=studies, panel=page.panel(at), **known)
    kept = [lead, page.table(["claim", "power_alone", "power_family"], cells)]
    if len(rows) > 1:
        chances = {name: page.n(f"{at}/{name}", "chance") for name in ("all", "any")}
        kept.append(page.note("power.family", every=chances["all"], some=chances["any"]))
    return [*kept, page.note("power.questions")]


def _chance_cell(page: Page, row: Row, name: str) -> Markup:
    shown = page.n(row.at(name), "chance")
    return Markup("{} ± {}").format(shown, page.n(row.at(f"{name}_error"), "percent"))


def power_section(page: Page) -> Section | None:
    """Make the power of the study as run: its claims, then one picture a method; None without."""
    rows = page.evidence.rows("/results/power")
    by_method: dict[str, list[Row]] = {}
    for row in rows:
        by_method.setdefault(str(row.get("method") or ""), []).append(row)
    drawn = [
        _power_figure(page, method, own, index)
        for index, (method, own) in enumerate(by_method.items())
    ]
    claims = _claims_power(page)
    if not any(drawn) and not claims:
        return None
    blocks = [page.para("power.lead"), *claims, *drawn, _power_table(page, rows)]
    return page.section("power", blocks)
