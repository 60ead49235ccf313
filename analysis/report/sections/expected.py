"""What was expected of each pair before anyone listened, beside what the answers gave."""

from __future__ import annotations

from analysis.report.page import Page, Section

__all__ = ["expected_section"]

_COLUMNS = ["pair", "programme", "expected", "sd", "share_right", "outcome"]
_SAVED = ("pair", "programme", "expected", "sd_db", "d", "proportion", "p_value", "outcome")


def expected_section(page: Page) -> Section | None:
    """Make the table of predicted audibility; nothing where no pair was asked about."""
    rows = page.evidence.rows("/audibility")
    if not rows:
        return None
    cells = [
        [
            page.pair_text(row),
            page.user(row.get("programme")),
            page.name(f"aud.{row.get('expected')}"),
            page.n(row.at("sd_db"), "db_bare_unsigned"),
            page.n(row.at("proportion"), "percent"),
            page.name(f"aud.{row.get('outcome')}"),
        ]
        for row in rows
    ]
    data = page.csv_of("expected", rows, _SAVED)
    return page.section(
        "expected",
        [page.para("aud.lead"), page.table(_COLUMNS, cells, style="long", data=data)],
    )
