"""Claims in the report: what they hold for, their own level, figures that read."""

from __future__ import annotations

import html
import re
from typing import Any

import pytest

from analysis.report.build import render_report
from analysis.report.words.numbers import number_text
from helpers.report_example import choose_again

Claim = dict[str, Any]


def claim(**more: Any) -> Claim:
    row = {
        "text": "step ceiling before damped for its cost",
        "kind": "step",
        "stages": ["ceiling", "damped"],
        "who": None,
        "verdict": "supported",
        "test": "two-sided t between listeners on the difference of first-step gains",
        "statistic": 2.4,
        "df": 15.0,
        "estimate": 0.002547,
        "ci_low": 0.00041,
        "ci_high": 0.0047,
        "per": "cost",
        "p_value": 0.02,
        "p_holm": 0.02,
        "alpha": 0.05,
        "n_listeners": 16,
        "n_trials": 240,
        "needs": None,
        "words": "As a first step ceiling gains more per unit of cost than damped.",
        "conditions": "Holds for rendered tonal balance, on headphones, this piece (kite-street), "
        "these listeners (16). Not for distortion, noise, space, other seats or other music.",
    }
    return row | more


def shown(evidence: dict[str, Any], *claims: Claim) -> str:
    evidence["results"]["claims"] = list(claims)
    page = render_report(choose_again(evidence))
    text = re.sub(r"<[^>]+>", "", page[page.index('<ol class="claims">') :].split("</ol>")[0])
    return re.sub(r"\s+", " ", html.unescape(text))


def test_a_verdict_says_what_it_holds_for(lean: dict[str, Any]) -> None:
    assert "Holds for rendered tonal balance, on headphones, this piece" in shown(lean, claim())


def test_gains_by_cost_are_told_for_a_hundred_units(lean: dict[str, Any]) -> None:
    text = shown(lean, claim())
    assert "(logits for 100 units of cost): +0.255." in text
    assert "+0.041 to +0.47" in text
    assert "0.00" not in text


@pytest.mark.parametrize(
    ("value", "text"),
    [(0.00004165, "+0.00417"), (-0.0125, "\u22121.25"), (0.0, "0"), (3.2, "+320")],
)
def test_gains_by_cost_keep_three_figures(value: float, text: str) -> None:
    assert number_text(value, "per_hundred") == text


def test_gains_by_hour_and_at_once_are_logits(lean: dict[str, Any]) -> None:
    hours = claim(estimate=0.42, ci_low=0.1, ci_high=0.74, per="labour")
    assert "(logits for an hour of labour): +0.42." in shown(lean, hours)
    plain = claim(estimate=0.42, ci_low=0.1, ci_high=0.74, per=None)
    assert "Difference of gains (logits): +0.42." in shown(lean, plain)


def test_a_level_of_its_own_is_said(lean: dict[str, Any]) -> None:
    assert "Level set in the sentence: 0.01." in shown(lean, claim(alpha=0.01))
    assert "Level set in the sentence" not in shown(lean, claim())


def test_no_headline_rests_on_a_claim_about_some_listeners(decided: dict[str, Any]) -> None:
    own = {"text": "listeners prefer ceiling over damped", "kind": "prefer", "per": None}
    decided["results"]["claims"] = [claim(**own)]
    everyone = render_report(choose_again(decided))
    some = claim(**own | {"text": f"{own['text']} among players"}, who="players")
    decided["results"]["claims"] = [some]
    group = render_report(choose_again(decided))
    lead = re.compile(r'<p class="lead">(.*?)</p>', re.S)
    assert "before" in lead.search(everyone).group(1)
    assert "before" not in lead.search(group).group(1)


def test_the_reviewer_sees_the_same_figures_and_conditions(lean: dict[str, Any]) -> None:
    open_one = claim(
        text="listeners prefer aligned most among players",
        kind="most",
        who="players",
        per=None,
        verdict="undecided",
        estimate=0.3,
        ci_low=-0.1,
        ci_high=0.7,
        needs="among players, a new study of about 40 listeners",
        conditions="Holds for rendered tonal balance, on headphones, these players.",
    )
    lean["results"]["claims"] = [claim(), open_one]
    page = render_report(choose_again(lean), voice="reviewer")
    found = re.search(r'<section id="claims".*?</section>', page, re.S)
    assert found
    text = re.sub(r"\s+", " ", html.unescape(re.sub(r"<[^>]+>", " ", found.group(0))))
    assert "(logits for 100 units of cost): +0.255" in re.sub(r" +([):])", r"\1", text)
    assert "+0.041 to +0.47" in text
    assert "damped for its cost : Holds for rendered" in text or "cost: Holds for rendered" in text
    assert "these players." in text
    assert "To decide it: among players, a new study of about 40 listeners" in text
