"""The smallest effect that matters, as an entry of the study file."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

from abx.errors import InputError
from abx.study_file.reading import study_from_text
from abx.study_file.scaffold import write_scaffold
from helpers.study_desk import STUDY


def with_entry(value: str) -> str:
    assert "[plan]\n" in STUDY
    return STUDY.replace("[plan]\n", f"[plan]\nsmallest_effect = {value}\n")


def test_it_is_points_of_decisions_and_none_unless_declared() -> None:
    assert study_from_text(STUDY).plan.smallest_effect is None
    assert study_from_text(with_entry("5")).plan.smallest_effect == 5.0
    assert study_from_text(with_entry("2.5")).plan.smallest_effect == 2.5


def test_it_is_part_of_what_is_sealed() -> None:
    one, other = study_from_text(with_entry("5")), study_from_text(with_entry("6"))
    assert one.sha256 != other.sha256


@pytest.mark.parametrize(
    ("value", "problem"),
    [
        ("0.05", "0.05 is not between 0.5 and 45 points"),
        ("50", "50 is not between 0.5 and 45 points"),
        ("nan", "out of range|not between"),
        ('"5 %"', "'5 %' is not a number"),
        ("true", "not a number"),
    ],
)
def test_what_cannot_be_meant_is_refused_with_its_line(value: str, problem: str) -> None:
    line = STUDY[: STUDY.index("[plan]")].count("\n") + 2
    with pytest.raises(InputError, match=problem) as caught:
        study_from_text(with_entry(value))
    assert f"line {line}, plan.smallest_effect" in str(caught.value)
    assert caught.value.remedy


def test_a_claim_of_equal_preference_is_checked_like_the_others() -> None:
    old = 'claims = ["listeners prefer refit over untouched"]'
    good = "listeners prefer neither refit nor untouched beyond 55 to 45"
    assert study_from_text(STUDY.replace(old, f'claims = ["{good}"]')).claims == (good,)
    for wrong, words in (
        (
            "listeners prefer neither refit nor untoched beyond 55 to 45",
            "there is no stage 'untoched'",
        ),
        ("listeners prefer neither refit nor untouched beyond 45 to 55", "no uneven split"),
    ):
        with pytest.raises(InputError, match=rf"plan.claims\[0\]: .*{re.escape(words)}"):
            study_from_text(STUDY.replace(old, f'claims = ["{wrong}"]'))


def test_a_new_study_file_explains_it_and_leaves_it_out(tmp_path: Path) -> None:
    file = write_scaffold(tmp_path, title="T", stages=("a", "b"), listeners=16)
    text = file.read_text(encoding="utf-8")
    assert "smallest_effect" not in tomllib.loads(text)["plan"]
    assert "less than 55 to 45 does not matter" in text
    live = text.replace("# smallest_effect", "smallest_effect").replace(
        '# "listeners prefer neither', '"listeners prefer neither'
    )
    plan = study_from_text(live).plan
    assert plan.smallest_effect == 5.0
    assert plan.claims[-1] == "listeners prefer neither b nor a beyond 55 to 45"
