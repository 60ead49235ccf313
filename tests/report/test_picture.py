"""The picture of a first screen, claims of one line, contents, and pages without a watermark."""

from __future__ import annotations

import html
import re
from typing import Any

import numpy as np
import pandas as pd
import pytest

from analysis import trials_from
from analysis.answer.block import choose_answer
from analysis.answer.family import Design
from analysis.claims.judge import judge_claims
from analysis.report.build import render_report
from helpers.report_example import choose_again
from helpers.whole_rows import whole_results

DESIGN = Design(
    compared=("bare", "damped", "both"),
    made=(),
    baseline="bare",
    first_steps=("damped",),
    asked=(("bare", "damped"),),
)


def row(kind: str, stages: list[str], verdict: str) -> dict[str, Any]:
    return {"kind": kind, "stages": stages, "verdict": verdict, "who": None, "text": kind}


def picture(*claims: dict[str, Any]) -> list[dict[str, Any]]:
    order = [
        {"step": "damped", "from_stage": "bare", "gain": 0.0, "gain_low": -1.0, "gain_high": 1.0},
        {"step": "both", "from_stage": "damped", "gain": 1.0, "gain_low": 0.5, "gain_high": 1.5},
    ]
    answer = choose_answer(claims, DESIGN, exploratory=False, upgrade={"order": order})
    return answer["picture"]


def test_every_step_is_held_against_what_was_there_before() -> None:
    damped, both = picture(row("prefer", ["damped", "bare"], "undecided"))
    assert (damped["before"], both["before"]) == ("bare", "damped")
    assert damped["share"] == 0.5
    # 1/(1 + e^-1) = 0.7311, worked out by hand
    assert both["share"] == pytest.approx(0.7311, abs=5e-5)
    assert both["share_low"] < both["share"] < both["share_high"]


@pytest.mark.parametrize(
    ("verdict", "said"),
    [
        ("supported", "shown"),
        ("contradicted", "against"),
        ("undecided", "open"),
        ("too small to matter", "small"),
    ],
)
def test_a_preference_in_the_picture_is_the_verdict_of_a_claim(verdict: str, said: str) -> None:
    damped, both = picture(row("prefer", ["damped", "bare"], verdict))
    assert damped["preferred"] == said
    assert both["preferred"] == "not claimed"


def test_telling_apart_in_the_picture_is_the_verdict_of_a_claim() -> None:
    preferred = row("prefer", ["damped", "bare"], "supported")
    for verdict, said in (("supported", "shown"), ("undecided", "open")):
        damped, both = picture(preferred, row("hear", ["damped", "bare"], verdict))
        assert (damped["heard"], both["heard"]) == (said, "not claimed")


def test_without_a_question_of_steps_there_is_no_picture() -> None:
    design = Design(("bare", "damped"), (), None, (), ())
    claims = [row("prefer", ["damped", "bare"], "supported")]
    assert choose_answer(claims, design, exploratory=False)["picture"] == []


def svg_of(page: str) -> str:
    short = page[page.index('<section id="short"') : page.index('<section id="claims"')]
    found = re.search(r"<svg.*?</svg>", short, re.S)
    assert found
    return found.group(0)


@pytest.fixture
def stepped(decided: dict[str, Any]) -> dict[str, Any]:
    """Return what the first screen needs, since every other figure takes a second to draw."""
    kept = ("about", "answer", "claims", "discrimination", "upgrade")
    decided["results"] = {key: decided["results"][key] for key in kept}
    claims = [row("prefer", ["ceiling", "as-found"], "supported")]
    decided["results"]["claims"] = [
        claim | {"text": "listeners prefer ceiling over as-found", "p_value": 0.01}
        for claim in claims
    ]
    whole_results(decided["results"])
    return choose_again(decided)


def test_only_a_shown_preference_is_drawn_filled(stepped: dict[str, Any]) -> None:
    shown = svg_of(render_report(stepped))
    # one filled mark and two rings, whose inside has the colour of the paper
    assert shown.count("fill: var(--paper)") == 2
    stepped["results"]["claims"][0]["verdict"] = "undecided"
    page = render_report(choose_again(stepped))
    assert svg_of(page).count("fill: var(--paper)") == 3
    assert "no claim shows a preference here" in page


def test_the_picture_stands_on_the_card_and_the_first_page_for_researchers(
    stepped: dict[str, Any],
) -> None:
    for voice in ("full", "customer", "researcher"):
        page = render_report(stepped, voice=voice)
        caption = re.search(r"<figcaption>(.*?)</figcaption>", page, re.S)
        assert caption, voice
        said = html.unescape(re.sub(r"<[^>]+>", "", caption.group(1)))
        assert said.startswith(("Do ", "“New loudspeakers” helps", "Which step")), voice


def test_the_marks_of_a_rehearsal_cross_no_label(stepped: dict[str, Any]) -> None:
    page = render_report(stepped)
    assert "SIMULATED REHEARSAL" in svg_of(page)
    assert "rotate(-14" not in svg_of(page)


def test_a_claim_is_one_line_with_the_names_of_the_stages(lean: dict[str, Any]) -> None:
    judged = {
        "text": "listeners prefer ceiling over damped",
        "parts": ["Listeners prefer ", "ceiling", " over ", "damped", ""],
        "kind": "prefer",
        "stages": ["ceiling", "damped"],
        "verdict": "undecided",
        "share": 0.61,
        "share_low": 0.47,
        "share_high": 0.74,
        "statistic": 1.64,
        "p_value": 0.11,
    }
    lean["results"]["claims"] = [judged]
    whole_results(lean["results"])
    page = render_report(choose_again(lean))
    line = re.search(r'<p class="claim">.*?</p>', page, re.S)
    assert line
    said = html.unescape(re.sub(r"\s+", " ", re.sub(r"<[^>]+>", "", line.group(0))))
    assert "Listeners prefer “New loudspeakers” over “Wall damping”" in said
    assert "61\u00a0% of decisions (47\u00a0% to 74\u00a0%)" in said.replace(" %", "\u00a0%")
    folded = re.search(r"<details>.*?</details>", page, re.S)
    assert folded
    assert "t of the share of decisions against an even split" in folded.group(0)
    assert "listeners prefer ceiling over damped" in folded.group(0)  # as it was written


def test_the_table_of_contents_leads_to_every_section(stepped: dict[str, Any]) -> None:
    page = render_report(stepped)
    contents = re.search(r'<nav class="contents".*?</nav>', page, re.S)
    assert contents
    linked = re.findall(r'href="#([^"]+)"', contents.group(0))
    assert linked == re.findall(r'<section id="([^"]+)"', page)
    assert '<nav class="contents"' not in render_report(stepped, voice="reviewer")


def test_a_claim_gives_its_share_with_the_interval_of_its_test() -> None:
    rng = np.random.default_rng(4)
    first = np.tile(["i", "j"], 48)
    liked = np.where(rng.random(96) < 0.7, "i", "j")
    frame = pd.DataFrame(
        {
            "listener": np.repeat([f"P{k}" for k in range(12)], 8),
            "stage_a": first,
            "stage_b": np.where(first == "i", "j", "i"),
            "answer": np.where(liked == first, "a", "b"),
        }
    )
    (claim,) = judge_claims(["listeners prefer i over j"], trials_from(frame))
    assert claim["share"] == pytest.approx((liked == "i").mean())
    assert claim["share_low"] < claim["share"] < claim["share_high"]
    assert (claim["share_low"] > 0.5) == (claim["p_value"] < 0.05)
