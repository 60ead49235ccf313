"""What turns a verdict, and whether it holds for music like this."""

from __future__ import annotations

from collections.abc import Sequence

from markupsafe import Markup

from analysis.report.page import Page, Section
from analysis.results.claims import ClaimRow, JudgedClaim, OtherMusic, Sensitivity, VariantRow

__all__ = ["music_of", "other_music", "stable_word", "turning_section", "turning_sentence"]

_DASH = "\u2013"
#: Names of listeners or pieces that a cell spells out.
_MOST_NAMES = 3


def sensitivity_of(row: ClaimRow) -> Sensitivity | None:
    """Return what turns the verdict of a claim; None where nothing was tried."""
    return row.sensitivity if isinstance(row, JudgedClaim) else None


def music_of(row: ClaimRow) -> OtherMusic | None:
    """Return the verdict of a claim for music like this; None where there is none."""
    return row.music_like_this if isinstance(row, JudgedClaim) else None


def _variants(row: ClaimRow) -> tuple[VariantRow, ...]:
    block = sensitivity_of(row)
    return () if block is None else block.rows


def _verdict(page: Page, verdict: str) -> Markup:
    """Write a verdict of a claim that may differ from the claim's own."""
    known = verdict if verdict in ("supported", "contradicted", "undecided") else None
    return page.say(f"claim.{known or 'unknown'}", page.about(verdict=known))


def other_music(page: Page, row: ClaimRow) -> object:
    """Write the verdict for music like this in a word; a dash where there is none."""
    second = music_of(row)
    if second is None:
        return _DASH
    if second.declined_reason:
        return page.say("turn.declined")
    return _verdict(page, second.verdict)


def turning_word(page: Page, row: ClaimRow) -> object:
    """Write what turns a verdict in one line; a dash where nothing was tried."""
    block = sensitivity_of(row)
    if block is None:
        return _DASH
    return page.say("turn.stable") if block.stable else page.user(block.word)


def stable_word(page: Page, row: ClaimRow) -> object:
    """Write in a word whether anything turns a verdict; a dash where nothing was tried."""
    block = sensitivity_of(row)
    if block is None:
        return _DASH
    return page.say("turn.stable" if block.stable else "turn.below")


def turning_sentence(page: Page, row: ClaimRow, *, stable: bool = False) -> Markup | None:
    """Say what turns a verdict; None where nothing was tried.

    With `stable`, also say where nothing that was tried turns it; else None there, too.
    """
    block = sensitivity_of(row)
    if block is None or not block.word:
        return None
    if block.stable:
        return page.say("turn.by_nothing") if stable else None
    return page.say("turn.by", word=page.user(block.word.replace(" %", "\u00a0%")))


def _one(page: Page, row: ClaimRow, kind: str) -> object:
    """Write verdict and p of the single variant of a kind."""
    found = [v for v in _variants(row) if v.kind == kind]
    if not found:
        return page.say("turn.no_flag") if kind == "flagged" else _DASH
    said = _verdict(page, found[0].verdict)
    if found[0].p_value is None:
        return said
    p = page.n(page.at(found[0]).p_value, "p")
    return Markup("{}, {} {}").format(said, page.say("turn.p"), p)


def _each(page: Page, row: ClaimRow, kind: str) -> object:
    """Write who turns a verdict when left out, and between which bounds p then lies."""
    found = [v for v in _variants(row) if v.kind == kind]
    if not found:
        return _DASH
    turned = [v for v in found if v.verdict != row.verdict]
    said = _names(page, turned) if turned else page.say("turn.same")
    known = sorted(
        (v for v in found if v.p_value is not None),
        key=lambda v: v.p_value or 0.0,
    )
    if not known:
        return said
    between = page.interval(page.at(known[0]).p_value, page.at(known[-1]).p_value, "p")
    return Markup("{}, {} {}").format(said, page.say("turn.p"), between)


def _names(page: Page, turned: Sequence[VariantRow]) -> Markup:
    names = [name for v in turned for name in v.left_out]
    shown = Markup(", ").join(page.user(name) for name in names[:_MOST_NAMES])
    more = Markup(" …") if len(names) > _MOST_NAMES else Markup("")
    return page.say("turn.without", names=shown + more)


def turning_section(page: Page) -> Section | None:
    """Make the table of what turns each verdict; None where nothing was tried."""
    rows = [row for row in page.results.claims if _variants(row)]
    if not rows:
        return None
    columns = ["claim", "verdict", "other_music", "answers_once", "no_extremes", "no_flagged"]
    cells = [
        [
            page.claim(row),
            _verdict(page, row.verdict),
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
