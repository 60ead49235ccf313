"""Study files: what is read, and that every error names line, field, value and remedy."""

from __future__ import annotations

import contextlib
import hashlib
import re
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from abx.errors import InputError
from abx.study.model import MAX_STUDY_BYTES
from abx.study_file.reading import read_study, study_from_text
from abx.text.toml_lines import line_map
from helpers.study_desk import STUDY, Desk


def test_a_good_file_is_read_whole(shared_desk: Desk) -> None:
    study = read_study(shared_desk.root)
    assert [stage.id for stage in study.stages] == ["untouched", "damped", "ceiling", "refit"]
    assert study.stage("untouched").label == "As found"
    assert study.stage("damped").label == "damped"
    assert study.stage("untouched").factors == {"walls": "bare", "ceiling": "aged"}
    assert study.programme("low-tide").file == "programmes/low-tide.wav"
    abx, paired = study.tests
    assert (abx.method, abx.trials, abx.repeats, abx.identical, abx.obvious) == ("abx", 4, 1, 1, 1)
    assert abx.pairs == (("untouched", "refit"), ("damped", "ceiling"))
    assert abx.practice == 2
    assert len(paired.pairs) == 6
    assert paired.options["ties"] is True
    assert study.plan.listeners == 8
    assert study.claims == ("listeners prefer refit over untouched",)
    assert study.sha256 == read_study(shared_desk.root / "study.toml").sha256


def test_a_target_by_its_former_name_is_the_same_curve_in_a_file_of_its_own() -> None:
    former, today = (study_from_text(text) for text in (FORMER, STUDY))
    assert former.target == today.target
    assert former.sha256 == hashlib.sha256(FORMER.encode()).hexdigest() != today.sha256


FORMER = STUDY.replace('target = "house-curve"', 'target = "car-cabin"')


# (what to replace, by what, where it must be said, problem, remedy)
FAULTS = [
    ('title = "Saloon test"', "titel = 'x'", r"line 2, titel", "unknown key 'titel'", "'title'"),
    ('title = "Saloon test"', "title = 3", r"line 2, title", "3 is not text", "quotation marks"),
    (
        'title = "Saloon test"',
        'title = "a\\u0007b"',
        r"line 2, title",
        "control characters",
        "remove them",
    ),
    ("format = 1", "format = 9", r"line 1, format", "format 9", "format = 1"),
    ("cost = 400.0", "cost = -1", r"line 14, stages\[1\].cost", "-1 is out of range", "at least 0"),
    ("cost = 400.0", 'cost = "4"', r"line 14, stages\[1\].cost", "'4' is not a number", "digits"),
    ("cost = 400.0", "costs = 4", r"line 14, stages\[1\].costs", "unknown key", "'cost'"),
    ("cost = 400.0", "cost = nan", r"line 14, stages\[1\].cost", "nan is out of range", "at least"),
    ('id = "damped"', 'id = "untouched"', r"line 12, stages\[1\].id", "used twice", "of its own"),
    ('id = "damped"', 'id = "Sour ce"', r"line 12, stages\[1\].id", "is not an id", "lower-case"),
    (
        'responses = ["responses/damped.csv"]',
        'responses = ["responses/dampd.csv"]',
        r"line 13, stages\[1\].responses\[0\]",
        "no file 'responses/dampd.csv'",
        "did you mean 'damped.csv'",
    ),
    (
        'responses = ["responses/damped.csv"]',
        'responses = ["../damped.csv"]',
        r"line 13, stages\[1\].responses\[0\]",
        "outside the study folder",
        "copy the file",
    ),
    (
        'responses = ["responses/damped.csv"]',
        'responses = ["/etc/passwd"]',
        r"line 13, stages\[1\].responses\[0\]",
        "outside the study folder",
        "copy the file",
    ),
    (
        '["damped", "ceiling"]]',
        '["damped", "ceilin"]]',
        r"line 40, tests\[0\].pairs\[1\]\[1\]",
        "no stage 'ceilin'",
        "did you mean 'ceiling'",
    ),
    (
        '["damped", "ceiling"]]',
        '["refit", "untouched"]]',
        r"line 40, tests\[0\].pairs\[1\]",
        "there twice",
        "each pair once",
    ),
    (
        '["damped", "ceiling"]]',
        '["refit", "refit"]]',
        r"line 40, tests\[0\].pairs\[1\]",
        "paired with itself",
        "identical",
    ),
    ('method = "abx"', 'method = "abz"', r"line 39, tests\[0\].method", "'abz'", "'abx'"),
    ("trials = 4", "trials = 0", r"line 41, tests\[0\].trials", "0 is out of range", "1 to"),
    ("trials = 4", "ties = true", r"line 41, tests\[0\].ties", "for method 'abx'", "paired"),
    ("obvious = 1", "obvios = 1", r"line 43, tests\[0\].controls.obvios", "unknown", "'obvious'"),
    ('stages = "all"', 'stages = "most"', r"line 47, tests\[1\].stages", "'most'", '"all"'),
    (
        "listeners = 8",
        "listeners = true",
        r"line 53, plan.listeners",
        "True is not a whole number",
        "whole number",
    ),
    (
        "prefer refit over untouched",
        "prefer refit over untoched",
        r"line 54, plan.claims\[0\]",
        "no stage 'untoched'",
        "did you mean 'untouched'",
    ),
    (
        "listeners prefer refit over untouched",
        "everybody loves refit",
        r"line 54, plan.claims\[0\]",
        "no known form",
        "listeners can tell I from J",
    ),
    ('target = "house-curve"', "target = 5", r"line 3, target", "5 is not a table", "target"),
    (
        'target = "house-curve"',
        "target = { points = [[25, 6.0], [20, 0.0]] }",
        r"line 3, target.points\[1\]",
        "20 Hz does not ascend",
        "sort",
    ),
    ("listeners = 8", "listeners = ", r"line 53, column 13", "Invalid value", "correct the line"),
    ("[plan]", "[plans]", r"line 52, plans", "unknown key 'plans'", "did you mean 'plan'"),
]


@pytest.mark.parametrize(("old", "new", "where", "problem", "remedy"), FAULTS)
def test_faults_are_named(
    shared_desk: Desk, old: str, new: str, where: str, problem: str, remedy: str
) -> None:
    assert old in STUDY
    text = STUDY.replace(old, new, 1)
    with pytest.raises(InputError, match=rf"^study\.toml, {where}: ") as caught:
        study_from_text(text, path=shared_desk.root / "study.toml")
    assert problem in caught.value.problem
    assert remedy in caught.value.remedy


def test_missing_and_unreadable_files(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="cannot be read"):
        read_study(tmp_path / "study.toml")
    file = tmp_path / "study.toml"
    file.write_bytes(b'format = 1\ntitle = "caf\xe9"\n')
    with pytest.raises(InputError, match=r"line 2: byte 0xe9 is not UTF-8"):
        read_study(file)
    file.write_bytes(b"#" * (MAX_STUDY_BYTES + 1))
    with pytest.raises(InputError, match="at most 1000000"):
        read_study(file)


def test_a_link_out_of_the_folder_is_refused(desk: Desk) -> None:
    target = desk.root / "responses" / "untouched.csv"
    outside = desk.root.parent / "outside.csv"
    target.rename(outside)
    target.symlink_to(outside)
    with pytest.raises(InputError, match="leads outside"):
        read_study(desk.root)


@pytest.mark.parametrize("text", ["x = " + "[" * 100_000, "x = " + "9" * 10_000, "", "a.b.c"])
def test_hostile_texts_end_in_an_input_error(text: str) -> None:
    with pytest.raises(InputError, match=r"^study\.toml"):
        study_from_text(text)


@settings(max_examples=300)
@given(st.data())
def test_mutated_files_never_crash(data: st.DataObject) -> None:
    """Delete, double or replace a slice: a study or an InputError, nothing else."""
    start = data.draw(st.integers(0, len(STUDY)))
    end = data.draw(st.integers(start, min(len(STUDY), start + 40)))
    filling = data.draw(st.one_of(st.just(STUDY[start:end] * 2), st.text(max_size=12)))
    text = STUDY[:start] + filling + STUDY[end:]
    with contextlib.suppress(InputError):
        assert study_from_text(text).stages


def test_line_map_knows_all_forms() -> None:
    text = """\
# a comment [not a header]
a = 1
b.c = "x # no comment"
[t.u] # comment
list = [ # comment
  1,
  [2,
   3],
]
text = '''
[[no]]
'''
inline = { x = 1, "y z" = [ { k = 2 } ] }
[[s]]
id = "one"
[s.sub]
v = 1
[[s]]
id = "two"
"""
    lines = line_map(text)
    expected = {
        ("a",): 2,
        ("b",): 3,
        ("b", "c"): 3,
        ("t", "u"): 4,
        ("t", "u", "list"): 5,
        ("t", "u", "list", 0): 6,
        ("t", "u", "list", 1, 1): 8,
        ("t", "u", "text"): 10,
        ("t", "u", "inline", "x"): 13,
        ("t", "u", "inline", "y z", 0, "k"): 13,
        ("s", 0): 14,
        ("s", 0, "sub", "v"): 17,
        ("s", 1, "id"): 19,
    }
    assert {path: lines.get(path) for path in expected} == expected
    assert not any("no" in path for path in lines)


def test_every_value_of_a_study_has_its_line() -> None:
    lines = line_map(STUDY)
    for path, line in lines.items():
        name = path[-1] if path else ""
        if isinstance(name, str) and name and name not in ("stages", "programmes", "tests"):
            assert re.search(rf"\b{name}\b", STUDY.splitlines()[line - 1]), (path, line)
