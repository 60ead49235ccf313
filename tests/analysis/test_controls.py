"""Silence counts only of listeners who have shown, against guessing, that they can hear."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from analysis.claims.judge import Heard, judge_claims
from analysis.hearing.controls import Controls, obvious_controls, vouch
from analysis.hearing.pair_cells import forced_choice_cells
from analysis.tables.trials import trial_table

CLAIM = "listeners cannot tell i from j within 30 %"


def abx(answers: list[tuple[str, str, str, str]]) -> pd.DataFrame:
    """Return ABX trials from (listener, control, right answer, answer)."""
    rows = [
        (name, "1", "abx", "i", "spoilt" if control else "j", right, answer, control)
        for name, control, right, answer in answers
    ]
    names = ["listener", "session", "method", "stage_a", "stage_b", "right", "answer", "control"]
    frame = pd.DataFrame(rows, columns=names)
    frame["stage_x"] = np.where(frame.pop("right") == "a", frame["stage_a"], frame["stage_b"])
    frame["trial"] = frame.groupby("listener").cumcount() + 1
    return frame


def quiet_panel(
    controls: list[tuple[int, str, str]], *, n: int = 24, habit: bool = False
) -> pd.DataFrame:
    """Return listeners at chance, and controls as (listener, right answer, answer)."""
    rows = [
        (f"P{k:02d}", "", right, "a" if habit else "ab"[(m // 2 + k) % 2])
        for k in range(n)
        for m, right in enumerate("ab" * 6)
    ]
    rows += [(f"P{k:02d}", "obvious", right, answer) for k, right, answer in controls]
    return abx(rows)


def judged(frame: pd.DataFrame, claim: str = CLAIM) -> dict[str, object]:
    table = trial_table(frame)
    heard = Heard(forced_choice_cells(table), None, obvious_controls(table.frame))
    return judge_claims([claim], heard)[0]


def right(n: int, *, wrong: int = 0) -> list[tuple[int, str, str]]:
    """Return one control of each of `n` listeners, the last `wrong` of them missed."""
    sides = ["ab"[k % 2] for k in range(n)]
    return [(k, s, s if k < n - wrong else "ab".replace(s, "")) for k, s in enumerate(sides)]


def test_one_control_by_one_listener_vouches_for_nobody() -> None:
    row = judged(quiet_panel(right(1)))
    assert row["verdict"] == "undecided"
    assert "1 of 1 obvious controls were right" in str(row["words"])
    assert "given to one listener, where 6 are needed at this level" in str(row["words"])
    assert str(row["needs"]).startswith("obvious controls for 6 listeners or more")


@pytest.mark.parametrize(
    ("controls", "expected"),
    [
        (right(5), "undecided"),
        (right(6), "supported"),
        (right(12, wrong=1), "supported"),
        (right(12, wrong=2), "undecided"),
        # Many controls of few listeners do not make up for the others.
        ([(k % 2, "ab"[k // 2 % 2], "ab"[k // 2 % 2]) for k in range(24)], "undecided"),
    ],
)
def test_what_it_takes(controls: list[tuple[int, str, str]], expected: str) -> None:
    assert judged(quiet_panel(controls))["verdict"] == expected


def test_every_listener_counts_once() -> None:
    """Two who answered ten controls each wrong weigh no more than two who answered one."""
    many = right(20) + [(k, s, "ab".replace(s, "")) for k in (20, 21) for s in "ab" * 5]
    assert judged(quiet_panel(many))["verdict"] == "supported"
    assert judged(quiet_panel(many))["controls_passed"] == 20


def test_a_habit_of_one_answer_does_not_pass() -> None:
    always = [(k, "a", "a") for k in range(24)]
    asleep = judged(quiet_panel(always, habit=True))
    assert asleep["verdict"] == "undecided"
    assert "A habit of giving one answer" in str(asleep["words"])
    # The same controls of listeners whose other answers show no habit.
    assert judged(quiet_panel(always))["verdict"] == "supported"


def test_the_level_of_the_claim_counts() -> None:
    frame = quiet_panel(right(6))
    assert judged(frame, CLAIM + " at 1 %")["verdict"] == "undecided"
    # 7 listeners are the fewest at 1 %: log2(100) = 6.6.
    assert judged(quiet_panel(right(7)), CLAIM + " at 1 %")["verdict"] == "supported"


def test_a_tuple_counts_as_one_a_listener() -> None:
    assert vouch((12, 12), 0.05).p_value == pytest.approx(2.0**-12)
    assert vouch((12, 11), 0.05).awake
    assert not vouch((12, 10), 0.05).awake
    assert not vouch((5, 5), 0.05).awake
    assert vouch((0, 0), 0.05).words == "none was given"
    assert vouch(Controls(np.zeros(0), np.zeros(0)), 0.05).words == "none was given"


def test_chance_is_that_of_the_method() -> None:
    rows = [
        (f"P{k}", "1", 1, "triangle", *("s" if p == "abc"[k % 3] else "i" for p in "abc"))
        for k in range(6)
    ]
    frame = pd.DataFrame(
        rows, columns=["listener", "session", "trial", "method", "stage_a", "stage_b", "stage_c"]
    ).assign(control="obvious", answer=["abc"[k % 3] for k in range(6)])
    found = obvious_controls(trial_table(frame).frame)
    # 6 listeners, two of each place: (q_a q_b q_c)² is at most 3⁻⁶; 5 % of the level bounds q.
    assert vouch(found, 0.05).p_value == pytest.approx(3.0**-6 + 0.0025, rel=1e-6)
    assert (found.scored, found.passed) == (6, 6)


def test_always_different_passes_no_controls() -> None:
    rows = [
        (f"P{k:02d}", "1", "same-different", "i", b, "", "different", control)
        for k in range(16)
        for b, control in [("j", ""), ("i", "")] * 6 + [("spoilt", "obvious")]
    ]
    names = ["listener", "session", "method", "stage_a", "stage_b", "stage_x", "answer", "control"]
    frame = pd.DataFrame(rows, columns=names)
    frame["trial"] = frame.groupby("listener").cumcount() + 1
    row = judged(frame)
    assert row["verdict"] == "undecided"
    assert row["controls_passed"] == 16
    frame["answer"] = np.where(frame["control"] == "obvious", "different", "same")
    assert judged(frame)["verdict"] == "supported"


def test_panels_that_sleep_are_seldom_called_deaf() -> None:
    """Guessing on everything with habits of their own: at most alpha, here of 100 studies."""
    rng = np.random.default_rng(11)
    passed = 0
    for _ in range(100):
        habits = rng.beta(2, 2, size=8)
        right_ = rng.integers(0, 2, size=(8, 1))
        said = (rng.random((8, 1)) > habits[:, None]).astype(int)
        rows = [
            (f"P{k}", "obvious", "ab"[r], "ab"[s])
            for k in range(8)
            for r, s in zip(right_[k], said[k], strict=True)
        ]
        found = obvious_controls(trial_table(abx(rows)).frame)
        passed += vouch(found, 0.05).awake
    # 100 x .05 and two errors of such a count, sqrt(100 x .05 x .95) = 2.2
    assert passed <= 9
