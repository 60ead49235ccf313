"""What a tired shop assistant feeds it: one clear message, exit 2, nothing lost."""

import hashlib

import numpy as np
import pytest
import soundfile

BANDS = [round(1000 * 10 ** (n / 10), 1) for n in range(-16, 13)]

STUDY = """\
format = 1
title = "Two stages"
target = "car-cabin"
[[stages]]
id = "before"
label = "Before"
responses = ["responses/before.csv"]
[[stages]]
id = "after"
label = "After"
responses = ["responses/after.csv"]
[[programmes]]
id = "noise"
file = "programmes/noise.wav"
[[tests]]
method = "abx"
pairs = [["before", "after"]]
trials = 4
[plan]
listeners = 4
claims = ["listeners hear after from before"]
"""


def table(levels, separator=","):
    return "".join(f"{f}{separator}{level}\n" for f, level in zip(BANDS, levels, strict=True))


def write_noise(path, *, seconds=3.0, rate=48_000, scale=0.1, channels=2):
    rng = np.random.default_rng(11)
    noise = scale * rng.standard_normal((int(seconds * rate), channels))
    soundfile.write(path, np.clip(noise, -1, 1), rate, subtype="PCM_16")


@pytest.fixture
def study(tmp_path):
    """A small sound study of two stages and one programme."""
    root = tmp_path / "study"
    (root / "responses").mkdir(parents=True)
    (root / "programmes").mkdir()
    (root / "study.toml").write_text(STUDY)
    (root / "responses/before.csv").write_text(table([70.0] * len(BANDS)))
    (root / "responses/after.csv").write_text(table(np.linspace(74, 68, len(BANDS))))
    write_noise(root / "programmes/noise.wav")
    return root


@pytest.fixture
def rendered(study, earwitness):
    outcome = earwitness("render", study)
    assert outcome.code == 0, outcome
    return study


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
def test_a_bad_response_table_is_refused_and_earlier_stimuli_stay(rendered, earwitness, name):
    text, where = RESPONSES[name]
    earlier = fingerprint(rendered / "stimuli")
    (rendered / "responses/before.csv").write_text(text)
    outcome = earwitness("render", rendered)
    assert_refused(outcome, "before.csv", where)
    assert fingerprint(rendered / "stimuli") == earlier


@pytest.mark.parametrize(
    ("separator", "comma"), [(";", True), ("\t", False), ("  ", True), (",", False)]
)
def test_tables_from_anywhere_are_read(study, earwitness, separator, comma):
    text = table([f"{70 + i / 10:.1f}" for i in range(29)], separator)
    if comma:
        text = text.replace(".", ",")
    head = '* measured with care\n"a quoted remark"\nFreq(Hz)' + separator + "SPL(dB)\n"
    (study / "responses/before.csv").write_text(head + text)
    assert earwitness("render", study).code == 0


def truncated(path):
    data = path.read_bytes()
    path.write_bytes(data[: len(data) // 3])


AUDIO = {
    "eight kilohertz": (lambda p: write_noise(p, rate=8_000), "8000 Hz"),
    "no sound in it": (lambda p: write_noise(p, seconds=0.0), "noise.wav"),
    "silent": (lambda p: write_noise(p, scale=0.0), "silent"),
    "clipped": (lambda p: write_noise(p, scale=3.0), "clip"),
    "truncated": (truncated, "noise.wav"),
    "text": (lambda p: p.write_text("this is not audio"), "noise.wav"),
    "empty file": (lambda p: p.write_bytes(b""), "noise.wav"),
    "gone": (lambda p: p.unlink(), "noise.wav"),
}


@pytest.mark.parametrize("name", AUDIO)
def test_a_bad_excerpt_is_refused_and_earlier_stimuli_stay(rendered, earwitness, name):
    spoil, word = AUDIO[name]
    earlier = fingerprint(rendered / "stimuli")
    spoil(rendered / "programmes/noise.wav")
    outcome = earwitness("render", rendered)
    assert_refused(outcome, "noise.wav", word)
    assert fingerprint(rendered / "stimuli") == earlier


def test_a_mono_excerpt_is_played_on_both_sides_and_said(study, earwitness):
    write_noise(study / "programmes/noise.wav", channels=1)
    outcome = earwitness("render", study)
    assert outcome.code == 0, outcome
    assert "mono" in outcome.out


STUDIES = {
    "typo in a key": (("label =", "lable ="), ("line 6", "lable", "label")),
    "typo in a stage": (('["before", "after"]', '["before", "afer"]'), ("line 16", "afer")),
    "typo in a method": (('"abx"', '"abz"'), ("line 15", "abz")),
    "not TOML": (("trials = 4", "trials = "), ("line 17",)),
    "text for a number": (("listeners = 4", 'listeners = "many"'), ("line 19", "many")),
    "claim about an unknown stage": (("hear after", "hear later"), ("line 20", "later")),
    "a file outside the folder": (
        ("programmes/noise.wav", "../../../etc/passwd"),
        ("line 13", "passwd"),
    ),
    "two stages of one name": (('id = "after"', 'id = "before"'), ("line 9", "before")),
    "an unknown target": (('"car-cabin"', '"car-cabbin"'), ("line 3", "car-cabbin")),
}


@pytest.mark.parametrize("name", STUDIES)
def test_a_bad_study_file_is_refused_by_line(rendered, earwitness, name):
    (old, new), words = STUDIES[name]
    earlier = fingerprint(rendered / "stimuli")
    assert old in STUDY
    (rendered / "study.toml").write_text(STUDY.replace(old, new, 1))
    outcome = earwitness("render", rendered)
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
def test_a_bad_trial_table_is_refused_and_earlier_results_stay(tmp_path, earwitness, name):
    text, word = TRIALS[name]
    trials = tmp_path / "trials.csv"
    trials.write_text(text)
    (tmp_path / "results.json").write_text("earlier")
    outcome = earwitness("analyse", trials)
    assert_refused(outcome, "trials.csv", word)
    assert (tmp_path / "results.json").read_text() == "earlier"


def test_files_and_folders_that_are_not_there(tmp_path, earwitness):
    assert_refused(earwitness("render", tmp_path / "nowhere"), "study.toml", "earwitness new")
    assert_refused(earwitness("analyse", tmp_path / "nothing.csv"), "nothing.csv")


def test_steps_out_of_order_name_the_step_before(study, earwitness):
    for command in ("serve", "simulate"):
        assert_refused(earwitness(command, study), "earwitness render")


def test_results_stay_shut_while_the_study_is_open(rendered, earwitness):
    outcome = earwitness("report", rendered)
    assert outcome.code in (1, 2)
    assert "Traceback" not in outcome.err
    assert not (rendered / "results" / "report.html").exists()


def test_new_writes_a_study_that_explains_itself_and_refuses_to_overwrite(tmp_path, earwitness):
    outcome = earwitness("new", tmp_path / "job", stdin="")
    assert outcome.code == 0, outcome
    text = (tmp_path / "job/study.toml").read_text()
    assert 'title = "Job"' in text
    # It is complete but for the measurements, which are named one by one.
    assert_refused(earwitness("render", tmp_path / "job"), "responses/as-delivered-p1.csv")
    assert_refused(earwitness("new", tmp_path / "job"), "already a study")
    assert (tmp_path / "job/study.toml").read_text() == text


def test_new_refuses_names_it_cannot_use(tmp_path, earwitness):
    outcome = earwitness("new", tmp_path / "job", "--stage", "New Source", "--stage", "b")
    assert_refused(outcome, "New Source", "hyphens")
    assert not (tmp_path / "job").exists()
