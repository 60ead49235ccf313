"""Exact power of the tests between listeners, against enumeration of every outcome."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
from scipy import stats

from analysis.hearing.similarity import similarity
from analysis.panels.exact_panel import MOST_CELLS, panel_cells, similar_panel_power
from analysis.panels.panel import panel_proportion
from analysis.panels.sequential import spending_limits
from analysis.planning.curves import look_sentence, power_block
from analysis.planning.power import _simulated_power, panel_power


def _enumerated(p: float, chance: float, spread: float, rejects: str) -> float:
    """Sum the chances of every outcome of 3 listeners with 4 trials that the test calls."""
    size = p * (1 - p) / spread**2 - 1 if spread else 0.0
    one = (
        stats.betabinom.pmf(np.arange(5), 4, p * size, (1 - p) * size)
        if spread
        else stats.binom.pmf(np.arange(5), 4, p)
    )
    total = 0.0
    for counts in product(range(5), repeat=3):
        k, n = np.array(counts), np.full(3, 4)
        if rejects == "hearing":
            called = panel_proportion(k, n, chance=chance).p_value <= 0.05
        else:
            called = similarity(k, n, chance=chance, margin=0.6).p_similar <= 0.05
        total += called * float(np.prod(one[k]))
    return total


@pytest.mark.parametrize("spread", [0.0, 0.15])
@pytest.mark.parametrize("chance", [1 / 2, 1 / 3])
def test_power_is_the_sum_over_all_outcomes(chance: float, spread: float) -> None:
    found = panel_power(0.8, 3, 4, chance=chance, spread=spread)
    assert found == pytest.approx(_enumerated(0.8, chance, spread, "hearing"), abs=1e-12)


@pytest.mark.parametrize("spread", [0.0, 0.1])
def test_similar_power_is_the_sum_over_all_outcomes(spread: float) -> None:
    found = similar_panel_power(3, 4, chance=0.5, margin=0.6, share=0.0, spread=spread)
    assert found == pytest.approx(_enumerated(0.5, 0.5, spread, "similar"), abs=1e-12)


def test_larger_panels_are_simulated_to_the_same_power() -> None:
    assert panel_cells(24, 16) > MOST_CELLS > panel_cells(16, 16)
    exact = panel_power(0.6, 16, 12, spread=0.1)
    rng = np.random.default_rng(1)
    drawn = _simulated_power(0.6, 16, 12, 0.5, 0.1, 0.05, rng, 8000)
    # 8,000 studies: three standard errors are 1.7 percentage points.
    assert drawn == pytest.approx(exact, abs=0.017)
    much, little = (
        similar_panel_power(24, n, margin=0.3, spread=0.1, n_studies=4000) for n in (16, 10)
    )
    assert panel_cells(24, 10) <= MOST_CELLS
    assert 0.9 < little < much <= 1


@pytest.mark.parametrize("change", [{"margin": 0.0}, {"share": 2.0}, {"n_listeners": 1}])
def test_faults(change: dict[str, float]) -> None:
    call = {"n_listeners": 12, "n_trials": 4, "margin": 0.3, "share": 0.0} | change
    with pytest.raises(ValueError, match="need two listeners, one trial"):
        similar_panel_power(**call)  # type: ignore[arg-type]


def test_looks_in_a_sentence() -> None:
    text = look_sentence(24, 3)
    limits = spending_limits([1 / 3, 2 / 3, 1.0])
    for n, limit in zip((8, 16, 24), limits, strict=True):
        assert f"{n} (p below {2 * stats.norm.sf(limit):.2g})" in text
    with pytest.raises(ValueError, match="9 looks need 18 listeners"):
        look_sentence(12, 9)


def test_no_answers_no_power() -> None:
    assert power_block([], None, margins=[0.3]) == []
