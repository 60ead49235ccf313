"""No sentence of a report tells a difference that is too small to matter as a plain one."""

from __future__ import annotations

import html
import re
from typing import Any

import pytest

from analysis.report.build import render_report
from analysis.report.words.numbers import number_text

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
    return lean


def with_best(lean: dict[str, Any], p_best: float) -> dict[str, Any]:
    for row in lean["results"]["preference"]["stages"]:
        row["p_best"] = p_best if row["stage"] == "tuned" else 0.0
    return lean


@pytest.mark.parametrize("voice", [None, "customer", "reviewer"])
def test_the_best_stage_by_too_little(lean: dict[str, Any], voice: str | None) -> None:
    evidence = with_best(declared(lean, 2, SMALL, "no"), 0.99)
    text = visible(render_report(evidence, **({"voice": voice} if voice else {})))
    if "came out best" in text:
        assert NO in text
    if voice != "customer":
        assert "Too small to matter" in text


def test_the_headline_carries_the_remark(lean: dict[str, Any]) -> None:
    assert NO in visible(render_report(with_best(declared(lean, 2, SMALL, "no"), 0.99)))
    assert OPEN in visible(render_report(with_best(declared(lean, 2, "supported", "open"), 0.99)))
    plain = visible(render_report(with_best(declared(lean, 2, "supported", "yes"), 0.99)))
    assert NO not in plain
    assert OPEN not in plain


def test_one_before_the_other_by_too_little_is_no_headline(lean: dict[str, Any]) -> None:
    page = render_report(declared(with_best(lean, 0.2), 1, SMALL, "no"))
    lead = re.search(r'<p class="lead">(.*?)</p>', page, re.S)
    assert lead
    assert "before" not in lead.group(1)
    page = visible(render_report(declared(with_best(lean, 0.2), 1, "supported", "open")))
    assert OPEN in page


def test_a_first_step_by_too_little(lean: dict[str, Any]) -> None:
    lean["results"]["upgrade"] = {"first_step": [{"step": "speakers", "p_best": 0.96}]}
    text = visible(render_report(declared(lean, 1, SMALL, "no")))
    assert "first." in text
    assert NO in text


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
