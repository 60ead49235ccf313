"""Verdicts never say more than the numbers."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from analysis.about import json_ready
from analysis.claims.grammar import parse_claim
from analysis.claims.judge import Heard, judge_claims
from analysis.panels.multiplicity import benjamini_hochberg, holm
from analysis.tables.trials import trial_table
from stimuli.files.errors import InputError

Abx = Callable[..., pd.DataFrame]
Rows = Callable[[list[tuple[str, str, str, str, int]]], pd.DataFrame]


def judged(frame: pd.DataFrame, *claims: str) -> list[dict[str, Any]]:
    """Return the claims' rows as the analysis would, without its other blocks."""
    table = trial_table(frame)
    heard = Heard.of(table, n_draws=500)
    rows = judge_claims(claims, heard, simulated=table.simulated)
    ready: list[dict[str, Any]] = json_ready(rows)
    return ready


def panel_frame(paired_rows: Rows, wins: int, of: int = 8, n: int = 12) -> pd.DataFrame:
    """Return `n` listeners who choose i over j about `wins` times of `of`, not all alike."""
    cells = []
    for k in range(n):
        own = min(max(wins + (k % 3) - 1, 0), of)
        # Half of them in either order, so that places are balanced.
        half, rest = own // 2, own - own // 2
        cells += [(f"P{k}", "i", "j", "a", half), (f"P{k}", "i", "j", "b", of // 2 - half)]
        cells += [(f"P{k}", "j", "i", "b", rest), (f"P{k}", "j", "i", "a", of // 2 - rest)]
    return paired_rows(cells)


def test_grammar() -> None:
    assert parse_claim("listeners hear  refit from ceiling").stages == ("refit", "ceiling")
    assert parse_claim("listeners prefer refit over untouched-2").kind == "prefer"
    assert parse_claim("listeners prefer refit most").kind == "most"
    with pytest.raises(InputError, match=r"claim 2: the claim .* has no known form"):
        parse_claim("refit is better", where="claim 2")
    with pytest.raises(InputError, match="compares a stage with itself"):
        parse_claim("listeners can tell refit from refit")


def test_heard_difference_is_supported(abx_rows: Abx) -> None:
    frame = abx_rows({f"P{k}": (6 + k % 3, 8) for k in range(12)})
    (row,) = judged(frame, "listeners can tell j from i")
    assert row["verdict"] == "supported"
    assert row["words"].startswith(
        "Listeners told j from i: 88 % right in the mean over listeners, where guessing gives 50 %"
    )
    assert row["needs"] is None
    assert row["n_listeners"] == 12
    assert row["n_trials"] == 96


def test_guessing_is_undecided_and_not_called_equal(abx_rows: Abx) -> None:
    frame = abx_rows({f"P{k}": (3 + k % 3, 8) for k in range(12)})
    (row,) = judged(frame, "listeners can tell i from j")
    assert row["verdict"] == "undecided"
    assert "no evidence that the two sound the same" in row["words"]
    assert "margin declared beforehand" in row["needs"]


def test_one_keen_listener_does_not_speak_for_the_panel(abx_rows: Abx) -> None:
    right = {"P0": (40, 40)} | {f"P{k}": (4, 8) for k in range(1, 12)}
    frame = abx_rows(right)
    row = judged(frame, "listeners can tell i from j")[0]
    pooled = stats.binomtest(84, 128, 0.5, alternative="greater").pvalue
    assert pooled < 0.001, "bare trials would call it heard"
    assert row["verdict"] == "undecided"


def test_one_listener_is_never_listeners(abx_rows: Abx, paired_rows: Rows) -> None:
    (row,) = judged(abx_rows({"P1": (16, 16)}), "listeners can tell i from j")
    assert row["verdict"] == "undecided"
    assert row["p_value"] is None
    frame = paired_rows([("P1", "i", "j", "a", 20), ("P1", "i", "j", "b", 2)])
    rows = judged(frame, "listeners prefer i over j", "listeners prefer i most")
    assert [row["verdict"] for row in rows] == ["undecided", "undecided"]
    assert all("other listeners" in row["words"] for row in rows)


def test_preference_supported_contradicted_undecided(paired_rows: Rows) -> None:
    strong = panel_frame(paired_rows, wins=7)
    (row,) = judged(strong, "listeners prefer i over j")
    assert row["verdict"] == "supported"
    assert row["estimate"] > 0
    assert row["ci_low"] > 0
    (row,) = judged(strong, "listeners prefer j over i")
    assert row["verdict"] == "contradicted"
    assert row["words"].startswith("The opposite holds, listeners prefer i over j")
    (row,) = judged(panel_frame(paired_rows, wins=4), "listeners prefer i over j")
    assert row["verdict"] == "undecided"
    assert "no evidence that they like both equally" in row["words"]


def test_verdict_agrees_with_p_and_interval(paired_rows: Rows) -> None:
    for wins in range(9):
        (row,) = judged(panel_frame(paired_rows, wins=wins), "listeners prefer i over j")
        excludes_zero = row["ci_low"] > 0 or row["ci_high"] < 0
        assert (row["p_value"] <= 0.05) == excludes_zero
        assert (row["verdict"] != "undecided") == excludes_zero


def test_most_needs_every_rival(paired_rows: Rows) -> None:
    cells = []
    for k in range(14):
        near = 1 + k % 2
        cells += [(f"P{k}", "i", "j", "a", near), (f"P{k}", "i", "j", "b", 3 - near)]
        cells += [(f"P{k}", "i", "z", "a", 3), (f"P{k}", "j", "z", "a", 3)]
        cells += [(f"P{k}", "i", "z", "b", k % 3 == 0), (f"P{k}", "j", "z", "b", k % 4 == 0)]
    frame = paired_rows(cells)
    rows = judged(frame, "listeners prefer i most", "listeners prefer z most")
    assert rows[0]["verdict"] == "undecided"
    assert "open against j" in rows[0]["words"]
    assert rows[1]["verdict"] == "contradicted"
    assert rows[1]["p_best"] == 0.0


def test_most_supported(paired_rows: Rows) -> None:
    cells = []
    for k in range(14):
        for rival in ("j", "z"):
            cells += [(f"P{k}", "i", rival, "a", 3), (f"P{k}", "i", rival, "b", k % 2)]
            cells += [(f"P{k}", rival, "i", "b", 3), (f"P{k}", rival, "i", "a", k % 2)]
        cells += [(f"P{k}", "j", "z", "a", 1 + k % 2), (f"P{k}", "z", "j", "a", 1 + k % 2)]
    (row,) = judged(paired_rows(cells), "listeners prefer i most")
    assert row["verdict"] == "supported"
    assert row["words"].startswith("Listeners prefer i over each of j and z")


def test_claims_are_one_family(paired_rows: Rows) -> None:
    frame = panel_frame(paired_rows, wins=5)
    (alone,) = judged(frame, "listeners prefer i over j")
    texts = ["listeners prefer i over j"] * 3
    together = judged(frame, *texts)
    assert together[0]["p_holm"] == pytest.approx(min(1.0, 3 * alone["p_value"]))
    assert "Adjusted for 3 claims" in together[0]["words"]


def test_claims_about_stages_that_were_not_heard(paired_rows: Rows) -> None:
    frame = panel_frame(paired_rows, wins=5)
    rows = judged(
        frame,
        "listeners can tell i from j",
        "listeners prefer i over nosuch",
        "listeners prefer nosuch most",
    )
    assert {row["verdict"] for row in rows} == {"undecided"}
    assert all(row["words"].startswith("No ") and row["needs"] for row in rows)


def test_simulated_listeners_are_marked(abx_rows: Abx) -> None:
    frame = abx_rows({f"P{k}": (6 + k % 3, 8) for k in range(12)}).assign(simulated=1)
    (row,) = judged(frame, "listeners can tell j from i")
    assert row["words"].startswith("Simulated listeners: ")


def test_adjusted_p_values_by_hand() -> None:
    p = np.array([0.01, np.nan, 0.04, 0.03])
    np.testing.assert_allclose(holm(p), [0.03, np.nan, 0.06, 0.06])
    np.testing.assert_allclose(benjamini_hochberg(p), [0.03, np.nan, 0.04, 0.04])
    assert holm(np.array([])).size == 0
