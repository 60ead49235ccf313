"""The first screen hides nothing inconvenient: failed claims, prices, what was not heard."""

from __future__ import annotations

import html
import re
from typing import Any

import pandas as pd
import pytest

from analysis.report.build import render_report
from analysis.run import analyse
from analysis.tables.trials import trial_table
from helpers.report_example import choose_again


def words(page: str) -> str:
    page = re.sub(r"<(style|svg|title)\b.*?</\1>", " ", page, flags=re.S)
    return re.sub(r"\s+", " ", html.unescape(re.sub(r"<[^>]+>", "", page)))


def section(page: str, key: str) -> str:
    found = re.search(rf'<section id="{key}".*?</section>', page, re.S)
    assert found, key
    return words(found.group(0))


def claim(text: str, kind: str, stages: list[str], verdict: str, **more: Any) -> dict[str, Any]:
    row = {"text": text, "kind": kind, "stages": stages, "verdict": verdict, "who": None}
    return row | {"share": 0.7, "estimate": 0.6, "n_trials": 336, "n_listeners": 16} | more


@pytest.fixture
def steps(decided: dict[str, Any]) -> dict[str, Any]:
    """Two first steps: one helps, the claim on the other failed, their order is open."""
    decided["results"]["claims"] = [
        claim(
            "listeners prefer ceiling over as-found",
            "prefer",
            ["ceiling", "as-found"],
            "supported",
        ),
        claim(
            "listeners prefer damped over as-found",
            "prefer",
            ["damped", "as-found"],
            "contradicted",
        ),
        claim("step ceiling before damped", "step", ["ceiling", "damped"], "undecided", per=None),
        claim("listeners can tell refit from as-found", "hear", ["refit", "as-found"], "undecided"),
        claim(
            "listeners prefer refit over as-found",
            "prefer",
            ["refit", "as-found"],
            "supported",
        ),
    ]
    first = decided["results"]["upgrade"]["first_step"]
    for row, hours, zero in zip(first, (0.2, 0.5), (False, True), strict=True):
        row |= {"per_cost_low": 0.0001, "per_cost_high": 0.002, "includes_zero": zero}
        row |= {"per_hour": hours, "per_hour_low": 0.1, "per_hour_high": 0.9}
    decided["results"]["upgrade"]["order"][1]["includes_zero"] = True
    decided["results"]["upgrade"]["orders"][0]["includes_zero"] = True
    return choose_again(decided)


def test_comparisons_stand_with_what_failed_first(steps: dict[str, Any]) -> None:
    lines = (
        "Against the claim, “As found” is preferred over “Wall damping” (30 % of decisions)",
        "“New loudspeakers” or “Wall damping”: open (70 % of decisions for “New loudspeakers”).",
        "“New loudspeakers” is preferred over “As found” (70 % of decisions).",
    )
    for page, key in (
        (render_report(steps), "short"),
        (render_report(steps, voice="customer"), "card_first"),
    ):
        text = section(page, key)
        places = [text.index(line) for line in lines]
        assert places == sorted(places)


def test_gain_money_and_hours_stand_together(steps: dict[str, Any]) -> None:
    short = section(render_report(steps), "short")
    for column in ("Gain (logits)", "Gain for 100 units of cost", "Gain for an hour of labour"):
        assert column in short
    turned = (
        "Counted by hours of work, “Wall damping” gains more than “New loudspeakers”; "
        "counted by gain alone it is the other way round. Counted by money, the order of the "
        "steps stays the same."
    )
    assert turned in short
    assert turned in section(render_report(steps, voice="customer"), "card_first")


def test_what_is_preferred_and_was_not_told_apart_is_said_wherever_it_stands(
    steps: dict[str, Any],
) -> None:
    said = (
        "Simulated listeners prefer “Walls and ceiling” over “As found”, but the hearing "
        "test did not show that they can tell the two apart."
    )
    page = render_report(steps)
    for key in ("short", "claims", "preference", "discrimination"):
        assert said in section(page, key), key
    assert said in section(render_report(steps, voice="customer"), "card_first")
    assert said in section(render_report(steps, voice="reviewer"), "claims")
    steps["results"]["claims"][3]["verdict"] = "supported"
    assert said not in words(render_report(choose_again(steps)))


def test_intervals_that_include_0_are_marked(steps: dict[str, Any]) -> None:
    page = render_report(steps)
    assert "interval includes 0" in section(page, "short")
    upgrade = section(page, "upgrade")
    assert "Wall damping interval includes 0: 64 %" in upgrade
    assert "a step’s interval includes 0" in upgrade
    assert "it is not shown that the step gains anything" in upgrade


def test_only_answers_that_bear_on_the_sentence_are_counted(lean: dict[str, Any]) -> None:
    answer, about = lean["results"]["answer"], lean["results"]["about"]
    assert answer["question"] == "liked most"
    assert answer["n_trials"] < about["n_trials"]  # the hearing test is left aside
    short = section(render_report(lean), "short")
    assert f"Based on {answer['n_trials']}\u00a0answers" in html.unescape(short).replace(
        " answers", "\u00a0answers"
    )


def test_a_table_without_claims_is_explored_as_one_family() -> None:
    rows = [
        (f"P{k}", "1", n, "paired", *pair, "a" if pair[0] == "damped" else "b")
        for k in range(12)
        for n, pair in enumerate((("as-built", "damped"), ("damped", "as-built")), start=1)
    ]
    names = ["listener", "session", "trial", "method", "stage_a", "stage_b", "answer"]
    results = analyse(
        trial_table(pd.DataFrame(rows, columns=names)), without=["groups", "tastes", "grades"]
    ).to_dict()
    assert results["claims"] == []
    page = render_report({"results": results})
    short = section(page, "short")
    assert "Exploratory, as no claim was given: Listeners prefer “damped” over “as-built”." in short
    assert "all of them are exploratory" in section(page, "family")
    card = section(render_report({"results": results}, voice="customer"), "card_first")
    assert "Exploratory, as no claim was given:" in card
    sheet = section(render_report({"results": results}, voice="reviewer"), "claims")
    assert "all of them are exploratory" in sheet
