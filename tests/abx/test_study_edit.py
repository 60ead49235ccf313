"""Single entries of a study file are changed; every other line stays as somebody wrote it."""

from __future__ import annotations

import difflib

import pytest

from abx.errors import InputError
from abx.methods import method_ids
from abx.study_file.edit import asked_methods, insert_table, replace_number, with_plan
from abx.study_file.reading import study_from_text

TEXT = """\
# Ours: a boat's stereo.
format = 1
title = "Boathouse"   # shown to staff
target = "house-curve"

[[stages]]
id = "osprey"
label = "Osprey"
responses = [
    "responses/osprey.csv",   # port
]

# the second one
[[stages]]
id = "heron"
label = "Heron"
responses = ["responses/heron.csv"]

[[programmes]]
id = "ripple"
file = "programmes/ripple.wav"

# do they hear it?
[[tests]]
method = "abx"
pairs = [
    ["osprey", "heron"],
]
trials = 4   # of each pair
[tests.controls]
obvious = 1

# which one do they like?
[[tests]]
method = "paired"
stages = "all"
trials = 2

[plan]
listeners = 12  # ours
"""


def changes(after: str) -> list[str]:
    lines = difflib.unified_diff(TEXT.splitlines(), after.splitlines(), lineterm="", n=0)
    return [line for line in lines if line[:1] in "+-" and line[:3] not in ("+++", "---")]


def test_numbers_are_changed_in_place() -> None:
    after = with_plan(TEXT, listeners=20, trials={"abx": 6})
    assert changes(after) == [
        "-trials = 4   # of each pair",
        "+trials = 6   # of each pair",
        "-listeners = 12  # ours",
        "+listeners = 20  # ours",
    ]


def test_a_method_leaves_with_its_comment_and_its_own_tables() -> None:
    after = with_plan(TEXT, trials={"abx": 0})
    assert asked_methods(after) == [("paired", 2)]
    assert "do they hear it" not in after
    assert "controls" not in after
    assert "# which one do they like?" in after


@pytest.mark.parametrize("method", sorted(set(method_ids()) - {"abx", "paired"}))
def test_every_method_can_be_put_in(method: str) -> None:
    after = with_plan(TEXT, trials={method: 3})
    study = study_from_text(after)
    assert [(test.method, test.trials) for test in study.tests][-1] == (method, 3)
    assert [line for line in changes(after) if line.startswith("-")] == []


def test_a_table_goes_behind_the_last_of_its_kind() -> None:
    entries = {"id": "plover", "label": "Plover", "responses": ["responses/p.csv"]}
    after = insert_table(TEXT, "stages", entries)
    study = study_from_text(after)
    assert [stage.id for stage in study.stages] == ["osprey", "heron", "plover"]
    assert [line for line in changes(after) if line[0] == "-"] == []


def test_what_cannot_be_changed_is_said() -> None:
    with pytest.raises(InputError, match="there is no method 'sniff'"):
        with_plan(TEXT, trials={"sniff": 2})
    with pytest.raises(InputError, match=r"plan\.seats: there is no whole number"):
        replace_number(TEXT, ("plan", "seats"), 3)
