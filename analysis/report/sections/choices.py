"""What listeners chose: the preference map and the pairs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup

from analysis.report.figures.charts import Interval, interval_chart, row_interval
from analysis.report.page import Page, PageBlock, Section
from analysis.report.sections.chosen import own_choices, places
from analysis.report.sections.claims import unheard_words
from analysis.results.base import Real
from analysis.results.preference import PairRow, PreferenceResult, WorthRow

__all__ = ["preference_section"]


@dataclass(frozen=True, slots=True)
class Worths:
    """Worth, error, and centred worth with its interval, of one stage or where they stand."""

    worth: Real
    error: Real
    centred: Real
    low: Real
    high: Real


def _by_listener(rows: Sequence[WorthRow]) -> bool:
    """Whether the results have worths with every listener counting once."""
    return any(row.log_worth_listeners is not None for row in rows)


def _worths(row: WorthRow, *, by_listener: bool) -> Worths:
    """Return the figures of a stage, with every listener counting once or of the ordinary fit.

    The figures of the latter stand in the saved data in any case.
    """
    if by_listener:
        centred = (row.centred_listeners, row.centred_listeners_low, row.centred_listeners_high)
        return Worths(row.log_worth_listeners, row.se_listeners, *centred)
    return Worths(row.log_worth, row.se_cluster, row.centred, row.centred_low, row.centred_high)


def _centred(rows: Sequence[WorthRow]) -> bool:
    """Whether the analysis gives worths against the mean, with intervals."""
    by_listener = _by_listener(rows)
    return any(_worths(row, by_listener=by_listener).low is not None for row in rows)


def _worth_interval(page: Page, row: WorthRow, *, centred: bool) -> Interval:
    label = page.evidence.stage_label(row.stage)
    own = _worths(row, by_listener=_by_listener([row]))
    if centred:
        return Interval(label, own.centred, own.low, own.high)
    if own.worth is None or own.error is None:
        return Interval(label, own.worth)
    return Interval(label, own.worth, own.worth - own.error, own.worth + own.error)


def _worth_caption(page: Page, found: PreferenceResult, *, centred: bool) -> list[Markup]:
    said = [page.say("pref.map")]
    if centred:
        said += [page.say("pref.map.line_mean"), page.say("pref.map.bars_ci")]
    else:
        said.append(page.say("pref.map.line_reference", reference=page.quoted(found.reference)))
        said.append(page.say("pref.map.bars_se"))
    return [*said, Markup("({})").format(page.panel(found))]


def _worth_figure(page: Page, found: PreferenceResult, rows: Sequence[WorthRow]) -> PageBlock:
    centred = _centred(rows)
    names = ", then ".join(page.evidence.stage_label(row.stage) for row in rows)
    svg = interval_chart(
        [_worth_interval(page, row, centred=centred) for row in rows],
        key="worth",
        alt=f"Versions by worth, highest first: {names}. The table below holds the figures.",
        axis=page.name("pref.axis.centred" if centred else "pref.axis"),
        line=0.0,
        mark=page.mark,
    )
    listeners = (
        WorthRow.log_worth_listeners, WorthRow.se_listeners, WorthRow.centred_listeners,
        WorthRow.centred_listeners_low, WorthRow.centred_listeners_high,
    )  # fmt: skip
    cluster = (WorthRow.log_worth, WorthRow.se_cluster)
    centre = (WorthRow.centred, WorthRow.centred_low, WorthRow.centred_high)
    shown = listeners if _by_listener(rows) else (*cluster, *centre)
    ordinary = (WorthRow.log_worth, WorthRow.se, WorthRow.se_cluster, *centre)
    shares = (WorthRow.worth, WorthRow.worth_listeners)
    keys = (WorthRow.stage, *shown, WorthRow.p_best, *ordinary, *shares)
    data = page.csv_of("worths", rows, tuple(dict.fromkeys(keys)))
    return page.figure(svg, _worth_caption(page, found, centred=centred), data)


def _worth_table(page: Page, rows: Sequence[WorthRow]) -> PageBlock:
    centred, by_listener = _centred(rows), _by_listener(rows)
    columns = ["stage", *(["centred", "interval"] if centred else []), "log_worth", "se", "p_best"]
    cells = []
    for row in rows:
        line: list[object] = [page.stage(row.stage)]
        at = _worths(page.at(row), by_listener=by_listener)
        if centred:
            line.append(page.n(at.centred, "logit"))
            line.append(page.interval(at.low, at.high, "logit"))
        line += [page.n(at.worth, "logit"), page.n(at.error, "se")]
        cells.append([*line, page.n(page.at(row).p_best, "chance")])
    return page.table(columns, cells)


def _between(rows: Sequence[PairRow]) -> bool:
    """Whether listeners are the unit of the intervals."""
    return any(row.share_low is not None for row in rows) or any(
        row.share_listeners is not None for row in rows
    )


def _share(row: PairRow, *, mean: bool, between: bool) -> tuple[Real, Real, Real]:
    """Return a share and its interval: the mean over listeners where there is one."""
    share = row.share_listeners if mean else row.share
    ends = (row.share_low, row.share_high) if between else (row.wilson_low, row.wilson_high)
    return share, *ends


def _share_figure(page: Page, found: PreferenceResult, rows: Sequence[PairRow]) -> PageBlock:
    mean, between = _mean(rows), _between(rows)
    svg = interval_chart(
        [
            row_interval(
                page.numbers,
                page.pair_text(row),
                _share(page.at(row), mean=mean, between=between),
                "percent",
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
        page.say("pref.pairs.listeners" if between else "pref.pairs"),
        Markup("({})").format(page.panel(found)),
    ]
    share = PairRow.share_listeners if mean else PairRow.share
    wilson = (PairRow.wilson_low, PairRow.wilson_high)
    ends = (PairRow.share_low, PairRow.share_high) if between else wilson
    counts = (PairRow.pair, PairRow.wins, PairRow.losses, PairRow.ties)
    keys: tuple[object, ...] = (*counts, share, *ends, PairRow.share, PairRow.p_value)
    return page.figure(svg, caption, page.csv_of("pair-shares", rows, tuple(dict.fromkeys(keys))))


def _mean(rows: Sequence[PairRow]) -> bool:
    """Whether the results have shares that are means over listeners."""
    return any(row.share_listeners is not None for row in rows)


def _share_table(page: Page, rows: Sequence[PairRow]) -> PageBlock:
    ties = any(row.ties for row in rows)
    mean, between = _mean(rows), _between(rows)
    places = [_share(page.at(row), mean=mean, between=between) for row in rows]
    columns = ["pair", "wins", "losses", *(["ties"] if ties else []), "share", "interval"]
    cells = [
        [
            page.pair(row),
            page.n(page.at(row).wins, "count"),
            page.n(page.at(row).losses, "count"),
            *([page.n(page.at(row).ties, "count")] if ties else []),
            page.n(share, "percent"),
            page.interval(low, high, "percent"),
        ]
        for row, (share, low, high) in zip(rows, places, strict=True)
    ]
    return page.table(columns, cells)


def _order_effect(page: Page, found: PreferenceResult) -> PageBlock | None:
    effect = found.order_effect
    if effect is None or effect.estimate is None:
        return None
    at = page.at(effect)
    error = at.se if effect.se_cluster is None else at.se_cluster
    return page.note("pref.order", estimate=page.n(at.estimate, "logit"), se=page.n(error, "se"))


def _fit(page: Page, found: PreferenceResult) -> list[PageBlock]:
    said = []
    fit, at = found.fit, page.at(found.fit)
    if fit.deviance is not None:
        words = {"deviance": page.n(at.deviance, "statistic"), "df": page.n(at.df, "count")}
        if fit.p_value is not None:
            said.append(page.note("pref.fit_p", p=page.n(at.p_value, "p"), **words))
        else:
            said.append(page.note("pref.fit", **words))
    equal = found.equal_worths
    if equal is not None and equal.p_value is not None:
        said.append(page.note("pref.equal", p=page.n(page.at(equal).p_value, "p")))
    if found.ties is not None:
        ties = page.counted(page.at(found.ties).n_ties, "answer")
        said.append(page.note("pref.ties", ties=ties))
    for text in found.notes:
        said.append(PageBlock("para", page.user(text), style="note"))
    return said


def preference_section(page: Page) -> Section:
    """Make the preference map, the pair shares and their cautions."""
    found = page.results.preference
    if found is None or not found.stages:
        return page.section("preference", [page.para("pref.none")])
    stages, pairs = found.stages, page.in_order(found.pairs)
    by_listener = _by_listener(stages)
    ranked = sorted(stages, key=lambda r: -(_worths(r, by_listener=by_listener).worth or 0.0))
    return page.section(
        "preference",
        [
            page.para("pref.lead"),
            _worth_figure(page, found, ranked),
            _worth_table(page, ranked),
            *places(page, ranked),
            PageBlock("heading", page.say("title.pairs")) if pairs else None,
            _share_figure(page, found, pairs) if pairs else None,
            _share_table(page, pairs) if pairs else None,
            page.note("pref.pairs.note") if pairs and not _between(pairs) else None,
            *(PageBlock("para", said, style="warning") for said in unheard_words(page)),
            *own_choices(page, ranked),
            _order_effect(page, found),
            *_fit(page, found),
        ],
    )
