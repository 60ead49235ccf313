"""Always-valid statements about a growing panel."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest

from analysis.hearing.growing_panel import always_valid_mean
from analysis.run import analyse
from analysis.tables.trials import trial_table

Abx = Callable[..., pd.DataFrame]


def test_empirical_bernstein_interval(reference: Callable[[str], pd.DataFrame]) -> None:
    # Waudby-Smith & Ramdas (2024), formula from memory and recomputed in 20 digits.
    answers = np.array([float(c) for c in "110111011101101111011101"])
    for row in reference("betting_prpl_eb").itertuples():
        found = always_valid_mean(answers[: int(str(row.t).removeprefix("t="))])
        assert found.centre == pytest.approx(float(str(row.centre)), abs=1e-7)
        assert found.half_width == pytest.approx(float(str(row.half_width)), abs=1e-7)


def test_betting_is_the_product_of_the_capitals() -> None:
    # One look, by hand: stake min(√(2 ln 20 / (1/4·ln 2)), 1/(2·chance)), then 1 + stake·(x - c).
    found = always_valid_mean(np.array([1.0]), chance=0.5)
    assert found.e_value == pytest.approx(1 + 1.0 * 0.5)
    assert found.p_value == pytest.approx(1 / 1.5)
    assert always_valid_mean(np.array([0.0]), chance=0.5).p_value == 1.0


def test_looking_all_along_keeps_level_and_coverage() -> None:
    rng = np.random.default_rng(1)
    inside = alarms = 0
    for _ in range(300):
        held = always_valid_mean(rng.binomial(8, rng.beta(7, 3, 40)) / 8)
        inside += held.ci_low <= 0.7 <= held.ci_high
        alarms += always_valid_mean(rng.binomial(8, rng.beta(5, 5, 40)) / 8).p_value <= 0.05
    # The interval and p hold what every earlier look excluded; 300 panels, three errors.
    assert inside / 300 > 0.95 - 0.038
    assert alarms / 300 < 0.05 + 0.038


def test_betting_is_narrower_and_narrows() -> None:
    values = np.random.default_rng(2).binomial(8, 0.7, 60) / 8
    few, many = always_valid_mean(values[:20]), always_valid_mean(values)
    assert few.ci_low <= many.ci_low < values.mean() < many.ci_high <= few.ci_high
    assert many.ci_high - many.ci_low < 2 * many.half_width
    assert many.ci_low > 0.5


@pytest.mark.parametrize(
    ("values", "chance"), [([], 0.5), ([1.2], 0.5), ([np.nan], 0.5), ([0.5], 1.0)]
)
def test_faults(values: list[float], chance: float) -> None:
    with pytest.raises(ValueError, match=r"at least one value|must lie in \(0, 1\)"):
        always_valid_mean(np.array(values), chance=chance)


def test_block_follows_the_order_of_arrival(abx_rows: Abx) -> None:
    right = {f"P{k:02d}": (8 if k < 10 else 2, 8) for k in range(20)}
    frame = abx_rows(right)
    assert analyse(trial_table(frame)).to_dict()["growing_panel"] == []
    day = frame["listener"].str[1:].astype(int)
    early = frame.assign(answered_at=[f"2026-03-{d + 1:02d}T10:00:00+00:00" for d in day])
    late = frame.assign(answered_at=[f"2026-03-{20 - d:02d}T10:00:00+00:00" for d in day])
    [first] = analyse(trial_table(early)).to_dict()["growing_panel"]
    [second] = analyse(trial_table(late)).to_dict()["growing_panel"]
    assert (first["n_listeners"], first["n_trials"]) == (20, 160)
    assert first["estimate"] == second["estimate"]
    # Ten perfect listeners first: shown early, and it stays shown.
    assert first["p_value"] < 0.05 < second["p_value"]


def test_paired_votes_bet_on_both_sides() -> None:
    rows = [
        (f"P{k:02d}", "1", 1, "paired", *(("i", "j", "b") if k % 2 else ("j", "i", "a")))
        for k in range(24)
    ]
    names = ["listener", "session", "trial", "method", "stage_a", "stage_b", "answer"]
    frame = pd.DataFrame(rows, columns=names)
    frame["answered_at"] = [f"2026-03-01T{k:02d}:00:00Z" for k in range(24)]
    [row] = analyse(trial_table(frame)).to_dict()["growing_panel"]
    assert row["estimate"] == 0
    assert row["p_value"] < 0.01
    assert row["ci_high"] < 0.5
