"""No sentence of a report tells a difference that is too small to matter as a plain one."""

from __future__ import annotations

import html
import re
from typing import Any

import pytest

from analysis.report.build import render_report
from analysis.report.words.numbers import number_text
from helpers.report_example import choose_again

SMALL = "too small to matter"
NO = "But the claims show a difference here that is too small to matter"
OPEN = "Whether that is large enough to matter by the plan has not been shown."


def visible(page: str) -> str:
    text = re.sub(r"<(style|script).*?</\1>", " ", page, flags=re.S)
    return re.sub(r"\s+", " ", html.unescape(re.sub(r"<[^>]+>", " ", text)))


def declared(lean: dict[str, Any], index: int, verdict: str, matters: str) -> dict[str, Any]:
    lean["study"]["plan"]["smallest_effect"] = 5.0
    lean["results"]["about"]["smallest_effect"] = 0.05
    for row in lean["results"]["claims"]:
        row["verdict"], row["matters"] = "undecided", "open"
    lean["results"]["claims"][index] |= {"verdict": verdict, "matters": matters}
    return choose_again(lean)


@pytest.mark.parametrize("voice", [None, "customer", "reviewer"])
def test_the_best_stage_by_too_little(lean: dict[str, Any], voice: str | None) -> None:
    evidence = declared(lean, 2, SMALL, "no")
    text = visible(render_report(evidence, **({"voice": voice} if voice else {})))
    assert "is liked best" not in text
    if voice != "customer":
        assert "Too small to matter" in text
    if voice != "reviewer":
        assert NO in text


def test_the_headline_carries_the_remark(lean: dict[str, Any]) -> None:
    assert NO in visible(render_report(declared(lean, 2, SMALL, "no")))
    assert OPEN in visible(render_report(declared(lean, 2, "supported", "open")))
    plain = visible(render_report(declared(lean, 2, "supported", "yes")))
    assert NO not in plain
    assert OPEN not in plain


def test_one_before_the_other_by_too_little_is_no_headline(decided: dict[str, Any]) -> None:
    page = render_report(declared(decided, 1, SMALL, "no"))
    lead = re.search(r'<p class="lead">(.*?)</p>', page, re.S)
    assert lead
    assert "open" in lead.group(1)
    assert NO in visible(page)
    page = render_report(declared(decided, 1, "supported", "open"))
    lead = re.search(r'<p class="lead">(.*?)</p>', page, re.S)
    assert lead
    assert "before" in lead.group(1)
    assert OPEN in visible(page)


def test_open_sizes_stand_in_the_badge(lean: dict[str, Any]) -> None:
    evidence = declared(lean, 0, "supported", "open")
    for voice in ("researcher", "reviewer"):
        text = visible(render_report(evidence, voice=voice))
        assert "Supported; whether it matters is open" in text
        assert "The smallest effect that matters: 5 points of decisions" in text


def test_plan_and_practice_are_compared(lean: dict[str, Any]) -> None:
    evidence = declared(lean, 0, "supported", "yes")
    text = visible(render_report(evidence, voice="reviewer"))
    assert "Smallest effect that matters 5 points of decisions 5 points of decisions" in text
    evidence["results"]["about"]["smallest_effect"] = None
    text = visible(render_report(evidence, voice="reviewer"))
    assert "Smallest effect that matters 5 points of decisions none" in text


@pytest.mark.parametrize(
    ("value", "text"),
    [(0.5003, "50.03"), (0.49996, "49.996"), (0.503, "50.3"), (0.5, "50"), (0.42, "42")],
)
def test_a_share_never_passes_for_one_half(value: float, text: str) -> None:
    assert number_text(value, "percent") == f"{text}\u00a0%"
