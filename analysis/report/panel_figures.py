"""Pictures of single listeners, ratings, the link and the power of a study.

All values come ready from the evidence. Points that fall on one another are set side by
side in a fixed order, so that the same evidence draws the same picture.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup
from matplotlib.figure import Figure
from matplotlib.ticker import FixedLocator, FuncFormatter, MaxNLocator

from analysis.report.figures import WIDTH_IN, rows_axes, wrapped
from analysis.report.svg import Colour, drawing, inline_svg

__all__ = ["Box", "Point", "box_chart", "listener_strip", "power_chart", "scatter_chart"]

_STYLES = ("-", "--", "-.", ":")
_MARKERS = ("o", "^", "s", "D")
_COLOURS = (Colour.A, Colour.B, Colour.C, Colour.D)


@dataclass(frozen=True, slots=True)
class Box:
    """Quartiles of the ratings of one stage, with the whole range."""

    label: str
    low: float
    q1: float
    median: float
    q3: float
    high: float
    mean: float | None = None


@dataclass(frozen=True, slots=True)
class Point:
    """One stage: a measured figure across, the worth up, with its interval."""

    label: str
    x: float
    y: float
    low: float | None = None
    high: float | None = None


def _stacked(values: Sequence[float], step: float) -> list[tuple[float, float]]:
    """Return (value, shift) with equal values spread evenly about the row."""
    totals, seen = Counter(values), Counter[float]()
    placed = []
    for value in values:
        placed.append((value, step * (seen[value] - (totals[value] - 1) / 2)))
        seen[value] += 1
    return placed


def listener_strip(
    rows: Sequence[tuple[str, Sequence[float], float | None]],
    *,
    key: str,
    alt: str,
    axis: str,
    mark: str | None = None,
) -> Markup:
    """Draw one open dot a listener: share of right answers, one row a pair."""
    with drawing():
        figure, axes = rows_axes([label for label, *_ in rows], row_in=0.46)
        for at, (_, shares, chance) in enumerate(rows):
            most = max(Counter(shares).values(), default=1)
            dots = _stacked(sorted(shares), min(0.1, 0.8 / most))
            axes.plot(
                [x for x, _ in dots], [at + y for _, y in dots], ls="none", marker="o", ms=5,
                mfc="none", mec=Colour.A, mew=1.2,
            )  # fmt: skip
            if chance is not None:
                axes.plot([chance] * 2, [at - 0.45, at + 0.45], color=Colour.MUTED, lw=1.2, ls="--")
        axes.set_xlim(-0.03, 1.03)
        axes.xaxis.set_major_locator(FixedLocator([0, 0.25, 0.5, 0.75, 1]))
        axes.xaxis.set_major_formatter(FuncFormatter(lambda x, _: f"{100 * x:.0f}"))
        axes.set_xlabel(axis)
        return inline_svg(figure, key=key, alt=alt, mark=mark)


def box_chart(
    boxes: Sequence[Box], *, key: str, alt: str, axis: str, mark: str | None = None
) -> Markup:
    """Draw stored quartiles as boxes on the 0 to 100 scale."""
    with drawing():
        figure, axes = rows_axes([box.label for box in boxes], row_in=0.4)
        for at, box in enumerate(boxes):
            axes.plot([box.low, box.high], [at, at], color=Colour.MUTED, lw=1.2)
            axes.barh(
                [at], [box.q3 - box.q1], 0.5, left=box.q1, color=Colour.RIBBON,
                edgecolor=Colour.A, lw=1.2,
            )  # fmt: skip
            axes.plot([box.median] * 2, [at - 0.25, at + 0.25], color=Colour.INK, lw=2)
            if box.mean is not None:
                axes.plot([box.mean], [at], marker="D", ms=5, color=Colour.B, ls="none")
        axes.set_xlim(-2, 102)
        axes.xaxis.set_major_locator(FixedLocator([0, 20, 40, 60, 80, 100]))
        axes.set_xlabel(axis)
        return inline_svg(figure, key=key, alt=alt, mark=mark)


def scatter_chart(
    points: Sequence[Point],
    *,
    key: str,
    alt: str,
    x_label: str,
    y_label: str,
    band: tuple[Sequence[float], Sequence[float], Sequence[float]] | None = None,
    mark: str | None = None,
) -> Markup:
    """Draw stages by measured figure and worth, labelled, with a permutation band if stored."""
    with drawing():
        figure = Figure(figsize=(WIDTH_IN, 4.0), layout="constrained")
        axes = figure.subplots()
        if band is not None:
            axes.fill_between(band[0], band[1], band[2], color=Colour.BAND, lw=0)
        for point in points:
            if point.low is not None and point.high is not None:
                axes.plot([point.x] * 2, [point.low, point.high], color=Colour.A, lw=1.6)
            axes.plot([point.x], [point.y], marker="o", ms=7, color=Colour.A, ls="none")
        xs = [point.x for point in points]
        middle = (min(xs) + max(xs)) / 2
        for point in points:
            right = point.x > middle
            axes.annotate(
                wrapped(point.label, 20, 2), (point.x, point.y), textcoords="offset points",
                xytext=(-8 if right else 8, 0), ha="right" if right else "left", va="center",
            )  # fmt: skip
        axes.margins(x=0.12, y=0.08)
        axes.grid()
        axes.xaxis.set_major_locator(MaxNLocator(6))
        axes.yaxis.set_major_locator(MaxNLocator(6))
        axes.set_xlabel(x_label)
        axes.set_ylabel(y_label)
        return inline_svg(figure, key=key, alt=alt, mark=mark)


def power_chart(
    curves: Sequence[tuple[str, Sequence[float], Sequence[float]]],
    *,
    key: str,
    alt: str,
    x_label: str,
    y_label: str,
    as_run: float | None,
    wanted: float,
    mark: str | None = None,
) -> Markup:
    """Draw the chance to notice against the number of listeners, one curve a true size."""
    with drawing():
        figure = Figure(figsize=(WIDTH_IN, 3.5), layout="constrained")
        axes = figure.subplots()
        axes.axhline(wanted, color=Colour.MUTED, lw=1.0, ls=(0, (1, 2)))
        if as_run is not None:
            axes.axvline(as_run, color=Colour.INK, lw=1.2, ls="--")
        for index, (label, listeners, power) in enumerate(curves):
            axes.plot(
                listeners, power, color=_COLOURS[index % 4], ls=_STYLES[index % 4],
                marker=_MARKERS[index % 4], ms=4.5, lw=1.6, label=wrapped(label, 28),
            )  # fmt: skip
        axes.set_ylim(-0.02, 1.02)
        axes.yaxis.set_major_formatter(FuncFormatter(lambda y, _: f"{100 * y:.0f}"))
        axes.xaxis.set_major_locator(MaxNLocator(7, integer=True))
        axes.grid()
        axes.set_xlabel(x_label)
        axes.set_ylabel(y_label)
        axes.legend(loc="lower right")
        return inline_svg(figure, key=key, alt=alt, mark=mark)
