"""Equal preference is shown only inside a declared split, of a panel shown to listen."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from analysis.claims.equivalence import equivalence, shown_to_listen
from analysis.claims.grammar import parse_claim
from analysis.claims.judge import Heard, judge_claims
from analysis.hearing.pair_cells import PairCells
from analysis.preference.fit import Preference, preference_of, worth_difference
from analysis.tables.counts import PairCounts
from stimuli.files.errors import InputError

CLAIM = "listeners prefer neither a nor b beyond 55 to 45"


def panel(
    shares: dict[tuple[int, int], list[float]],
    each: int = 200,
    stages: tuple[str, ...] = ("a", "b"),
) -> Preference:
    """Return listeners who choose the first of each pair in these shares, in both orders."""
    first, second, p = [], [], []
    for (i, j), own in shares.items():
        first += [i, j]
        second += [j, i]
        p += [np.array(own), 1 - np.array(own)]
    wins = np.round(np.array(p).T * each)
    counts = np.stack([wins, each - wins, np.zeros_like(wins)], axis=2)
    names = tuple(f"P{k:03d}" for k in range(len(wins)))
    return preference_of(
        PairCounts(stages, names, np.array(first), np.array(second), counts), n_draws=0
    )


def spread(mean: float, half: float, n: int = 20) -> list[float]:
    """Return shares that lie evenly about their mean."""
    return list(np.linspace(mean - half, mean + half, n))


def judged(preference: Preference, claim: str = CLAIM, **more: Any) -> dict[str, Any]:
    """Judge one claim by paired answers, with 20 of 20 obvious controls."""
    return judge_claims([claim], replace(Heard([], preference, (20, 20)), **more))[0]


def test_grammar() -> None:
    claim = parse_claim(CLAIM)
    assert (claim.kind, claim.stages, claim.points) == ("neither", ("a", "b"), 0.05)
    assert claim.margin is None  # a share of discriminators is another thing
    whole = parse_claim("listeners prefer neither a nor b beyond 52.5 to 47.5 among g at 1 %")
    assert (whole.points, whole.who, whole.alpha) == (0.025, "g", 0.01)
    with pytest.raises(InputError, match="compares a stage with itself"):
        parse_claim("listeners prefer neither a nor a beyond 55 to 45")
    for wrong in ("45 to 55", "55 to 40", "50 to 50", "100 to 0"):
        with pytest.raises(InputError, match="no uneven split of a hundred decisions"):
            parse_claim(f"listeners prefer neither a nor b beyond {wrong}")
    with pytest.raises(InputError, match="neither I nor J beyond 55 to 45"):
        parse_claim("listeners prefer neither a nor b")


def test_even_choices_of_a_panel_that_listens() -> None:
    row = judged(panel({(0, 1): spread(0.5, 0.05)}))
    assert row["verdict"] == "supported"
    assert row["words"].startswith("In the mean over listeners neither a nor b is preferred beyond")
    assert "20 of 20 obvious controls" in row["words"]
    assert 0.45 < row["inside_low"] < 0.5 < row["inside_high"] < 0.55
    assert row["inside_confidence"] == pytest.approx(0.9)
    assert (row["margin"], row["matters"]) == (0.05, None)


@pytest.mark.parametrize("mean", [0.35, 0.65])
def test_beyond_the_split_is_contradicted(mean: float) -> None:
    row = judged(panel({(0, 1): spread(mean, 0.1)}))
    assert row["verdict"] == "contradicted"
    better, worse = ("a", "b") if mean > 0.5 else ("b", "a")
    assert row["words"].startswith(f"Listeners prefer {better} over {worse} beyond 5 points")
    # What goes against the claim needs nobody to vouch for the panel.
    assert judged(panel({(0, 1): spread(mean, 0.1)}), controls=(0, 0))["verdict"] == "contradicted"


def test_near_the_split_nothing_is_settled() -> None:
    row = judged(panel({(0, 1): spread(0.545, 0.1)}))
    assert row["verdict"] == "undecided"
    assert row["needs"]


def test_too_few_people_are_held_back() -> None:
    row = judged(panel({(0, 1): [0.49, 0.5, 0.51, 0.5, 0.5]}, 2000))
    assert row["verdict"] == "undecided"
    assert "nothing is said about listeners" in row["words"]


def test_verdict_and_interval_are_one_test() -> None:
    """Two one-sided tests at alpha are the interval of 1 - 2 alpha (Schuirmann 1987)."""
    for mean in np.linspace(0.42, 0.58, 33):
        found = worth_difference(panel({(0, 1): spread(float(mean), 0.1)}, 50), "a", "b")
        assert found is not None
        for alpha in (0.05, 0.01):
            told = equivalence(found, 0.05, alpha=alpha)
            inside = 0.45 < told.low and told.high < 0.55
            assert (told.p_inside < alpha) == inside


def test_without_a_split_it_is_the_ordinary_test() -> None:
    found = worth_difference(panel({(0, 1): spread(0.55, 0.2)}, 50), "a", "b")
    assert found is not None
    assert equivalence(found, 0.0, alpha=0.05).p_outside == pytest.approx(found.p_value, rel=1e-9)


def test_a_panel_that_nothing_vouches_for_is_left_open() -> None:
    row = judged(panel({(0, 1): spread(0.5, 0.05)}), controls=(0, 0))
    assert row["verdict"] == "undecided"
    assert "people who answer by lot split evenly too" in row["words"]
    assert "obvious controls" in row["needs"]
    assert judged(panel({(0, 1): spread(0.5, 0.05)}), controls=(3, 3))["verdict"] == "undecided"


def test_another_preference_or_a_heard_pair_vouches() -> None:
    three = panel(
        {(0, 1): spread(0.5, 0.05), (0, 2): spread(0.75, 0.1), (1, 2): spread(0.75, 0.1)},
        200,
        ("a", "b", "c"),
    )
    row = judged(three, controls=(0, 0))
    assert row["verdict"] == "supported"
    assert "a preference between a and c" in row["words"]
    cells = pd.DataFrame(
        {
            "listener": [f"P{k:03d}" for k in range(20)],
            "programme": "",
            "n_trials": 20,
            "n_correct": [15, 16] * 10,
        }
    )
    row = judged(
        panel({(0, 1): spread(0.5, 0.05)}),
        controls=(0, 0),
        cells=[PairCells(("a", "b"), "abx", cells)],
    )
    assert row["verdict"] == "supported"
    assert "telling a from b" in row["words"]


def test_the_preference_in_question_does_not_vouch_for_itself() -> None:
    preference = panel({(0, 1): spread(0.53, 0.01)}, 2000)
    assert shown_to_listen(("a", "b"), preference, [], (0, 0), 0.05) is None


def test_sleeping_panels_are_seldom_called_even() -> None:
    """Panels that answer everything by lot: supported in at most alpha of studies.

    With three stages, ABX trials and controls, all answered by lot; nominal 5 % plus three errors
    of the simulation.
    """
    rng = np.random.default_rng(11)
    n, g, supported = 200, 16, 0
    first, second = np.array([0, 1, 0, 2, 1, 2]), np.array([1, 0, 2, 0, 2, 1])
    names = tuple(f"P{k}" for k in range(g))
    for _ in range(n):
        wins = rng.binomial(60, 0.5, (g, 6))
        counts = np.stack([wins, 60 - wins, 0 * wins], axis=2).astype(float)
        preference = preference_of(
            PairCounts(("a", "b", "c"), names, first, second, counts), n_draws=0
        )
        cells = pd.DataFrame(
            {
                "listener": names,
                "programme": "",
                "n_trials": 8,
                "n_correct": rng.binomial(8, 0.5, g),
            }
        )
        controls = (16, int(rng.binomial(16, 0.5)))
        heard = [PairCells(("a", "c"), "abx", cells)]
        row = judged(preference, controls=controls, cells=heard)
        supported += row["verdict"] == "supported"
    assert supported / n <= 0.05 + 3 * np.sqrt(0.05 * 0.95 / n)


def test_the_share_of_right_controls_that_lot_would_give() -> None:
    # 6 of 6 have p = 1/64 by lot (binomial); 5 are fewer than anything is said about.
    assert stats.binom.sf(5, 6, 0.5) == pytest.approx(1 / 64)
    preference = panel({(0, 1): spread(0.5, 0.05)})
    assert shown_to_listen(("a", "b"), preference, [], (6, 6), 0.05) is not None
    assert shown_to_listen(("a", "b"), preference, [], (5, 5), 0.05) is None
    assert shown_to_listen(("a", "b"), preference, [], (20, 17), 0.05) is None
