"""Region swaps, partial steps, programmes one by one, and versions that nobody compared."""

from __future__ import annotations

from collections.abc import Sequence

from markupsafe import Markup

from analysis.report.figures.charts import interval_chart, row_interval
from analysis.report.page import Page, PageBlock, Section
from analysis.results.experiments import DoseRow, RegionRow, RegionsResult

__all__ = [
    "dose_section",
    "predictions_section",
    "programme_link_blocks",
    "regions_section",
]

_DASH = "\u2013"


def predictions_section(page: Page) -> Section | None:
    """Make the table of shares of versions outside the comparison; None without such versions."""
    rows = page.results.predictions
    if not rows:
        return None
    given = [row for row in rows if row.share is not None]
    cells = [
        [
            page.stage(row.stage),
            page.n(page.at(row).value, "plain"),
            page.stage(row.against),
            page.n(page.at(row).share, "percent"),
            page.interval(page.at(row).share_low, page.at(row).share_high, "percent"),
            page.n(page.at(row).p_better, "chance"),
        ]
        for row in given
    ]
    columns = ["stage", "figure_value", "against", "share_expected", "interval", "p_above"]
    declined = [
        page.note(
            "pred.declined",
            stage=page.stage(row.stage),
            reason=page.user(row.declined_reason or ""),
        )
        for row in rows
        if row.share is None
    ]
    missed = next((row for row in given if row.error is not None), None)
    return page.section(
        "predictions",
        [
            page.para("pred.lead"),
            page.table(columns, cells) if given else None,
            page.note("pred.error", error=page.n(page.at(missed).error, "se")) if missed else None,
            *declined,
        ],
    )


def _region_figure(page: Page, found: RegionsResult) -> PageBlock:
    rows = found.regions
    drawn = [
        row_interval(page.numbers, _region(row), (at.estimate, at.low, at.high), "logit")
        for row, at in ((row, page.at(row)) for row in rows)
    ]
    svg = interval_chart(
        drawn,
        key="regions",
        alt="Effect of each region of the spectrum with its interval. The table below holds the "
        "figures.",
        axis=page.name("reg.axis"),
        line=0.0,
        mark=page.mark,
    )
    keys = (
        RegionRow.region, RegionRow.estimate, RegionRow.low, RegionRow.high, RegionRow.p_value,
        RegionRow.p_holm, RegionRow.change_db, RegionRow.per_db, RegionRow.recovered,
        RegionRow.recovered_low, RegionRow.recovered_high,
    )  # fmt: skip
    data = page.csv_of("regions", rows, keys)
    panel = Markup("({})").format(page.panel(found))
    return page.figure(svg, [page.say("reg.caption"), panel], data)


def _region(row: RegionRow) -> str:
    return row.region.replace("_", " ")


def regions_section(page: Page) -> Section | None:
    """Make the weights of regions; None without region swaps."""
    found = page.results.regions
    if found is None or not found.regions:
        return None
    cells = [
        [
            page.user(_region(row)),
            page.n(page.at(row).estimate, "logit"),
            page.interval(page.at(row).low, page.at(row).high, "logit"),
            page.n(page.at(row).p_holm, "p"),
            page.n(page.at(row).per_db, "logit") if row.per_db is not None else _DASH,
            page.interval(page.at(row).per_db_low, page.at(row).per_db_high, "logit")
            if row.per_db is not None
            else _DASH,
        ]
        for row in found.regions
    ]
    said = [page.user(row.words) for row in found.regions if row.words]
    columns = ["region", "gain_mean", "interval", "p_holm", "per_db", "interval"]
    return page.section(
        "regions",
        [
            page.para("reg.lead"),
            _region_figure(page, found),
            page.table(columns, cells),
            PageBlock("list", said) if said else None,
            *(PageBlock("para", page.user(text), style="note") for text in found.notes),
        ],
    )


def _dose_figure(page: Page, rows: Sequence[DoseRow], zero: object) -> PageBlock | None:
    told = [row for row in rows if row.proportion is not None]
    if not told:
        return None
    drawn = [
        row_interval(
            page.numbers,
            page.numbers.plain(at.dose, "dose"),
            (at.proportion, at.ci_low, at.ci_high),
            "percent",
        )
        for at in map(page.at, told)
    ]
    svg = interval_chart(
        drawn,
        key="dose",
        alt="Right answers for each part of the change with intervals. The table below holds the "
        "figures.",
        axis=page.name("dose.axis"),
        percent=True,
        mark=page.mark,
    )
    keys = (
        DoseRow.stage, DoseRow.dose, DoseRow.proportion, DoseRow.ci_low, DoseRow.ci_high,
        DoseRow.p_value, DoseRow.share, DoseRow.gain, DoseRow.gain_low, DoseRow.gain_high,
    )  # fmt: skip
    data = page.csv_of("dose", rows, keys)
    panel = Markup("({})").format(page.panel())
    return page.figure(svg, [page.say("dose.caption", zero=zero), panel], data)


def dose_section(page: Page) -> Section | None:
    """Make the dose curve; None without partial steps."""
    found = page.results.dose
    if found is None or not found.steps:
        return None
    rows, zero = found.steps, page.stage(found.zero)
    told = any(row.proportion is not None for row in rows)
    liked = any(row.gain is not None for row in rows)
    cells = []
    for row in rows:
        line: list[object] = [page.stage(row.stage), page.n(page.at(row).dose, "dose")]
        if told:
            line += [
                page.n(page.at(row).proportion, "percent"),
                page.interval(page.at(row).ci_low, page.at(row).ci_high, "percent"),
                page.n(page.at(row).p_value, "p"),
            ]
        if liked:
            line += [
                page.n(page.at(row).gain, "logit"),
                page.interval(page.at(row).gain_low, page.at(row).gain_high, "logit"),
            ]
        cells.append(line)
    columns = ["stage", "dose", *(["right", "interval", "p"] if told else [])]
    return page.section(
        "dose",
        [
            page.para("dose.lead", zero=zero),
            _dose_figure(page, rows, zero),
            page.table([*columns, *(["gain_worth", "interval"] if liked else [])], cells),
            PageBlock("para", page.user(found.words)) if found.words else None,
        ],
    )


def programme_link_blocks(page: Page, names: dict[str, str]) -> list[PageBlock]:
    """Make the table of the link programme by programme; nothing without one.

    Parameters
    ----------
    page : Page
    names : dict of str to str
        Words of metrics by name.
    """
    rows = page.results.link_programmes
    if not rows:
        return []
    cells = []
    for row in rows:
        cells.append(
            [
                page.user(names.get(row.metric, row.metric)),
                page.n(page.at(row).n_stages, "count"),
                page.n(page.at(row).n_programmes, "count"),
                page.n(page.at(row).mean_spearman, "agreement"),
                page.n(page.at(row).p_exact, "p"),
                page.n(page.at(row).p_adjusted, "p"),
            ]
        )
    columns = ["metric", "n_stages", "programmes", "mean_spearman"]
    columns += ["p_permutation", "p_permutation_holm"]
    words = rows[0].words
    return [
        PageBlock("heading", page.say("title.link_programmes")),
        page.para("prog.lead"),
        page.table(columns, cells),
        *([PageBlock("para", page.user(words), style="note")] if words else []),
    ]
