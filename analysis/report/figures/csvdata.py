"""Tables behind the figures as files that can be saved from the page itself."""

from __future__ import annotations

import base64
import csv
import io
import json
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from analysis.report.evidence import clean_text

__all__ = ["csv_link", "csv_text", "json_link"]

# A cell that begins like this is run as a formula by spreadsheet programs (common practice:
# OWASP, "CSV injection"); a leading apostrophe makes it text.
_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool | int | float):
        return repr(value)
    text = clean_text(value)
    return f"'{text}" if text.startswith(_FORMULA_STARTS) else text


def csv_text(header: Sequence[str], rows: Iterable[Sequence[Any]], *, simulated: bool) -> str:
    """Write rows as CSV at full precision; simulated data carry a column that says so."""
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\r\n")
    writer.writerow([*(_cell(name) for name in header), *(["simulated"] if simulated else [])])
    for row in rows:
        writer.writerow([*(_cell(value) for value in row), *(["1"] if simulated else [])])
    return buffer.getvalue()


def csv_link(
    name: str, header: Sequence[str], rows: Iterable[Sequence[Any]], *, simulated: bool
) -> dict[str, str]:
    """Return file name and ``data:`` address of a table."""
    text = csv_text(header, rows, simulated=simulated)
    return {
        "file": f"{'simulated-' if simulated else ''}{name}.csv",
        "href": _data_url("text/csv;charset=utf-8", text),
    }


def json_link(name: str, data: Mapping[str, Any], *, simulated: bool) -> dict[str, str]:
    """Return file name and ``data:`` address of the evidence itself."""
    text = json.dumps(data, ensure_ascii=True, separators=(",", ":"))
    return {
        "file": f"{'simulated-' if simulated else ''}{name}.json",
        "href": _data_url("application/json", text),
    }


def _data_url(kind: str, text: str) -> str:
    return f"data:{kind};base64,{base64.b64encode(text.encode()).decode()}"
