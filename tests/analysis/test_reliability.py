"""Repeats, controls, circular triads and agreement."""

from __future__ import annotations

from collections.abc import Callable
from itertools import combinations, product
from math import comb

import numpy as np
import numpy.testing as npt
import pandas as pd
import pytest

from analysis.listeners.consistence import circular_triads, panel_agreement, triad_distribution
from analysis.listeners.reliability import reliability_block
from analysis.tables.trials import trial_table

Rows = Callable[[list[tuple[str, str, str, str, int]]], pd.DataFrame]


def test_round_robins_of_the_published_judgements(
    judgements: pd.DataFrame, reference: Callable[[str], pd.DataFrame]
) -> None:
    # eba 1.10-1 on Choisel & Wickelmaier (2007): 400 round-robins of eight stages. The sheets of a
    # programme are told apart by time and repetition, which the trial table has as sessions.
    table = reference("circular_triads_soundquality_pref").astype({"id": int})
    checked = 0
    for time, part in judgements.groupby("time"):
        expected = table.loc[table["time"] == time]
        keyed = part.assign(programme=part["programme"] + "/" + part["repet"].astype(str))
        rows = reliability_block(trial_table(keyed))["listeners"]
        found = {
            (int(row["listener"]), robin["programme"]): robin
            for row in rows
            for robin in row["round_robins"]
        }
        for row in expected.itertuples():
            robin = found[(row.id, f"{row.progmat}/{row.repet}")]
            assert robin["circular_triads"] == row.T
            assert robin["zeta"] == pytest.approx(row.zeta, abs=1e-12)
            assert robin["p_value"] == pytest.approx(float(row.p_exact_less), abs=1e-8)
            checked += 1
    assert checked == 400


@pytest.mark.parametrize("n", [3, 4, 5])
def test_distribution_of_triads_by_enumeration(n: int) -> None:
    pairs = list(combinations(range(n), 2))
    tally: dict[int, int] = {}
    for outcome in product((False, True), repeat=len(pairs)):
        won = np.zeros((n, n), dtype=bool)
        for (i, j), first in zip(pairs, outcome, strict=True):
            won[i, j], won[j, i] = first, not first
        count = sum(
            (won[i, j] and won[j, k] and won[k, i]) or (won[j, i] and won[k, j] and won[i, k])
            for i, j, k in combinations(range(n), 3)
        )
        tally[count] = tally.get(count, 0) + 1
    assert triad_distribution(n) == dict(sorted(tally.items()))


def test_distribution_has_the_known_mean() -> None:
    table = triad_distribution(8)
    assert sum(table.values()) == 2**28
    mean = sum(count * ways for count, ways in table.items()) / 2**28
    assert mean == pytest.approx(comb(8, 3) / 4)


def test_large_round_robin_uses_the_approximation() -> None:
    order = np.arange(12)
    found = circular_triads(order[:, None] < order[None, :])
    assert (found.triads, found.zeta) == (0, 1.0)
    assert 0 < found.p_value < 1e-6
    with pytest.raises(ValueError, match="exact distribution needs"):
        triad_distribution(11)
    with pytest.raises(ValueError, match="complete round-robin"):
        circular_triads(np.zeros((3, 3), dtype=bool))


def test_agreement_of_whole_votes_by_hand() -> None:
    # Three listeners, three pairs: agreements 3, 1, 1 of 3 each; u = 2·5/9 - 1.
    votes = np.array([[1, 1, 0], [1, 0, 1], [1, 1, 1]], dtype=float)
    assert panel_agreement(votes).u == pytest.approx(2 * 5 / 9 - 1)
    assert panel_agreement(votes).u_min == pytest.approx(-1 / 3)
    everyone = panel_agreement(np.ones((6, 10)))
    assert everyone.u == pytest.approx(1.0)
    assert everyone.p_value < 1e-6


def test_agreement_test_is_calibrated_under_guessing() -> None:
    rng = np.random.default_rng(5)
    p = [panel_agreement(rng.integers(0, 2, (12, 28)).astype(float)).p_value for _ in range(2000)]
    # 2,000 draws: three standard errors of a 5 % rate are 1.5 %; the correction is conservative.
    assert 0.02 < np.mean(np.array(p) <= 0.05) < 0.065


def test_agreement_needs_two_listeners_on_a_pair() -> None:
    with pytest.raises(ValueError, match="no pair was judged by two"):
        panel_agreement(np.array([[1.0, np.nan], [np.nan, 1.0]]))


def test_repeats_are_compared_two_by_two_and_turned(paired_rows: Rows) -> None:
    frame = paired_rows(
        [("P1", "i", "j", "a", 1), ("P1", "j", "i", "b", 1), ("P1", "i", "j", "b", 1)]
    )
    row = reliability_block(trial_table(frame))["listeners"][0]
    assert (row["n_repeats"], row["repeat_agreement"]) == (1, 1.0)
    frame = paired_rows([("P1", "i", "j", "a", 1), ("P1", "j", "i", "a", 1)])
    row = reliability_block(trial_table(frame))["listeners"][0]
    assert (row["n_repeats"], row["repeat_agreement"]) == (1, 0.0)


def test_controls_are_counted_by_kind(abx_rows: Callable[..., pd.DataFrame]) -> None:
    frame = abx_rows({"P1": (7, 8)})
    frame["control"] = ["obvious"] * 2 + [""] * 5 + ["obvious"]
    row = reliability_block(trial_table(frame))["listeners"][0]
    assert row["controls"]["obvious"] == {"given": 3, "scored": 3, "passed": 2}
    assert row["controls"]["identical"] == {"given": 0, "scored": 0, "passed": None}


def test_pairs_heard_over_changing_pieces_make_a_round_robin(paired_rows: Rows) -> None:
    # i over j, j over k, k over i: one circle, and of three stages guessing gives a quarter of one
    frame = paired_rows(
        [("P1", "i", "j", "a", 1), ("P1", "j", "k", "a", 1), ("P1", "i", "k", "b", 1)]
    )
    frame["programme"] = ["ripple", "reed", "ripple"]
    row = reliability_block(trial_table(frame))["listeners"][0]
    assert (row["circular_triads"], row["circular_chance"], row["zeta"]) == (1, 0.25, 0.0)
    assert [robin["programme"] for robin in row["round_robins"]] == [None]
    # with every pair in one piece, that piece is what counts
    frame["programme"] = "reed"
    row = reliability_block(trial_table(frame))["listeners"][0]
    assert [robin["programme"] for robin in row["round_robins"]] == ["reed"]


def test_open_round_robin_has_no_figures(paired_rows: Rows) -> None:
    frame = paired_rows(
        [("P1", "i", "j", "tie", 1), ("P1", "j", "k", "a", 1), ("P1", "i", "k", "a", 1)]
    )
    row = reliability_block(trial_table(frame))["listeners"][0]
    assert row["round_robins"][0]["zeta"] is None
    assert row["zeta"] is None


def test_table_without_paired_trials(abx_rows: Callable[..., pd.DataFrame]) -> None:
    block = reliability_block(trial_table(abx_rows({"P1": (4, 8)})))
    assert block["kendall_u"] is None
    npt.assert_equal(block["agreement"], [])
