"""Whatever the table holds, the analysis answers in strict JSON, without a warning."""

from __future__ import annotations

import json

import pandas as pd
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from analysis.run import analyse
from analysis.tables.trials import ANSWERS, trial_table

#: Claims, and the stages that each names.
CLAIMS = {
    "listeners can tell a from b": {"a", "b"},
    "listeners cannot tell a from b within 30 %": {"a", "b"},
    "listeners prefer a over b": {"a", "b"},
    "listeners prefer c most": {"c"},
}
_STAGE = st.sampled_from("abc")
_CONTROL = st.sampled_from(["", "", "", "obvious"])


@st.composite
def _trial(draw: st.DrawFn) -> dict[str, object]:
    method = draw(st.sampled_from([*ANSWERS, "rating", "grading"]))
    a = draw(_STAGE)
    b = draw(_STAGE.filter(lambda s: s != a))
    row: dict[str, object] = {
        "listener": draw(st.sampled_from(["P1", "P2", "P3", "P4"])),
        "session": "1",
        "method": method,
        "programme": draw(st.sampled_from(["", "kite", "harbour"])),
        "stage_a": a,
        "stage_b": b,
        "stage_c": "",
        "stage_x": "",
        "control": draw(_CONTROL),
    }
    if method == "rating":
        row |= {"stage_b": "", "answer": draw(st.sampled_from([0, 50, 50, 93.5, 100]))}
        return row
    if method == "grading":
        answer = draw(st.sampled_from([0, 0.5, -1.2, -4]))
        return row | {"stage_x": draw(st.sampled_from([a, b])), "answer": answer}
    row["answer"] = draw(st.sampled_from(ANSWERS[method]))
    if method == "paired" and draw(st.booleans()):
        row["strength"] = {"a": 2, "b": -1, "tie": 0}[str(row["answer"])]
    if method in ("abx", "duo-trio"):
        row["stage_x"] = draw(st.sampled_from([a, b]))
    if method == "triangle":
        row["stage_c"] = draw(st.sampled_from([a, b]))
    if method == "same-different" and draw(st.booleans()):
        row["stage_b"] = a
    return row


@settings(
    max_examples=8,
    # Shrinking would run the whole analysis hundreds of times; the example as found is small.
    phases=(Phase.explicit, Phase.generate),
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)
@given(st.lists(_trial(), min_size=1, max_size=40))
def test_any_table_is_answered(rows: list[dict[str, object]]) -> None:
    frame = pd.DataFrame(rows)
    frame["trial"] = frame.groupby("listener").cumcount() + 1
    there = set(frame[["stage_a", "stage_b"]].to_numpy().ravel())
    claims = [claim for claim, stages in CLAIMS.items() if stages <= there]
    result = analyse(
        trial_table(frame), claims=claims, screening="obvious controls at least 50 %"
    ).to_dict()
    text = json.dumps(result, allow_nan=False)
    assert json.loads(text)["about"]["n_trials"] == len(rows)
    for row in result["discrimination"]:
        assert 0 <= row["ci_low"] <= row["proportion"] <= row["ci_high"] <= 1
        assert 0 <= row["p_value"] <= 1
        if row["d_prime"] is not None:
            assert row["d_prime_low"] <= row["d_prime"] + 1e-9
    for claim in result["claims"]:
        assert claim["verdict"] in {"supported", "contradicted", "undecided"}
        assert (claim["verdict"] == "undecided") == (claim["needs"] is not None)
