"""Groups of listeners: asked for by the study file, kept with the sitting, claimed about."""

from __future__ import annotations

import sys
from pathlib import Path
from types import SimpleNamespace

import pytest
from streamlit.testing.v1 import AppTest

from abx.errors import AnswerRefused, InputError
from abx.evidence.export import trial_rows, write_table
from abx.session.sessions import Sessions
from abx.session.simulate import run_panel
from abx.store import Store
from abx.study_file.claims import NOT_SAID
from abx.study_file.reading import study_from_text
from analysis.run import analyse
from analysis.tables.trials import read_trials
from helpers.study_desk import STUDY, Desk, sit_through
from stimuli.render.manifest import read_manifest

GROUPS = """
[groups]
ask = "Do you play an instrument or sing?"
answers = { players = "Yes", others = "No" }
"""
CLAIMS = 'claims = ["listeners prefer refit over untouched"]'


def with_groups(claims: str = CLAIMS, groups: str = GROUPS) -> str:
    assert CLAIMS in STUDY
    return STUDY.replace(CLAIMS, claims) + groups


@pytest.fixture
def grouped(shared_desk: Desk, local_store: Store) -> Sessions:
    """A sitting service of the shared study with groups."""
    study = study_from_text(with_groups())
    manifest = read_manifest(shared_desk.root / "stimuli" / "manifest.json")
    return Sessions(local_store, study, manifest, shared_desk.root / "stimuli")


# the study file ------------------------------------------------------------------------


def test_groups_and_claims_about_them_are_read() -> None:
    claim = 'claims = ["listeners prefer refit over untouched among players at 1 %"]'
    study = study_from_text(with_groups(claim))
    assert study.groups is not None
    assert study.groups.ask == "Do you play an instrument or sing?"
    assert dict(study.groups.answers) == {"players": "Yes", "others": "No"}
    assert study.claims == ("listeners prefer refit over untouched among players at 1 %",)
    assert study_from_text(STUDY).groups is None


FAULTS = [
    (
        with_groups('claims = ["listeners prefer refit most among player"]'),
        r"line 54, plan.claims\[0\]: there is no group 'player'. Did you mean 'players'\?",
    ),
    (
        with_groups('claims = ["listeners prefer refit most among players"]', ""),
        r"line 54, plan.claims\[0\]: the claim is about the group 'players', but listeners are not "
        r"asked for any. Add \[groups\]",
    ),
    (
        with_groups('claims = ["metric deviation_ds_db orders the stages"]'),
        r"line 54, plan.claims\[0\]: there is no metric 'deviation_ds_db'. Did you mean "
        r"'deviation_sd_db'\?",
    ),
    (
        with_groups('primary_metric = "tilt"'),
        r"line 54, plan.primary_metric: there is no metric 'tilt'. Use one of: deviation_sd_db",
    ),
    (
        with_groups('claims = ["listeners prefer refit most", "listeners prefer refit most"]'),
        r"line 54, plan.claims\[1\]: 'listeners prefer refit most' is claimed twice. State each",
    ),
    (with_groups(groups='[groups]\nask = "?"\n'), r"line 55, groups: 0 answers. Give 2 to 8"),
    (
        with_groups(groups='[groups]\nask = "?"\nanswers = { one = "Yes" }\n'),
        r"line 57, groups.answers: 1 answers. Give 2 to 8",
    ),
    (
        with_groups(groups='[groups]\nask = "?"\nanswers = { one = "Yes", two = "Yes" }\n'),
        r"line 57, groups.answers: two answers read the same",
    ),
    (
        with_groups(groups='[groups]\nask = "?"\nanswers = { one = "Yes", not-said = "No" }\n'),
        r"line 57, groups.answers.not-said: 'not-said' is not a name of a group",
    ),
    (
        with_groups(groups='[groups]\nquestion = "?"\nanswers = { a = "Yes", b = "No" }\n'),
        r"line 56, groups.question: unknown key 'question'",
    ),
]


@pytest.mark.parametrize(("text", "message"), FAULTS)
def test_what_cannot_be_used_names_its_line(text: str, message: str) -> None:
    with pytest.raises(InputError, match=message):
        study_from_text(text)


# sittings and tables -------------------------------------------------------------------


def test_the_group_travels_from_the_sitting_into_the_table(
    grouped: Sessions, tmp_path: Path
) -> None:
    first = grouped.begin(consent=True, output="headphones", group="players", listener="L-ONE")
    silent = grouped.begin(consent=True, output="vehicle", listener="L-TWO")
    for token in (first, silent):
        sit_through(grouped, token)
    grouped.close()
    frame = trial_rows(grouped.store, grouped.study)
    said = set(frame[["listener", "group", "output"]].itertuples(index=False, name=None))
    assert said == {("L-ONE", "players", "headphones"), ("L-TWO", "", "vehicle")}
    table = read_trials(write_table(frame, tmp_path / "trials.csv"))
    assert table.groups == {"players": 1}


def test_who_comes_back_stays_in_the_group_they_chose_first(grouped: Sessions) -> None:
    for group in ("", "others", "players"):
        sit_through(grouped, grouped.begin(consent=True, group=group, listener="L-ONE"))
    grouped.close()
    assert set(trial_rows(grouped.store, grouped.study)["group"]) == {"others"}


def test_only_the_groups_of_the_study_are_taken(
    grouped: Sessions, shared_desk: Desk, tmp_path: Path
) -> None:
    with pytest.raises(AnswerRefused, match="not one of the answers"):
        grouped.begin(consent=True, group="dancers")
    assert grouped.standing().n_sessions == 0


def test_a_study_without_groups_takes_none(local_sessions: Sessions) -> None:
    with pytest.raises(AnswerRefused, match="not one of the answers"):
        local_sessions.begin(consent=True, group="players")
    local_sessions.begin(consent=True)
    (begun,) = local_sessions.store.rows(local_sessions.study_id, kind="session-begun")
    assert "group" not in begun.content


def test_a_rehearsal_fills_the_groups_and_judges_claims_about_them(
    grouped: Sessions, tmp_path: Path
) -> None:
    run_panel(grouped, n_listeners=5, seed=1)
    frame = trial_rows(grouped.store, grouped.study)
    table = read_trials(write_table(frame, tmp_path / "trials.csv"))
    assert table.groups == {"others": 2, "players": 3}
    claim = "listeners prefer refit over untouched among players"
    (row,) = analyse(table, claims=[claim], mixed=False).to_dict()["claims"]
    assert row["who"] == "players"
    assert row["n_listeners"] == 3
    assert row["words"].startswith("Simulated listeners: Among players (3 listeners): ")


# the screen ----------------------------------------------------------------------------


@pytest.fixture(autouse=True)
def _own_main_module(monkeypatch: pytest.MonkeyPatch) -> None:
    """A screen that was run stays the main module; processes started later would run it too."""
    monkeypatch.setitem(sys.modules, "__main__", sys.modules["__main__"])


def _screen() -> None:
    import streamlit as st

    from abx.web.pages.listener import ask_group

    st.text(f"chosen: {ask_group()}")


def test_the_question_is_put_in_the_studys_words_and_nobody_has_to_say(
    grouped: Sessions, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(
        "abx.web.pages.listener.provided", lambda: SimpleNamespace(sessions=grouped)
    )
    app = AppTest.from_function(_screen).run()
    (question,) = app.radio
    assert question.label == "Do you play an instrument or sing?"
    assert question.options == ["Yes", "No", "I would rather not say"]
    assert app.text[0].value == "chosen: None"
    for answer, chosen in (("players", "players"), (NOT_SAID, NOT_SAID)):
        assert app.radio[0].set_value(answer).run().text[0].value == f"chosen: {chosen}"


def test_nothing_is_asked_where_the_study_has_no_groups(
    local_sessions: Sessions, monkeypatch: pytest.MonkeyPatch
) -> None:
    fake = SimpleNamespace(sessions=local_sessions)
    monkeypatch.setattr("abx.web.pages.listener.provided", lambda: fake)
    app = AppTest.from_function(_screen).run()
    assert not app.radio
    assert app.text[0].value == f"chosen: {NOT_SAID}"
