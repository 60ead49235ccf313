"""Reports from evidence: formats and computes nothing.

The heavy parts (matplotlib, Jinja2) load on first use, so that importing costs nothing.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import os
    from pathlib import Path

__all__ = ["build_report"]


def build_report(evidence: Mapping[str, Any], out_path: str | os.PathLike[str]) -> Path:
    """Write the report as one self-contained HTML file.

    See :func:`analysis.report.build.build_report`.
    """
    from analysis.report.build import build_report as build

    return build(evidence, out_path)
