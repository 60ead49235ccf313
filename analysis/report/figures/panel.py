"""Pictures of single listeners, ratings, the link and the power of a study.

All values come ready from the evidence; listeners with the same share are counted in one
ring.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.text import Text
from matplotlib.ticker import FixedLocator, FuncFormatter, MaxNLocator
from matplotlib.transforms import Bbox

from analysis.report.figures.charts import WIDTH_IN, axis_label, rows_axes, wrapped
from analysis.report.figures.svg import Colour, drawing, inline_svg

__all__ = [
    "Box",
    "Point",
    "box_chart",
    "choice_matrix",
    "listener_strip",
    "power_chart",
    "scatter_chart",
    "worth_strip",
]

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


def listener_strip(
    rows: Sequence[tuple[str, Sequence[float], float | None]],
    *,
    key: str,
    alt: str,
    axis: str,
    mark: str | None = None,
) -> Markup:
    """Draw rings that grow with the number of listeners who had this share of right answers."""
    with drawing():
        figure, axes = rows_axes([label for label, *_ in rows], row_in=0.5)
        for at, (_, shares, chance) in enumerate(rows):
            if chance is not None:
                axes.plot([chance] * 2, [at - 0.45, at + 0.45], color=Colour.MUTED, lw=1.2, ls="--")
            for share, count in sorted(Counter(shares).items()):
                axes.plot(
                    [share], [at], ls="none", marker="o", ms=11 + 2.5 * (count - 1) ** 0.5,
                    mfc=Colour.PAPER, mec=Colour.A, mew=1.4, clip_on=False,
                )  # fmt: skip
                axes.annotate(
                    str(count), (share, at), ha="center", va="center_baseline", fontsize=8.5
                )
        axes.set_xlim(-0.05, 1.05)
        axes.xaxis.set_major_locator(FixedLocator([0, 0.25, 0.5, 0.75, 1]))
        axes.xaxis.set_major_formatter(FuncFormatter(lambda x, _: f"{100 * x:.0f}"))
        axes.set_xlabel(axis_label(axis))
        return inline_svg(figure, key=key, alt=alt, mark=mark)


def choice_matrix(
    rows: Sequence[tuple[str, Sequence[float | None]]],
    columns: Sequence[str],
    *,
    key: str,
    alt: str,
    mark: str | None = None,
) -> Markup:
    """Draw a listener on each row and a version in each column: a disc filled by its share."""
    with drawing():
        labels = [wrapped(label, 18, 2) for label in columns]
        deepest = max((len(part) for label in labels for part in label.split("\n")), default=1)
        figure = Figure(
            figsize=(WIDTH_IN, 0.3 + 0.055 * deepest + 0.2 * len(rows)), layout="constrained"
        )
        axes = figure.subplots()
        axes.set_xlim(-0.6, len(columns) - 0.4)
        axes.set_ylim(len(rows) - 0.5, -0.5)
        axes.set_yticks(range(len(rows)), [wrapped(name, 16, 1) for name, _ in rows], fontsize=8.5)
        axes.set_xticks(range(len(columns)), labels, rotation=35, ha="left", linespacing=1.0)
        axes.xaxis.tick_top()
        axes.tick_params(length=0)
        for spine in axes.spines.values():
            spine.set_visible(False)
        for at, (_, shares) in enumerate(rows):
            for place, share in enumerate(shares):
                _disc(axes, place, at, share)
        return inline_svg(figure, key=key, alt=alt, mark=mark)


def _disc(axes: Axes, x: int, y: int, share: float | None) -> None:
    """Draw an outline, and in it a disc whose area is the share; nothing where none is known."""
    if share is None:
        return
    widest = 9.0
    axes.plot([x], [y], "o", ms=widest, mfc="none", mec=Colour.MUTED, mew=0.7)
    if share > 0:
        axes.plot([x], [y], "o", ms=widest * share**0.5, color=Colour.A, mec="none")


def worth_strip(
    rows: Sequence[tuple[str, Sequence[float]]],
    *,
    key: str,
    alt: str,
    axis: str,
    mark: str | None = None,
) -> Markup:
    """Draw one open dot a listener on each row, neighbours at different heights."""
    with drawing():
        figure, axes = rows_axes([label for label, _ in rows], row_in=0.52)
        axes.axvline(0, color=Colour.MUTED, lw=1.2, ls="--")
        for at, (_, values) in enumerate(rows):
            heights = [at + 0.14 * (2 * k % 5 - 2) for k in range(len(values))]
            axes.plot(
                sorted(values), heights, ls="none", marker="o", ms=4.5, mfc="none", mec=Colour.A,
                mew=1.2,
            )  # fmt: skip
        axes.margins(x=0.06)
        axes.xaxis.set_major_locator(MaxNLocator(6))
        axes.set_xlabel(axis_label(axis))
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
        axes.set_xlabel(axis_label(axis))
        return inline_svg(figure, key=key, alt=alt, mark=mark)


def scatter_chart(
    points: Sequence[Point],
    *,
    key: str,
    alt: str,
    x_label: str,
    y_label: str,
    band: tuple[Sequence[float], Sequence[float], Sequence[float]] | None = None,
    line: tuple[float, float] | None = None,
    mark: str | None = None,
) -> Markup:
    """Draw stages by measured figure and worth, labelled, with band and line if stored.

    ``line`` is intercept and slope of the fitted rule.
    """
    with drawing():
        figure = Figure(figsize=(WIDTH_IN, 4.0), layout="constrained")
        axes = figure.subplots()
        if band is not None:
            axes.fill_between(band[0], band[1], band[2], color=Colour.BAND, lw=0)
        if line is not None:
            ends = [min(point.x for point in points), max(point.x for point in points)]
            axes.plot(ends, [line[0] + line[1] * x for x in ends], color=Colour.INK, lw=1.2)
        for point in points:
            if point.low is not None and point.high is not None:
                axes.plot([point.x] * 2, [point.low, point.high], color=Colour.A, lw=1.6)
            axes.plot([point.x], [point.y], marker="o", ms=7, color=Colour.A, ls="none")
        axes.margins(x=0.14, y=0.1)
        axes.grid()
        axes.xaxis.set_major_locator(MaxNLocator(6))
        axes.yaxis.set_major_locator(MaxNLocator(6))
        axes.set_xlabel(axis_label(x_label))
        axes.set_ylabel(y_label)
        _label_points(figure, axes, points)
        return inline_svg(figure, key=key, alt=alt, mark=mark)


# Where a label may stand: end of the bar it starts from, shift in points, anchors.
_PLACES = (
    ("y", 9, 0, "left", "center"),
    ("y", -9, 0, "right", "center"),
    ("high", 0, 3, "center", "bottom"),
    ("low", 0, -3, "center", "top"),
    ("y", 7, 9, "left", "bottom"),
    ("y", -7, 9, "right", "bottom"),
    ("y", 7, -9, "left", "top"),
    ("y", -7, -9, "right", "top"),
)


def _obstacles(axes: Axes, points: Sequence[Point]) -> list[Bbox]:
    """Return the boxes of points and bars on the canvas, which labels should not cover."""
    boxes = []
    for point in points:
        low = point.y if point.low is None else point.low
        high = point.y if point.high is None else point.high
        (x, bottom), (_, top) = axes.transData.transform([(point.x, low), (point.x, high)])
        boxes.append(Bbox.from_extents(x - 4, bottom - 4, x + 4, top + 4))
    return boxes


def _label_points(figure: Figure, axes: Axes, points: Sequence[Point]) -> None:
    """Write each label at the first place where it covers least and stays inside."""
    figure.draw_without_rendering()
    taken = _obstacles(axes, points)
    room = axes.get_window_extent()
    for point in points:
        best: tuple[float, Text, Bbox] | None = None
        for end, x, y, ha, va in _PLACES:
            start = getattr(point, end)
            text = axes.annotate(
                wrapped(point.label, 20, 2), (point.x, point.y if start is None else start),
                textcoords="offset points", xytext=(x, y), ha=ha, va=va,
            )  # fmt: skip
            box = text.get_window_extent()
            overlap = sum(_shared(box, other) for other in taken)
            overlap += box.width * box.height - _shared(box, room)
            if best is None or overlap < best[0] - 1e-6:
                if best is not None:
                    best[1].remove()
                best = (overlap, text, box)
            else:
                text.remove()
        if best is not None:
            taken.append(best[2])


def _shared(one: Bbox, other: Bbox) -> float:
    common = Bbox.intersection(one, other)
    return 0.0 if common is None else float(common.width * common.height)


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
        axes.set_xlabel(axis_label(x_label))
        axes.set_ylabel(y_label)
        figure.legend(loc="outside upper left", ncols=2)
        return inline_svg(figure, key=key, alt=alt, mark=mark)
