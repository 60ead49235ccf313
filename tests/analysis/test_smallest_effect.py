"""A difference that is shown and too small to matter is never told as a plain one."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest

from analysis.claims.judge import Heard, judge_claims
from analysis.hearing.pair_cells import PairCells
from analysis.panels.number_words import percent, percents
from analysis.panels.smallest_effect import (
    TOO_SMALL,
    beyond_guessing,
    check_smallest_effect,
    matters,
    remark,
    split,
)
from analysis.preference.fit import preference_of
from analysis.tables.counts import PairCounts
from stimuli.files.errors import InputError


def paired(shares: list[float], each: int, stages: tuple[str, ...] = ("a", "b")) -> Heard:
    """Return listeners who choose the first stage over every other in these shares of decisions.

    The others split evenly among themselves; both orders are equally often.
    """
    size = len(stages)
    pairs = [(i, j) for i in range(size) for j in range(size) if i != j]
    first, second = (np.array(side) for side in zip(*pairs, strict=True))
    share = np.array(shares)[:, None]
    p = np.where(first == 0, share, np.where(second == 0, 1 - share, 0.5))
    wins = np.round(p * each)
    counts = np.stack([wins, each - wins, np.zeros_like(wins)], axis=2)
    names = tuple(f"P{k:03d}" for k in range(len(shares)))
    return Heard([], preference_of(PairCounts(stages, names, first, second, counts), n_draws=0))


def heard(right: list[int], each: int, method: str = "abx") -> Heard:
    """Return listeners with so many right answers about a and b."""
    rows = [
        {"listener": f"P{k:03d}", "programme": "", "n_trials": each, "n_correct": own}
        for k, own in enumerate(right)
    ]
    return Heard([PairCells(("a", "b"), method, pd.DataFrame(rows))], None)


def spread(mean: float, half: float, n: int = 20) -> list[float]:
    """Return shares that lie evenly about their mean."""
    return list(np.linspace(mean - half, mean + half, n))


def judged(
    claim: str, answers: Heard, smallest: float | None = 0.05, **more: Any
) -> dict[str, Any]:
    """Judge one claim."""
    return judge_claims([claim], answers, smallest_effect=smallest, **more)[0]


def test_a_million_trials_of_nearly_even_choices_do_not_matter() -> None:
    answers = paired(spread(0.5015, 0.002), 25_000)  # 20 listeners x 50,000 trials
    plain = judged("listeners prefer a over b", answers, None)
    assert (plain["verdict"], plain["matters"], plain["n_trials"]) == ("supported", None, 10**6)
    row = judged("listeners prefer a over b", answers)
    assert (row["verdict"], row["matters"]) == (TOO_SMALL, "no")
    assert row["words"].startswith("There is a difference, but a smaller one than matters")
    assert "5 points (55 to 45)" in row["words"]
    assert "isteners prefer" not in row["words"]
    assert row["p_value"] == plain["p_value"]
    assert -0.05 < row["effect_low"] < row["share"] - 0.5 < row["effect_high"] < 0.05
    back = judged("listeners prefer b over a", answers)
    assert back["verdict"] == TOO_SMALL


def test_no_percentage_passes_for_the_even_split() -> None:
    words = judged("listeners prefer a over b", paired(spread(0.5015, 0.002), 25_000), None)
    assert "50 %" not in words["words"]
    assert percents(0.5003, 0.5001, 0.5005) == ("50.03 %", "50.01 %", "50.05 %")
    assert percents(0.7301, 0.7295, 0.7304) == ("73.01 %", "72.95 %", "73.04 %")
    assert percents(0.5, 0.4, 0.6) == ("50 %", "40 %", "60 %")
    assert percents(0.5, 0.5, 0.5) == ("50 %", "50 %", "50 %")
    assert percents(0.3334, 0.31, 0.35, apart=1 / 3) == ("33.34 %", "31.00 %", "35.00 %")
    assert percent(0.496) == "49.6 %"
    assert percent(0.8) == "80 %"


@pytest.mark.parametrize(
    ("mean", "half", "verdict", "found"),
    [
        (0.75, 0.1, "supported", "yes"),
        (0.56, 0.08, "supported", "open"),
        (0.52, 0.03, TOO_SMALL, "no"),
        (0.25, 0.1, "contradicted", "yes"),
        (0.44, 0.08, "contradicted", "open"),
        (0.48, 0.03, TOO_SMALL, "no"),
        (0.5, 0.02, "undecided", "open"),
    ],
)
def test_three_answers_to_whether_it_matters(
    mean: float, half: float, verdict: str, found: str
) -> None:
    row = judged("listeners prefer a over b", paired(spread(mean, half), 1000))
    assert (row["verdict"], row["matters"]) == (verdict, found)
    if found == "yes":
        assert row["words"].endswith(
            "The difference is large enough to matter: 5 points (55 to 45) or more."
        )
    if verdict in ("supported", "contradicted") and found == "open":
        assert row["words"].endswith(
            "Whether the difference is large enough to matter, 5 points (55 to 45), is open."
        )


def test_an_undecided_claim_is_not_called_too_small() -> None:
    # Answers by lot leave a narrow interval about nothing; that is no finding.
    row = judged("listeners prefer a over b", paired(spread(0.5, 0.02), 1000))
    assert row["verdict"] == "undecided"
    assert "smaller one than matters" not in row["words"]


@pytest.mark.parametrize(
    ("method", "mean", "verdict"),
    [
        ("abx", 0.52, TOO_SMALL),
        ("abx", 0.62, "supported"),
        # In triangles 5 points are 40 % right: 1/3 + 0.1 x 2/3.
        ("triangle", 0.36, TOO_SMALL),
        ("triangle", 0.39, TOO_SMALL),
        ("triangle", 0.45, "supported"),
    ],
)
def test_hearing_is_on_the_same_scale(method: str, mean: float, verdict: str) -> None:
    right = [round(1000 * share) for share in spread(mean, 0.01)]
    row = judged("listeners can tell a from b", heard(right, 1000, method))
    assert row["verdict"] == verdict
    if verdict == TOO_SMALL:
        assert "told a from b" not in row["words"]


def test_the_scale_of_hearing() -> None:
    # Abbott's formula: P = c + d (1 - c) with d = 0.1 for 5 points.
    assert beyond_guessing(0.55, chance=0.5) == pytest.approx(0.05)
    assert beyond_guessing(1 / 3 + 0.1 * 2 / 3, chance=1 / 3) == pytest.approx(0.05)
    assert beyond_guessing(1.0, chance=1 / 3) == pytest.approx(0.5)


def test_one_listener_may_hear_what_does_not_matter() -> None:
    row = judged("listener P000 can tell a from b", heard([5200], 10_000))
    assert row["verdict"] == TOO_SMALL
    assert "mean over listeners" not in row["words"]


def test_most_has_to_matter_against_every_rival() -> None:
    clear = judged("listeners prefer a most", paired(spread(0.75, 0.1), 200, ("a", "b", "c")))
    assert (clear["verdict"], clear["matters"]) == ("supported", "yes")
    small = judged("listeners prefer a most", paired(spread(0.52, 0.02), 2000, ("a", "b", "c")))
    assert (small["verdict"], small["matters"]) == (TOO_SMALL, "no")
    assert "isteners prefer" not in small["words"]
    behind = judged("listeners prefer b most", paired(spread(0.52, 0.02), 2000, ("a", "b", "c")))
    assert behind["verdict"] == TOO_SMALL


def test_rules_of_several_rivals() -> None:
    assert matters([(0.06, 0.2), (0.01, 0.04)], 0.05, 1) == "no"
    assert matters([(0.06, 0.2), (0.01, 0.08)], 0.05, 1) == "open"
    assert matters([(0.06, 0.2), (0.05, 0.08)], 0.05, 1) == "yes"
    assert matters([(-0.2, -0.06), (-0.04, -0.01)], 0.05, -1) == "yes"
    assert matters([(-0.04, -0.01), (-0.04, 0.01)], 0.05, -1) == "no"


def test_claims_with_a_margin_of_their_own_keep_it() -> None:
    row = judged("listeners cannot tell a from b within 20 %", heard([500] * 20, 1000))
    assert row["matters"] is None
    assert row["smallest_effect"] is None


def test_points_are_checked_and_written() -> None:
    assert check_smallest_effect(5) == 0.05
    assert split(0.05) == "5 points (55 to 45)"
    assert split(0.01) == "1 point (51 to 49)"
    assert split(0.025) == "2.5 points (52.5 to 47.5)"
    assert "55 to 45" in remark("yes", 0.05)
    for points in (0.05, 0, -5, 50, float("nan")):
        with pytest.raises(InputError, match="Write points of decisions: 5"):
            check_smallest_effect(points)


def test_whether_a_difference_matters_errs_as_seldom_as_it_says() -> None:
    """At the smallest effect itself, "yes" and "no" are each said in at most 2.5 % of panels.

    The bound is nominal plus three errors of the simulation; the full table is
    ``tests/bench/calibration_smallest_effect.py``.
    """
    rng = np.random.default_rng(5)
    said = {"yes": 0, "no": 0, "open": 0}
    n = 400
    for _ in range(n):
        own = rng.normal(0.55, 0.1, 24)  # listeners' own shares, mean 55 to 45
        wins = rng.binomial(100, np.clip(own, 0, 1), (2, 24))
        counts = np.stack([wins.T, 100 - wins.T, 0 * wins.T], axis=2).astype(float)
        counts[:, 1] = counts[:, 1, [1, 0, 2]]
        names = tuple(f"P{k}" for k in range(24))
        panel = PairCounts(("a", "b"), names, np.array([0, 1]), np.array([1, 0]), counts)
        answers = Heard([], preference_of(panel, n_draws=0))
        said[judged("listeners prefer a over b", answers)["matters"]] += 1
    bound = 0.025 + 3 * np.sqrt(0.025 * 0.975 / n)
    assert said["yes"] / n <= bound
    assert said["no"] / n <= bound
