"""What listeners chose, what they told apart, and how steady they were."""

from __future__ import annotations

from collections.abc import Sequence

from markupsafe import Markup

from analysis.report.evidence import Row
from analysis.report.figures import Interval, interval_chart
from analysis.report.page import Block, Page, Section

__all__ = ["discrimination_section", "listeners_section", "preference_section"]

_DASH = "\u2013"


def _in_order(page: Page, rows: Sequence[Row]) -> list[Row]:
    """Sort pair rows as the study lists its stages."""
    rank = page.evidence.stage_order()
    last = len(rank)
    return sorted(rows, key=lambda row: [rank.get(s, last) for s in page.pair_ids(row)])


# preference ----------------------------------------------------------------------------


def _worth_bounds(rows: Sequence[Row]) -> tuple[str, str] | None:
    names = ("ci_low", "ci_high")
    return names if any(row.number(names[0]) is not None for row in rows) else None


def _worth_rows(page: Page, rows: Sequence[Row]) -> list[Interval]:
    bounds = _worth_bounds(rows)
    drawn = []
    for row in rows:
        value, se = row.number("log_worth"), row.number("se_cluster")
        low = high = None
        if bounds:
            low, high = row.number(bounds[0]), row.number(bounds[1])
        elif value is not None and se is not None:
            low, high = value - se, value + se
        label = page.evidence.stage_label(row.get("stage"))
        drawn.append(Interval(label, value, low, high))
    return drawn


def _worth_figure(page: Page, rows: Sequence[Row]) -> Block:
    reference = page.evidence.get("/results/preference/reference")
    names = ", then ".join(page.evidence.stage_label(row.get("stage")) for row in rows)
    svg = interval_chart(
        _worth_rows(page, rows),
        key="worth",
        alt=f"Versions by worth, highest first: {names}. The table below holds the figures.",
        axis=page.name("pref.axis"),
        line=0.0,
        mark=page.mark,
    )
    bars = "pref.map.bars_ci" if _worth_bounds(rows) else "pref.map.bars_se"
    caption = [
        page.say("pref.map", reference=page.quoted(reference)),
        page.say(bars),
        Markup("({})").format(page.panel("/results/preference")),
    ]
    keys = ("stage", "log_worth", "se", "se_cluster", "ci_low", "ci_high", "worth", "p_best")
    return page.figure(svg, caption, page.csv_of("worths", rows, keys))


def _worth_table(page: Page, rows: Sequence[Row]) -> Block:
    bounds = _worth_bounds(rows)
    columns = ["stage", "log_worth", *(["interval"] if bounds else []), "se", "p_best"]
    cells = []
    for row in rows:
        line: list[object] = [page.stage(row.get("stage")), page.n(row.at("log_worth"), "logit")]
        if bounds:
            line.append(page.between(row, bounds[0], bounds[1], "logit"))
        line += [page.n(row.at("se_cluster"), "se"), page.n(row.at("p_best"), "chance")]
        cells.append(line)
    return page.table(columns, cells)


def _share_figure(page: Page, rows: Sequence[Row]) -> Block:
    svg = interval_chart(
        [
            Interval(
                page.pair_text(row),
                row.number("share"),
                row.number("wilson_low"),
                row.number("wilson_high"),
                note=page.numbers.plain(row.at("share"), "percent"),
            )
            for row in rows
        ],
        key="shares",
        alt="Share of choices for the first-named version of each pair, with intervals. "
        "The table below holds the figures.",
        axis=page.name("pref.share_axis"),
        line=0.5,
        percent=True,
        mark=page.mark,
    )
    caption = [
        page.say("pref.pairs"),
        Markup("({})").format(page.panel("/results/preference")),
    ]
    keys = ("pair", "wins", "losses", "ties", "share", "wilson_low", "wilson_high", "p_value")
    return page.figure(svg, caption, page.csv_of("pair-shares", rows, keys))


def _share_table(page: Page, rows: Sequence[Row]) -> Block:
    ties = any(row.number("ties") for row in rows)
    columns = ["pair", "wins", "losses", *(["ties"] if ties else []), "share", "interval"]
    cells = [
        [
            page.pair(row),
            page.n(row.at("wins"), "count"),
            page.n(row.at("losses"), "count"),
            *([page.n(row.at("ties"), "count")] if ties else []),
            page.n(row.at("share"), "percent"),
            page.between(row, "wilson_low", "wilson_high", "percent"),
        ]
        for row in rows
    ]
    return page.table(columns, cells)


def _order_effect(page: Page) -> Block | None:
    base = "/results/preference/order_effect"
    if not page.known(f"{base}/estimate"):
        return None
    estimate, se = page.n(f"{base}/estimate", "logit"), page.n(f"{base}/se", "se")
    return page.note("pref.order", estimate=estimate, se=se)


def _fit(page: Page) -> Block | None:
    base = "/results/preference/fit"
    if not page.known(f"{base}/deviance"):
        return None
    deviance, df = page.n(f"{base}/deviance", "statistic"), page.n(f"{base}/df", "count")
    return page.note("pref.fit", deviance=deviance, df=df)


def preference_section(page: Page) -> Section:
    """Make the preference map, the pair shares and their cautions."""
    stages = page.evidence.rows("/results/preference/stages")
    pairs = _in_order(page, page.evidence.rows("/results/preference/pairs"))
    if not stages:
        return page.section("preference", [page.para("pref.none")])
    ranked = sorted(stages, key=lambda row: -(row.number("log_worth") or 0.0))
    return page.section(
        "preference",
        [
            page.para("pref.lead"),
            _worth_figure(page, ranked),
            _worth_table(page, ranked),
            Block("heading", page.say("title.pairs")) if pairs else None,
            _share_figure(page, pairs) if pairs else None,
            _share_table(page, pairs) if pairs else None,
            page.note("pref.pairs.note") if pairs else None,
            _order_effect(page),
            _fit(page),
        ],
    )


# discrimination ------------------------------------------------------------------------

# Share of right answers that guessing gives, from the task itself.
_CHANCE = {"abx": 1 / 2, "duo-trio": 1 / 2, "same-different": 1 / 2, "triangle": 1 / 3}


def _pooled(page: Page) -> list[Row]:
    rows = page.evidence.rows("/results/discrimination")
    kept = [r for r in rows if r.get("listener") is None and r.get("programme") is None]
    return _in_order(page, kept)


def _critical(row: Row) -> str | None:
    """Return the key under which a row holds its critical count."""
    return next((k for k in ("n_critical", "critical") if row.number(k) is not None), None)


def _critical_share(row: Row) -> float | None:
    key, trials = _critical(row), row.number("n_trials")
    return (row.number(key) or 0.0) / trials if key and trials else None


def panel_at(page: Page, row: Row) -> str:
    """Return where the p-value of a pooled pair stands: between listeners, where given."""
    between = row.at("panel", "p_value")
    return between if page.known(between) else row.at("p_value")


def panel_p(page: Page, row: Row) -> float | None:
    """Return the p-value on which the verdict of a pooled pair rests."""
    return page.evidence.number(panel_at(page, row))


def _right_figure(page: Page, rows: Sequence[Row]) -> Block:
    methods = sorted({str(row.get("method")) for row in rows})
    several = len(methods) > 1
    svg = interval_chart(
        [
            Interval(
                page.pair_text(row) + (f" ({row.get('method')})" if several else ""),
                row.number("proportion"),
                row.number("ci_low"),
                row.number("ci_high"),
                mark=_critical_share(row),
                chance=_CHANCE.get(str(row.get("method"))),
                note=page.numbers.plain(row.at("proportion"), "percent"),
                series=methods.index(str(row.get("method"))),
            )
            for row in rows
        ],
        key="right",
        alt="Share of right answers for each pair with its exact interval, against guessing. "
        "The table below holds the figures.",
        axis=page.name("disc.axis"),
        percent=True,
        mark=page.mark,
    )
    caption = [page.say("disc.caption")]
    if any(_critical(row) for row in rows):
        caption.append(page.say("disc.caption.critical"))
    caption.append(Markup("({})").format(page.panel()))
    keys = (
        "pair", "method", "n_trials", "n_correct", "n_critical", "proportion", "ci_low", "ci_high",
        "p_value", "d_prime", "d_prime_low", "d_prime_high",
    )  # fmt: skip
    return page.figure(svg, caption, page.csv_of("discrimination", rows, keys))


def _right_line(page: Page, row: Row, *, critical: bool) -> list[object]:
    facts = page.about(p_value=panel_p(page, row))
    key = _critical(row)
    needed: object = page.n(row.at(key), "count") if key else _DASH
    return [
        page.pair(row),
        page.user(row.get("method") or ""),
        page.n(row.at("n_correct"), "count"),
        page.n(row.at("n_trials"), "count"),
        *([needed] if critical else []),
        page.between(row, "ci_low", "ci_high", "percent"),
        page.n(panel_at(page, row), "p"),
        page.n(row.at("d_prime"), "dprime"),
        page.between(row, "d_prime_low", "d_prime_high", "dprime"),
        page.first(facts, "disc.apart", "disc.not_shown"),
    ]


def _right_table(page: Page, rows: Sequence[Row]) -> Block:
    critical = any(_critical(row) for row in rows)
    columns = ["pair", "method", "right", "trials", *(["critical"] if critical else [])]
    columns += ["interval", "p", "dprime", "interval", "verdict"]
    return page.table(columns, [_right_line(page, row, critical=critical) for row in rows])


def discrimination_section(page: Page) -> Section:
    """Make the section on which pairs were told apart."""
    rows = _pooled(page)
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
            _right_table(page, rows),
            page.note("disc.note"),
            page.note("disc.pooled"),
        ],
    )


# listeners -----------------------------------------------------------------------------


def listeners_section(page: Page) -> Section:
    """Make the section on the steadiness of the listeners."""
    return page.section("listeners", [page.para("rel.none")])
