"""Hearing is told from a habit of answering, by the sides of the trials in the table."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from analysis.claims.judge import Heard, judge_claims
from analysis.hearing.discrimination import discrimination_rows
from analysis.hearing.pair_cells import PairCells, forced_choice_cells
from analysis.hearing.sides import guessing_tail, own_test, sided_proportion, sides_of
from analysis.panels.panel import panel_proportion
from analysis.panels.sided_tail import leanings, sided_tail
from analysis.tables.trials import trial_table

HEAR = "listeners can tell i from j"
QUIET = "listeners cannot tell i from j within 30 %"
COLUMNS = ["listener", "session", "method", "stage_a", "stage_b", "stage_c", "stage_x", "answer"]


def trial(method: str, right: str, answer: str) -> tuple[str, ...]:
    """Return stages by place and the answer of a trial whose right answer is given."""
    if method == "triangle":
        return (*("j" if place == right else "i" for place in "abc"), "", answer)
    if method == "same-different":
        return ("i", "i" if right == "same" else "j", "", "", answer)
    return ("i", "j", "", "i" if right == "a" else "j", answer)


def panel(method: str, visits: list[list[tuple[str, str]]]) -> pd.DataFrame:
    """Return trials from (right answer, answer) by listener."""
    rows = [
        (f"P{k:02d}", "1", method, *trial(method, right, answer))
        for k, visit in enumerate(visits)
        for right, answer in visit
    ]
    frame = pd.DataFrame(rows, columns=COLUMNS)
    frame["trial"] = frame.groupby("listener").cumcount() + 1
    return frame


def guessing(
    method: str, sides: dict[str, float], habit: dict[str, float], *, n: int = 24, each: int = 16
) -> pd.DataFrame:
    """Return a panel that hears nothing: right answers and answers drawn without each other."""
    rng = np.random.default_rng(5)

    def drawn(shares: dict[str, float]) -> np.ndarray:
        return rng.choice(list(shares), size=(n, each), p=list(shares.values()))

    right, said = drawn(sides), drawn(habit)
    return panel(method, [list(zip(*both, strict=True)) for both in zip(right, said, strict=True)])


def verdict(frame: pd.DataFrame, claim: str = HEAR) -> dict[str, object]:
    heard = Heard(forced_choice_cells(trial_table(frame)), None, (24, 24))
    return judge_claims([claim], heard)[0]


CASES = {
    "abx": ({"a": 0.7, "b": 0.3}, {"a": 0.75, "b": 0.25}, 0.5),
    "duo-trio": ({"a": 0.7, "b": 0.3}, {"a": 0.75, "b": 0.25}, 0.5),
    "triangle": ({"a": 0.6, "b": 0.2, "c": 0.2}, {"a": 0.7, "b": 0.15, "c": 0.15}, 1 / 3),
    "same-different": ({"same": 0.3, "different": 0.7}, {"same": 0.2, "different": 0.8}, 0.5),
}


@pytest.mark.parametrize("method", CASES)
def test_a_habit_is_not_hearing(method: str) -> None:
    sides, habit, chance = CASES[method]
    frame = guessing(method, sides, habit)
    row = verdict(frame)
    # By guessing with this habit: the sum over sides of share times habit, 60, 60, 48 and 62 %.
    plain = sum(sides[name] * habit[name] for name in sides)
    block = discrimination_rows(trial_table(frame))[0]
    assert block["proportion"] == pytest.approx(plain, abs=0.05)
    assert block["p_value"] < 0.01, "the contract's exact test sees every trial as fair"
    assert row["verdict"] == "undecided"
    assert row["places"] == block["panel"]["places"] == "allowed for"
    assert row["estimate"] == pytest.approx(chance, abs=0.06)
    assert row["p_value"] == block["panel"]["p_value"] > 0.05
    assert "allows for a leaning to one answer" in str(row["words"])


@pytest.mark.parametrize("method", CASES)
def test_what_cannot_be_told_apart_stays_open(method: str) -> None:
    one = "different" if method == "same-different" else "a"
    frame = panel(method, [[(one, one)] * 8] * 12)
    for claim in (HEAR, QUIET, "listener P03 can tell i from j"):
        row = verdict(frame, claim)
        assert row["verdict"] == "undecided"
        assert row["places"] == "confounded"
        assert np.isnan(float(str(row["p_value"])))
        assert "cannot be told apart" in str(row["words"])
        assert {"abx": "X is A as often as B", "triangle": "every place"}.get(method, "") in str(
            row["needs"]
        )
    block = discrimination_rows(trial_table(frame))[0]
    assert block["p_value"] < 1e-9
    assert np.isnan(block["panel"]["p_value"])


@pytest.mark.parametrize(("method", "each"), [("abx", 8), ("triangle", 9)])
def test_hearing_is_found_in_spite_of_a_habit(method: str, each: int) -> None:
    names = "abc" if method == "triangle" else "ab"
    other = names[1:] * each
    # The first answer is right in all but as many trials as there are other answers, 6 of 8 or 9.
    sides = ["a"] * (each - len(names[1:])) + list(names[1:])
    visits = [[(right, right if k % 4 else other[0]) for right in sides] for k in range(16)]
    row = verdict(panel(method, visits))
    assert (row["verdict"], row["places"]) == ("supported", "allowed for")


def test_balanced_sides_change_no_number() -> None:
    rng = np.random.default_rng(3)
    visits = [
        [(right, right if rng.random() < 0.7 else "ab".replace(right, "")) for right in "ab" * 5]
        for _ in range(16)
    ]
    frame = panel("abx", visits)
    correct = np.array([sum(x == y for x, y in visit) for visit in visits])
    row, plain = verdict(frame), panel_proportion(correct, np.full(16, 10), chance=0.5)
    assert row["places"] == "balanced"
    for key in ("estimate", "p_value", "ci_low", "ci_high", "statistic", "df"):
        assert row[key] == getattr(plain, key)
    assert "leaning" not in str(row["words"])


def test_where_everybody_met_every_side_it_is_the_t_test_on_own_means() -> None:
    trials = np.tile([6, 2], (14, 1))
    correct = np.array([[k % 4 + 2, k % 3] for k in range(14)])
    found = sided_proportion(correct, trials, chance=0.5)
    own = (correct / trials).mean(axis=1)
    expected = stats.ttest_1samp(own, 0.5, alternative="greater")
    assert found.p_value == pytest.approx(expected.pvalue, rel=1e-12)
    assert found.df == 13
    assert found.estimate == pytest.approx(own.mean())


def test_visits_with_one_kind_of_pair_count() -> None:
    """Three questions a visit: half of the listeners met same pairs only, half different ones."""
    right = {"same": ("same", "same"), "different": ("different", "different")}
    wrong = {"same": ("same", "different"), "different": ("different", "same")}
    kinds = ["same", "different"] * 12
    visits = [[right[k]] * 2 + [wrong[k] if n % 3 == 0 else right[k]] for n, k in enumerate(kinds)]
    row = verdict(panel("same-different", visits))
    assert (row["n_listeners"], row["n_trials"]) == (24, 72)
    # Shares 2/3 of 8 and 1 of 16 listeners, alike on both sides.
    assert row["estimate"] == pytest.approx((8 * 2 / 3 + 16) / 24)
    assert row["df"] == 11
    assert row["verdict"] == "supported"


def test_a_side_that_few_met_cannot_carry_a_verdict() -> None:
    visits = [[("a", "a")] * 4 for _ in range(20)] + [[("b", "b")] * 4 for _ in range(3)]
    row = verdict(panel("abx", visits))
    assert row["verdict"] == "undecided"
    assert "rarer right answer were given to 3 listeners only" in str(row["words"])


def test_counts_without_sides_count_as_balanced() -> None:
    cells = pd.DataFrame(
        {"listener": list("pqrstuvw"), "programme": "", "n_trials": 8, "n_correct": 7}
    )
    row = judge_claims([HEAR], Heard([PairCells(("i", "j"), "abx", cells)], None))[0]
    assert row["verdict"] == "supported"
    assert "places" not in row


def test_one_listener_is_tested_against_every_leaning() -> None:
    four_three = panel("abx", [[("a", "a")] * 4 + [("b", "b")] * 3])
    (group,) = forced_choice_cells(trial_table(four_three))
    p, places = own_test(group.cells, chance=0.5)
    # All right: q⁴(1-q)³ is largest at q = 4/7.
    assert p == pytest.approx((4 / 7) ** 4 * (3 / 7) ** 3, rel=1e-3)
    assert places == "allowed for"
    habit = verdict(
        panel("abx", [[("a", "a")] * 14 + [("b", "a")] * 2]), "listener P00 can tell i from j"
    )
    assert habit["verdict"] == "undecided"
    assert float(str(habit["p_value"])) > 0.5
    even = panel("abx", [[("a", "a")] * 4 + [("b", "b")] * 4])
    (group,) = forced_choice_cells(trial_table(even))
    p, places = own_test(group.cells, chance=0.5)
    assert p == pytest.approx(2.0**-8)
    assert places == "balanced"


def test_a_strong_leaning_counts_even_where_sides_are_nearly_balanced() -> None:
    """48 of 52 trials by side lie within the slack, but "a" all the time turns them into p."""
    visits = [[("a", "a")] * 13 + [("b", "a")] * 12 for _ in range(24)]
    frame = panel("abx", visits)
    (group,) = forced_choice_cells(trial_table(frame))
    found = sides_of(group.cells)
    assert found is not None
    assert found.places == "allowed for"
    assert verdict(frame)["estimate"] == 0.5


@pytest.mark.parametrize("always", [0.0, 0.3])
@pytest.mark.parametrize("upper", [False, True])
def test_tail_is_the_sum_over_all_outcomes(always: float, upper: bool) -> None:
    trials, chance = np.array([[2, 1], [0, 3]]), (0.6, 0.4)
    a, b = (stats.binom(n, q).pmf for n, q in ((2, 0.6), (1, 0.4)))
    first = {(x, y): (1 - always) * a(x) * b(y) for x in range(3) for y in range(2)}
    first[2, 1] += always
    second = {z: (1 - always) * stats.binom(3, 0.4).pmf(z) for z in range(4)}
    second[3] += always
    # Side a is met by the first listener, side b by both.
    means = {(x, y, z): (x / 2 + (y + z / 3) / 2) / 2 for (x, y) in first for z in second}
    expected = sum(
        first[x, y] * second[z]
        for (x, y, z), m in means.items()
        if (m >= 0.625 - 1e-9 if upper else m <= 0.625 + 1e-9)
    )
    (found,) = sided_tail(trials, 0.625, chance=np.array([chance]), always=always, upper=upper)
    assert found == pytest.approx(expected, abs=1e-12)


def test_leanings_hold_the_even_one_and_all_sum_to_one() -> None:
    for sides in (2, 3):
        grid = np.array(leanings(sides))
        assert np.allclose(grid.sum(axis=1), 1)
        assert np.isclose(grid, 1 / sides).all(axis=1).any()
    # One of two sides only: somebody who always gives that answer is always right.
    assert guessing_tail(np.array([[8, 0]]), 1.0) == pytest.approx(1.0)


@pytest.mark.parametrize("rule", [sided_proportion])
def test_counts_are_checked(rule: Callable[..., object]) -> None:
    with pytest.raises(ValueError, match="0 <= correct <= trials"):
        rule(np.array([[3, 0]]), np.array([[2, 2]]), chance=0.5)
    with pytest.raises(ValueError, match="every side met"):
        rule(np.array([[1, 0]]), np.array([[2, 0]]), chance=0.5)
