"""What turns a verdict stands beside it."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from analysis.claims.judge import Heard, judge_claims
from analysis.listeners.conduct_flags import flagged_listeners
from analysis.listeners.reliability import reliability_block
from analysis.listeners.screening import parse_screening
from analysis.panels.panel import panel_proportion
from analysis.robustness.contributions import Contributions
from analysis.robustness.sensitivity import EVERYBODY, extremes, sensitivity
from analysis.run import analyse
from analysis.tables.trials import trial_table

PREFER, HEAR = "listeners prefer i over j", "listeners can tell i from j"


def paired(wins: list[int], of: list[int], programmes: int = 1) -> pd.DataFrame:
    """Return paired trials of i and j: so many choices of i of each listener, orders in turn."""
    rows = []
    for g, (won, n) in enumerate(zip(wins, of, strict=True)):
        for k in range(n):
            a, b = ("i", "j") if k % 2 else ("j", "i")
            # Wins are dealt over both orders alike.
            likes = (k * won) // n != ((k + 1) * won) // n
            answer = "a" if likes == (a == "i") else "b"
            rows.append((f"P{g:02d}", f"m{k // 2 % programmes}", "paired", a, b, "", answer, ""))
    return numbered(rows)


def abx(right: list[int], of: list[int], controls: dict[int, int] | None = None) -> pd.DataFrame:
    rows = []
    for g, (good, n) in enumerate(zip(right, of, strict=True)):
        for k in range(n):
            rows.append((f"P{g:02d}", "m0", "abx", "i", "j", *_answer(k, k < good), ""))
        for k in range(4):
            good_control = k < (controls or {}).get(g, 4)
            rows.append((f"P{g:02d}", "m0", "abx", "i", "j", *_answer(k, good_control), "obvious"))
    return numbered(rows)


def _answer(k: int, good: bool) -> tuple[str, str]:
    x = "i" if k % 2 else "j"
    return x, "a" if good == (x == "i") else "b"


def numbered(rows: list[tuple[str, ...]]) -> pd.DataFrame:
    names = ["listener", "programme", "method", "stage_a", "stage_b", "stage_x", "answer"]
    frame = pd.DataFrame(rows, columns=[*names, "control"])
    return frame.assign(session=frame["listener"], trial=frame.groupby("listener").cumcount() + 1)


def told(
    frame: pd.DataFrame, *claims: str, flagged: dict[str, list[str]] | None = None
) -> list[tuple[dict[str, Any], dict[str, Any]]]:
    heard = Heard.of(trial_table(frame))
    rows = judge_claims(claims, heard)
    found = sensitivity(rows, heard, flagged=flagged)
    return [(row, block or {}) for row, block in zip(rows, found, strict=True)]


def kinds(block: dict[str, Any], kind: str) -> list[dict[str, Any]]:
    return [row for row in block["rows"] if row["kind"] == kind]


def test_a_clear_verdict_is_stable() -> None:
    ((row, block),) = told(paired([10, 9, 8, 10, 9, 11, 9, 10, 8, 10, 9, 10], [12] * 12), PREFER)
    assert row["verdict"] == "supported"
    assert block["stable"] is True
    assert block["turns"] == []
    assert block["word"] == "stable"
    assert len(kinds(block, "one out")) == 12
    assert block["flagged"] == []


def test_each_row_is_what_the_claim_functions_say_without_that_listener() -> None:
    frame = pd.concat(
        [paired([7, 9, 4, 10, 6, 8, 9], [12] * 7), abx([9, 7, 8, 5, 9, 10, 7], [10] * 7)]
    )
    frame["trial"] = frame.groupby("listener").cumcount() + 1
    claims = (PREFER, HEAR, "listeners cannot tell i from j within 30 %", "listeners prefer j most")
    for row, block in told(frame.reset_index(drop=True), *claims):
        for variant in kinds(block, "one out"):
            rest = frame[~frame["listener"].isin(variant["left_out"])].reset_index(drop=True)
            again = {r["text"]: r for r in judge_claims(claims, Heard.of(trial_table(rest)))}[
                row["text"]
            ]
            for key in ("verdict", "n_listeners"):
                assert variant[key] == again[key]
            for key in ("p_value", "p_holm", "estimate", "ci_low", "ci_high"):
                assert variant[key] == pytest.approx(again[key], rel=1e-9)


def test_a_verdict_that_one_listener_carries_is_called_so() -> None:
    # Eight listeners lean to i a little and one against it: each of several is needed.
    wins, of = [9, 8, 9, 8, 8, 7, 9, 3, 9], [12] * 9
    ((row, block),) = told(paired(wins, of), PREFER)
    turning = [v["left_out"][0] for v in kinds(block, "one out") if v["verdict"] != row["verdict"]]
    assert row["verdict"] == "supported"
    assert turning
    assert block["stable"] is False
    assert block["turns"][0] == "hangs on one listener"
    assert block["turns"][1].startswith("turns without ")
    assert turning[0] in block["word"]


def test_a_panel_that_is_just_large_enough_says_so() -> None:
    # Six listeners of one mind are the fewest who can reach 5 %.
    ((row, block),) = told(paired([12, 11, 12, 10, 11, 12], [12] * 6), PREFER)
    assert row["verdict"] == "supported"
    assert "one listener fewer would be too few to decide" in block["turns"]
    assert "hangs on one listener" not in block["turns"]
    assert block["stable"] is False


def test_long_visits_that_carry_a_verdict_show_when_every_answer_counts() -> None:
    # Two who stay for long dislike what ten short visits like.
    ((row, block),) = told(
        paired([4, 4, 6, 5, 6, 5, 6, 6, 5, 6, 6, 5], [60, 60] + [6] * 10), PREFER
    )
    (answers,) = kinds(block, "answers")
    assert row["verdict"] == "supported"
    assert answers["verdict"] != "supported"
    assert answers["estimate"] < row["estimate"]
    assert "turns if every answer counts once" in block["turns"]


def test_with_equal_visits_answers_and_listeners_are_one() -> None:
    frame = pd.concat([paired([8, 7, 9, 6, 8, 9], [12] * 6), abx([8, 7, 9, 6, 8, 9], [10] * 6)])
    frame["trial"] = frame.groupby("listener").cumcount() + 1
    for row, block in told(frame.reset_index(drop=True), PREFER, HEAR):
        (answers,) = kinds(block, "answers")
        assert answers["verdict"] == row["verdict"]
        for key in ("p_value", "p_holm", "estimate", "ci_low", "ci_high"):
            assert answers[key] == pytest.approx(row[key], rel=1e-9)


def test_share_of_all_answers_by_hand() -> None:
    right, asked = np.array([50, 2, 3, 3] * 4), np.array([60, 4, 4, 4] * 4)
    found = panel_proportion(right, asked, chance=0.5, every_answer=True)
    # Ratio of sums with its linearised error between listeners (Cochran 1977, section 2.11).
    share = right.sum() / asked.sum()
    error = np.sqrt(16 / 15 * ((right - share * asked) ** 2).sum()) / asked.sum()
    assert found.estimate == pytest.approx(share)
    assert found.se == pytest.approx(error)
    assert found.p_value == pytest.approx(stats.t.sf((share - 0.5) / error, 15))


def test_extremes_are_those_who_move_the_estimate_most() -> None:
    moves = np.linspace(-1, 1, 40)[:, None]
    names = tuple(f"P{k:02d}" for k in range(40))
    part = Contributions(0.0, names, ("m",), moves, np.full((40, 1), 1 / 40), 1.0)
    # One in twenty on either side, two of forty.
    assert extremes(part) == ["P00", "P01", "P38", "P39"]
    assert extremes(Contributions(0.0, names, ("m",), 0 * moves, part.weight, 1.0)) == []


def test_extremes_leave_out_both_sides() -> None:
    ((_, block),) = told(paired([10, 9, 0, 10, 9, 9, 8, 12, 8, 9], [12] * 10), PREFER)
    (row,) = kinds(block, "extremes")
    assert row["left_out"] == ["P02", "P07"]
    assert row["n_listeners"] == 8


def test_a_piece_that_carries_a_verdict_is_named() -> None:
    first = paired([4, 4, 4, 4, 3, 4, 4, 4], [4] * 8).assign(programme="kite-street")
    second = paired([2, 3, 1, 2, 3, 2, 2, 2], [4] * 8).assign(programme="low-tide")
    frame = pd.concat([first, second], ignore_index=True)
    frame["trial"] = frame.groupby("listener").cumcount() + 1
    ((row, block),) = told(frame, PREFER)
    assert row["verdict"] == "supported"
    assert {v["left_out"][0]: v["verdict"] for v in kinds(block, "programme")} == {
        "kite-street": "undecided",
        "low-tide": "supported",
    }
    assert "turns without kite-street" in block["turns"]


def test_claims_about_one_person_and_unasked_claims_have_no_sensitivity() -> None:
    frame = abx([8, 7, 9, 6, 8, 9], [10] * 6)
    (_, one), (_, unasked) = told(frame, "listener P01 can tell i from j", PREFER)
    assert one == unasked == {}


def test_large_panels_leave_out_those_nearest_to_turning_the_verdict() -> None:
    rng = np.random.default_rng(1)
    wins = [int(w) for w in rng.binomial(12, 0.55, 45)]
    ((row, block),) = told(paired(wins, [12] * 45), PREFER)
    left_out = {v["left_out"][0]: v["verdict"] for v in kinds(block, "one out")}
    assert len(left_out) < 45 > EVERYBODY
    frame = paired(wins, [12] * 45)
    turning = set()
    for name in sorted(frame["listener"].unique()):
        rest = frame[frame["listener"] != name].reset_index(drop=True)
        (again,) = judge_claims([PREFER], Heard.of(trial_table(rest)))
        if again["verdict"] != row["verdict"]:
            turning.add(name)
    assert {n for n, verdict in left_out.items() if verdict != row["verdict"]} == turning


# flags ---------------------------------------------------------------------------------


def test_flags_say_why() -> None:
    frame = abx([8, 7, 9, 6, 8, 9], [10] * 6, controls={2: 1}).assign(underruns=0)
    frame.loc[(frame["listener"] == "P04") & (frame["trial"] <= 2), "underruns"] = 3
    table = trial_table(frame)
    rule = parse_screening("obvious controls at least 50 %")
    flagged = flagged_listeners(table, reliability_block(table), rule)
    assert flagged == {
        "P02": ["left out by the plan's screening rule", "1 of 4 obvious controls right"],
        "P04": ["2 of 14 trials stuttered"],
    }


def test_verdicts_without_the_flagged() -> None:
    wins = [9, 8, 9, 10, 8, 9, 9, 0]
    ((row, block),) = told(paired(wins, [12] * 8), PREFER, flagged={"P07": ["whatever"]})
    (out,) = kinds(block, "flagged")
    assert row["verdict"] == "undecided"
    assert out["verdict"] == "supported"
    assert out["variant"] == "without the flagged: P07"
    assert block["flagged"] == ["P07"]
    assert "turns without those flagged (P07)" in block["turns"]


def test_the_analysis_carries_both_blocks() -> None:
    frame = paired([10, 9, 8, 10, 9, 11, 9, 10], [12] * 8, programmes=6)
    result = analyse(trial_table(frame), claims=[PREFER], mixed=False).to_dict()
    (row,) = result["claims"]
    assert row["sensitivity"]["stable"] is True
    assert row["music_like_this"]["n_programmes"] == 6
