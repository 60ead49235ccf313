"""Reports from evidence: formats and computes nothing.

The heavy parts (matplotlib, Jinja2) load on first use, so that importing costs nothing.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from analysis.report.build import build_report, build_voices, render_report
    from analysis.report.pdf import write_pdf

__all__ = ["build_report", "build_voices", "render_report", "write_pdf"]


def __getattr__(name: str) -> Any:
    if name not in __all__:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from importlib import import_module

    home = "analysis.report.pdf" if name == "write_pdf" else "analysis.report.build"
    return getattr(import_module(home), name)
