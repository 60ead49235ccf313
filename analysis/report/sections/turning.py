"""What turns a verdict, and whether it holds for music like this."""

from __future__ import annotations

from collections.abc import Sequence

from markupsafe import Markup

from analysis.report.evidence import Row
from analysis.report.page import Page, Section

__all__ = ["other_music", "stable_word", "turning_section", "turning_sentence"]

_DASH = "\u2013"
#: Names of listeners or pieces that a cell spells out.
_MOST_NAMES = 3


def _part(row: Row, key: str) -> Row | None:
    fields = row.get(key)
    return Row(row.at(key), fields) if isinstance(fields, dict) else None


def _variants(row: Row) -> list[Row]:
    block = _part(row, "sensitivity")
    rows = None if block is None else block.get("rows")
    if block is None or not isinstance(rows, list):
        return []
    return [
        Row(block.at("rows", k), fields)
        for k, fields in enumerate(rows)
        if isinstance(fields, dict)
    ]


def _verdict(page: Page, verdict: object) -> Markup:
    """Write a verdict of a claim that may differ from the claim's own."""
    known = str(verdict) if verdict in ("supported", "contradicted", "undecided") else None
    return page.say(f"claim.{known or 'unknown'}", page.about(verdict=known))


def other_music(page: Page, row: Row) -> object:
    """Write the verdict for music like this in a word; a dash where there is none."""
    second = _part(row, "music_like_this")
    if second is None:
        return _DASH
    if second.get("declined_reason"):
        return page.say("turn.declined")
    return _verdict(page, second.get("verdict"))


def turning_word(page: Page, row: Row) -> object:
    """Write what turns a verdict in one line; a dash where nothing was tried."""
    block = _part(row, "sensitivity")
    if block is None:
        return _DASH
    return page.say("turn.stable") if block.get("stable") is True else page.user(block.get("word"))


def stable_word(page: Page, row: Row) -> object:
    """Write in a word whether anything turns a verdict; a dash where nothing was tried."""
    block = _part(row, "sensitivity")
    if block is None:
        return _DASH
    return page.say("turn.stable" if block.get("stable") is True else "turn.below")


def turning_sentence(page: Page, row: Row, *, stable: bool = False) -> Markup | None:
    """Say what turns a verdict; None where nothing was tried.

    With `stable`, also say where nothing that was tried turns it; else None there, too.
    """
    block = _part(row, "sensitivity")
    if block is None or not block.get("word"):
        return None
    if block.get("stable") is True:
        return page.say("turn.by_nothing") if stable else None
    return page.say("turn.by", word=page.user(str(block.get("word")).replace(" %", "\u00a0%")))


def _one(page: Page, row: Row, kind: str) -> object:
    """Write verdict and p of the single variant of a kind."""
    found = [v for v in _variants(row) if v.get("kind") == kind]
    if not found:
        return page.say("turn.no_flag") if kind == "flagged" else _DASH
    said = _verdict(page, found[0].get("verdict"))
    if found[0].number("p_value") is None:
        return said
    return Markup("{}, {} {}").format(said, page.say("turn.p"), page.n(found[0].at("p_value"), "p"))


def _each(page: Page, row: Row, kind: str) -> object:
    """Write who turns a verdict when left out, and between which bounds p then lies."""
    found = [v for v in _variants(row) if v.get("kind") == kind]
    if not found:
        return _DASH
    turned = [v for v in found if v.get("verdict") != row.get("verdict")]
    said = _names(page, turned) if turned else page.say("turn.same")
    known = sorted(
        (v for v in found if v.number("p_value") is not None),
        key=lambda v: v.number("p_value") or 0.0,
    )
    if not known:
        return said
    between = page.numbers.between(known[0].at("p_value"), known[-1].at("p_value"), "p")
    return Markup("{}, {} {}").format(said, page.say("turn.p"), between)


def _names(page: Page, turned: Sequence[Row]) -> Markup:
    names = [str(name) for v in turned for name in (v.get("left_out") or [])]
    shown = Markup(", ").join(page.user(name) for name in names[:_MOST_NAMES])
    more = Markup(" …") if len(names) > _MOST_NAMES else Markup("")
    return page.say("turn.without", names=shown + more)


def turning_section(page: Page) -> Section | None:
    """Make the table of what turns each verdict; None where nothing was tried."""
    rows = [row for row in page.evidence.rows("/results/claims") if _variants(row)]
    if not rows:
        return None
    columns = ["claim", "verdict", "other_music", "answers_once", "no_extremes", "no_flagged"]
    cells = [
        [
            page.claim(row),
            _verdict(page, row.get("verdict")),
            other_music(page, row),
            *(_one(page, row, kind) for kind in ("answers", "extremes", "flagged")),
            *(_each(page, row, kind) for kind in ("one out", "programme")),
            turning_word(page, row),
        ]
        for row in rows
    ]
    columns += ["one_out", "piece_out", "turns"]
    return page.section(
        "turning",
        [
            page.para("turn.lead"),
            page.table(columns, cells, style="words"),
            page.note("turn.rules"),
        ],
    )
