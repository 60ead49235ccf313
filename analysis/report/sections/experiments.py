"""Region swaps, partial steps, programmes one by one, and versions that nobody compared."""

from __future__ import annotations

from collections.abc import Sequence

from markupsafe import Markup

from analysis.report.evidence import Row
from analysis.report.figures.charts import interval_chart, row_interval
from analysis.report.page import Page, PageBlock, Section

__all__ = [
    "dose_section",
    "predictions_section",
    "programme_link_blocks",
    "regions_section",
]

_DASH = "\u2013"


def predictions_section(page: Page) -> Section | None:
    """Make the table of shares of versions outside the comparison; None without such versions."""
    rows = page.evidence.rows("/results/predictions")
    if not rows:
        return None
    given = [row for row in rows if row.number("share") is not None]
    cells = [
        [
            page.stage(row.get("stage")),
            page.n(row.at("value"), "plain"),
            page.stage(row.get("against")),
            page.n(row.at("share"), "percent"),
            page.between(row, "share_low", "share_high", "percent"),
            page.n(row.at("p_better"), "chance"),
        ]
        for row in given
    ]
    columns = ["stage", "figure_value", "against", "share_expected", "interval", "p_above"]
    declined = [
        page.note(
            "pred.declined",
            stage=page.stage(row.get("stage")),
            reason=page.user(row.get("declined_reason") or ""),
        )
        for row in rows
        if row.number("share") is None
    ]
    missed = next((row for row in given if row.number("error") is not None), None)
    return page.section(
        "predictions",
        [
            page.para("pred.lead"),
            page.table(columns, cells) if given else None,
            page.note("pred.error", error=page.n(missed.at("error"), "se")) if missed else None,
            *declined,
        ],
    )


def _notes(page: Page, place: str) -> list[PageBlock]:
    found = page.evidence.get(place)
    return [
        PageBlock("para", page.user(text), style="note")
        for text in (found if isinstance(found, list) else [])
    ]


def _region_figure(page: Page, rows: Sequence[Row]) -> PageBlock:
    drawn = [
        row_interval(page.numbers, row, _region(row), ("estimate", "low", "high"), "logit")
        for row in rows
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
    keys = ("region", "estimate", "low", "high", "p_value", "p_holm", "change_db", "per_db")
    data = page.csv_of("regions", rows, (*keys, "recovered", "recovered_low", "recovered_high"))
    panel = Markup("({})").format(page.panel("/results/regions"))
    return page.figure(svg, [page.say("reg.caption"), panel], data)


def _region(row: Row) -> str:
    return str(row.get("region") or "").replace("_", " ")


def regions_section(page: Page) -> Section | None:
    """Make the weights of regions; None without region swaps."""
    rows = page.evidence.rows("/results/regions/regions")
    if not rows:
        return None
    cells = [
        [
            page.user(_region(row)),
            page.n(row.at("estimate"), "logit"),
            page.between(row, "low", "high", "logit"),
            page.n(row.at("p_holm"), "p"),
            page.n(row.at("per_db"), "logit") if row.number("per_db") is not None else _DASH,
            page.between(row, "per_db_low", "per_db_high", "logit")
            if row.number("per_db") is not None
            else _DASH,
        ]
        for row in rows
    ]
    said = [page.user(row.get("words")) for row in rows if row.get("words")]
    columns = ["region", "gain_mean", "interval", "p_holm", "per_db", "interval"]
    return page.section(
        "regions",
        [
            page.para("reg.lead"),
            _region_figure(page, rows),
            page.table(columns, cells),
            PageBlock("list", said) if said else None,
            *_notes(page, "/results/regions/notes"),
        ],
    )


def _dose_figure(page: Page, rows: Sequence[Row], zero: object) -> PageBlock | None:
    told = [row for row in rows if row.number("proportion") is not None]
    if not told:
        return None
    drawn = [
        row_interval(
            page.numbers,
            row,
            page.numbers.plain(row.at("dose"), "dose"),
            ("proportion", "ci_low", "ci_high"),
            "percent",
        )
        for row in told
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
    keys = ("stage", "dose", "proportion", "ci_low", "ci_high", "p_value", "share", "gain")
    data = page.csv_of("dose", rows, (*keys, "gain_low", "gain_high"))
    panel = Markup("({})").format(page.panel())
    return page.figure(svg, [page.say("dose.caption", zero=zero), panel], data)


def dose_section(page: Page) -> Section | None:
    """Make the dose curve; None without partial steps."""
    rows = page.evidence.rows("/results/dose/steps")
    if not rows:
        return None
    zero = page.stage(page.evidence.get("/results/dose/zero") or "")
    told = any(row.number("proportion") is not None for row in rows)
    liked = any(row.number("gain") is not None for row in rows)
    cells = []
    for row in rows:
        line: list[object] = [page.stage(row.get("stage")), page.n(row.at("dose"), "dose")]
        if told:
            line += [
                page.n(row.at("proportion"), "percent"),
                page.between(row, "ci_low", "ci_high", "percent"),
                page.n(row.at("p_value"), "p"),
            ]
        if liked:
            line += [
                page.n(row.at("gain"), "logit"),
                page.between(row, "gain_low", "gain_high", "logit"),
            ]
        cells.append(line)
    columns = ["stage", "dose", *(["right", "interval", "p"] if told else [])]
    words = page.evidence.get("/results/dose/words")
    return page.section(
        "dose",
        [
            page.para("dose.lead", zero=zero),
            _dose_figure(page, rows, zero),
            page.table([*columns, *(["gain_worth", "interval"] if liked else [])], cells),
            PageBlock("para", page.user(words)) if words else None,
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
    rows = page.evidence.rows("/results/link_programmes")
    if not rows:
        return []
    cells = []
    for row in rows:
        metric = str(row.get("metric") or "")
        cells.append(
            [
                page.user(names.get(metric, metric)),
                page.n(row.at("n_stages"), "count"),
                page.n(row.at("n_programmes"), "count"),
                page.n(row.at("mean_spearman"), "agreement"),
                page.n(row.at("p_exact"), "p"),
                page.n(row.at("p_adjusted"), "p"),
            ]
        )
    columns = ["metric", "n_stages", "programmes", "mean_spearman"]
    columns += ["p_permutation", "p_permutation_holm"]
    words = rows[0].get("words")
    return [
        PageBlock("heading", page.say("title.link_programmes")),
        page.para("prog.lead"),
        page.table(columns, cells),
        *([PageBlock("para", page.user(words), style="note")] if words else []),
    ]
