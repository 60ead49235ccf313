"""Texts that people typed, shown on a page as they typed them.

The pages' server takes what it shows for Markdown, with formulas, emoji names and arrows on top: a
title with two prices would become a formula, and the underlines of a file's name italics.
"""

from __future__ import annotations

import re

import streamlit as st

__all__ = ["as_code", "as_typed", "show_error"]

# A character reference is never taken for a mark (CommonMark 0.31, section 2.5). A colon matters
# only before a word, some characters only where a line begins.
_MARKS = re.compile(
    r"[\\`*_\[\]<&$~]"
    r"|:(?=\S)"
    r"|^[ \t]*(?:[#>+=|-]|[0-9]+[.)])",
    re.MULTILINE,
)
# These are replaced after the text was read, wherever they stand between blanks.
_REPLACED = re.compile(r"(?<!\S)(<->|->|<-|--|>=|<=|~=)(?!\S)|:streamlit:")
_NOTHING = "\u2060"  # joins two letters, takes no room


def as_typed(text: object) -> str:
    """Return Markdown that shows a text as it is.

    Examples
    --------
    >>> as_typed("From $500 to $900, *now*")
    'From &#36;500 to &#36;900, &#42;now&#42;'
    """
    plain = _REPLACED.sub(lambda found: found[0][0] + _NOTHING + found[0][1:], str(text))
    lines = _MARKS.sub(_reference, plain).split("\n")
    return "\\\n".join(line.strip() for line in lines if line.strip())


def _reference(found: re.Match[str]) -> str:
    before, mark = found[0][:-1], found[0][-1]
    return f"{before}&#{ord(mark)};"


def as_code(text: str) -> str:
    """Return Markdown that shows a text as code, with as many backticks round it as it takes."""
    longest = max(map(len, re.findall("`+", text)), default=0)
    fence = "`" * (longest + 1)
    space = " " if longest else ""
    return f"{fence}{space}{text}{space}{fence}"


def show_error(error: object, *, lead: str = "") -> None:
    """Show what went wrong in its own words, behind a sentence of the page's."""
    st.error(f"{lead} {as_typed(error)}".strip())
