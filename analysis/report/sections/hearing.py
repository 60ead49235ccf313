"""What listeners told apart: pairs, the panel, and one listener at a time."""

from __future__ import annotations

from collections.abc import Sequence

from markupsafe import Markup

from analysis.report.evidence import Row
from analysis.report.figures.charts import Interval, interval_chart
from analysis.report.figures.panel import listener_strip
from analysis.report.page import Page, PageBlock, Section
from analysis.report.sections.claims import unheard_words

__all__ = ["discrimination_section", "panel_p", "pooled_rows", "right_share"]

_DASH = "\u2013"

# Share of right answers that guessing gives, from the task itself.
_CHANCE = {"abx": 1 / 2, "duo-trio": 1 / 2, "same-different": 1 / 2, "triangle": 1 / 3}


def pooled_rows(page: Page) -> list[Row]:
    """Return the discrimination rows of the whole panel over all programmes."""
    rows = page.evidence.rows("/results/discrimination")
    kept = [r for r in rows if r.get("listener") is None and r.get("programme") is None]
    return page.in_order(kept)


def _critical(row: Row) -> str | None:
    """Return the key under which a row holds its critical count."""
    return next((k for k in ("n_critical", "critical") if row.number(k) is not None), None)


def _critical_share(row: Row) -> float | None:
    key, trials = _critical(row), row.number("n_trials")
    return (row.number(key) or 0.0) / trials if key and trials else None


def _between(row: Row) -> str:
    """Return where the test between listeners of a pooled pair stands; "" where there is none."""
    panel = row.get("panel")
    return row.at("panel") if isinstance(panel, dict) and panel.get("p_value") is not None else ""


def panel_p(page: Page, row: Row) -> float | None:
    """Return the p-value on which the verdict of a pooled pair rests.

    The test between listeners, adjusted for the number of pairs where that is stored.
    """
    if row.number("p_holm") is not None:
        return row.number("p_holm")
    place = _between(row)
    return page.evidence.number(f"{place}/p_value") if place else row.number("p_value")


def right_share(page: Page, row: Row) -> str:
    """Return where the share right of a pooled pair stands: the mean over listeners if known."""
    place = f"{_between(row)}/estimate"
    return place if _between(row) and page.known(place) else row.at("proportion")


def _right_interval(page: Page, row: Row, label: str, series: int) -> Interval:
    place = _between(row) or row.pointer
    return Interval(
        label,
        page.evidence.number(right_share(page, row)),
        page.evidence.number(f"{place}/ci_low"),
        page.evidence.number(f"{place}/ci_high"),
        mark=_critical_share(row),
        chance=_CHANCE.get(str(row.get("method"))),
        note=page.numbers.plain(right_share(page, row), "percent"),
        series=series,
    )


def _right_figure(page: Page, rows: Sequence[Row]) -> PageBlock:
    methods = sorted({str(row.get("method")) for row in rows})
    drawn = []
    for row in rows:
        method = str(row.get("method"))
        label = page.pair_text(row) + (f" ({method})" if len(methods) > 1 else "")
        drawn.append(_right_interval(page, row, label, methods.index(method)))
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
    if any(_critical(row) for row in rows):
        caption.append(page.say("disc.caption.critical"))
    caption.append(Markup("({})").format(_discrimination_panel(page, rows)))
    keys = (
        "pair", "method", "n_listeners", "n_trials", "n_correct", "n_critical", "proportion",
        "ci_low", "ci_high", "p_value", "d_prime", "d_prime_low", "d_prime_high",
    )  # fmt: skip
    return page.figure(svg, caption, page.csv_of("discrimination", rows, keys))


def _discrimination_panel(page: Page, rows: Sequence[Row]) -> Markup:
    """Say how many took part: per pair where all pairs agree, else over the whole study."""
    counts = {(row.number("n_listeners"), row.number("n_trials")) for row in rows}
    if len(counts) == 1 and None not in next(iter(counts)):
        return page.say("disc.per_pair", panel=page.panel(rows[0].pointer))
    return page.panel()


def _count_table(page: Page, rows: Sequence[Row]) -> PageBlock:
    critical = any(_critical(row) for row in rows)
    columns = ["pair", "method", "right", "trials", *(["critical"] if critical else [])]
    cells = []
    for row in rows:
        key = _critical(row)
        needed: object = page.n(row.at(key), "count") if key else _DASH
        cells.append(
            [
                page.pair(row),
                page.user(row.get("method") or ""),
                page.n(row.at("n_correct"), "count"),
                page.n(row.at("n_trials"), "count"),
                *([needed] if critical else []),
                page.between(row, "ci_low", "ci_high", "percent"),
                page.n(row.at("p_value"), "p"),
            ]
        )
    return page.table([*columns, "interval", "p_guess"], cells)


def _d_interval(page: Page, row: Row) -> Markup:
    """Write the interval of d': between listeners where it is known."""
    place = row.at("panel")
    if not page.known(f"{place}/d_prime_low"):
        return page.between(row, "d_prime_low", "d_prime_high", "dprime")
    return page.numbers.between(f"{place}/d_prime_low", f"{place}/d_prime_high", "dprime")


def _result_table(page: Page, rows: Sequence[Row]) -> PageBlock:
    between = any(_between(row) for row in rows)
    holm = any(row.number("p_holm") is not None for row in rows)
    columns = ["pair", "share_right", *(["interval", "p_listeners"] if between else [])]
    columns += ["p_holm"] if holm else []
    cells = []
    for row in rows:
        place = row.at("panel")
        panel = [
            page.numbers.between(f"{place}/ci_low", f"{place}/ci_high", "percent"),
            page.n(f"{place}/p_value", "p"),
        ]
        facts = page.about(p_value=panel_p(page, row))
        cells.append(
            [
                page.pair(row),
                page.n(right_share(page, row), "percent"),
                *(panel if between else []),
                *([page.n(row.at("p_holm"), "p")] if holm else []),
                page.n(row.at("d_prime"), "dprime"),
                _d_interval(page, row),
                page.first(facts, "disc.apart", "disc.not_shown"),
            ]
        )
    return page.table([*columns, "dprime", "interval", "verdict"], cells, style="results")


def _strip(page: Page, rows: Sequence[Row]) -> list[PageBlock]:
    """Draw every listener's share of right answers for the pooled pairs."""
    by_pair: dict[tuple[str, ...], list[Row]] = {}
    for row in page.evidence.rows("/results/discrimination"):
        if row.get("listener") is not None and row.get("programme") is None:
            by_pair.setdefault((*page.pair_ids(row), str(row.get("method"))), []).append(row)
    drawn, saved = [], []
    for row in rows:
        method = str(row.get("method"))
        own = by_pair.get((*page.pair_ids(row), method), [])
        shares = [share for r in own if (share := r.number("proportion")) is not None]
        if shares:
            drawn.append((page.pair_text(row), shares, _CHANCE.get(method)))
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
    keys = ("pair", "method", "listener", "n_trials", "n_correct", "proportion", "p_value")
    figure = page.figure(svg, caption, page.csv_of("right-by-listener", saved, keys))
    return [PageBlock("heading", page.say("title.by_listener")), figure]


def discrimination_section(page: Page) -> Section:
    """Make the section on which pairs were told apart."""
    rows = pooled_rows(page)
    if not rows:
        return page.section("discrimination", [page.para("disc.none")])
    methods = {str(row.get("method")) for row in rows}
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
