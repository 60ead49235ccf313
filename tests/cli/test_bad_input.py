"""What a tired shop assistant feeds it: one clear message, exit 2, nothing lost."""

import hashlib
import shutil
from pathlib import Path

import pytest

from abx.sound.stimuli import render
from abx.study.workspace import Workspace
from helpers.cli_study import BANDS, STUDY, table, write_noise, write_study


@pytest.fixture
def study(tmp_path):
    return write_study(tmp_path / "study")


@pytest.fixture(scope="module")
def rendered_once(tmp_path_factory):
    root = write_study(tmp_path_factory.mktemp("rendered") / "study")
    render(Workspace.open(root))
    return root


@pytest.fixture
def rendered(rendered_once, tmp_path):
    return Path(shutil.copytree(rendered_once, tmp_path / "study"))


def fingerprint(folder):
    return {p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in sorted(folder.iterdir())}


def assert_refused(outcome, *words):
    assert outcome.code == 2, outcome
    assert "Traceback" not in outcome.err
    lines = outcome.err.strip().splitlines()
    assert len(lines) == 1, outcome.err
    for word in words:
        assert word in lines[0], f"{word!r} is missing in: {lines[0]}"


def line(index):
    return f"line {index}"


RESPONSES = {
    "text where a number belongs": (table([70.0] * 29).replace("70.0", "loud", 5), line(1)),
    "one column": ("".join(f"{f}\n" for f in BANDS), line(1)),
    "negative frequency": ("-20,70\n" + table([70.0] * 29), line(1)),
    "repeated frequency": (table([70.0] * 29) + f"{BANDS[-1]},71\n", line(30)),
    "not a number": (table(["nan" if i == 3 else 70.0 for i in range(29)]), line(4)),
    "ten points in the bass": ("".join(f"{f},70\n" for f in BANDS[:10]), "Hz"),
    "empty": ("", "before.csv"),
    "comments only": ("# nothing was measured\n", "before.csv"),
    "absurd level": (table([70.0] * 28 + [7000.0]), line(29)),
}


@pytest.mark.parametrize("name", RESPONSES)
def test_a_bad_response_table_is_refused_and_earlier_stimuli_stay(rendered, call, name):
    text, where = RESPONSES[name]
    earlier = fingerprint(rendered / "stimuli")
    (rendered / "responses/before.csv").write_text(text)
    outcome = call("render", rendered)
    assert_refused(outcome, "before.csv", where)
    assert fingerprint(rendered / "stimuli") == earlier


@pytest.mark.parametrize(
    ("separator", "comma"), [(";", True), ("\t", False), ("  ", True), (",", False)]
)
def test_tables_from_anywhere_are_read(study, call, separator, comma):
    text = table([f"{70 + i / 10:.1f}" for i in range(29)], separator)
    if comma:
        text = text.replace(".", ",")
    head = '* measured with care\n"a quoted remark"\nFreq(Hz)' + separator + "SPL(dB)\n"
    (study / "responses/before.csv").write_text(head + text)
    assert call("render", study).code == 0


def truncated(path):
    data = path.read_bytes()
    path.write_bytes(data[: len(data) // 3])


AUDIO = {
    "eight kilohertz": (lambda p: write_noise(p, rate=8_000), "8000 Hz"),
    "mono": (lambda p: write_noise(p, channels=1), "mono"),
    "no sound in it": (lambda p: write_noise(p, seconds=0.0), "noise.wav"),
    "silent": (lambda p: write_noise(p, scale=0.0), "silent"),
    "clipped": (lambda p: write_noise(p, scale=3.0), "clip"),
    "truncated": (truncated, "noise.wav"),
    "text": (lambda p: p.write_text("this is not audio"), "noise.wav"),
    "empty file": (lambda p: p.write_bytes(b""), "noise.wav"),
    "gone": (lambda p: p.unlink(), "noise.wav"),
}


@pytest.mark.parametrize("name", AUDIO)
def test_a_bad_excerpt_is_refused_and_earlier_stimuli_stay(rendered, call, name):
    spoil, word = AUDIO[name]
    earlier = fingerprint(rendered / "stimuli")
    spoil(rendered / "programmes/noise.wav")
    outcome = call("render", rendered)
    assert_refused(outcome, "noise.wav", word)
    assert fingerprint(rendered / "stimuli") == earlier


def test_a_mono_excerpt_meant_as_such_is_played_on_both_sides_and_said(study, call):
    write_noise(study / "programmes/noise.wav", channels=1)
    text = STUDY.replace('noise.wav"\n', 'noise.wav"\nmono = true\n')
    (study / "study.toml").write_text(text)
    outcome = call("render", study)
    assert outcome.code == 0, outcome
    assert "mono" in outcome.out


STUDIES = {
    "typo in a key": (("label =", "lable ="), ("line 6", "lable", "label")),
    "typo in a stage": (('["before", "after"]', '["before", "afer"]'), ("line 17", "afer")),
    "typo in a method": (('"abx"', '"abz"'), ("line 16", "abz")),
    "not TOML": (("trials = 4", "trials = "), ("line 18",)),
    "text for a number": (("listeners = 4", 'listeners = "many"'), ("line 20", "many")),
    "claim about an unknown stage": (("tell after", "tell later"), ("line 21", "later")),
    "a file outside the folder": (
        ("programmes/noise.wav", "../../../etc/passwd"),
        ("line 14", "passwd"),
    ),
    "two stages of one name": (('id = "after"', 'id = "before"'), ("line 9", "before")),
    "an unknown target": (('"house-curve"', '"house-curfe"'), ("line 3", "house-curfe")),
}


@pytest.mark.parametrize("name", STUDIES)
def test_a_bad_study_file_is_refused_by_line(rendered, call, name):
    (old, new), words = STUDIES[name]
    earlier = fingerprint(rendered / "stimuli")
    assert old in STUDY
    (rendered / "study.toml").write_text(STUDY.replace(old, new, 1))
    outcome = call("render", rendered)
    assert_refused(outcome, "study.toml", *words)
    assert fingerprint(rendered / "stimuli") == earlier


TRIALS = {
    "a column missing": ("listener,trial,method\nl1,1,abx\n", "answer"),
    "no rows": ("listener,session,trial,method,programme,stage_a,stage_b,stage_x,answer\n", "no"),
    "unknown answer": (
        "listener,session,trial,method,programme,stage_a,stage_b,stage_x,answer\n"
        "l1,1,1,abx,,p,q,p,maybe\n",
        "maybe",
    ),
}


@pytest.mark.parametrize("name", TRIALS)
def test_a_bad_trial_table_is_refused_and_earlier_results_stay(tmp_path, call, name):
    text, word = TRIALS[name]
    trials = tmp_path / "trials.csv"
    trials.write_text(text)
    (tmp_path / "results.json").write_text("earlier")
    outcome = call("analyse", trials)
    assert_refused(outcome, "trials.csv", word)
    assert (tmp_path / "results.json").read_text() == "earlier"


def test_files_and_folders_that_are_not_there(tmp_path, call):
    assert_refused(call("render", tmp_path / "nowhere"), "nowhere: not found", "earwitness new")
    assert_refused(call("analyse", tmp_path / "nothing.csv"), "nothing.csv")


def test_steps_out_of_order_name_the_step_before(study, call):
    for command in ("serve", "simulate"):
        assert_refused(call(command, study), "earwitness render")


def test_results_stay_shut_while_the_study_is_open(rendered, call):
    outcome = call("report", rendered)
    assert outcome.code in (1, 2)
    assert "Traceback" not in outcome.err
    assert not (rendered / "results" / "report.html").exists()


def test_new_writes_a_study_that_explains_itself_and_refuses_to_overwrite(tmp_path, call):
    outcome = call("new", tmp_path / "job")
    assert outcome.code == 0, outcome
    text = (tmp_path / "job/study.toml").read_text()
    assert 'title = "Job"' in text
    # It is complete but for the measurements, which are named one by one.
    assert_refused(call("render", tmp_path / "job"), "responses/as-found-p1.csv")
    assert_refused(call("new", tmp_path / "job"), "already a study")
    assert (tmp_path / "job/study.toml").read_text() == text


def test_new_refuses_names_it_cannot_use(tmp_path, call):
    outcome = call("new", tmp_path / "job", "--stage", "New Source", "--stage", "b")
    assert_refused(outcome, "New Source", "hyphens")
    assert not (tmp_path / "job").exists()


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ('screening = "throw out the odd ones"', ("line 22", "plan.screening", "no known form")),
        ("budgets = [500, -1]", ("line 22", "plan.budgets[1]", "above 0")),
        ("budgets = 500", ("line 22", "plan.budgets", "[500, 1000]")),
    ],
)
def test_a_bad_rule_of_the_plan_is_refused_by_line(study, call, line, words):
    (study / "study.toml").write_text(f"{STUDY}{line}\n")
    assert_refused(call("plan", study), "study.toml", *words)


def test_plan_says_what_it_asks_and_what_it_can_find(study, call, tmp_path):
    chart = tmp_path / "power.svg"
    outcome = call("plan", study, "--listeners", "8", "--chart", chart, "--studies", "20")
    assert outcome.code == 0, outcome
    assert "each listener: 4 abx" in outcome.out
    assert "What 8 listeners can find, by 20 simulated studies" in outcome.out
    assert "Listeners for 80 %" in outcome.out
    assert "Fix the number before the first listener comes." in outcome.out
    assert "<svg" in chart.read_text()[:1000]


def test_a_plan_that_cannot_decide_anything_says_so(study, call):
    outcome = call("plan", study, "--studies", "20")
    assert outcome.code == 0, outcome
    assert "cannot be supported by this plan, whatever listeners answer" in outcome.out
    assert "a panel of 6 listeners or more" in outcome.out


def test_a_share_no_better_than_guessing_is_refused(study, call):
    assert_refused(call("plan", study, "--share", "0.4"), "--share", "guessing", "0.50")


def test_a_suggestion_ends_as_a_question(study, call):
    (study / "study.toml").write_text(STUDY.replace("label =", "lable =", 1))
    assert call("plan", study).err.rstrip().endswith("Did you mean 'label'?")
