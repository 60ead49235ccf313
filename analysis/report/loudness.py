"""Where versions are equally loud in one model only: on first screen, card and claims."""

from __future__ import annotations

from markupsafe import Markup

from analysis.report.evidence import Row
from analysis.report.page import Page, PageBlock
from analysis.report.words.sentences import SENTENCES

__all__ = ["agrees", "loudness_of_claim", "loudness_warning", "model_name"]

_APART = "/level_apart"


def agrees(page: Page) -> bool:
    """Whether every further model of loudness agrees that the versions are equally loud."""
    return page.evidence.get(_APART) == []


def loudness_warning(page: Page) -> PageBlock | None:
    """Name the versions that another model sets furthest apart, and by how much."""
    rows = page.evidence.rows(_APART)
    return page.warning("lev.apart", **_words(page, rows[0])) if rows else None


def loudness_of_claim(page: Page, stages: tuple[str, ...]) -> list[Markup]:
    """Say of the versions of a claim how far another model of loudness sets them apart."""
    named = set(stages)
    about = [
        row
        for row in page.evidence.rows(_APART)
        if {str(row.get("louder")), str(row.get("softer"))} == named
        or (len(named) == 1 and named & {str(row.get("louder")), str(row.get("softer"))})
    ]
    return [page.say("lev.claim", **_words(page, about[0]))] if about else []


def _words(page: Page, row: Row) -> dict[str, object]:
    return {
        "louder": page.quoted(row.get("louder")),
        "softer": page.quoted(row.get("softer")),
        "apart": page.n(row.at("apart_lu"), "lu_apart"),
        "programme": page.user(row.get("programme") or ""),
        "model": page.user(model_name(page, str(row.get("model")))),
    }


def model_name(page: Page, model: str) -> str:
    """Return a loudness model in words; its own name where it has none here."""
    return page.name(f"model.{model}") if f"model.{model}" in SENTENCES else model
