"""From evidence to pages that stand alone, in the voice of their reader."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import jinja2

from analysis.report.card import card_caption, card_sections, type_size_pt
from analysis.report.evidence import Evidence
from analysis.report.page import Page, Section
from analysis.report.pdf import write_pdf
from analysis.report.record.account import (
    checks_section,
    limits_section,
    schedule_section,
    stages_section,
)
from analysis.report.record.methods import aims_section, methods_section
from analysis.report.record.review import departures_section, verdicts_section
from analysis.report.record.sound import deviation_section, levels_section, responses_section
from analysis.report.record.summary import summary_section
from analysis.report.sections.answer import short_section
from analysis.report.sections.choices import preference_section
from analysis.report.sections.claims import claims_section
from analysis.report.sections.expected import expected_section
from analysis.report.sections.experiments import dose_section, predictions_section, regions_section
from analysis.report.sections.graded import grading_section, strength_section
from analysis.report.sections.hearing import discrimination_section
from analysis.report.sections.linked import link_section, power_section
from analysis.report.sections.listeners import differences_section, listeners_section
from analysis.report.sections.rated import ratings_section
from analysis.report.sections.steps import upgrade_section
from analysis.report.sections.turning import turning_section
from stimuli.files.errors import InputError

__all__ = ["VOICES", "build_report", "build_voices", "render_report"]

Maker = Callable[[Page], Section | None]


@dataclass(frozen=True, slots=True)
class Voice:
    """One way to tell the evidence: sections in order, by part, and its file name."""

    file: str
    title: str
    parts: tuple[tuple[str | None, tuple[Maker, ...]], ...] = ()


#: ``full`` answers first and accounts after; ``researcher`` follows the order of a paper;
#: ``reviewer`` holds what a check needs; ``customer`` is one page.
VOICES: dict[str, Voice] = {
    "full": Voice(
        "report.html",
        "title.report",
        (
            (None, (short_section, claims_section, upgrade_section)),
            (
                None,
                (preference_section, differences_section, discrimination_section, expected_section),
            ),
            (None, (turning_section, strength_section, ratings_section, grading_section)),
            (None, (regions_section, dose_section, link_section, predictions_section)),
            (None, (responses_section, deviation_section, levels_section, schedule_section)),
            (None, (listeners_section, power_section, methods_section, stages_section)),
            (None, (departures_section, limits_section, checks_section)),
        ),
    ),
    "researcher": Voice(
        "researcher-report.html",
        "title.researcher",
        (
            ("part.summary", (summary_section,)),
            ("part.introduction", (aims_section,)),
            ("part.methods", (methods_section, stages_section, responses_section)),
            ("part.methods", (deviation_section, levels_section, schedule_section)),
            ("part.methods", (departures_section,)),
            ("part.results", (listeners_section, discrimination_section, expected_section)),
            ("part.results", (preference_section, differences_section, strength_section)),
            ("part.results", (ratings_section, grading_section)),
            ("part.results", (regions_section, dose_section, link_section, predictions_section)),
            ("part.results", (upgrade_section, claims_section, turning_section)),
            ("part.discussion", (power_section, limits_section)),
            ("part.availability", (checks_section,)),
        ),
    ),
    "reviewer": Voice(
        "reviewer-sheet.html",
        "title.reviewer",
        (
            (None, (verdicts_section, departures_section, checks_section)),
            (None, (listeners_section, limits_section)),
        ),
    ),
    "customer": Voice("customer-card.html", "title.customer"),
}


def _environment() -> jinja2.Environment:
    return jinja2.Environment(
        loader=jinja2.PackageLoader("analysis.report"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )


# A page of no more sections than this needs no table of contents.
_FEW_SECTIONS = 5
Made = dict[Maker, Section | None]


def _sections(page: Page, voice: Voice, made: Made) -> list[Section]:
    """Make the sections of a voice; those in ``made`` are not drawn again."""
    found = []
    for part, makers in voice.parts:
        for make in makers:
            if make not in made:
                made[make] = make(page)
            section = made[make]
            if section is not None:
                found.append(replace(section, part=page.say(part) if part else None))
    return found


def _voice(name: str) -> Voice:
    if name not in VOICES:
        raise InputError(
            where="voice",
            problem=f"{name!r} is not a voice of the report",
            remedy=f"Choose one of {', '.join(VOICES)}",
        )
    return VOICES[name]


def _listener(page: Page, listener: str | None) -> str | None:
    if listener is None:
        return None
    reliability = page.results.reliability
    known: set[str | None] = {row.listener for row in page.results.discrimination}
    known |= set() if reliability is None else {row.listener for row in reliability.listeners}
    if listener not in known:
        raise InputError(
            source="evidence",
            where="listener",
            problem=f"no answers of {listener!r} stand in the results",
            remedy="Choose a listener of the trial table",
        )
    return listener


def render_report(
    evidence: Mapping[str, Any], *, voice: str = "full", listener: str | None = None
) -> str:
    """Return a report as HTML text.

    Parameters
    ----------
    evidence : Mapping
        Plain JSON. Any block may be missing; the report is then shorter and says so.
    voice : str
        A key of :data:`VOICES`.
    listener : str, optional
        Pseudonym whose own answers the customer's card shows.

    Returns
    -------
    str
        One document: styles, figures and data inside, no script, nothing loaded.

    Raises
    ------
    InputError
        If a block has the wrong shape (names its place), or voice or listener are unknown.
    """
    return _render(Page(Evidence(evidence)), voice, listener, {})


def _render(page: Page, voice: str, listener: str | None, made: Made) -> str:
    chosen = _voice(voice)
    who = _listener(page, listener)
    is_card = voice == "customer"
    title = page.evidence.text("/study/title") or page.name("title.report")
    sections = card_sections(page, who) if is_card else _sections(page, chosen, made)
    template = _environment().get_template("card.html.j2" if is_card else "report.html.j2")
    return template.render(
        page=page,
        title=title,
        heading=page.user(title),
        kind=page.say(chosen.title),
        note=None if is_card else page.evidence.text("/study/note"),
        open_study=page.evidence.get("/study/state") == "open",
        caption=card_caption(page, who) if is_card else None,
        sections=sections,
        contents=page.name("title.contents") if len(sections) > _FEW_SECTIONS else None,
        type_pt=type_size_pt(sections, title, marked=bool(page.mark)) if is_card else None,
    )


def build_report(
    evidence: Mapping[str, Any],
    out_path: str | os.PathLike[str],
    *,
    voice: str = "full",
    listener: str | None = None,
) -> Path:
    """Write a report as one self-contained HTML file.

    Parameters
    ----------
    evidence : Mapping
        Plain JSON. Any block may be missing.
    out_path : path-like
        File to write; an earlier one is replaced only when the new one is complete.
    voice, listener : str, optional
        See :func:`render_report`.

    Returns
    -------
    Path
        The file written.

    Raises
    ------
    InputError
        If a block of the evidence has the wrong shape, or voice or listener are unknown.
    OSError
        If the file cannot be written.

    Examples
    --------
    >>> import tempfile
    >>> from pathlib import Path
    >>> import pandas as pd
    >>> from analysis import analyse, build_report, trials_from
    >>> rows = [
    ...     {"listener": f"P{person}", "stage_a": a, "stage_b": b, "answer": "damped"}
    ...     for person in range(12)
    ...     for a, b in (("damped", "as-built"), ("as-built", "damped"))
    ... ]
    >>> results = analyse(
    ...     trials_from(pd.DataFrame(rows)), without=["groups", "tastes", "resampling"]
    ... )
    >>> page = build_report({"results": results}, Path(tempfile.mkdtemp(), "report.html"))
    >>> page.name, page.read_text(encoding="utf-8").startswith("<!DOCTYPE html>")
    ('report.html', True)
    """
    return _write(render_report(evidence, voice=voice, listener=listener), Path(out_path))


def _write(text: str, path: Path) -> Path:
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


def build_voices(
    evidence: Mapping[str, Any],
    out_dir: str | os.PathLike[str],
    *,
    voices: tuple[str, ...] = ("customer", "researcher", "reviewer"),
    pdf: bool = False,
    paper: str = "a4",
) -> dict[str, Path]:
    """Write several voices of one run, side by side.

    Parameters
    ----------
    evidence : Mapping
        Plain JSON.
    out_dir : path-like
        Folder to write to.
    voices : tuple of str
        Keys of :data:`VOICES`.
    pdf : bool
        Print each page to PDF as well.
    paper : str
        ``a4`` or ``letter``.

    Returns
    -------
    dict of str to Path
        The HTML file of each voice, and ``"<voice> pdf"`` where PDFs were asked for.

    Raises
    ------
    InputError
        As :func:`build_report`; or no browser can print the PDF (the pages are written then).
    """
    written: dict[str, Path] = {}
    page, made = Page(Evidence(evidence)), Made()
    for voice in voices:
        out = Path(out_dir) / _voice(voice).file
        written[voice] = _write(_render(page, voice, None, made), out)
    for voice in voices if pdf else ():
        html = written[voice]
        written[f"{voice} pdf"] = write_pdf(html, html.with_suffix(".pdf"), paper=paper)
    return written
