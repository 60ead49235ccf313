"""How a study was run, read back from its log."""

from __future__ import annotations

from pathlib import Path

import pytest

from abx.errors import StudyChanged
from abx.evidence.conduct import conduct_block
from abx.session.opening import software_version
from abx.session.sessions import Sessions
from abx.sound.stimuli import manifest_hash
from abx.store import Store
from helpers.study_desk import STUDY, Desk, answer_open_trial, make_desk, sit_through


def block(sessions: Sessions, desk: Desk) -> dict:
    return conduct_block(
        sessions,
        study_sha256=desk.study.sha256,
        manifest_sha256=manifest_hash(desk.root / "stimuli"),
    )


def test_sittings_of_every_kind_are_counted(local_sessions: Sessions, shared_desk: Desk) -> None:
    sit_through(local_sessions, local_sessions.begin(consent=True, output="headphones"))
    left = local_sessions.begin(consent=True, output="headphones")
    for _ in range(5):
        answer_open_trial(local_sessions, left)
    local_sessions.begin(consent=True)
    gone = local_sessions.begin(consent=True, output="loudspeakers")
    answer_open_trial(local_sessions, gone)
    local_sessions.withdraw(gone)
    found = block(local_sessions, shared_desk)
    assert found["closed_at"] is None
    counts = ("n_sittings", "n_finished", "n_unfinished", "n_unanswered", "n_withdrawn")
    assert [found[key] for key in counts] == [4, 1, 1, 1, 1]
    local_sessions.close()
    found = block(local_sessions, shared_desk)
    times = ("opened_at", "first_answer_at", "last_answer_at", "closed_at")
    assert [found[key] for key in times] == sorted(found[key] for key in times)
    assert found["n_after_closing"] == 0
    assert found["outputs"] == [
        {"output": "headphones", "n_sittings": 2},
        {"output": None, "n_sittings": 1},
    ]
    assert found["software"] == [{"version": software_version(), "n_sittings": 3}]
    assert found["sealed"]["study_sha256"] == found["present"]["study_sha256"]
    assert found["sealed"]["manifest_sha256"] == found["present"]["manifest_sha256"]
    assert "study_text" not in found["sealed"]
    assert found["earlier"] == []


def test_questions_of_each_test_are_counted_by_sitting(
    local_sessions: Sessions, shared_desk: Desk
) -> None:
    sit_through(local_sessions, local_sessions.begin(consent=True))
    left = local_sessions.begin(consent=True)
    slot = local_sessions.slot(1)
    for _ in range(8):
        answer_open_trial(local_sessions, left)
    rows = block(local_sessions, shared_desk)["tests"]
    assert [row["method"] for row in rows] == ["abx", "paired"]
    # The study file: 2 pairs x 4 trials + 1 repeat; 6 pairs x 1 trial + 2 repeats.
    assert [row["planned_each"] for row in rows] == [9, 8]
    heard = [t for t in slot.trials[:8] if t.phase == "test" and not t.control]
    for index, row in enumerate(rows):
        part = sum(trial.test == index for trial in heard)
        assert row["answered_least"] == part < row["answered_most"] == row["planned_each"]
        assert (row["n_sittings"], row["n_short"]) == (2, 1)
        assert row["n_answered"] == part + row["planned_each"]


def test_a_study_file_changed_later_leaves_its_earlier_version(
    local_store: Store, tmp_path: Path
) -> None:
    before = make_desk(tmp_path / "study")
    first = before.sessions(local_store)
    answer_open_trial(first, first.begin(consent=True))
    first.close()
    changed = STUDY.replace("listeners prefer refit over untouched", "listeners prefer refit most")
    (tmp_path / "study" / "study.toml").write_text(changed)
    found = block(before.sessions(local_store), before)
    (earlier,) = found["earlier"]
    assert earlier["n_answers"] == 1
    assert earlier["closed_at"] >= earlier["opened_at"]
    assert earlier["study_sha256"] != found["sealed"]["study_sha256"] == before.study.sha256


def test_a_log_dealt_by_another_rule_is_refused(
    local_store: Store, shared_desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    sessions = shared_desk.sessions(local_store)
    answer_open_trial(sessions, sessions.begin(consent=True))
    monkeypatch.setattr("abx.session.opening.RULE", "earwitness-schedule-99")
    with pytest.raises(StudyChanged, match=r"'earwitness-schedule-2'; this version .* other quest"):
        shared_desk.sessions(local_store)
