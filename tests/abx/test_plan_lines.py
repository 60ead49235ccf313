"""What a plan can find out, in lines and rows for people."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from abx.errors import InputError
from abx.planning.power import Asked, ask_plan
from abx.planning.schedule import look_lines
from abx.planning.words import chance_words, claim_rows, finding_lines, table_lines
from abx.study.workspace import Workspace
from abx.study_file.reading import study_from_text
from analysis.models.cells import cell_generator
from analysis.planning.families import Chance, StudyRun, Tally
from analysis.planning.findings import Findings, explore
from analysis.planning.supposed import Sizes, mean_share
from helpers.planned_study import planned_study
from helpers.study_desk import STUDY, make_desk

ABX = 'method = "abx"\npairs = [["untouched", "refit"]]\ntrials = 4'
BOTH = f'method = "paired"\nstages = "all"\ntrials = 1---{ABX}'
CLAIMS = ("listeners can tell refit from untouched", "listeners prefer refit over damped")


def asked(claims: Sequence[str] = CLAIMS, **options: object) -> Asked:
    found = ask_plan(planned_study(claims, tests=BOTH, **options))  # type: ignore[arg-type]
    assert found is not None
    return found


def known(question: Asked, **counts: object) -> Findings:
    """Return findings of 400 studies that nobody simulated."""
    *_, found = explore(question.question, n_studies=1, sizes=False, panels=False, processes=1)
    n = len(question.claims)
    tally = Tally(
        400,
        np.array([[360, 240, 100][:n]]),
        np.array([200]),
        np.array([399]),
        400,
        np.array([380, 300, 120][:n]),
        120,
    )
    return replace(found, tally=replace(tally, **counts))


def told(question: Asked, found: Findings) -> str:
    return "\n".join(finding_lines(question, found))


def test_chances_in_words() -> None:
    # 300 of 400: .75 +- 1.96 sqrt(.7475 .2525 / 404) = 4.2 points (Agresti and Coull)
    assert chance_words(Chance(300, 400)) == "75 ± 4 %"
    assert chance_words(Chance(400, 400)) == "over 99 ± 0.7 %"
    assert chance_words(Chance(0, 400)) == "under 1 ± 0.7 %"
    assert chance_words(Chance(300, 400), error=False) == "75 %"
    assert chance_words(Chance(0, 0)) == "..."


def test_a_row_for_every_claim() -> None:
    question = asked()
    rows = claim_rows(question, known(question))
    assert rows == [
        {"Claim": CLAIMS[0], "Alone": "95 ± 2 %", "With all 2": "90 ± 3 %"},
        {"Claim": CLAIMS[1], "Alone": "75 ± 4 %", "With all 2": "60 ± 5 %"},
    ]
    lines = table_lines(rows)
    assert lines[0].split("   ")[-1] == "Claim"
    assert lines[1].endswith(CLAIMS[0])
    assert len({line.index("   ") for line in lines[1:]}) == 1


def test_smaller_differences_and_other_panels_get_columns() -> None:
    question = asked([*CLAIMS, "listeners cannot tell damped from untouched within 30 %"])
    found = known(question)
    few = replace(found.tally, n_studies=200, together=np.array([[30, 20, 90]]))
    many = replace(found.tally, n_studies=200, together=np.array([[199, 180, 90]]))
    sizes = question.question.sizes
    found = replace(
        found,
        others=((replace(sizes, share=0.6), few), (replace(sizes, share=0.8), many)),
        panels={32: replace(many, every=np.array([90]))},
        impossible={},
    )
    rows = claim_rows(question, found)
    assert rows[0]["At 60 %"] == "15 ± 5 %"
    assert rows[2]["At 60 %"] == "as before"  # nobody hears it, whatever the size
    assert rows[1]["At 80 %"] == "90 ± 4 %"
    assert rows[0]["Listeners for 80 %"] == "about 16"
    # Probits .2533 at sqrt(16) and 1.2816 at sqrt(32): .8416 at sqrt(24.5), told in steps of 2.
    assert rows[1]["Listeners for 80 %"] == "about 26"
    assert rows[2]["Listeners for 80 %"] == "over 200"
    words = told(question, found)
    assert "A share of 60 % cannot be shown by 16 listeners (chance at most 15 ± 5 %)." in words
    assert "to support all 3 claims at once needs over 200 listeners." in words
    assert "Adding listeners to a finished study gives neither this chance nor this level" in words
    assert "all 3 claims at once" not in told(question, replace(found, impossible={2: "a panel"}))
    more = replace(few, together=np.array([[80, 70, 90]]))
    found = replace(found, others=((replace(sizes, share=0.6), more),))
    assert "A share of 60 % would mostly be missed by 16 listeners" in told(question, found)


def test_the_family_and_what_was_supposed() -> None:
    question = asked()
    words = told(question, known(question))
    assert "All 2 claims supported: 50 ± 5 %. At least one: over 99 ± 0.8 %." in words
    assert (
        "Supposed: 70 % right answers (SD over listeners 10 points); "
        "70 % choices for the better stage (SD of tastes 0.5 logits)." in words
    )
    assert (
        "'listeners prefer refit over damped' as the only claim: 30 ± 4 % by the votes on this "
        "pair alone, 75 ± 4 % by all pairs fitted together." in words
    )


def test_a_study_without_claims_gets_examples_each_for_itself() -> None:
    question = asked([])
    assert not question.declared
    assert question.claims == (
        "listeners prefer damped over untouched (Paired preference)",
        "listeners can tell refit from untouched (ABX)",
    )
    found = known(question)
    assert list(claim_rows(question, found)[0]) == ["Claim", "Alone"]
    words = told(question, found)
    assert "declares no claim" in words
    assert "All 2" not in words
    run = StudyRun(
        question.question.family, ((found.world, question.question.panel_of(16)),), alone=True
    )
    for number in range(8):
        outcome = run(number, cell_generator(1, number))
        np.testing.assert_array_equal(outcome.together[0], outcome.alone)


def test_answers_on_which_no_claim_rests_are_named() -> None:
    question = asked([CLAIMS[1]])
    assert question.silent == ("abx",)
    assert "No claim rests on the abx answers" in told(question, known(question))


def test_claims_that_cannot_be_true_or_supported_are_told() -> None:
    claims = [
        "listeners prefer refit over damped",
        "listeners prefer damped over refit",
        "listeners can tell damped from ceiling",
    ]
    question = asked(claims)
    found = known(question)
    words = told(question, found)
    assert (
        f"'{claims[1]}' and '{claims[0]}' cannot all be true at this size; the first is taken to "
        "be false here." in words
    )
    assert f"'{claims[2]}' cannot be supported by this plan, whatever listeners answer." in words
    assert "It takes ABX, triangle, duo-trio or same-different trials" in words
    assert f"'{claims[1]}' cannot be supported" not in words


def test_a_claim_that_others_push_up_says_at_what_share_it_is_true() -> None:
    claims = [
        "listeners prefer damped over untouched",
        "listeners prefer refit over damped",
        "listeners prefer refit over untouched",
    ]
    question = asked(claims)
    rows = claim_rows(question, known(question))
    assert [row["Claim"] for row in rows[:2]] == claims[:2]
    # Two gaps of .9388 logits with tastes of SD .5: .85 by Gauss-Hermite sums.
    share = mean_share(2 * Sizes().gap, 0.5)
    assert share == pytest.approx(0.85, abs=0.005)
    assert rows[2]["Claim"] == f"{claims[2]} (true at {100 * share:.0f} %)"


def test_a_named_listener_is_a_planned_one() -> None:
    claim = "listener Wren can tell refit from untouched"
    question = asked([claim, CLAIMS[1]])
    assert question.claims[0] == claim
    assert question.question.family.claims[0] == "listener P00001 can tell refit from untouched"
    # Four trials, all right: p = 1/16, whoever it is.
    assert "cannot be supported by this plan" in told(question, known(question))


def test_steps_know_costs_and_metrics_need_the_measurements() -> None:
    question = ask_plan(planned_study(["step damped before refit for its cost"], price=100.0))
    assert question is not None
    table = question.question.family.stages
    assert table is not None
    assert dict(zip(table.frame["stage"], table.frame["cost"], strict=True))["refit"] == 300.0
    assert asked().question.family.stages is None
    metric = asked(["metric deviation_sd_db orders the stages"])
    assert metric.question.impossible(16)  # nothing is measured on paper


def test_a_metric_is_taken_as_it_was_measured(tmp_path: Path) -> None:
    desk = make_desk(tmp_path / "study")
    claim = "metric deviation_sd_db orders the stages"
    workspace = Workspace(desk.root)
    text = STUDY.replace("listeners prefer refit over untouched", claim)
    question = ask_plan(study_from_text(text), workspace=workspace)
    assert question is not None
    table = question.question.family.stages
    assert table is not None
    assert table.metrics == ("deviation_sd_db",)  # the others would only cost time
    assert np.isfinite(table.frame["metric_deviation_sd_db"]).all()
    # Four stages have too few orders for any answers to show this one.
    assert "cannot be supported by this plan" in told(question, known(question))


def test_what_other_listeners_cannot_help() -> None:
    claims = ["listener Wren can tell refit from untouched", CLAIMS[1]]
    question = asked(claims)
    found = replace(known(question), panels={32: known(question).tally})
    rows = claim_rows(question, found)
    assert rows[0]["Listeners for 80 %"] == "that one"  # 90 % in the counts above
    few = replace(found.tally, together=np.array([[20, 240]]))
    assert claim_rows(question, replace(found, tally=few))[0]["Listeners for 80 %"] == "more trials"
    assert "claims at once needs" not in told(question, found)


def test_options_of_the_plan() -> None:
    study = planned_study(CLAIMS, tests=BOTH)
    question = ask_plan(study, Sizes(share=0.75, right=0.65, ties=0.2), visits=0.5)
    assert question is not None
    words = told(question, known(question))
    assert "65 % right answers" in words
    assert "75 % choices" in words
    assert "50 % of listeners come for a short visit" in words
    assert ask_plan(planned_study(tests='method = "rating"\nstages = "all"\ntrials = 1')) is None
    with pytest.raises(InputError, match=r"--share: 0\.4 is no better than guessing in paired"):
        ask_plan(study, Sizes(share=0.4))
    with pytest.raises(InputError, match=r"--right: 0\.5 is no better than guessing in abx"):
        ask_plan(study, Sizes(right=0.5))


def test_short_visits_find_less() -> None:
    study = planned_study([CLAIMS[0]], tests=f"{BOTH.replace('trials = 1', 'trials = 4')}")
    whole, visits = (
        next(iter(reversed(list(explore(
            found.question, n_studies=60, sizes=False, panels=False, processes=1
        )))))
        for found in (ask_plan(study), ask_plan(study, visits=1.0))
        if found is not None
    )  # fmt: skip
    assert visits.together(0).count < whole.together(0).count - 10


def test_early_looks_on_request() -> None:
    study = study_from_text(STUDY)
    [line] = look_lines(study, 2)
    assert line.startswith("2 looks keep the level of 5 % when the study stops only after 4 (")
    with pytest.raises(InputError, match=r"--looks: 8 looks are more than 8 listeners allow"):
        look_lines(study, 8)


def test_rows_are_plain_text() -> None:
    question = asked()
    frame = pd.DataFrame(claim_rows(question, known(question)))
    assert all(isinstance(value, str) for value in frame.to_numpy().ravel())
