"""From evidence to a page that stands alone."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import jinja2

from analysis.report.account import (
    checks_section,
    limits_section,
    methods_section,
    schedule_section,
)
from analysis.report.answer import claims_section, short_section
from analysis.report.evidence import Evidence
from analysis.report.listening import (
    discrimination_section,
    listeners_section,
    preference_section,
)
from analysis.report.page import Page, Section
from analysis.report.sound import deviation_section, levels_section, responses_section

__all__ = ["build_report", "render_report"]

_ORDER = (
    short_section,
    claims_section,
    preference_section,
    discrimination_section,
    responses_section,
    deviation_section,
    levels_section,
    schedule_section,
    listeners_section,
    methods_section,
    limits_section,
    checks_section,
)


def _environment() -> jinja2.Environment:
    return jinja2.Environment(
        loader=jinja2.PackageLoader("analysis.report"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )


def _sections(page: Page) -> list[Section]:
    return [make(page) for make in _ORDER]


def render_report(evidence: Mapping[str, Any]) -> str:
    """Return the report as HTML text.

    Parameters
    ----------
    evidence : Mapping
        Plain JSON. Any block may be missing; the report is then shorter and says so.

    Returns
    -------
    str
        One document: styles, figures and data inside, no script, nothing loaded.

    Raises
    ------
    InputError
        If a block has the wrong shape; names its place.
    """
    page = Page(Evidence(evidence))
    title = page.evidence.text("/study/title") or page.name("title.report")
    return (
        _environment()
        .get_template("report.html.j2")
        .render(
            page=page,
            title=title,
            heading=page.user(title),
            note=page.evidence.text("/study/note"),
            open_study=page.evidence.get("/study/state") == "open",
            sections=_sections(page),
        )
    )


def build_report(evidence: Mapping[str, Any], out_path: str | os.PathLike[str]) -> Path:
    """Write the report as one self-contained HTML file.

    Parameters
    ----------
    evidence : Mapping
        Plain JSON. Any block may be missing.
    out_path : path-like
        File to write; an earlier one is replaced only when the new one is complete.

    Returns
    -------
    Path
        The file written.

    Raises
    ------
    InputError
        If a block of the evidence has the wrong shape.
    OSError
        If the file cannot be written.
    """
    text = render_report(evidence)
    path = Path(out_path)
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
    try:
        with os.fdopen(handle, "w", encoding="utf-8", newline="\n") as file:
            file.write(text)
        os.chmod(name, 0o644)
        os.replace(name, path)
    except OSError:
        Path(name).unlink(missing_ok=True)
        raise
    return path
