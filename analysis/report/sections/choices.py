"""What listeners chose: the preference map and the pairs."""

from __future__ import annotations

from collections.abc import Sequence

from markupsafe import Markup

from analysis.report.evidence import Row
from analysis.report.figures.charts import Interval, interval_chart, row_interval
from analysis.report.page import Page, PageBlock, Section
from analysis.report.sections.chosen import own_choices, places
from analysis.report.sections.claims import unheard_words

__all__ = ["preference_section"]

_ENDS = ("", "_low", "_high")


def _worth_keys(rows: Sequence[Row]) -> tuple[str, ...]:
    """Return the keys of worth, error, and centred worth with its interval.

    With every listener counting once, where the results have that; else of the ordinary fit. The
    figures of the latter stand in the saved data in any case.
    """
    if any(row.number("log_worth_listeners") is not None for row in rows):
        centred = (f"centred_listeners{end}" for end in _ENDS)
        return ("log_worth_listeners", "se_listeners", *centred)
    return ("log_worth", "se_cluster", *(f"centred{end}" for end in _ENDS))


def _centred(rows: Sequence[Row]) -> bool:
    """Whether the analysis gives worths against the mean, with intervals."""
    return any(row.number(_worth_keys(rows)[3]) is not None for row in rows)


def _worth_interval(page: Page, row: Row, *, centred: bool) -> Interval:
    label = page.evidence.stage_label(row.get("stage"))
    worth, error, *against_mean = _worth_keys([row])
    if centred:
        value, low, high = (row.number(key) for key in against_mean)
        return Interval(label, value, low, high)
    value, se = row.number(worth), row.number(error)
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


def _worth_figure(page: Page, rows: Sequence[Row]) -> PageBlock:
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
    ordinary = ("log_worth", "se", "se_cluster", "centred", "centred_low", "centred_high")
    keys = ("stage", *_worth_keys(rows), "p_best", *ordinary, "worth", "worth_listeners")
    data = page.csv_of("worths", rows, tuple(dict.fromkeys(keys)))
    return page.figure(svg, _worth_caption(page, centred=centred), data)


def _worth_table(page: Page, rows: Sequence[Row]) -> PageBlock:
    centred = _centred(rows)
    worth, error, mean, low, high = _worth_keys(rows)
    columns = ["stage", *(["centred", "interval"] if centred else []), "log_worth", "se", "p_best"]
    cells = []
    for row in rows:
        line: list[object] = [page.stage(row.get("stage"))]
        if centred:
            line.append(page.n(row.at(mean), "logit"))
            line.append(page.between(row, low, high, "logit"))
        line += [page.n(row.at(worth), "logit"), page.n(row.at(error), "se")]
        cells.append([*line, page.n(row.at("p_best"), "chance")])
    return page.table(columns, cells)


def _ends(rows: Sequence[Row]) -> tuple[str, str, str, bool]:
    """Return the keys of a share and its interval, and whether listeners are the unit."""
    if any(row.number("share_listeners") is not None for row in rows):
        return "share_listeners", "share_low", "share_high", True
    if any(row.number("share_low") is not None for row in rows):
        return "share", "share_low", "share_high", True
    return "share", "wilson_low", "wilson_high", False


def _share_figure(page: Page, rows: Sequence[Row]) -> PageBlock:
    share, low, high, between = _ends(rows)
    svg = interval_chart(
        [
            row_interval(page.numbers, row, page.pair_text(row), (share, low, high), "percent")
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
        page.say("pref.pairs.listeners" if between else "pref.pairs"),
        Markup("({})").format(page.panel("/results/preference")),
    ]
    keys = ("pair", "wins", "losses", "ties", share, low, high, "share", "p_value")
    return page.figure(svg, caption, page.csv_of("pair-shares", rows, tuple(dict.fromkeys(keys))))


def _share_table(page: Page, rows: Sequence[Row]) -> PageBlock:
    ties = any(row.number("ties") for row in rows)
    share, low, high, _ = _ends(rows)
    columns = ["pair", "wins", "losses", *(["ties"] if ties else []), "share", "interval"]
    cells = [
        [
            page.pair(row),
            page.n(row.at("wins"), "count"),
            page.n(row.at("losses"), "count"),
            *([page.n(row.at("ties"), "count")] if ties else []),
            page.n(row.at(share), "percent"),
            page.between(row, low, high, "percent"),
        ]
        for row in rows
    ]
    return page.table(columns, cells)


def _order_effect(page: Page) -> PageBlock | None:
    base = "/results/preference/order_effect"
    if not page.known(f"{base}/estimate"):
        return None
    error = next((k for k in ("se_cluster", "se") if page.known(f"{base}/{k}")), "se")
    estimate, se = page.n(f"{base}/estimate", "logit"), page.n(f"{base}/{error}", "se")
    return page.note("pref.order", estimate=estimate, se=se)


def _fit(page: Page) -> list[PageBlock]:
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
        said.append(PageBlock("para", page.user(text), style="note"))
    return said


def preference_section(page: Page) -> Section:
    """Make the preference map, the pair shares and their cautions."""
    stages = page.evidence.rows("/results/preference/stages")
    pairs = page.in_order(page.evidence.rows("/results/preference/pairs"))
    if not stages:
        return page.section("preference", [page.para("pref.none")])
    worth = _worth_keys(stages)[0]
    ranked = sorted(stages, key=lambda row: -(row.number(worth) or 0.0))
    return page.section(
        "preference",
        [
            page.para("pref.lead"),
            _worth_figure(page, ranked),
            _worth_table(page, ranked),
            *places(page, ranked),
            PageBlock("heading", page.say("title.pairs")) if pairs else None,
            _share_figure(page, pairs) if pairs else None,
            _share_table(page, pairs) if pairs else None,
            page.note("pref.pairs.note") if pairs and not _ends(pairs)[3] else None,
            *(PageBlock("para", said, style="warning") for said in unheard_words(page)),
            *own_choices(page, ranked),
            _order_effect(page),
            *_fit(page),
        ],
    )
