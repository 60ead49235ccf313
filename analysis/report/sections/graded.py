"""Grades: impairment against a hidden reference, and paired answers that say how much."""

from __future__ import annotations

from collections.abc import Sequence

from markupsafe import Markup

from analysis.report.evidence import Row
from analysis.report.figures.charts import Interval, interval_chart, row_interval
from analysis.report.page import Page, PageBlock, Section

__all__ = ["grading_section", "strength_section"]

_SAVED = (
    "stage", "mean", "ci_low", "ci_high", "q1", "median", "q3", "minimum", "maximum", "told",
    "above_zero", "p_value", "p_holm", "n_trials", "n_listeners",
)  # fmt: skip


def _interval(page: Page, row: Row, label: str) -> Interval:
    return row_interval(page.numbers, row, label, ("mean", "ci_low", "ci_high"), "rating_signed")


def _chart(
    page: Page, rows: Sequence[Row], labels: Sequence[str], *, key: str, axis: str, alt: str
) -> Markup:
    drawn = [_interval(page, row, label) for row, label in zip(rows, labels, strict=True)]
    return interval_chart(drawn, key=key, alt=alt, axis=page.name(axis), line=0.0, mark=page.mark)


def _grade_blocks(page: Page, entry: Row) -> list[PageBlock]:
    rows = page.evidence.rows(entry.at("stages"))
    rows = [row for row in rows if row.get("programme") is None]
    order = page.evidence.stage_order()
    rows.sort(key=lambda row: order.get(str(row.get("stage")), len(order)))
    if not rows:
        return []
    labels = [page.evidence.stage_label(row.get("stage")) for row in rows]
    svg = _chart(
        page,
        rows,
        labels,
        key=f"grades{entry.pointer.rsplit('/', 1)[-1]}",
        axis="graded.axis",
        alt="Mean difference grade of each version with its interval. "
        "The table below holds the figures.",
    )
    caption = [page.say("graded.caption"), Markup("({})").format(page.panel(entry.pointer))]
    return [
        page.para("graded.reference", stage=page.quoted(entry.get("reference"))),
        page.figure(svg, caption, page.csv_of("grades", rows, _SAVED)),
        _grade_table(page, rows),
        *_words_table(page, entry),
    ]


def _grade_table(page: Page, rows: Sequence[Row]) -> PageBlock:
    cells = [
        [
            page.stage(row.get("stage")),
            page.n(row.at("median"), "rating_signed"),
            page.n(row.at("mean"), "rating_signed"),
            page.between(row, "ci_low", "ci_high", "rating_signed"),
            page.n(row.at("told"), "percent"),
            page.n(row.at("p_holm"), "p"),
        ]
        for row in rows
    ]
    return page.table(["stage", "median", "mean", "interval", "told", "p_holm"], cells)


def _words_table(page: Page, entry: Row) -> list[PageBlock]:
    """Show the model of ordered words, where it could be fitted."""
    base = entry.at("ordinal")
    rows = page.evidence.rows(f"{base}/stages")
    if not rows:
        return []
    cells = [
        [
            page.stage(row.get("stage")),
            page.n(row.at("log_odds"), "logit"),
            page.between(row, "ci_low", "ci_high", "logit"),
            page.n(row.at("p_holm"), "p"),
        ]
        for row in rows
    ]
    found = [
        page.note("graded.words", stage=page.quoted(page.evidence.get(f"{base}/reference"))),
        page.table(["stage", "log_odds", "interval", "p_holm"], cells),
    ]
    if page.evidence.number(f"{base}/penalty"):
        found.append(page.note("graded.penalty", n=page.n(f"{base}/penalty", "plain")))
    return found


def grading_section(page: Page) -> Section | None:
    """Make the grades against a hidden reference; None where nobody graded."""
    entries = page.evidence.rows("/results/grading")
    blocks = [block for entry in entries for block in _grade_blocks(page, entry)]
    return page.section("graded", [page.para("graded.lead"), *blocks]) if blocks else None


def strength_section(page: Page) -> Section | None:
    """Make how much better one of a pair was called; None without graded pairs."""
    base = "/results/preference/strength"
    rows = page.in_order(page.evidence.rows(f"{base}/pairs"))
    if not rows:
        return None
    svg = _chart(
        page,
        rows,
        [page.pair_text(row) for row in rows],
        key="strength",
        axis="strength.axis",
        alt="Mean strength of the answers to each pair with its interval. "
        "The table below holds the figures.",
    )
    caption = [page.say("strength.caption"), Markup("({})").format(page.panel(base))]
    keys = ("pair", "mean", "ci_low", "ci_high", "p_value", "p_holm", "n_trials", "n_listeners")
    cells = [
        [
            page.pair(row),
            page.n(row.at("mean"), "rating_signed"),
            page.between(row, "ci_low", "ci_high", "rating_signed"),
            page.n(row.at("p_holm"), "p"),
        ]
        for row in rows
    ]
    return page.section(
        "strength",
        [
            page.para("strength.lead"),
            page.figure(svg, caption, page.csv_of("strength", rows, keys)),
            page.table(["pair", "mean", "interval", "p_holm"], cells),
        ],
    )
