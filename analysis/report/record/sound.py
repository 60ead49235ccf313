"""What was measured and rendered: responses, deviation, level match."""

from __future__ import annotations

from collections.abc import Sequence

from markupsafe import Markup

from analysis.report.evidence import Row
from analysis.report.figures.charts import Curve, level_range, residual_chart, response_chart
from analysis.report.loudness import model_name
from analysis.report.page import Page, PageBlock, Section
from analysis.report.words.conditions import MODELS_DISAGREE_LU

__all__ = ["deviation_section", "levels_section", "responses_section"]

_DASH = "\u2013"


def _offset_db(page: Page, stage: object) -> float:
    """Return the stored level by which a stage's response lies above its target."""
    for row in page.evidence.rows("/deviation"):
        if row.get("stage") == stage:
            return row.number("offset_db") or 0.0
    return 0.0


def _curve(page: Page, row: Row) -> Curve:
    f_hz, level_db, spread_db = page.evidence.curves(row, "f_hz", "level_db", "spread_db")
    low, high = row.number("valid_low_hz"), row.number("valid_high_hz")
    target = page.evidence.get("/target")
    target_row = Row("/target", target or {})
    target_f_hz, target_db = page.evidence.curves(target_row, "f_hz", "level_db")
    return Curve(
        f_hz=f_hz,
        level_db=level_db,
        spread_db=spread_db,
        offset_db=_offset_db(page, row.get("stage")),
        valid_hz=(low, high) if low is not None and high is not None else None,
        target_f_hz=target_f_hz,
        target_db=target_db,
    )


def _response_panel(
    page: Page, row: Row, curve: Curve, levels: tuple[float, float], index: int
) -> dict[str, object]:
    label = page.evidence.stage_label(row.get("stage"))
    svg = response_chart(
        curve,
        key=f"resp{index}",
        alt=f"Measured response of {label} in dB over frequency in Hz against the target.",
        x_label=page.name("resp.axis.x"),
        y_label=page.name("resp.axis.y"),
        legend=(page.name("resp.legend.measured"), page.name("resp.legend.target")),
        levels=levels,
        mark=page.mark,
    )
    caption = [Markup("<b>{}</b>.").format(page.stage(row.get("stage")))]
    if curve.valid_hz and page.known(row.at("n_positions")):
        caption.append(
            page.say(
                "resp.stage",
                low=page.n(row.at("valid_low_hz"), "hz"),
                high=page.n(row.at("valid_high_hz"), "hz"),
                positions=page.counted(row.at("n_positions"), "position"),
            )
        )
    return {"svg": svg, "caption": Markup(" ").join(caption)}


def _response_csv(page: Page, rows: Sequence[Row], curves: Sequence[Curve]) -> dict[str, str]:
    lines = []
    for row, curve in zip(rows, curves, strict=True):
        spread: list[float | None] = [*curve.spread_db] or [None] * len(curve.f_hz)
        for f_hz, level, deviation in zip(curve.f_hz, curve.level_db, spread, strict=True):
            lines.append([row.get("stage"), f_hz, level, deviation])
    return page.csv("responses", ("stage", "f_hz", "level_db", "spread_db"), lines)


def responses_section(page: Page) -> Section:
    """Make one panel a stage, all on the same axes."""
    rows = page.evidence.rows("/responses")
    if not rows:
        return page.section("responses", [page.para("resp.none")])
    curves = [_curve(page, row) for row in rows]
    levels = level_range(curves)
    panels = [
        _response_panel(page, row, curve, levels, index)
        for index, (row, curve) in enumerate(zip(rows, curves, strict=True))
    ]
    has_target = bool(curves[0].target_f_hz)
    caption = [page.say("resp.caption" if has_target else "resp.caption.no_target")]
    caption.append(page.say("resp.levels"))
    caption.append(Markup("({})").format(page.counted("/responses", "stage", "length")))
    block = PageBlock(
        "panels", panels, Markup(" ").join(caption), _response_csv(page, rows, curves)
    )
    return page.section("responses", [block])


# deviation -----------------------------------------------------------------------------

# Cell shades change at these distances from the target, in dB (this project's choice).
_SHADES_DB = (1.0, 2.0, 4.0)


def _shade(value: float | None) -> str:
    if value is None:
        return "none"
    depth = sum(abs(value) >= limit for limit in _SHADES_DB)
    return f"{'up' if value > 0 else 'down'}{depth}" if depth else "flat"


def _region_cells(page: Page, row: Row, regions: Sequence[str]) -> list[dict[str, object]]:
    cells: list[dict[str, object]] = []
    for region in regions:
        place = row.at("regions", region)
        value = page.evidence.number(place)
        text = page.n(place, "db_bare") if value is not None else page.say("dev.empty")
        cells.append({"shade": _shade(value), "text": text})
    return cells


def _region_names(rows: Sequence[Row]) -> list[str]:
    names: dict[str, None] = {}
    for row in rows:
        names |= dict.fromkeys(str(key) for key in (row.get("regions") or {}))
    return list(names)


def deviation_section(page: Page) -> Section:
    """Make the heat table by stage and region, and the single figures."""
    rows = page.evidence.rows("/deviation")
    if not rows:
        return page.section("deviation", [page.para("dev.none")])
    regions = _region_names(rows)
    table = {
        "head": [page.say("col.stage"), *(page.user(region) for region in regions)],
        "rows": [
            {
                "stage": page.stage(row.get("stage")),
                "cells": _region_cells(page, row, regions),
            }
            for row in rows
        ],
    }
    header = ("stage", *regions, "sd_db", "mean_abs_db", "tilt_db_per_octave")
    lines = [
        [
            row.get("stage"),
            *((row.get("regions") or {}).get(region) for region in regions),
            *(row.get(key) for key in header[-3:]),
        ]
        for row in rows
    ]
    target = page.evidence.text("/study/target_name") or page.evidence.text("/target/name")
    caption = [page.say("dev.caption")]
    if target:
        caption.append(page.say("dev.target", target=page.user(target)))
    return page.section(
        "deviation",
        [
            PageBlock(
                "heat", table, Markup(" ").join(caption), page.csv("deviation", header, lines)
            ),
            _figures_table(page, rows),
        ],
    )


def _figures_table(page: Page, rows: Sequence[Row]) -> PageBlock:
    cells = [
        [
            page.stage(row.get("stage")),
            page.n(row.at("sd_db"), "db_bare_unsigned"),
            page.n(row.at("mean_abs_db"), "db_bare_unsigned"),
            page.n(row.at("tilt_db_per_octave"), "tilt_bare"),
        ]
        for row in rows
    ]
    return page.table(["stage", "sd", "mean_abs", "tilt"], cells)


# level match ---------------------------------------------------------------------------


def _residuals(page: Page, row: Row) -> dict[str, float]:
    """Return the known residuals of a stimulus by model, the declared one under ''."""
    found = {"": row.number("residual_lu")}
    for model in row.get("residuals") or {}:
        found[str(model)] = page.evidence.number(row.at("residuals", model))
    return {model: value for model, value in found.items() if value is not None}


def _disagrees(residuals: dict[str, float]) -> bool:
    values = residuals.values()
    return len(residuals) > 1 and max(values) - min(values) > MODELS_DISAGREE_LU


def _agreement(page: Page, rows: Sequence[Row], every: Sequence[dict[str, float]]) -> PageBlock:
    if all(len(residuals) < 2 for residuals in every):
        return page.note("lev.single")
    stages = dict.fromkeys(
        row.get("stage") for row, found in zip(rows, every, strict=True) if _disagrees(found)
    )
    if not stages:
        return page.para("lev.agree")
    names = Markup(", ").join(page.quoted(stage) for stage in stages)
    return page.warning("lev.warning", stages=names)


def _model_name(page: Page, model: str) -> str:
    return model_name(page, model) if model else page.name("lev.declared")


def _residual_figure(
    page: Page, rows: Sequence[Row], every: Sequence[dict[str, float]], models: Sequence[str]
) -> PageBlock:
    by_stage: dict[str, list[tuple[int, float]]] = {}
    both = list(zip(rows, every, strict=True))
    judged = [(row, found) for row, found in both if _judged(page, row)] or both
    for row, found in judged:
        points = by_stage.setdefault(page.evidence.stage_label(row.get("stage")), [])
        points += [(models.index(model), value) for model, value in found.items()]
    names = [_model_name(page, model) for model in models]
    svg = residual_chart(
        list(by_stage.items()),
        names,
        key="residuals",
        alt="Level-match residual of every stimulus by loudness model, one row a version.",
        axis=page.name("lev.axis"),
        mark=page.mark,
    )
    lines = [
        [row.get("stage"), row.get("programme"), model or "declared", value]
        for row, found in zip(rows, every, strict=True)
        for model, value in found.items()
    ]
    data = page.csv("level-residuals", ("stage", "programme", "model", "residual_lu"), lines)
    files = Markup("({})").format(page.counted("/levels", "file", "length"))
    left_out = [page.say("lev.unjudged")] if len(judged) < len(rows) else []
    return page.figure(svg, [page.say("lev.caption"), *left_out, files], data)


def _judged(page: Page, row: Row) -> bool:
    """Whether listeners were asked about a programme; true where that is not known."""
    asked = page.evidence.get("/schedule/programmes")
    return not isinstance(asked, dict) or bool(asked.get(str(row.get("programme"))))


def _level_table(page: Page, rows: Sequence[Row]) -> PageBlock:
    cells = [
        [
            page.stage(row.get("stage")),
            page.user(row.get("programme") or _DASH),
            page.n(row.at("loudness_after_lufs"), "lufs_bare"),
            page.n(row.at("residual_lu"), "lu_bare"),
            page.n(row.at("true_peak_dbtp"), "dbtp_bare"),
            page.n(row.at("gain_db"), "db_bare"),
        ]
        for row in rows
    ]
    columns = ["stage", "programme", "loudness", "residual", "peak", "gain"]
    return page.table(columns, cells, style="long")


def levels_section(page: Page) -> Section:
    """Make the level-match section with its warning where models disagree."""
    rows = page.evidence.rows("/levels")
    if not rows:
        return page.section("levels", [page.para("lev.none")])
    every = [_residuals(page, row) for row in rows]
    models = list(dict.fromkeys(model for found in every for model in found))
    return page.section(
        "levels",
        [
            page.para("lev.lead"),
            _agreement(page, rows, every),
            _residual_figure(page, rows, every, models) if models else None,
            _level_table(page, rows),
        ],
    )
