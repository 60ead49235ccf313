"""What listeners chose, what they told apart, and how steady they were."""

from __future__ import annotations

from collections.abc import Sequence

from markupsafe import Markup

from analysis.report.evidence import Row
from analysis.report.figures import Interval, interval_chart
from analysis.report.page import Block, Page, Section
from analysis.report.panel_figures import listener_strip

__all__ = [
    "discrimination_section",
    "listeners_section",
    "panel_p",
    "pooled_rows",
    "preference_section",
]

_DASH = "\u2013"


def _in_order(page: Page, rows: Sequence[Row]) -> list[Row]:
    """Sort pair rows as the study lists its stages."""
    rank = page.evidence.stage_order()
    last = len(rank)
    return sorted(rows, key=lambda row: [rank.get(s, last) for s in page.pair_ids(row)])


# preference ----------------------------------------------------------------------------


_CENTRED = ("centred", "centred_low", "centred_high")


def _centred(rows: Sequence[Row]) -> bool:
    """Whether the analysis gives worths against the mean, with intervals."""
    return any(row.number("centred_low") is not None for row in rows)


def _worth_interval(page: Page, row: Row, *, centred: bool) -> Interval:
    label = page.evidence.stage_label(row.get("stage"))
    if centred:
        value, low, high = (row.number(key) for key in _CENTRED)
        return Interval(label, value, low, high)
    value, se = row.number("log_worth"), row.number("se_cluster")
    if value is None or se is None:
        return Interval(label, value)
    return Interval(label, value, value - se, value + se)


def _worth_caption(page: Page, *, centred: bool) -> list[Markup]:
    reference = page.evidence.get("/results/preference/reference")
    said = [page.say("pref.map")]
    if centred:
        said += [page.say("pref.map.line_mean"), page.say("pref.map.bars_ci")]
    else:
        said.append(page.say("pref.map.line_reference", reference=page.quoted(reference)))
        said.append(page.say("pref.map.bars_se"))
    return [*said, Markup("({})").format(page.panel("/results/preference"))]


def _worth_figure(page: Page, rows: Sequence[Row]) -> Block:
    centred = _centred(rows)
    names = ", then ".join(page.evidence.stage_label(row.get("stage")) for row in rows)
    svg = interval_chart(
        [_worth_interval(page, row, centred=centred) for row in rows],
        key="worth",
        alt=f"Versions by worth, highest first: {names}. The table below holds the figures.",
        axis=page.name("pref.axis.centred" if centred else "pref.axis"),
        line=0.0,
        mark=page.mark,
    )
    keys = ("stage", "log_worth", "se", "se_cluster", *_CENTRED, "worth", "p_best")
    data = page.csv_of("worths", rows, keys)
    return page.figure(svg, _worth_caption(page, centred=centred), data)


def _worth_table(page: Page, rows: Sequence[Row]) -> Block:
    centred = _centred(rows)
    columns = ["stage", *(["centred", "interval"] if centred else []), "log_worth", "se", "p_best"]
    cells = []
    for row in rows:
        line: list[object] = [page.stage(row.get("stage"))]
        if centred:
            line.append(page.n(row.at("centred"), "logit"))
            line.append(page.between(row, "centred_low", "centred_high", "logit"))
        line += [page.n(row.at("log_worth"), "logit"), page.n(row.at("se_cluster"), "se")]
        cells.append([*line, page.n(row.at("p_best"), "chance")])
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
    error = next((k for k in ("se_cluster", "se") if page.known(f"{base}/{k}")), "se")
    estimate, se = page.n(f"{base}/estimate", "logit"), page.n(f"{base}/{error}", "se")
    return page.note("pref.order", estimate=estimate, se=se)


def _fit(page: Page) -> list[Block]:
    said = []
    base = "/results/preference/fit"
    if page.known(f"{base}/deviance"):
        words = {
            "deviance": page.n(f"{base}/deviance", "statistic"),
            "df": page.n(f"{base}/df", "count"),
        }
        if page.known(f"{base}/p_value"):
            said.append(page.note("pref.fit_p", p=page.n(f"{base}/p_value", "p"), **words))
        else:
            said.append(page.note("pref.fit", **words))
    equal = "/results/preference/equal_worths/p_value"
    if page.known(equal):
        said.append(page.note("pref.equal", p=page.n(equal, "p")))
    ties = "/results/preference/ties/n_ties"
    if page.known(ties):
        said.append(page.note("pref.ties", ties=page.counted(ties, "answer")))
    notes = page.evidence.get("/results/preference/notes")
    for text in notes if isinstance(notes, list) else []:
        said.append(Block("para", page.user(text), style="note"))
    return said


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
            *_fit(page),
        ],
    )


# discrimination ------------------------------------------------------------------------

# Share of right answers that guessing gives, from the task itself.
_CHANCE = {"abx": 1 / 2, "duo-trio": 1 / 2, "same-different": 1 / 2, "triangle": 1 / 3}


def pooled_rows(page: Page) -> list[Row]:
    """Return the discrimination rows of the whole panel over all programmes."""
    rows = page.evidence.rows("/results/discrimination")
    kept = [r for r in rows if r.get("listener") is None and r.get("programme") is None]
    return _in_order(page, kept)


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
    """Return the p-value on which the verdict of a pooled pair rests."""
    place = _between(row)
    return page.evidence.number(f"{place}/p_value") if place else row.number("p_value")


def _right_interval(page: Page, row: Row, label: str, series: int) -> Interval:
    place = _between(row) or row.pointer
    return Interval(
        label,
        row.number("proportion"),
        page.evidence.number(f"{place}/ci_low"),
        page.evidence.number(f"{place}/ci_high"),
        mark=_critical_share(row),
        chance=_CHANCE.get(str(row.get("method"))),
        note=page.numbers.plain(row.at("proportion"), "percent"),
        series=series,
    )


def _right_figure(page: Page, rows: Sequence[Row]) -> Block:
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


def _count_table(page: Page, rows: Sequence[Row]) -> Block:
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


def _result_table(page: Page, rows: Sequence[Row]) -> Block:
    between = any(_between(row) for row in rows)
    columns = ["pair", "share_right", *(["interval", "p_listeners"] if between else [])]
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
                page.n(row.at("proportion"), "percent"),
                *(panel if between else []),
                page.n(row.at("d_prime"), "dprime"),
                page.between(row, "d_prime_low", "d_prime_high", "dprime"),
                page.first(facts, "disc.apart", "disc.not_shown"),
            ]
        )
    return page.table([*columns, "dprime", "interval", "verdict"], cells)


def _strip(page: Page, rows: Sequence[Row]) -> list[Block]:
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
    return [Block("heading", page.say("title.by_listener")), figure]


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
            page.note("disc.note"),
            page.note("disc.pooled"),
            *_strip(page, rows),
        ],
    )


# listeners -----------------------------------------------------------------------------


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
        "identical": _control(page, row, "identical"),
        "obvious": _control(page, row, "obvious"),
        "circular": shown("circular_triads", "count"),
        "zeta": shown("zeta", "agreement"),
    }


def listeners_section(page: Page) -> Section:
    """Make the section on the steadiness of the listeners."""
    rows = page.evidence.rows("/results/reliability/listeners")
    cells = [_cells(page, row) for row in rows]
    columns = [name for name in (cells[0] if cells else {}) if any(c[name] != _DASH for c in cells)]
    if not {"agree", "identical", "obvious", "zeta"} & set(columns):
        return page.section("listeners", [page.para("rel.none")])
    keys = ("listener", "n_trials", "n_repeats", "repeat_agreement", "circular_triads", "zeta")
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
            page.note("rel.note"),
        ],
    )
