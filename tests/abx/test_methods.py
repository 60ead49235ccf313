"""Every method: its screen, its arrangements, its scoring, its rows, a whole sitting."""

from __future__ import annotations

import json
from collections import Counter
from itertools import pairwise, product
from pathlib import Path
from typing import Any

import pytest

from abx.errors import AnswerRefused, InputError
from abx.evidence.export import trial_rows
from abx.evidence.log_check import check_log
from abx.methods import get_method, method_ids
from abx.methods.base import Turn
from abx.schedule.panel import make_schedule, make_slot
from abx.session.simulate import run_panel
from abx.store import Store
from abx.study.model import Study, TestPlan
from abx.study.trial import Trial, Unit
from abx.study_file.reading import study_from_text
from analysis.tables.trials import trial_table
from helpers.study_desk import STUDY, make_desk

SEED = bytes(range(32))
PLAN = TestPlan("any", (("i", "j"),), ("i", "j"), trials=1)


def study_with(test: str) -> str:
    head, _ = STUDY.split("[[tests]]", 1)
    return f"{head}[[tests]]\n{test}\n[plan]\nlisteners = 12\n"


def made(method_id: str, turn: Turn, pair: tuple[str, str] = ("i", "j"), **options: Any) -> Trial:
    method = get_method(method_id)
    unit = Unit(pair)
    plan = TestPlan(method_id, (pair,), pair, trials=1, options=options)
    versions = method.arrange(unit, turn, plan)
    return Trial(1, 0, method_id, "test", "p", versions, unit.about, options=options)


def test_the_registry_finds_every_module() -> None:
    import abx.methods

    folder = Path(abx.methods.__file__).parent
    helpers = {"__init__", "base", "pairs", "scales"}
    modules = {file.stem for file in folder.glob("*.py")} - helpers
    assert {name.replace("-", "_") for name in method_ids()} == modules


# Arrangements and right answers, written by hand: (orientation, key) -> versions, right answer.
BY_HAND = {
    "abx": {
        (0, 0): ("a=i b=j x=i", "a"),
        (0, 1): ("a=i b=j x=j", "b"),
        (1, 0): ("a=j b=i x=j", "a"),
        (1, 1): ("a=j b=i x=i", "b"),
    },
    "duo-trio": {
        (0, 0): ("x=i a=i b=j", "a"),
        (0, 1): ("x=j a=i b=j", "b"),
        (1, 0): ("x=j a=j b=i", "a"),
        (1, 1): ("x=i a=j b=i", "b"),
    },
    "triangle": {
        (0, 0): ("a=i b=j c=j", "a"),
        (0, 1): ("a=j b=i c=j", "b"),
        (0, 2): ("a=j b=j c=i", "c"),
        (1, 0): ("a=j b=i c=i", "a"),
        (1, 1): ("a=i b=j c=i", "b"),
        (1, 2): ("a=i b=i c=j", "c"),
    },
    "same-different": {
        (0, 0): ("a=i b=j", "different"),
        (1, 0): ("a=j b=i", "different"),
        (0, 1): ("a=i b=i", "same"),
        (1, 1): ("a=j b=j", "same"),
    },
}


@pytest.mark.parametrize("method_id", sorted(BY_HAND))
def test_arrangements_and_scoring(method_id: str) -> None:
    method = get_method(method_id)
    table = BY_HAND[method_id]
    assert set(table) == set(product((0, 1), range(method.n_keys)))
    for (orientation, key), (versions, right) in table.items():
        trial = made(method_id, Turn(orientation, key, (0, 1)))
        assert " ".join(f"{name}={source}" for name, source in trial.versions) == versions
        values = [answer.value for answer in method.answers(trial)]
        assert [value for value in values if method.correct(trial, value)] == [right]
        assert method.must_hear(trial) == trial.version_names
        assert set(method.version_labels(trial)) == set(trial.version_names)


@pytest.mark.parametrize("method_id", ["abx", "duo-trio", "triangle"])
def test_identical_controls_have_no_right_answer(method_id: str) -> None:
    trial = made(method_id, Turn(0, 0, (0, 1)), pair=("i", "i"))
    method = get_method(method_id)
    assert [method.correct(trial, answer.value) for answer in method.answers(trial)].count(
        None
    ) == len(method.answers(trial))


def test_identical_controls_of_same_different_are_the_same() -> None:
    trial = made("same-different", Turn(0, 0, (0, 1)), pair=("i", "i"))
    assert get_method("same-different").correct(trial, "same") is True
    assert get_method("same-different").correct(trial, "different") is False


def test_obvious_controls_of_same_different_are_different() -> None:
    study = study_from_text(
        study_with(
            'method = "same-different"\nstages = "all"\ntrials = 1\ncontrols = { obvious = 3 }'
        )
    )
    for slot in make_schedule(study, SEED).slots:
        for trial in slot.trials:
            if trial.control == "obvious":
                assert trial.plays("a") != trial.plays("b")


def test_the_six_triangles_come_up_equally_often() -> None:
    """ISO 4120: AAB, ABA, BAA, BBA, BAB, ABB equally often over the panel."""
    study = study_from_text(
        study_with(
            'method = "triangle"\npairs = [["untouched", "refit"]]\ntrials = 1\npractice = 0'
        )
    )
    slots = make_schedule(study, SEED, 12).slots
    seen = Counter(slot.trials[0].versions for slot in slots)
    assert len(seen) == 6
    assert set(seen.values()) == {2}


def test_same_different_rows_name_the_pair() -> None:
    method = get_method("same-different")
    same = made("same-different", Turn(1, 1, (0, 1)))
    assert method.rows(same, "same", {"a": 1.0, "b": 2.0}) == [
        {
            "stage_a": "j",
            "stage_b": "j",
            "stage_x": "i",
            "answer": "same",
            "listened_a_s": 1.0,
            "listened_b_s": 2.0,
        }
    ]
    different = made("same-different", Turn(0, 0, (0, 1)))
    assert "stage_x" not in method.rows(different, "same", {})[0]


def test_no_two_same_trials_of_one_pair_in_a_row() -> None:
    """Same-different: i-i right after i-j is the same pair, whatever is heard."""
    study = study_from_text(study_with('method = "same-different"\nstages = "all"\ntrials = 2'))
    for slot in make_schedule(study, SEED, 12).slots:
        tested = [trial for trial in slot.trials if trial.phase == "test"]
        abouts = [frozenset(trial.about) for trial in tested]
        assert all(one != other for one, other in pairwise(abouts))


# Paired with strength ---------------------------------------------------------------------------


def test_strength_of_preference() -> None:
    """Seven grades of BS.1284 (wording from memory), from A much better to B much better."""
    method = get_method("paired")
    trial = made("paired", Turn(0, 0, (0, 1)), strength=True, ties=True)
    values = [answer.value for answer in method.answers(trial)]
    assert values == ["a3", "a2", "a1", "tie", "b1", "b2", "b3"]
    rows = [method.rows(trial, value, {})[0] for value in values]
    assert [row["answer"] for row in rows] == ["a", "a", "a", "tie", "b", "b", "b"]
    assert [row["strength"] for row in rows] == [3, 2, 1, 0, -1, -2, -3]
    with pytest.raises(InputError, match="'the same' in its middle"):
        study_from_text(
            study_with(
                'method = "paired"\nstages = "all"\ntrials = 1\nstrength = true\nties = false'
            )
        )


# Rating ------------------------------------------------------------------------------------------

RATING = 'method = "rating"\nstages = "all"\nreference = "refit"\ntrials = 1\npractice = 0'


@pytest.fixture
def rated() -> Study:
    return study_from_text(study_with(RATING))


def test_ratings_hide_reference_and_anchors(rated: Study) -> None:
    slot = make_slot(rated, SEED, 0)
    assert len(slot.trials) == 3, "one a programme"
    assert {trial.programme for trial in slot.trials} == {"kite-street", "tin-roof", "low-tide"}
    for trial in slot.trials:
        assert trial.version_names == ("ref", "a", "b", "c", "d", "e", "f")
        assert trial.plays("ref") == "refit"
        hidden = Counter(source for name, source in trial.versions if name != "ref")
        assert hidden == dict.fromkeys(
            ("untouched", "damped", "ceiling", "refit", "lowpass-3500:refit", "lowpass-7000:refit"),
            1,
        )


def test_each_stage_takes_each_place(rated: Study) -> None:
    """Six signals, six listeners: a Latin square in every programme."""
    schedule = make_schedule(rated, SEED, 6)
    places = Counter(
        (trial.programme, name, source)
        for slot in schedule.slots
        for trial in slot.trials
        for name, source in trial.versions
        if name != "ref"
    )
    assert len(places) == 3 * 6 * 6
    assert set(places.values()) == {1}


def test_the_rating_screen_is_declared(rated: Study) -> None:
    trial = make_slot(rated, SEED, 0).trials[0]
    method = get_method("rating")
    fields = method.screen_fields(trial)
    assert method.screen == "sliders"
    assert fields["rate"] == ["a", "b", "c", "d", "e", "f"]
    scale = fields["scale"]
    assert (scale["low"], scale["high"], scale["step"]) == (0, 100, 1)
    # BS.1534-3: five equal intervals with these words from top to bottom.
    assert [word["word"] for word in scale["words"]] == [
        "Excellent",
        "Good",
        "Fair",
        "Poor",
        "Bad",
    ]
    assert [word["from"] for word in scale["words"]] == [80, 60, 40, 20, 0]
    assert method.answers(trial) == ()
    assert "refit" not in json.dumps(fields)


@pytest.mark.parametrize(
    ("raw", "words"),
    [
        ("a", "give a value to each of: A, B, C, D, E, F"),
        ({"a": 1}, "give a value to each"),
        (dict.fromkeys("abcdefg", 1), "give a value to each"),
        ({**dict.fromkeys("abcde", 1), "f": 101}, "from 0 to 100"),
        ({**dict.fromkeys("abcde", 1), "f": -1}, "from 0 to 100"),
        ({**dict.fromkeys("abcde", 1), "f": float("nan")}, "from 0 to 100"),
        ({**dict.fromkeys("abcde", 1), "f": True}, "has to be a number"),
        ({**dict.fromkeys("abcde", 1), "f": "9"}, "has to be a number"),
    ],
)
def test_ratings_that_do_not_fit(rated: Study, raw: object, words: str) -> None:
    trial = make_slot(rated, SEED, 0).trials[0]
    with pytest.raises(AnswerRefused, match=words):
        get_method("rating").read_answer(trial, raw)


def test_rating_rows(rated: Study) -> None:
    trial = make_slot(rated, SEED, 0).trials[0]
    method = get_method("rating")
    answer = method.read_answer(trial, {name: 10.0 * n for n, name in enumerate("abcdef")})
    rows = method.rows(trial, answer, {"ref": 9.0, "a": 1.0})
    assert [row["answer"] for row in rows] == [0, 10, 20, 30, 40, 50]
    assert [row["played"] for row in rows] == [trial.plays(name) for name in "abcdef"]
    assert {row["played"]: row["stage_a"] for row in rows} == {
        "untouched": "untouched",
        "damped": "damped",
        "ceiling": "ceiling",
        "refit": "hidden-reference",
        "lowpass-3500:refit": "low-anchor",
        "lowpass-7000:refit": "mid-anchor",
    }
    assert rows[0]["listened_a_s"] == 1.0
    assert rows[1]["listened_a_s"] is None


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ("controls = { obvious = 1 }", "have no control trials"),
        ('reference = "refti"', "'refti' is not known. Did you mean 'refit'"),
        ("anchors = true", "anchors are copies of a reference"),
    ],
)
def test_rating_plans_that_do_not_fit(change: str, words: str) -> None:
    test = f'method = "rating"\nstages = "all"\ntrials = 1\n{change}'
    with pytest.raises(InputError, match=words):
        study_from_text(study_with(test))


def test_a_reference_outside_the_set_is_named() -> None:
    test = 'method = "rating"\nstages = ["untouched", "damped"]\nreference = "refit"\ntrials = 1'
    with pytest.raises(InputError, match="'refit' is not among the stages"):
        study_from_text(study_with(test))


@pytest.mark.parametrize(("stages", "fits"), [(10, True), (11, False)])
def test_at_most_twelve_signals(stages: int, fits: bool) -> None:
    """BS.1534-3: 12 signals, the hidden reference and both anchors included."""
    blocks = "".join(f'[[stages]]\nid = "s{n}"\nresponses = ["r{n}.csv"]\n' for n in range(stages))
    text = (
        f'format = 1\ntitle = "t"\ntarget = "flat"\n{blocks}'
        '[[programmes]]\nid = "p"\nfile = "p.wav"\n'
        '[[tests]]\nmethod = "rating"\nstages = "all"\nreference = "s0"\ntrials = 1\n'
        "[plan]\nlisteners = 2\n"
    )
    if fits:
        assert len(make_slot(study_from_text(text), SEED, 0).trials[0].versions) == 13
        return
    with pytest.raises(InputError, match=r"13 signals in one trial\. Present at most 12"):
        study_from_text(text)


def test_pairs_make_no_rating() -> None:
    test = 'method = "rating"\npairs = [["untouched", "refit"]]\ntrials = 1'
    with pytest.raises(InputError, match="present a whole set"):
        study_from_text(study_with(test))


def test_without_a_reference_there_are_no_anchors() -> None:
    study = study_from_text(study_with('method = "rating"\nstages = "all"\ntrials = 1'))
    trial = make_slot(study, SEED, 0).trials[-1]
    assert trial.version_names == ("a", "b", "c", "d")
    assert {source for _, source in trial.versions} == {"untouched", "damped", "ceiling", "refit"}


def test_practice_without_right_and_wrong_says_what_there_was_to_hear(rated: Study) -> None:
    trial = make_slot(rated, SEED, 0).trials[0]
    method = get_method("rating")
    places = {source: name for name, source in trial.versions if name != "ref"}
    answer = {name: 10.0 * n for n, name in enumerate("abcdef")}
    hidden, low = places["refit"], places["lowpass-3500:refit"]
    assert method.practice_words(trial, answer) == (
        f"{hidden.upper()} was the reference itself; you gave it {answer[hidden]:.0f}. "
        f"{low.upper()} was a copy with its treble taken away; you gave it {answer[low]:.0f}."
    )
    dull = made("paired", Turn(1, 0, (0, 1)), pair=("i", "lowpass-3500:i"))
    words = get_method("paired").practice_words
    assert words(dull, "b") == "A was a copy with its treble taken away; you chose B."
    assert words(dull, "tie") == "A was a copy with its treble taken away; you found no difference."
    assert words(made("paired", Turn(0, 0, (0, 1))), "a") == "", "real stages are never named"


# Grading -----------------------------------------------------------------------------------------


def graded(key: int, pair: tuple[str, str] = ("ref-stage", "s")) -> Trial:
    return made("grading", Turn(0, key, (0, 1)), pair=pair, reference=pair[0])


def test_grading_hides_the_reference() -> None:
    assert graded(0).versions == (("ref", "ref-stage"), ("a", "ref-stage"), ("b", "s"))
    assert graded(1).versions == (("ref", "ref-stage"), ("a", "s"), ("b", "ref-stage"))


def test_difference_grades() -> None:
    """BS.1116-3: grade of the signal under test less that of the hidden reference."""
    method = get_method("grading")
    [row] = method.rows(graded(0), method.read_answer(graded(0), {"a": 5, "b": 3.24}), {})
    assert (row["answer"], row["grade"], row["grade_reference"]) == (-1.8, 3.2, 5.0)
    [row] = method.rows(graded(1), {"a": 5.0, "b": 3.5}, {})
    assert row["answer"] == 1.5, "above 0 where the listener took the wrong one"
    assert method.correct(graded(0), {"a": 5.0, "b": 3.2}) is True
    assert method.correct(graded(1), {"a": 5.0, "b": 3.2}) is False
    assert method.correct(graded(1), {"a": 5.0, "b": 5.0}) is False
    assert method.correct(graded(0, ("i", "i")), {"a": 5.0, "b": 5.0}) is None


@pytest.mark.parametrize(
    ("raw", "words"),
    [
        ({"a": 4.9, "b": 3.0}, "Give 5.0 to the one you take for the reference"),
        ({"a": 5.0, "b": 0.9}, "from 1 to 5"),
        ({"a": 5.0}, "give a value to each of: A, B"),
    ],
)
def test_grades_that_do_not_fit(raw: object, words: str) -> None:
    with pytest.raises(AnswerRefused, match=words):
        get_method("grading").read_answer(graded(0), raw)


def test_grading_asks_about_every_other_stage() -> None:
    study = study_from_text(
        study_with('method = "grading"\nstages = "all"\nreference = "refit"\ntrials = 2')
    )
    slot = make_slot(study, SEED, 0)
    tested = Counter(t.about for t in slot.trials if t.phase == "test")
    assert tested == {("refit", stage): 2 for stage in ("untouched", "damped", "ceiling")}


# Every method from start to verified log ----------------------------------------------------------

ONE_PASS = 'stages = "all"\ntrials = 1\nrepeats = 1\ncontrols = { identical = 1, obvious = 1 }'
WHOLE = {
    "abx": 'stages = "all"\ntrials = 2\nrepeats = 1\ncontrols = { identical = 1, obvious = 1 }',
    "paired": ONE_PASS,
    "triangle": ONE_PASS,
    "duo-trio": ONE_PASS,
    "same-different": 'stages = "all"\ntrials = 2\ncontrols = { identical = 1, obvious = 1 }',
    "grading": f'reference = "refit"\n{ONE_PASS}',
    "rating": 'stages = "all"\nreference = "refit"\ntrials = 1\nrepeats = 1',
}


@pytest.mark.parametrize("method_id", sorted(WHOLE))
def test_a_rehearsal_with_every_method(tmp_path: Path, local_store: Store, method_id: str) -> None:
    text = study_with(f'method = "{method_id}"\n{WHOLE[method_id]}')
    desk = make_desk(tmp_path / "d", text=text)
    sessions = desk.sessions(local_store)
    tokens = run_panel(sessions, n_listeners=4, seed=3)
    assert all(sessions.next_trial(token)["state"] == "done" for token in tokens)
    frame = trial_rows(local_store, sessions.study)
    slot = sessions.slot(0, simulated=True)
    per_trial = 6 if method_id == "rating" else 1
    assert len(frame) == 4 * slot.n_test_trials * per_trial
    if method_id != "grading":
        assert trial_table(frame).n_trials == len(frame), "the analysis takes it"
    checks = check_log(local_store, sessions.study, desk.manifest, desk.root / "stimuli")
    assert [one.name for one in checks if not one.passed] == []


def test_every_method_is_tried_above() -> None:
    assert set(WHOLE) == set(method_ids())


def test_rated_audio_carries_all_versions(tmp_path: Path, local_store: Store) -> None:
    from helpers.sound_block import unpack

    desk = make_desk(tmp_path / "d", text=study_with(RATING))
    sessions = desk.sessions(local_store)
    token = sessions.begin(consent=True)
    message = sessions.next_trial(token)
    _, samples = unpack(sessions.audio_blob(token, message["audio"].rsplit("/", 1)[-1]))
    assert len(samples) == len(message["versions"]) == 7
    refused = {**dict.fromkeys(message["versions"], 1.0), "d": 0.0}
    with pytest.raises(AnswerRefused, match=r"listen to every version .*: D"):
        sessions.record_answer(
            token, message["trial"], dict.fromkeys(message["rate"], 50), listened_s=refused
        )
    heard = dict.fromkeys(message["versions"], 1.0)
    answer = dict.fromkeys(message["rate"], 50)
    first = sessions.record_answer(token, message["trial"], answer, listened_s=heard)
    again = sessions.record_answer(token, message["trial"], answer, listened_s=heard)
    assert first.next["trial"] == again.next["trial"]
