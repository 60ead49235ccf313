"""The customer's card: what was heard, what was chosen, how sure, what first, what it costs."""

from __future__ import annotations

import re
from collections.abc import Sequence

from markupsafe import Markup

from analysis.report.loudness import agrees, loudness_warning
from analysis.report.page import Page, PageBlock, Section
from analysis.report.sections.answer import (
    bearing_block,
    comparison_lines,
    lead_blocks,
    step_figure,
)
from analysis.report.sections.chosen import choice_bars
from analysis.report.sections.claims import unheard_words
from analysis.results.hearing import HearingRow

__all__ = ["card_caption", "card_sections", "type_size_pt"]


def _played(page: Page) -> Section:
    preference, count = page.results.preference, None
    if page.evidence.get("/study/stages"):
        count = page.counted("/study/stages", "version", "length")
    elif preference is not None and preference.stages:
        count = page.counted(page.at(preference).stages, "version", "length")
    apart = "" if agrees(page) else "_apart"
    return page.section(
        "card_played",
        [
            page.para(f"card.played{apart}", versions=count)
            if count
            else page.para(f"card.played_bare{apart}"),
            loudness_warning(page),
        ],
    )


def _own(page: Page, listener: str) -> list[HearingRow]:
    rows = page.results.discrimination
    return [r for r in rows if r.listener == listener and r.programme is None]


def _own_repeats(page: Page, listener: str) -> PageBlock | None:
    for row in () if page.results.reliability is None else page.results.reliability.listeners:
        if row.listener == listener and row.repeat_agreement is not None:
            return page.para(
                "card.you_repeat",
                share=page.n(page.at(row).repeat_agreement, "percent"),
                times=page.counted(page.at(row).n_repeats, "question"),
            )
    return None


def _you_heard(page: Page, listener: str) -> Section:
    lines = [
        page.say(
            "card.you_right",
            pair=page.pair(row),
            right=page.n(page.at(row).n_correct, "count"),
            of=page.counted(page.at(row).n_trials, "time"),
            rarely=page.n(page.at(row).p_value, "one_in"),
        )
        for row in _own(page, listener)
    ]
    blocks = [PageBlock("list", lines), page.note("card.you_note")] if lines else []
    return page.section("card_you", [*(blocks or [page.para("card.you_none")])])


def _heard(page: Page) -> Section:
    lines = comparison_lines(page, ("hear",))
    if not lines:
        asked = bool(page.results.discrimination)
        return page.section("card_heard", [page.para("card.elsewhere" if asked else "disc.none")])
    about = page.results.about
    matters = about is not None and about.smallest_effect is not None
    small = page.note("card.matters") if matters else None
    return page.section("card_heard", [PageBlock("list", lines), page.note("card.guess"), small])


def _chosen(page: Page, listener: str | None) -> Section:
    preference = page.results.preference
    rows = () if preference is None else preference.stages
    known = [row for row in rows if row.worth is not None]
    repeats = _own_repeats(page, listener) if listener else None
    if not known:
        return page.section("card_chosen", [page.para("pref.none"), repeats])
    own = choice_bars(page, listener) if listener else None
    bars = own or choice_bars(page, None)
    said = page.para("card.you_chosen" if own else "card.chosen") if bars else None
    return page.section("card_chosen", [said, bars, repeats])


def _first(page: Page) -> Section:
    lines = [*comparison_lines(page, ("prefer", "most", "other")), *unheard_words(page)]
    liked = page.results.answer is not None and page.results.answer.question == "liked most"
    return page.section(
        "card_first",
        [
            *lead_blocks(page),
            step_figure(page),
            PageBlock("list", lines) if lines else None,
            bearing_block(page),
            page.note("head.no_order") if liked else None,
        ],
    )


def _mind(page: Page) -> Section:
    keys = ("card.tonal", "card.work", "card.ears")
    return page.section("card_mind", [PageBlock("list", [page.say(key) for key in keys])])


def card_sections(page: Page, listener: str | None = None) -> list[Section]:
    """Make the card, for one listener or for the whole panel."""
    heard = _you_heard(page, listener) if listener else _heard(page)
    return [_first(page), heard, _chosen(page, listener), _played(page), _mind(page)]


# A page as the lengths below count it: letters of a sans-serif are about this wide and lines this
# high, in parts of the type size. They count a little too much, so that this is more than letter
# paper less its margins; the tests print both papers.
_PAGE_PT = (510.0, 775.0)
_LETTER, _BOLD, _LINE = 0.56, 0.64, 1.3
_SIZES_PT = (14.0, 13.5, 13.0, 12.5, 12.0, 11.5, 11.0, 10.5, 10.0, 9.5, 9.0)


def type_size_pt(sections: Sequence[Section], title: str, *, marked: bool) -> float:
    """Return the largest type in which the card stays on one printed page."""
    fits = (
        size
        for size in _SIZES_PT
        if _height_pt(sections, title, size, marked=marked) <= _PAGE_PT[1]
    )
    return next(fits, _SIZES_PT[-1])


def _height_pt(sections: Sequence[Section], title: str, size: float, *, marked: bool) -> float:
    def lines(
        text: object, *, scale: float = 1.0, wide: float = _LETTER, part: float = 1.0
    ) -> float:
        letters = len(Markup(str(text)).striptags())
        row = part * _PAGE_PT[0] / (wide * size * scale)
        return -(-letters // row) * _LINE * size * scale

    height = lines(title, wide=_BOLD) + 1.3 * size + (3.2 * size if marked else 0.0)
    for section in sections:
        height += 1.5 * size + 9.0
        for block in section.blocks:
            if block.kind == "bars":
                rows = (lines(item["label"], scale=0.93, part=0.3) for item in block.content)
                height += sum(rows) + 0.3 * size
            elif block.kind == "list":
                height += sum(lines(item, part=0.96) + 0.1 * size for item in block.content)
            elif block.kind == "figure":
                height += _figure_pt(block) + lines(_words_of(block.caption), scale=0.86)
            elif block.style == "lead":
                height += lines(block.content, scale=1.6, wide=_BOLD)
            else:
                scale = 0.86 if block.style in ("note", "kicker") else 1.0
                height += lines(block.content, scale=scale) + 0.1 * size
    return height


# Width of a printed figure; see the style sheet.
_FIGURE_PT = 10 / 2.54 * 72


def _figure_pt(block: PageBlock) -> float:
    """Return how high a figure is printed."""
    found = re.search(r'viewBox="\S+ \S+ (\S+) (\S+)"', str(block.content))
    width, height = map(float, found.groups()) if found else (4.0, 3.0)
    return _FIGURE_PT * height / width


def _words_of(caption: object) -> Markup:
    return Markup(" ").join(caption) if isinstance(caption, list) else Markup(caption or "")


def card_caption(page: Page, listener: str | None) -> Markup:
    """Say whose card it is."""
    if listener:
        return page.say("card.for_listener", listener=page.user(listener))
    return page.say("card.for_panel")
