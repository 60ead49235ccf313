"""The first page for a researcher: question, design, answer, uncertainty, limits."""

from __future__ import annotations

from collections.abc import Sequence

from markupsafe import Markup

from analysis.report.loudness import loudness_warning
from analysis.report.page import Page, PageBlock, Section
from analysis.report.record.methods import design_words, size_words
from analysis.report.sections.answer import bearing_block, lead_blocks, step_figure
from analysis.report.sections.claims import badge, claim_facts, claim_short, family

__all__ = ["summary_section"]


def summary_section(page: Page) -> Section:
    """Make the summary: nothing in it that a later section does not account for."""
    answered = page.results.about is not None
    return page.section(
        "summary",
        [
            *_headed(page, "question", _question(page)),
            *_headed(page, "design", [_joined([*design_words(page), *size_words(page)])]),
            *_headed(page, "answer", [*lead_blocks(page), step_figure(page), bearing_block(page)]),
            *_headed(page, "uncertainty", [_verdicts(page)]),
            *_headed(
                page,
                "limits",
                [loudness_warning(page), page.note("head.scope") if answered else None],
            ),
        ],
    )


def _headed(page: Page, key: str, blocks: Sequence[PageBlock | None]) -> list[PageBlock]:
    kept = [block for block in blocks if block is not None]
    return [PageBlock("heading", page.say(f"sum.{key}")), *kept] if kept else []


def _joined(said: Sequence[Markup]) -> PageBlock | None:
    return PageBlock("para", Markup(" ").join(said)) if said else None


def _question(page: Page) -> list[PageBlock | None]:
    """Say what was to be found out, and whether that was written down beforehand."""
    planned = page.evidence.get("/study/plan/claims")
    if not isinstance(planned, list) or not planned:
        return [page.para("claim.none")]
    about = page.results.about
    sealed = about is None or about.sealed_plan
    claims = page.counted("/study/plan/claims", "claim", "length")
    return [page.para("sum.declared" if sealed else "sum.late", claims=claims)]


def _verdicts(page: Page) -> PageBlock | None:
    """Write every claim with its verdict and its share, a line each."""
    lines = []
    for row in family(page):
        short = claim_short(page, row)
        said = Markup("{}: {}").format(badge(page, claim_facts(page, row)), page.claim(row))
        lines.append(Markup("{}; {}").format(said, short) if short else said)
    return PageBlock("list", lines) if lines else None
