"""Grades: impairment against a hidden reference, and paired answers that say how much."""

from __future__ import annotations

from collections.abc import Sequence

from markupsafe import Markup

from analysis.report.figures.charts import Interval, interval_chart, row_interval
from analysis.report.page import Page, PageBlock, Section
from analysis.results.preference import StrengthRow
from analysis.results.rated import GradeRow, GradingResult

__all__ = ["grading_section", "strength_section"]

_SAVED = (
    GradeRow.stage, GradeRow.mean, GradeRow.ci_low, GradeRow.ci_high, GradeRow.q1, GradeRow.median,
    GradeRow.q3, GradeRow.minimum, GradeRow.maximum, GradeRow.told, GradeRow.above_zero,
    GradeRow.p_value, GradeRow.p_holm, GradeRow.n_trials, GradeRow.n_listeners,
)  # fmt: skip


def _interval(page: Page, row: GradeRow | StrengthRow, label: str) -> Interval:
    at = page.at(row)
    return row_interval(page.numbers, label, (at.mean, at.ci_low, at.ci_high), "rating_signed")


def _chart(
    page: Page,
    rows: Sequence[GradeRow] | Sequence[StrengthRow],
    labels: Sequence[str],
    *,
    key: str,
    axis: str,
    alt: str,
) -> Markup:
    every: list[GradeRow | StrengthRow] = [*rows]
    drawn = [_interval(page, row, label) for row, label in zip(every, labels, strict=True)]
    return interval_chart(drawn, key=key, alt=alt, axis=page.name(axis), line=0.0, mark=page.mark)


def _grade_blocks(page: Page, entry: GradingResult, place: int) -> list[PageBlock]:
    order = page.evidence.stage_order()
    rows = [row for row in entry.stages if row.programme is None]
    rows.sort(key=lambda row: order.get(row.stage, len(order)))
    if not rows:
        return []
    labels = [page.evidence.stage_label(row.stage) for row in rows]
    svg = _chart(
        page,
        rows,
        labels,
        key=f"grades{place}",
        axis="graded.axis",
        alt="Mean difference grade of each version with its interval. "
        "The table below holds the figures.",
    )
    caption = [page.say("graded.caption"), Markup("({})").format(page.panel(entry))]
    return [
        page.para("graded.reference", stage=page.quoted(entry.reference)),
        page.figure(svg, caption, page.csv_of("grades", rows, _SAVED)),
        _grade_table(page, rows),
        *_words_table(page, entry),
    ]


def _grade_table(page: Page, rows: Sequence[GradeRow]) -> PageBlock:
    cells = [
        [
            page.stage(row.stage),
            page.n(page.at(row).median, "rating_signed"),
            page.n(page.at(row).mean, "rating_signed"),
            page.interval(page.at(row).ci_low, page.at(row).ci_high, "rating_signed"),
            page.n(page.at(row).told, "percent"),
            page.n(page.at(row).p_holm, "p"),
        ]
        for row in rows
    ]
    return page.table(["stage", "median", "mean", "interval", "told", "p_holm"], cells)


def _words_table(page: Page, entry: GradingResult) -> list[PageBlock]:
    """Show the model of ordered words, where it could be fitted."""
    model = entry.ordinal
    if model is None or not model.stages:
        return []
    cells = [
        [
            page.stage(row.stage),
            page.n(page.at(row).log_odds, "logit"),
            page.interval(page.at(row).ci_low, page.at(row).ci_high, "logit"),
            page.n(page.at(row).p_holm, "p"),
        ]
        for row in model.stages
    ]
    found = [
        page.note("graded.words", stage=page.quoted(model.reference)),
        page.table(["stage", "log_odds", "interval", "p_holm"], cells),
    ]
    if model.penalty:
        found.append(page.note("graded.penalty", n=page.n(page.at(model).penalty, "plain")))
    return found


def grading_section(page: Page) -> Section | None:
    """Make the grades against a hidden reference; None where nobody graded."""
    entries = enumerate(page.results.grading)
    blocks = [block for k, entry in entries for block in _grade_blocks(page, entry, k)]
    return page.section("graded", [page.para("graded.lead"), *blocks]) if blocks else None


def strength_section(page: Page) -> Section | None:
    """Make how much better one of a pair was called; None without graded pairs."""
    preference = page.results.preference
    strength = None if preference is None else preference.strength
    rows = [] if strength is None else page.in_order(strength.pairs)
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
    caption = [page.say("strength.caption"), Markup("({})").format(page.panel(strength))]
    keys = (
        StrengthRow.pair, StrengthRow.mean, StrengthRow.ci_low, StrengthRow.ci_high,
        StrengthRow.p_value, StrengthRow.p_holm, StrengthRow.n_trials, StrengthRow.n_listeners,
    )  # fmt: skip
    cells = [
        [
            page.pair(row),
            page.n(page.at(row).mean, "rating_signed"),
            page.interval(page.at(row).ci_low, page.at(row).ci_high, "rating_signed"),
            page.n(page.at(row).p_holm, "p"),
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
