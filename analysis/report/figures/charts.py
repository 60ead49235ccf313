"""The pictures of a report, drawn from rows that are already chosen and labelled.

Series differ by marker, line style and lightness as well as by colour, so that a grey
print can be read. Shifting a curve by its stored offset and drawing a stored spread
either side of it is all the arithmetic that happens here.
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TypeGuard

from markupsafe import Markup
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FixedLocator, FuncFormatter, MaxNLocator, NullLocator

from analysis.report.evidence import clean_text
from analysis.report.figures.svg import Colour, drawing, inline_svg
from analysis.report.words.numbers import Numbers

__all__ = [
    "Curve",
    "Interval",
    "axis_label",
    "interval_chart",
    "paired_bars",
    "residual_chart",
    "response_chart",
    "row_interval",
    "rows_axes",
    "wrapped",
]

WIDTH_IN = 5.2
_FEW_ROWS = 12
_MARKERS = ("o", "^", "s", "D")
_SERIES = (Colour.A, Colour.B, Colour.C, Colour.D)


@dataclass(frozen=True, slots=True)
class Interval:
    """One row of an interval chart: a point with its bar and an optional limit mark."""

    label: str
    value: float | None
    low: float | None = None
    high: float | None = None
    mark: float | None = None
    chance: float | None = None
    note: str = ""
    series: int = 0
    hollow: bool = False


def row_interval(
    numbers: Numbers,
    label: str,
    figures: tuple[object, object, object],
    written: str,
    *,
    noted: object = None,
) -> Interval:
    """Make the chart's row of a row of figures.

    Parameters
    ----------
    numbers : Numbers
        Writes the note.
    label : str
        What it is about.
    figures : tuple
        Places of the value, its lower and its upper end.
    written : str
        Kind of number of the note.
    noted : optional
        Place of the figure that the note gives; the value unless said otherwise.
    """
    value, low, high = (numbers.value(place, written) for place in figures)
    note = numbers.plain(figures[0] if noted is None else noted, written)
    return Interval(label, value, low, high, note=note)


@dataclass(frozen=True, slots=True)
class Curve:
    """A measured response ready to draw: frequencies in Hz, levels in dB."""

    f_hz: Sequence[float]
    level_db: Sequence[float]
    spread_db: Sequence[float] = ()
    offset_db: float = 0.0
    valid_hz: tuple[float, float] | None = None
    target_f_hz: Sequence[float] = field(default_factory=tuple)
    target_db: Sequence[float] = field(default_factory=tuple)


def wrapped(label: str, width: int = 26, lines: int = 3) -> str:
    """Break a label for an axis; long ones end in an ellipsis."""
    text = clean_text(label)
    return "\n".join(textwrap.wrap(text, width, max_lines=lines, placeholder=" …")) or " "


def axis_label(text: str) -> str:
    """Break the name of an axis so that it stays inside a narrow figure."""
    return "\n".join(textwrap.wrap(clean_text(text), 34))


def _legend_text(name: str) -> str:
    # matplotlib leaves out entries that begin with an underscore; a zero-width space keeps them.
    return wrapped(f"\u200b{name}" if name.startswith("_") else name, 36)


def rows_axes(labels: Sequence[str], *, row_in: float = 0.3) -> tuple[Figure, Axes]:
    """Return a figure whose rows carry the labels, first row on top."""
    # Many rows get wider and therefore lower labels, so that the figure stays on one page.
    texts = [wrapped(label, 26 if len(labels) <= _FEW_ROWS else 34) for label in labels]
    deepest = max((text.count("\n") + 1 for text in texts), default=1)
    height = 0.95 + max(row_in, 0.19 * deepest + 0.08) * len(texts)
    figure = Figure(figsize=(WIDTH_IN, height), layout="constrained")
    axes = figure.subplots()
    axes.set_yticks(range(len(texts)), texts, linespacing=1.15)
    axes.set_ylim(len(texts) - 0.5, -0.5)
    axes.tick_params(axis="y", length=0)
    axes.spines["left"].set_visible(False)
    axes.grid(axis="x")
    return figure, axes


def _known(value: float | None) -> TypeGuard[float]:
    return value is not None and math.isfinite(value)


def _draw_interval(axes: Axes, at: float, row: Interval) -> None:
    colour, marker = _SERIES[row.series % 4], _MARKERS[row.series % 4]
    if row.low is not None and row.high is not None:
        axes.plot([row.low, row.high], [at, at], color=colour, lw=2.2, solid_capstyle="butt")
    if _known(row.value):
        look = {"mfc": Colour.PAPER, "mec": colour, "mew": 1.6} if row.hollow else {"mec": "none"}
        axes.plot([row.value], [at], marker=marker, ms=7, color=colour, ls="none", **look)
    if _known(row.mark):
        axes.plot([row.mark] * 2, [at - 0.32, at + 0.32], color=Colour.INK, lw=1.6)
    if _known(row.chance):
        axes.plot([row.chance] * 2, [at - 0.45, at + 0.45], color=Colour.MUTED, lw=1.2, ls="--")
    if row.note:
        axes.annotate(
            row.note, (1.01, at), xycoords=("axes fraction", "data"), va="center",
            color=Colour.INK,
        )  # fmt: skip


def interval_chart(
    rows: Sequence[Interval],
    *,
    key: str,
    alt: str,
    axis: str,
    line: float | None = None,
    percent: bool = False,
    mark: str | None = None,
) -> Markup:
    """Draw points with bars, one row each, read against an optional dashed line."""
    with drawing():
        figure, axes = rows_axes([row.label for row in rows])
        if line is not None:
            axes.axvline(line, color=Colour.MUTED, lw=1.2, ls="--")
        for at, row in enumerate(rows):
            _draw_interval(axes, at, row)
        if percent:
            axes.set_xlim(-0.02, 1.02)
            axes.xaxis.set_major_locator(FixedLocator([0, 0.25, 0.5, 0.75, 1]))
            axes.xaxis.set_major_formatter(FuncFormatter(lambda x, _: f"{100 * x:.0f}"))
        else:
            axes.margins(x=0.08)
            axes.xaxis.set_major_locator(MaxNLocator(6))
        axes.set_xlabel(axis_label(axis))
        return inline_svg(figure, key=key, alt=alt, mark=mark)


def _kilo(f_hz: float, _: int) -> str:
    return f"{f_hz / 1000:g}k" if f_hz >= 1000 else f"{f_hz:g}"


def _frequency_axis(axes: Axes, label: str) -> None:
    axes.set_xscale("log")
    axes.set_xlim(20, 20000)
    axes.xaxis.set_major_locator(FixedLocator([20, 50, 100, 200, 500, 1000, 2000, 5000, 10000]))
    axes.xaxis.set_major_formatter(FuncFormatter(_kilo))
    axes.xaxis.set_minor_locator(NullLocator())
    axes.set_xlabel(label)


def level_range(curves: Sequence[Curve]) -> tuple[float, float]:
    """Return one level axis for all curves, so that panels can be compared by eye."""
    levels = [level - curve.offset_db for curve in curves for level in curve.level_db]
    levels += [level for curve in curves for level in curve.target_db]
    known = [level for level in levels if math.isfinite(level)]
    if not known:
        return -10.0, 10.0
    return 5 * math.floor(min(known) / 5 - 0.4), 5 * math.ceil(max(known) / 5 + 0.4)


def response_chart(
    curve: Curve,
    *,
    key: str,
    alt: str,
    x_label: str,
    y_label: str,
    legend: tuple[str, str],
    levels: tuple[float, float],
    mark: str | None = None,
) -> Markup:
    """Draw one stage's response with valid band, spread and target."""
    with drawing():
        figure = Figure(figsize=(4.4, 2.75), layout="constrained")
        axes = figure.subplots()
        shifted = [level - curve.offset_db for level in curve.level_db]
        if curve.valid_hz:
            axes.axvspan(*curve.valid_hz, color=Colour.BAND, lw=0)
        if curve.spread_db:
            low = [a - s for a, s in zip(shifted, curve.spread_db, strict=True)]
            high = [a + s for a, s in zip(shifted, curve.spread_db, strict=True)]
            axes.fill_between(curve.f_hz, low, high, color=Colour.RIBBON, lw=0)
        axes.plot(curve.f_hz, shifted, color=Colour.A, lw=1.9, label=legend[0])
        if curve.target_f_hz:
            axes.plot(
                curve.target_f_hz, curve.target_db, color=Colour.INK, lw=1.4, ls=(0, (4, 2)),
                label=legend[1],
            )  # fmt: skip
        _frequency_axis(axes, x_label)
        axes.set_ylabel(y_label)
        axes.set_ylim(*levels)
        axes.grid(axis="y")
        axes.legend(loc="lower center", ncols=2, handlelength=2.6)
        return inline_svg(figure, key=key, alt=alt, mark=mark)


def residual_chart(
    rows: Sequence[tuple[str, Sequence[tuple[int, float]]]],
    models: Sequence[str],
    *,
    key: str,
    alt: str,
    axis: str,
    mark: str | None = None,
) -> Markup:
    """Draw level-match residuals: one row a stage, one marker a model and programme."""
    with drawing():
        figure, axes = rows_axes([label for label, _ in rows])
        axes.axvline(0, color=Colour.MUTED, lw=1.2, ls="--")
        for index, model in enumerate(models):
            points = [
                (value, at + 0.18 * (index - (len(models) - 1) / 2))
                for at, (_, residuals) in enumerate(rows)
                for which, value in residuals
                if which == index
            ]
            axes.plot(
                [x for x, _ in points], [y for _, y in points], ls="none", ms=6, mec="none",
                marker=_MARKERS[index % 4], color=_SERIES[index % 4], alpha=0.9,
                label=_legend_text(model),
            )  # fmt: skip
        axes.margins(x=0.1)
        axes.xaxis.set_major_locator(MaxNLocator(6))
        axes.set_xlabel(axis_label(axis))
        figure.legend(loc="outside upper left", ncols=2, handletextpad=0.2)
        return inline_svg(figure, key=key, alt=alt, mark=mark)


def paired_bars(
    rows: Sequence[tuple[str, float, float]],
    *,
    key: str,
    alt: str,
    axis: str,
    legend: tuple[str, str],
    mark: str | None = None,
) -> Markup:
    """Draw two counts a row as bars, one solid and one hatched."""
    with drawing():
        figure, axes = rows_axes([label for label, *_ in rows], row_in=0.34)
        at = range(len(rows))
        axes.barh(
            [y - 0.18 for y in at], [r[1] for r in rows], 0.34, color=Colour.A, label=legend[0]
        )
        axes.barh(
            [y + 0.18 for y in at], [r[2] for r in rows], 0.34, color="none", hatch="////",
            edgecolor=Colour.B, lw=1.0, label=legend[1],
        )  # fmt: skip
        axes.xaxis.set_major_locator(MaxNLocator(6, integer=True))
        axes.set_xlabel(axis_label(axis))
        figure.legend(loc="outside upper left", ncols=2)
        return inline_svg(figure, key=key, alt=alt, mark=mark)
