"""Power, sample size and sequential limits against published figures."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import numpy.testing as npt
import pandas as pd
import pytest
from scipy import stats

from analysis.panels.sequential import (
    always_valid,
    spending_limits,
    spent,
)
from analysis.planning.power import (
    chance_of,
    detectable_share,
    exact_power,
    paired_power,
    panel_power,
    proportion_of,
)
from analysis.run import analyse
from analysis.tables.trials import trial_table

Read = Callable[[str], pd.DataFrame]
MODEL = {
    "twoAFC": "two-interval",
    "duotrio": "duo-trio",
    "threeAFC": "3-alternative",
    "triangle": "triangle",
    "tetrad": "tetrad",
}


def test_exact_power(reference: Read) -> None:
    # sensR 1.5-3 d.primePwr.
    for row in reference("discrimination_power").itertuples():
        model = MODEL[row.method]
        p = proportion_of(method=model, d_prime=float(row.dprime))
        found = exact_power(p, int(row.n), chance=chance_of(model))
        assert found == pytest.approx(float(row.power_exact_alpha05), abs=1e-7)


def test_edges_of_exact_power() -> None:
    with pytest.raises(ValueError, match="either d_prime or discriminators"):
        proportion_of(method="abx")
    assert proportion_of(method="triangle", discriminators=0.5) == pytest.approx(2 / 3)
    assert exact_power(0.9, 4) == 0.0


def test_panel_of_equal_listeners_comes_near_the_exact_test() -> None:
    assert panel_power(0.65, 24, 8) == pytest.approx(exact_power(0.65, 192), abs=0.03)
    # Listeners who differ cost power; one who guesses has the level.
    assert panel_power(0.6, 24, 8, spread=0.2) < panel_power(0.6, 24, 8) - 0.05
    assert panel_power(0.5, 24, 8, n_studies=20_000) == pytest.approx(0.05, abs=0.006)


def test_detectable_share_has_the_asked_power() -> None:
    share = detectable_share(16, 8, spread=0.1)
    assert share is not None
    assert panel_power(share, 16, 8, spread=0.1) == pytest.approx(0.8, abs=0.02)
    assert detectable_share(2, 1) is None
    with pytest.raises(ValueError, match="too large"):
        panel_power(0.9, 10, 5, spread=0.5)
    with pytest.raises(ValueError, match="two listeners"):
        panel_power(0.9, 1, 5)


def test_paired_power_with_its_level() -> None:
    found = paired_power(np.array([0.0, 0.0, 0.5, 1.0, 1.5]), 16, 4)
    assert found.n_studies == 2000
    # Stages 0 and 1 are alike in the middle of the panel: 5 % to four errors (.5 % each) plus the
    # sandwich's small-sample surplus.
    assert 0.03 < found.pair_power[0, 1] < 0.08
    power = found.pair_power[0]
    assert power[2] < power[3] < power[4]
    assert found.pair_right[4, 0] > 0.95 > found.pair_right[0, 4]
    assert found.best_power[4] > 10 * found.best_power[2]
    with pytest.raises(ValueError, match="at least two stages"):
        paired_power(np.array([0.0]), 16, 4)


def test_power_of_the_study_as_run(
    abx_rows: Callable[..., pd.DataFrame], judgement_result: dict[str, Any]
) -> None:
    table = trial_table(abx_rows({f"P{k}": (5 + k % 3, 8) for k in range(12)}))
    rows = analyse(table).to_dict()["power"]
    assert [row["what"] for row in rows] == [
        "abx: 65 % right",
        "abx: 75 % right",
        "abx: 85 % right",
    ]
    for row in rows:
        assert len(row["n_listeners"]) == len(row["power"])
        assert row["power_as_run"] == row["power"][row["n_listeners"].index(12)]
        assert row["power"][-1] >= row["power"][0]
    assert {row["method"] for row in judgement_result["power"]} == {"paired"}


def _numbers(text: str) -> list[float]:
    return [float(part) for part in text.split(";")]


def test_spending(reference: Read) -> None:
    table = reference("sequential")
    rows = table.loc[table["family"] == "Lan-DeMets spending"]
    assert len(rows) == 12
    for row in rows.itertuples():
        kind = "obrien-fleming" if row.quantity.startswith("OBF") else "pocock"
        share = float(row.quantity.split("t=")[1])
        assert spent(share, kind=kind) == pytest.approx(float(row.value), rel=1e-8)


def test_spending_limits_spend_what_they_say() -> None:
    limits = spending_limits([0.3, 0.7, 1.0])
    rng = np.random.default_rng(1)
    steps = rng.standard_normal((400_000, 3)) * np.sqrt([0.3, 0.4, 0.3])
    z = np.abs(steps.cumsum(axis=1)) / np.sqrt([0.3, 0.7, 1.0])
    ever = np.maximum.accumulate(z > limits, axis=1).mean(axis=0)
    # Monte-Carlo: 400,000 paths give 5 % to .034 % (one error).
    npt.assert_allclose(ever, [spent(t, kind="obrien-fleming") for t in (0.3, 0.7, 1)], atol=0.0014)
    assert spending_limits([1.0])[0] == pytest.approx(stats.norm.isf(0.025), abs=1e-8)
    with pytest.raises(ValueError, match="shares must rise"):
        spending_limits([0.5, 0.4])
    with pytest.raises(ValueError, match="kind must be"):
        spent(0.5, kind="linear")


def test_always_valid_interval(reference: Read) -> None:
    table = reference("sequential")
    seen = 0
    for row in table.itertuples():
        if "mixture confidence" in row.family or row.family.startswith("Anytime-valid e-value"):
            parts = dict(piece.split("=") for piece in row.case.split() if "=" in piece)
            found = always_valid(int(parts["s"]), int(parts["n"]))
            values = (
                (found.ci_low, found.ci_high)
                if "mixture" in row.family
                else (found.e_value, found.p_value)
            )
            npt.assert_allclose(values, _numbers(row.value), atol=2e-8)
            seen += 1
    assert seen == 12


def test_always_valid_survives_peeking() -> None:
    rng = np.random.default_rng(1)
    right = (rng.random((1500, 120)) < 0.5).cumsum(axis=1)
    ever = np.zeros(1500, dtype=bool)
    for n in range(10, 121, 10):
        low = {k: always_valid(k, n).p_value for k in range(n + 1)}
        ever |= np.array([low[k] <= 0.05 for k in right[:, n - 1]])
    assert ever.mean() <= 0.05
    edge = always_valid(0, 3)
    assert edge.ci_low == 0.0
    assert always_valid(3, 3).ci_high == 1.0
    with pytest.raises(ValueError, match="n_correct <= n_trials"):
        always_valid(4, 3)
