"""Curves of the study desk: one look in light and dark, a key that wraps on a phone."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING, Any

import streamlit as st

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd

__all__ = ["TARGET", "show_curves"]

TARGET = "Target"
"""Name of the curve that everything is held against."""

# 3:1 or better on the paper of both looks, so that one palette serves light and dark.
_COLOURS = (
    *("#1f8a94", "#b86e00", "#6a7bd0", "#c4503f"),
    *("#7d8420", "#a862b4", "#4f8a56", "#8a6d5a"),
)
_DASHES = ((1, 0), (9, 4), (3, 3), (10, 3, 2, 3))
_TARGET_COLOUR = "#7d8c86"
_INK = {"light": "#4c5b55", "dark": "#a9bab2"}
_TICKS_HZ = (20, 50, 100, 200, 500, 1000, 2000, 5000, 10_000, 20_000)


def _style(place: int, name: str) -> tuple[str, tuple[int, ...], float]:
    """Return colour, dash and width; colour never tells two curves apart alone."""
    if name == TARGET:
        return _TARGET_COLOUR, (2, 3), 4.0
    return _COLOURS[place % len(_COLOURS)], _DASHES[place % len(_DASHES)], 2.5


def show_curves(curves: pd.DataFrame, column: str, names: Sequence[str], *, title: str) -> None:
    """Show curves over frequency with their key.

    Parameters
    ----------
    curves : DataFrame
        Columns ``f_hz``, ``stage`` and ``column``.
    column : str
        What is drawn, in dB.
    names : sequence of str
        Stages in the order of the study.
    title : str
        Name of the axis.
    """
    st.altair_chart(_chart(curves, column, names, title), theme=None)
    st.html(_key(names))


def _chart(curves: pd.DataFrame, column: str, names: Sequence[str], title: str) -> Any:
    import altair as alt

    colours, dashes, widths = zip(*(_style(k, n) for k, n in enumerate(names)), strict=True)
    ink = _INK.get(str(st.context.theme.type), _INK["light"])
    words: dict[str, Any] = {"labelColor": ink, "titleColor": ink, "titleFontWeight": "normal"}
    words |= {"labelFontSize": 15, "titleFontSize": 15}
    lines: dict[str, Any] = {"gridColor": _TARGET_COLOUR, "gridOpacity": 0.25}
    lines |= {"domainColor": _TARGET_COLOUR, "tickColor": _TARGET_COLOUR}
    hz = alt.Axis(
        title="Frequency in Hz",
        values=list(_TICKS_HZ),
        labelExpr="datum.value >= 1000 ? datum.value / 1000 + 'k' : datum.value",
        labelOverlap="greedy",
        **words,
        **lines,
    )
    return (
        alt.Chart(curves)
        .mark_line()
        .encode(
            x=alt.X("f_hz:Q", axis=hz).scale(type="log", domain=[20, 20_000]),
            y=alt.Y(f"{column}:Q", axis=alt.Axis(title=title, **words, **lines)),
            color=alt.Color("stage:N", sort=list(names), legend=None).scale(
                domain=list(names), range=list(colours)
            ),
            strokeDash=alt.StrokeDash("stage:N", legend=None).scale(
                domain=list(names), range=[list(dash) for dash in dashes]
            ),
            strokeWidth=alt.StrokeWidth("stage:N", legend=None).scale(
                domain=list(names), range=list(widths)
            ),
            tooltip=[
                alt.Tooltip("stage:N", title="Stage"),
                alt.Tooltip("f_hz:Q", title="Hz", format=".0f"),
                alt.Tooltip(f"{column}:Q", title="dB", format=".1f"),
            ],
        )
        .properties(height=360, background="transparent", description=f"{title} by frequency")
        .configure(font="Seravek, Ubuntu, Calibri, DejaVu Sans, sans-serif")
        .configure_view(stroke=_TARGET_COLOUR, strokeOpacity=0.4)
    )


def _key(names: Sequence[str]) -> str:
    items = []
    for place, name in enumerate(names):
        colour, dash, width = _style(place, name)
        stops, at = [], 0
        for number, part in enumerate(dash):
            shown = "transparent" if number % 2 else colour
            stops.append(f"{shown} {at}px {at + part}px")
            at += part
        line = f"repeating-linear-gradient(90deg, {', '.join(stops)})"
        items.append(
            f'<li><span class="swatch" style="height: {width}px; background: {line}"></span>'
            f"<span>{escape(name)}</span></li>"
        )
    return f'<ul class="curve-key">{"".join(items)}</ul>'
