"""Tables that can be read on a phone, printed, and heard by a screen reader.

A row is a card on a narrow screen; each cell carries its column's name there. Real HTML
instead of a drawn grid, so that nothing is cut and text can be enlarged.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from html import escape

import streamlit as st

__all__ = ["show_table", "table_html"]


def table_html(rows: Sequence[Mapping[str, object]], *, caption: str = "") -> str:
    """Return rows as an HTML table; numbers stand to the right, fractions with two decimals.

    Parameters
    ----------
    rows : sequence of mapping
        One mapping a row, all with the same keys; the first key names the row.
    caption : str, optional
        Said before the table by a screen reader.
    """
    if not rows:
        return ""
    names = list(rows[0])
    head = "".join(f'<th scope="col">{escape(name)}</th>' for name in names)
    body = "".join(_row(row, names) for row in rows)
    said = f"<caption>{escape(caption)}</caption>" if caption else ""
    return f'<table class="plain">{said}<thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>'


def _row(row: Mapping[str, object], names: Sequence[str]) -> str:
    first, *rest = names
    cells = "".join(_cell(name, row[name]) for name in rest)
    return f'<tr><th scope="row">{escape(str(row[first]))}</th>{cells}</tr>'


def _cell(name: str, value: object) -> str:
    kind = ' class="number"' if isinstance(value, int | float) else ""
    shown = f"{value:.2f}" if isinstance(value, float) else str(value)
    return f'<td data-name="{escape(name)}"{kind}>{escape(shown)}</td>'


def show_table(rows: Sequence[Mapping[str, object]], *, caption: str = "") -> None:
    """Show rows as a table."""
    if rows:
        st.html(table_html(rows, caption=caption))
