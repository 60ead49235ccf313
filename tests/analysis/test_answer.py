"""What first screens say: only what claims decided, and still something where there is something.

The long runs are ``tests/bench/calibration_sentences.py``.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from analysis.answer.block import answer_block, choose_answer, sentences_of
from analysis.answer.family import Design, asks_already, default_claims, design_of, step_claims
from analysis.answer.prices import price_orders
from analysis.claims.finding import Claim
from analysis.claims.grammar import parse_claim
from analysis.claims.judge import Heard
from analysis.tables.stages import stage_table
from analysis.tables.trials import trial_table

sys.path.insert(0, str(Path(__file__).parents[1] / "bench"))  # for the panels of the calibration

from calibration_sentences import PAGES, Page, false_sentences, sentences

TWO = Design(("none", "a", "b", "ab"), (), "none", ("a", "b"))


def row(text: str, verdict: str = "supported", **more: Any) -> dict[str, Any]:
    claim = parse_claim(text)
    per = claim.names[0] if claim.kind == "step" and claim.names else None
    judged = {"text": text, "kind": claim.kind, "stages": list(claim.stages), "who": claim.who}
    return judged | {"verdict": verdict, "per": per, "share": 0.7} | more


def chosen(*rows: dict[str, Any], design: Design = TWO, **more: Any) -> dict[str, Any]:
    return choose_answer(rows, design, exploratory=False, **more)


# panels that guess ----------------------------------------------------------------------


def wrong_pages(name: str, listeners: int, n: int = 40) -> int:
    """Count panels of whom some page says something false; the seeds are fixed."""
    page = PAGES[name]
    said = (sentences(page, listeners, np.random.default_rng(300 + k)) for k in range(n))
    return sum(bool(false_sentences(page, one)) for one in said)


# 40 panels at 5 %: more than six in 0.34 % of runs (sum of C(40,k) 0.05^k 0.95^(40-k), k > 6); the
# seeds are fixed. The smallest of many p-values told 13 of 40 such panels "told apart", and shares
# of resampled panels named a best first step in 18 of 40 in which both were alike.
@pytest.mark.parametrize("listeners", [8, 16, 40])
@pytest.mark.parametrize(
    "name",
    [
        "guess, 3 pairs x 3 pieces",
        "no liking, two first steps",
        "both steps alike, better",
        "both steps alike, better, declared",
        "nothing heard or liked, 12 claims",
    ],
)
def test_pages_of_null_panels_are_seldom_wrong(name: str, listeners: int) -> None:
    assert wrong_pages(name, listeners) <= 6


@pytest.mark.parametrize(
    ("page", "key", "least"),
    [
        (Page(heard={("a", "b"): 0.4}), "answer.hears", 18),
        (Page((0, 2.0, 0.3, 2.3), factors=("00", "10", "01", "11")), "answer.first", 14),
        (Page((0, 1.6, 1.6, 2.4), factors=("00", "10", "01", "11")), "answer.both_help", 14),
        (Page((0, 0.3, 0.5, 2.0)), "answer.best", 14),
    ],
)
def test_what_is_true_and_large_is_said(page: Page, key: str, least: int) -> None:
    said = [sentences(page, 24, np.random.default_rng(k)) for k in range(20)]
    assert sum(any(one.say == key for one in each) for each in said) >= least


# the family of a design -----------------------------------------------------------------


def test_the_family_follows_from_the_design_alone() -> None:
    asked = Design(TWO.compared, (), "none", ("a", "b"), (("none", "a"),))
    assert [claim.text for claim in default_claims(asked)] == [
        "listeners can tell a from none",
        "listeners prefer a over none",
        "listeners prefer b over none",
        "step a before b",
    ]
    liked = [claim.text for claim in default_claims(Design(("x", "y", "z")))]
    assert liked == [f"listeners prefer {stage} most" for stage in "xyz"]
    assert [c.text for c in default_claims(Design(("x", "y")))] == ["listeners prefer x over y"]


def test_many_first_steps_make_as_many_claims() -> None:
    texts = [claim.text for claim in step_claims(("a", "b", "c"))]
    assert texts == [
        "listeners prefer a most of b and c",
        "listeners prefer b most of a and c",
        "listeners prefer c most of a and b",
    ]
    assert all(
        parse_claim(text) == claim for text, claim in zip(texts, step_claims("abc"), strict=True)
    )
    assert step_claims(("a",)) == []


def test_stages_without_factors_or_prices_are_no_steps() -> None:
    frame = pd.DataFrame(
        {
            "listener": [f"P{k}" for k in range(8) for _ in range(2)],
            "session": "1",
            "trial": [1, 2] * 8,
            "method": "paired",
            "stage_a": ["x", "y"] * 8,
            "stage_b": ["y", "x"] * 8,
            "answer": ["a", "b"] * 8,
        }
    )
    heard = Heard.of(trial_table(frame))
    bare = stage_table(pd.DataFrame({"stage": ["x", "y"]}))
    priced = stage_table(pd.DataFrame({"stage": ["x", "y"], "cost": [0.0, 90.0]}))
    assert design_of(heard.preference, heard.cells, bare).baseline is None
    found = design_of(heard.preference, heard.cells, priced)
    assert (found.baseline, found.first_steps) == ("x", ("y",))


def test_names_with_spaces_are_judged_without_being_parsed() -> None:
    rows = [
        (f"P{k}", "1", n, "paired", *pair, "a" if pair[0] == "New one" else "b")
        for k in range(12)
        for n, pair in enumerate((("As built", "New one"), ("New one", "As built")), start=1)
    ]
    names = ["listener", "session", "trial", "method", "stage_a", "stage_b", "answer"]
    heard = Heard.of(trial_table(pd.DataFrame(rows, columns=names)))
    answer = answer_block([], heard)
    assert answer["exploratory"]
    assert answer["lead"]["say"] == "answer.prefers"
    assert answer["lead"]["asserts"] == [["prefer", "New one", "As built"]]
    assert (answer["n_trials"], answer["n_listeners"]) == (24, 12)


# sentences ------------------------------------------------------------------------------


def test_what_is_open_is_said_with_what_is_known() -> None:
    rows = (
        row("listeners prefer a over none"),
        row("listeners prefer b over none"),
        row("step a before b", "undecided"),
    )
    steps = [{"step": "a", "p_best": 0.93, "gain": 1.0}, {"step": "b", "p_best": 0.07, "gain": 0.4}]
    answer = chosen(*rows, upgrade={"first_step": steps})
    assert answer["lead"]["say"] == "answer.both_help"
    assert answer["lead"]["claims"] == [0, 1]
    (known,) = answer["beside"]
    assert (known["say"], known["p"], known["asserts"]) == ("answer.panels_first", 0.93, [])
    # What failed stands first.
    assert [line["outcome"] for line in answer["rests_on"]] == ["open", "shown", "shown"]


def test_a_step_question_that_no_claim_asks_is_called_exploratory() -> None:
    answer = chosen(row("listeners prefer a over none"))
    assert answer["lead"]["say"] == "answer.one_helps"
    assert [said["say"] for said in answer["beside"]] == ["answer.unasked_step"]
    later = chosen(row("listeners prefer ab over b"))
    assert later["lead"]["say"] == "answer.most_open"
    assert "answer.unasked_step" in [said["say"] for said in later["beside"]]


def test_what_is_liked_most_is_exploratory_where_only_pairs_were_claimed() -> None:
    three = Design(("x", "y", "z"))
    worths = {"stages": [{"stage": "x", "p_best": 0.9}, {"stage": "y", "p_best": 0.1}]}
    pairs = chosen(row("listeners prefer x over y"), design=three, preference=worths)
    said = ["answer.prefers", "answer.unasked_most", "answer.panels_best"]
    assert [one["say"] for one in pairs["beside"]] == said
    most = chosen(row("listeners prefer x most", "undecided"), design=three, preference=worths)
    assert [one["say"] for one in most["beside"]] == ["answer.panels_best"]


def test_preferences_form_chains() -> None:
    answer = chosen(row("listeners prefer b over none"), row("step a before b"))
    assert answer["lead"]["say"] == "answer.first"
    assert answer["lead"]["names"]["step"] == ["a"]
    assert answer["lead"]["claims"] == [0, 1]


def test_a_claim_with_a_price_or_about_a_group_shows_no_preference() -> None:
    for text in ("step a before b for its cost", "listeners prefer a over b among players"):
        assert chosen(row(text))["lead"]["asserts"] == []


def test_a_contradicted_claim_says_the_opposite() -> None:
    (line,) = chosen(row("listeners prefer a over b", "contradicted"))["rests_on"]
    assert (line["first"], line["second"], line["outcome"]) == ("b", "a", "against")
    assert line["share"] == pytest.approx(0.3)


def test_pairs_that_are_preferred_and_not_told_apart_are_named() -> None:
    asked = Design(TWO.compared, (), "none", ("a", "b"), (("none", "a"), ("none", "b")))
    rows = (
        row("listeners can tell a from none", "undecided", estimate=0.52),
        row("listeners prefer a over none"),
        row("listeners prefer b over none"),
    )
    pairs = [{"pair": ["b", "none"], "listener": None, "programme": None, "p_holm": 0.2}]
    answer = chosen(*rows, design=asked, discrimination=pairs)
    assert answer["unheard"] == [
        {"first": "a", "second": "none", "claims": [1]},
        {"first": "b", "second": "none", "claims": [2]},
    ]
    pairs[0]["p_holm"] = 0.01
    assert len(chosen(*rows, design=asked, discrimination=pairs)["unheard"]) == 1
    unclaimed = answer["rests_on"][-1]
    assert (unclaimed["outcome"], unclaimed["discrimination"]) == ("not claimed", 0)


def test_every_verdict_is_counted_as_said() -> None:
    rows = [
        row("listeners prefer ab most"),
        row("listeners prefer a most of b", "contradicted"),
        row("step a before b for its cost"),
        row("listeners can tell a from none"),
    ]
    said = {one.asserts for one in sentences_of(chosen(*rows), rows)}
    assert {("per cost", "a", "b")} in [set(one) for one in said]
    assert {("not most", "a", "")} in [set(one) for one in said]
    assert {("hear", "a", "none")} in [set(one) for one in said]
    over_all = {("prefer", "ab", "none"), ("prefer", "ab", "a"), ("prefer", "ab", "b")}
    assert over_all in [set(one) for one in said]


def test_money_and_hours_may_turn_the_order() -> None:
    steps = [
        {"step": "a", "gain": 1.0, "per_cost": 0.01, "per_hour": 0.2},
        {"step": "b", "gain": 0.6, "per_cost": 0.002, "per_hour": 0.5},
    ]
    orders = price_orders(steps)
    assert orders == {
        "gain": ["a", "b"],
        "cost": ["a", "b"],
        "hour": ["b", "a"],
        "differ": ["hour"],
    }
    for step in steps:
        step["per_hour"] = None
    assert price_orders(steps) == orders | {"hour": None, "differ": []}
    assert price_orders(steps[:1]) is None


def test_claims_of_everybody_are_compared_with_what_a_step_asks() -> None:
    (asked,) = step_claims(("a", "b"))
    for text, known in (
        ("listeners prefer b over a", True),
        ("step b before a", True),
        ("step a before b for its cost", False),
        ("listeners prefer a over b among players", False),
        ("listeners can tell a from b", False),
    ):
        assert asks_already([parse_claim(text)], asked) is known, text
    three = step_claims(("a", "b", "c"))[0]
    assert asks_already([Claim("", "most of", ("a", "c", "b"))], three)
    assert not asks_already([Claim("", "most of", ("b", "a", "c"))], three)
