"""Repeat agreement against what guessing gives, for every method."""

from __future__ import annotations

from itertools import product

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from analysis.listeners.reliability import reliability_block
from analysis.listeners.repeats import repeat_counts, repeat_p
from analysis.tables.trials import trial_table

_COLUMNS = ["method", "stage_a", "stage_b", "stage_c", "stage_x", "answer"]


def _table(rows: list[tuple[str, ...]], listener: str = "P1") -> pd.DataFrame:
    frame = pd.DataFrame(rows, columns=_COLUMNS)
    frame["listener"], frame["session"] = listener, "1"
    frame["trial"] = np.arange(len(frame)) + 1
    return frame


def _random(
    method: str, n: int, rng: np.random.Generator, bias: float = 0.0, listener: str = "P1"
) -> pd.DataFrame:
    """Return trials of somebody who hears nothing and leans to the first answer by `bias`."""
    answers = {
        "triangle": ("a", "b", "c"),
        "same-different": ("different", "same"),
        "ties": ("a", "b", "tie"),
    }.get(method, ("a", "b"))
    share = np.full(len(answers), (1 - bias) / len(answers))
    share[0] += bias
    rows = []
    for _ in range(n):
        a, b = rng.permutation(["i", "j"])
        c = x = ""
        if method == "triangle":
            c = rng.choice([a, b])
        elif method == "same-different":
            a, b = ("i", "i") if rng.random() < 0.5 else (a, b)
        elif method in ("abx", "duo-trio"):
            x = rng.choice([a, b])
        name = "paired" if method == "ties" else method
        rows.append((name, a, b, c, x, str(rng.choice(answers, p=share))))
    return _table(rows, listener)


def test_tail_of_a_sum_of_unlike_chances_by_enumeration() -> None:
    chances = [0.5, 0.5, 5 / 9, 1 / 3, 0.9]
    total = 0.0
    for kinds in product((0, 1), repeat=5):
        weight = float(np.prod([p if k else 1 - p for k, p in zip(kinds, chances, strict=True)]))
        total += weight * (sum(kinds) >= 3)
    assert repeat_p(3, {0.5: 2, 5 / 9: 1, 1 / 3: 1, 0.9: 1}) == pytest.approx(total, rel=1e-12)
    assert repeat_p(8, {0.5: 8}) == pytest.approx(2.0**-8)
    assert repeat_p(0, {0.5: 8}) == pytest.approx(1.0)
    assert np.isnan(repeat_p(0, {}))


@pytest.mark.parametrize(
    ("method", "chance"),
    [
        # Two even guesses are alike: both right or both wrong, c² + (1-c)²; votes, Σ 1/m².
        ("abx", 1 / 2),
        ("duo-trio", 1 / 2),
        ("same-different", 1 / 2),
        ("triangle", 5 / 9),
        ("paired", 1 / 2),
        ("ties", 1 / 3),
    ],
)
def test_chance_of_every_method(method: str, chance: float) -> None:
    frame = _random(method, 6000, np.random.default_rng(1))
    found = repeat_counts(trial_table(frame))["P1"]
    assert found.n_repeats == pytest.approx(3000, abs=60)
    # Own shares wander around even ones: with 6,000 answers by less than a hundredth.
    assert found.chance == pytest.approx(chance, abs=0.01)
    assert found.n_alike / found.n_repeats == pytest.approx(found.chance, abs=0.03)


def test_leaning_to_one_answer_repeats_itself() -> None:
    # Nine of ten times "different", whatever is played: alike by chance in .81 + .01.
    rng = np.random.default_rng(2)
    frame = _random("same-different", 4000, rng, bias=0.8)
    found = repeat_counts(trial_table(frame))["P1"]
    assert found.chance == pytest.approx(0.82, abs=0.015)
    assert found.p_value > 0.001
    against_half = stats.binom.sf(found.n_alike - 1, found.n_repeats, 0.5)
    assert against_half < 1e-50


def test_always_the_first_position() -> None:
    # Asked again in the same order, "a" twice is no evidence; in the other order it is unlike.
    again = _table([("paired", "i", "j", "", "", "a")] * 8)
    assert repeat_counts(trial_table(again))["P1"].p_value == 1.0
    turned = _table(
        [("paired", "i", "j", "", "", "a"), ("paired", "j", "i", "", "", "a")] * 4,
    )
    assert repeat_counts(trial_table(turned))["P1"].n_alike == 0


@pytest.mark.parametrize(
    ("method", "bias"),
    [("triangle", 0.0), ("triangle", 0.4), ("ties", 0.0), ("abx", 0.5), ("same-different", 0.5)],
)
def test_guessing_is_not_called_steady(method: str, bias: float) -> None:
    rng = np.random.default_rng(3)
    frame = pd.concat([_random(method, 24, rng, bias, f"P{k}") for k in range(300)])
    p = [found.p_value for found in repeat_counts(trial_table(frame)).values()]
    assert len(p) == 300
    # 300 listeners: 5 % and three standard errors (3.8 %).
    assert np.mean(np.array(p) <= 0.05) < 0.088


def test_figures_in_the_block() -> None:
    row = reliability_block(trial_table(_random("triangle", 20, np.random.default_rng(4))))
    listener = row["listeners"][0]
    assert listener["repeat_chance"] >= 5 / 9 - 1e-12
    assert 0 < listener["repeat_p_value"] <= 1
