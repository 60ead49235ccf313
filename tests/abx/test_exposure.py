"""Exposure where a level was measured: the NIOSH table, the cap of the level step, the words."""

from __future__ import annotations

import csv
import re
from pathlib import Path

import pytest

from abx.errors import InputError
from abx.planning.schedule import describe_plan
from abx.store import Store
from abx.study.exposure import (
    allowed_hours,
    dose_percent,
    exposure_lines,
    level_cap_db,
    louder_than_level_step,
    sitting_exposure,
)
from abx.study_file.reading import study_from_text
from helpers.study_desk import STUDY, make_desk

# NIOSH 98-126 (1998), T = 8 / 2^((L - 85) / 3); the table of cdc.gov/niosh/topics/noise as looked
# up (85 dBA: 8 h ... 100 dBA: 15 min). Source and confirmation stand in each row of the file.
REFERENCE = Path(__file__).with_name("reference") / "niosh_exposure.csv"


def rows(topic: str) -> list[dict[str, str]]:
    with REFERENCE.open(encoding="utf-8") as file:
        return [row for row in csv.DictReader(file) if row["topic"].startswith(topic)]


def with_level(level: str) -> str:
    return STUDY.replace("[plan]", f"[playback]\nlevel_dba = {level}\n\n[plan]", 1)


@pytest.mark.parametrize("row", rows("NIOSH REL"), ids=lambda row: row["quantity"])
def test_allowed_time_is_that_of_the_table(row: dict[str, str]) -> None:
    found = re.search(r"at (\d+) dBA", row["quantity"])
    assert found is not None
    assert allowed_hours(float(found[1])) == pytest.approx(float(row["value"]), rel=1e-6)


def test_doses_add_up() -> None:
    """2 h at 91 dBA and 4 h at 85 dBA: 150 % (NIOSH dose formula; below 80 dBA left out)."""
    [row] = [row for row in rows("NIOSH dose") if row["unit"] == "%"]
    dose = dose_percent(91.0, 120.0) + dose_percent(85.0, 240.0)
    assert dose == pytest.approx(float(row["value"]), rel=1e-9)


def test_the_level_step_stops_at_the_limit() -> None:
    quiet, loud = study_from_text(with_level("78")), study_from_text(with_level("97.0"))
    assert level_cap_db(quiet) == 0.0
    assert level_cap_db(loud) == -12.0
    assert level_cap_db(loud, louder_db=2.0) == -14.0
    assert level_cap_db(study_from_text(STUDY)) == 0.0
    assert sitting_exposure(study_from_text(STUDY), 25.0) is None
    found = sitting_exposure(loud, 24.0)
    assert found is not None
    # 24 min of the 8 h that 85 dBA allows: 5 %, by hand.
    assert (found.level_dba, found.percent, found.capped) == (85.0, 5.0, True)
    kept = sitting_exposure(quiet, 24.0, louder_db=1.0)
    assert kept is not None
    assert (kept.level_dba, kept.capped) == (79.0, False)
    # 79 dBA is two halvings below 85: a quarter of 5 %.
    assert kept.percent == pytest.approx(1.25)


def test_the_operator_is_told_before_opening() -> None:
    assert "not known" in exposure_lines(study_from_text(STUDY), 20.0)[0]
    assert any("level_dba in [playback]" in line for line in describe_plan(study_from_text(STUDY)))
    lines = describe_plan(study_from_text(with_level("97")))
    assert any(line.startswith("exposure: at most 85 dBA") for line in lines)
    assert any(line.startswith("caution: 97 dBA was measured") for line in lines)
    calm = describe_plan(study_from_text(with_level("70")))
    assert not any(line.startswith("caution") for line in calm)
    long = exposure_lines(study_from_text(with_level("85")), 60.0)
    assert long[-1].startswith("caution: that is much for one sitting")  # 12.5 % by hand


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("level_dba = 150", r"playback\]?.*level_dba|130"),
        ('level_dba = "loud"', "level_dba"),
        ("", "says nothing"),
    ],
)
def test_levels_that_cannot_be(text: str, words: str) -> None:
    with pytest.raises(InputError, match=words):
        study_from_text(STUDY.replace("[plan]", f"[playback]\n{text}\n\n[plan]", 1))


def test_the_player_is_told_the_cap(tmp_path: Path, local_store: Store) -> None:
    desk = make_desk(tmp_path / "d", text=with_level("95"))
    sessions = desk.sessions(local_store)
    message = sessions.level(sessions.begin(consent=True))
    louder = louder_than_level_step(desk.manifest, "untouched", "pink-noise")
    assert louder >= 0.0
    assert sessions.louder_db == louder
    assert message["top_dba"] == pytest.approx(95.0 + louder, abs=0.06)
    assert message["cap_db"] == pytest.approx(-10.0 - louder, abs=0.01)


def test_without_a_level_nothing_is_claimed(local_sessions) -> None:
    message = local_sessions.level(local_sessions.begin(consent=True))
    assert message["cap_db"] == 0.0
    assert "top_dba" not in message
