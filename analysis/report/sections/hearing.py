"""What listeners told apart: pairs, the panel, and one listener at a time."""

from __future__ import annotations

from collections.abc import Sequence

from markupsafe import Markup

from analysis.report.figures.charts import Interval, interval_chart
from analysis.report.figures.panel import listener_strip
from analysis.report.page import Page, PageBlock, Section
from analysis.report.sections.claims import unheard_words
from analysis.report.words.numbers import UNDEFINED
from analysis.results.base import Real
from analysis.results.hearing import HearingRow, HearingTest

__all__ = ["discrimination_section", "panel_p", "pooled_rows", "right_share"]

_DASH = "\u2013"

# Share of right answers that guessing gives, from the task itself.
_CHANCE = {"abx": 1 / 2, "duo-trio": 1 / 2, "same-different": 1 / 2, "triangle": 1 / 3}


def pooled_rows(page: Page) -> list[HearingRow]:
    """Return the discrimination rows of the whole panel over all programmes."""
    rows = page.results.discrimination
    kept = [r for r in rows if r.listener is None and r.programme is None]
    return page.in_order(kept)


def _critical_share(row: HearingRow) -> float | None:
    return row.n_critical / row.n_trials if row.n_critical is not None and row.n_trials else None


def _between(row: HearingRow) -> HearingTest | None:
    """Return the test between listeners of a pooled pair; None where there is none."""
    return row.panel if row.panel is not None and row.panel.p_value is not None else None


def panel_p(row: HearingRow) -> float | None:
    """Return the p-value on which the verdict of a pooled pair rests.

    The test between listeners, adjusted for the number of pairs where that is stored.
    """
    if row.p_holm is not None:
        return row.p_holm
    panel = _between(row)
    return row.p_value if panel is None else panel.p_value


def right_share(page: Page, row: HearingRow) -> Real:
    """Return where the share right of a pooled pair stands: the mean over listeners if known."""
    panel = _between(row)
    if panel is None or panel.estimate is None:
        return page.at(row).proportion
    return page.at(panel).estimate


def _right_interval(page: Page, row: HearingRow, label: str, series: int) -> Interval:
    panel = _between(row)
    low, high = (row.ci_low, row.ci_high) if panel is None else (panel.ci_low, panel.ci_high)
    share = right_share(page, row)
    return Interval(
        label,
        page.numbers.value(share, "percent"),
        low,
        high,
        mark=_critical_share(row),
        chance=_CHANCE.get(row.method),
        note=page.numbers.plain(share, "percent"),
        series=series,
    )


def _right_figure(page: Page, rows: Sequence[HearingRow]) -> PageBlock:
    methods = sorted({row.method for row in rows})
    drawn = []
    for row in rows:
        label = page.pair_text(row) + (f" ({row.method})" if len(methods) > 1 else "")
        drawn.append(_right_interval(page, row, label, methods.index(row.method)))
    svg = interval_chart(
        drawn,
        key="right",
        alt="Share of right answers for each pair with its interval, against guessing. "
        "The tables below hold the figures.",
        axis=page.name("disc.axis"),
        percent=True,
        mark=page.mark,
    )
    between = any(_between(row) for row in rows)
    caption = [page.say("disc.caption.panel" if between else "disc.caption")]
    if any(row.n_critical is not None for row in rows):
        caption.append(page.say("disc.caption.critical"))
    caption.append(Markup("({})").format(_discrimination_panel(page, rows)))
    keys = (
        HearingRow.pair, HearingRow.method, HearingRow.n_listeners, HearingRow.n_trials,
        HearingRow.n_correct, HearingRow.n_critical, HearingRow.proportion, HearingRow.ci_low,
        HearingRow.ci_high, HearingRow.p_value, HearingRow.d_prime, HearingRow.d_prime_low,
        HearingRow.d_prime_high,
    )  # fmt: skip
    return page.figure(svg, caption, page.csv_of("discrimination", rows, keys))


def _discrimination_panel(page: Page, rows: Sequence[HearingRow]) -> Markup:
    """Say how many took part: per pair where all pairs agree, else over the whole study."""
    counts = {(row.n_listeners, row.n_trials) for row in rows}
    if len(counts) == 1:
        return page.say("disc.per_pair", panel=page.panel(rows[0]))
    return page.panel()


def _count_table(page: Page, rows: Sequence[HearingRow]) -> PageBlock:
    critical = any(row.n_critical is not None for row in rows)
    columns = ["pair", "method", "right", "trials", *(["critical"] if critical else [])]
    cells = []
    for row in rows:
        told = row.n_critical is not None
        needed: object = page.n(page.at(row).n_critical, "count") if told else _DASH
        cells.append(
            [
                page.pair(row),
                page.user(row.method),
                page.n(page.at(row).n_correct, "count"),
                page.n(page.at(row).n_trials, "count"),
                *([needed] if critical else []),
                page.interval(page.at(row).ci_low, page.at(row).ci_high, "percent"),
                page.n(page.at(row).p_value, "p"),
            ]
        )
    return page.table([*columns, "interval", "p_guess"], cells)


def _d_interval(page: Page, row: HearingRow) -> Markup:
    """Write the interval of d': between listeners where it is known."""
    if row.panel is None or row.panel.d_prime_low is None:
        at = page.at(row)
        return page.interval(at.d_prime_low, at.d_prime_high, "dprime")
    panel = page.at(row.panel)
    return page.interval(panel.d_prime_low, panel.d_prime_high, "dprime")


def _panel_cells(page: Page, row: HearingRow) -> list[object]:
    """Write interval and p of the test between listeners; of a row without one, that it is not."""
    if row.panel is None:
        return [UNDEFINED, UNDEFINED]
    at = page.at(row.panel)
    return [page.interval(at.ci_low, at.ci_high, "percent"), page.n(at.p_value, "p")]


def _result_table(page: Page, rows: Sequence[HearingRow]) -> PageBlock:
    between = any(_between(row) for row in rows)
    holm = any(row.p_holm is not None for row in rows)
    columns = ["pair", "share_right", *(["interval", "p_listeners"] if between else [])]
    columns += ["p_holm"] if holm else []
    cells = []
    for row in rows:
        facts = page.about(p_value=panel_p(row))
        cells.append(
            [
                page.pair(row),
                page.n(right_share(page, row), "percent"),
                *(_panel_cells(page, row) if between else []),
                *([page.n(page.at(row).p_holm, "p")] if holm else []),
                page.n(page.at(row).d_prime, "dprime"),
                _d_interval(page, row),
                page.first(facts, "disc.apart", "disc.not_shown"),
            ]
        )
    return page.table([*columns, "dprime", "interval", "verdict"], cells, style="results")


def _strip(page: Page, rows: Sequence[HearingRow]) -> list[PageBlock]:
    """Draw every listener's share of right answers for the pooled pairs."""
    by_pair: dict[tuple[str, ...], list[HearingRow]] = {}
    for row in page.results.discrimination:
        if row.listener is not None and row.programme is None:
            by_pair.setdefault((*row.pair, row.method), []).append(row)
    drawn, saved = [], []
    for row in rows:
        own = by_pair.get((*row.pair, row.method), [])
        shares = [share for r in own if (share := r.proportion) is not None]
        if shares:
            drawn.append((page.pair_text(row), shares, _CHANCE.get(row.method)))
            saved += own
    if not drawn:
        return []
    svg = listener_strip(
        drawn,
        key="strip",
        alt="Share of right answers of every listener, one row a pair. The saved table holds the "
        "figures.",
        axis=page.name("disc.axis"),
        mark=page.mark,
    )
    caption = [page.say("strip.caption"), Markup("({})").format(_discrimination_panel(page, rows))]
    keys = (
        HearingRow.pair, HearingRow.method, HearingRow.listener, HearingRow.n_trials,
        HearingRow.n_correct, HearingRow.proportion, HearingRow.p_value,
    )  # fmt: skip
    figure = page.figure(svg, caption, page.csv_of("right-by-listener", saved, keys))
    return [PageBlock("heading", page.say("title.by_listener")), figure]


def discrimination_section(page: Page) -> Section:
    """Make the section on which pairs were told apart."""
    rows = pooled_rows(page)
    if not rows:
        return page.section("discrimination", [page.para("disc.none")])
    methods = {row.method for row in rows}
    halves = methods <= {"abx", "duo-trio", "same-different"}
    lead = (
        page.para("disc.lead", chance=page.say("unit.half"))
        if halves
        else page.para("disc.lead_mixed")
    )
    return page.section(
        "discrimination",
        [
            lead,
            _right_figure(page, rows),
            _count_table(page, rows),
            _result_table(page, rows),
            page.note("disc.panel") if any(_between(row) for row in rows) else None,
            *(PageBlock("para", said, style="warning") for said in unheard_words(page)),
            page.note("disc.note"),
            page.note("disc.pooled"),
            *_strip(page, rows),
        ],
    )
