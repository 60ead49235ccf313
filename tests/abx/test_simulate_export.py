"""Simulated panels through the real service layer, and the trial table they leave."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import numpy.testing as npt
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from abx.errors import StillOpen, StoreError
from abx.evidence.export import COLUMNS, safe_cell, trial_rows, write_table
from abx.methods import get_method
from abx.session.opening import sealed_before_listening
from abx.session.sessions import Sessions
from abx.session.simulate import perception_from_manifest, run_panel
from abx.store import Store
from abx.study_file.reading import study_from_text
from analysis.tables.trials import read_trials
from helpers.study_desk import STUDY, Desk, answer_open_trial, make_desk, sit_through


def test_a_panel_leaves_a_table_the_analysis_reads(
    sessions: Sessions, shared_desk: Desk, tmp_path: Path
) -> None:
    steps: list[tuple[int, int, str]] = []
    run_panel(sessions, n_listeners=3, seed=1, progress=lambda *step: steps.append(step))
    assert steps == [(n, 3, "simulated listeners") for n in (1, 2, 3)]
    frame = trial_rows(sessions.store, shared_desk.study)
    assert list(frame.columns) == list(COLUMNS)
    assert len(frame) == 3 * sessions.slot(0, simulated=True).n_test_trials
    for name in ("trials.csv", "trials.parquet"):
        table = read_trials(write_table(frame, tmp_path / name))
        assert table.simulated
        assert table.n_listeners == 3
        assert table.n_trials == len(frame)


def test_the_plan_is_sealed_where_this_very_file_was_opened_before_the_first_answer(
    local_sessions: Sessions, shared_desk: Desk
) -> None:
    store, own = local_sessions.store, shared_desk.study.sha256
    assert sealed_before_listening(store, own), "opened, and nobody has answered"
    sit_through(local_sessions, local_sessions.begin(consent=True))
    assert sealed_before_listening(store, own)
    edited = study_from_text(STUDY.replace("listeners = 8", "listeners = 9"))
    assert not sealed_before_listening(store, edited.sha256), "an edited plan was never opened"


def test_rows_say_what_was_played(local_sessions: Sessions, shared_desk: Desk) -> None:
    """Every row against the schedule, answer by answer."""
    token = local_sessions.begin(consent=True)
    sit_through(local_sessions, token)
    local_sessions.close()
    frame = trial_rows(local_sessions.store, shared_desk.study)
    trials = {trial.number: trial for trial in local_sessions.slot(0).trials}
    answers = {
        row.content["number"]: row.content["answer"]
        for row in local_sessions.store.rows(local_sessions.study_id, kind="answer")
    }
    assert list(frame["trial"]) == list(range(1, len(frame) + 1))
    assert set(frame["question"]) == {n for n, trial in trials.items() if trial.phase == "test"}
    for row in frame.to_dict("records"):
        trial = trials[int(str(row["question"]))]
        assert row["programme"] == trial.programme
        assert row["method"] == trial.method
        assert row["control"] == trial.control
        assert row["answer"] == answers[trial.number]
        for name, source in trial.versions:
            assert row[f"stage_{name}"] == source
            assert row[f"listened_{name}_s"] == 1.5
        assert row["simulated"] == 0
    repeats = frame[frame["repeat_of"].notna()]
    assert len(repeats) == 3
    for row in repeats.to_dict("records"):
        original = frame[frame["trial"] == row["repeat_of"]].iloc[0]
        assert trials[int(str(row["question"]))].repeat_of == original["question"]
        assert {original["stage_a"], original["stage_b"]} == {row["stage_a"], row["stage_b"]}


def test_answers_of_people_wait_for_closing(sessions: Sessions, shared_desk: Desk) -> None:
    run_panel(sessions, n_listeners=1, seed=1)
    assert len(trial_rows(sessions.store, shared_desk.study)) > 0, "a rehearsal may be seen"
    token = sessions.begin(consent=True)
    answer_open_trial(sessions, token)
    with pytest.raises(StillOpen, match="close it with 'earwitness close'"):
        trial_rows(sessions.store, shared_desk.study)
    simulated = trial_rows(sessions.store, shared_desk.study, simulated=True)
    assert set(simulated["simulated"]) == {1}
    sit_through(sessions, token)
    sessions.close()
    people = trial_rows(sessions.store, shared_desk.study, simulated=False)
    assert set(people["simulated"]) == {0}
    both = trial_rows(sessions.store, shared_desk.study)
    assert len(both) == len(people) + len(simulated)


def test_a_withdrawn_sitting_is_not_exported(local_sessions: Sessions, shared_desk: Desk) -> None:
    keep, leave = (local_sessions.begin(consent=True) for _ in range(2))
    for token in (keep, leave):
        sit_through(local_sessions, token)
    local_sessions.withdraw(leave)
    local_sessions.close()
    frame = trial_rows(local_sessions.store, shared_desk.study)
    assert set(frame["listener"]) == {local_sessions.sitting(keep).listener}


def test_an_unknown_study_is_named(local_store: Store) -> None:
    with pytest.raises(StoreError, match="no answers to this version of the study file"):
        trial_rows(local_store, study_from_text(STUDY))


def test_the_panel_repeats_with_its_seed(tmp_path: Path, shared_desk: Desk) -> None:
    """Same behaviour seed, same traits: scores differ only by the schedules' own seeds."""
    from abx.session.simulate import SimulatedListener

    one, other = (SimulatedListener.drawn(np.random.default_rng([4, 2])) for _ in range(2))
    assert one == other


def test_perception_follows_the_measured_deviation(local_sessions: Sessions) -> None:
    """The fixture's stages differ in bass only: 9, 6, 3 dB short of "both", which is closest."""
    perception = perception_from_manifest(local_sessions)
    qualities = [perception.quality[stage] for stage in ("untouched", "damped", "ceiling", "refit")]
    assert qualities == sorted(qualities)
    npt.assert_allclose(
        perception.distance("untouched", "refit"), 3 * perception.distance("ceiling", "refit")
    )
    assert perception.distance("refit", "refit") == 0
    assert perception.distance_of("refit", "lowpass-3500:refit") == 6.0


def test_simulated_listeners_hear_large_differences_best(
    tmp_path: Path, local_store: Store
) -> None:
    text = STUDY.replace(
        'pairs = [["untouched", "refit"], ["damped", "ceiling"]]',
        'pairs = [["untouched", "refit"], ["ceiling", "refit"]]',
    )
    sessions = make_desk(tmp_path / "d", text=text).sessions(local_store)
    run_panel(sessions, n_listeners=24, seed=5)
    frame = trial_rows(local_store, sessions.study)
    abx = frame[(frame["method"] == "abx") & (frame["control"] == "")]
    right = (abx["answer"] == "a") == (abx["stage_x"] == abx["stage_a"])
    share = {
        other: right[(abx["stage_a"] == other) | (abx["stage_b"] == other)].mean()
        for other in ("untouched", "ceiling")
    }
    assert share["untouched"] > share["ceiling"] > 0.45
    paired = frame[(frame["method"] == "paired") & (frame["control"] == "")]
    against = paired[(paired["stage_a"] == "untouched") | (paired["stage_b"] == "untouched")]
    lost = (against["answer"] == "a") == (against["stage_a"] == "untouched")
    assert lost[against["answer"] != "tie"].mean() < 0.3


def test_csv_is_safe_in_a_spreadsheet(tmp_path: Path) -> None:
    frame = pd.DataFrame(
        {
            "listener": ["=1+1", "+x", "-x", "@x", "\tx", "plain", "a=b"],
            "trial": [-1, 2, 3, 4, 5, 6, 7],
        }
    )
    with write_table(frame, tmp_path / "t.csv").open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert [row["listener"] for row in rows] == [
        "'=1+1",
        "'+x",
        "'-x",
        "'@x",
        "'\tx",
        "plain",
        "a=b",
    ]
    assert rows[0]["trial"] == "-1", "numbers stay numbers"


@given(st.text())
def test_no_cell_starts_a_formula(value: str) -> None:
    assert not str(safe_cell(value)).startswith(("=", "+", "-", "@", "\t", "\r"))


def test_every_method_answers_what_it_offers(local_sessions: Sessions) -> None:
    run_panel(local_sessions, n_listeners=2, seed=9)
    slots = [local_sessions.slot(n, simulated=True) for n in range(2)]
    rows = local_sessions.store.rows(local_sessions.study_id, kind="answer")
    assert len(rows) == sum(len(slot.trials) for slot in slots)
    for row in rows:
        slot = slots[0] if row.session == rows[0].session else slots[1]
        trial = slot.trials[row.content["number"] - 1]
        get_method(trial.method).read_answer(trial, row.content["answer"])


def test_ratings_beside_other_answers_survive_parquet(tmp_path: Path) -> None:
    frame = pd.DataFrame(
        {
            "listener": ["l1", "l1"],
            "session": ["1", "1"],
            "trial": [1, 2],
            "method": ["paired", "rating"],
            "stage_a": ["amber", "amber"],
            "stage_b": ["basalt", ""],
            "answer": ["b", 71.5],
        }
    )
    by_csv = read_trials(write_table(frame, tmp_path / "trials.csv")).frame
    by_parquet = read_trials(write_table(frame, tmp_path / "trials.parquet")).frame
    assert list(by_parquet["answer"]) == list(by_csv["answer"]) == ["b", ""]
    assert list(by_parquet["rating"])[1] == list(by_csv["rating"])[1] == 71.5
