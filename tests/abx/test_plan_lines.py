"""What a plan can find out, in sentences."""

from __future__ import annotations

import pytest
from study_desk import STUDY

from abx.errors import InputError
from abx.planning import power_lines
from abx.study import study_from_text


def test_a_claim_of_not_hearing_gets_its_own_sentence() -> None:
    plain = power_lines(study_from_text(STUDY))
    claim = "listeners do not hear both from stock within 30 %"
    text = STUDY.replace("listeners prefer both over stock", claim)
    assert text != STUDY
    lines = power_lines(study_from_text(text))
    [extra] = [line for line in lines if line not in plain]
    assert "chance to show that fewer than 30 % hear the difference" in extra


def test_early_looks_on_request() -> None:
    study = study_from_text(STUDY)
    lines = power_lines(study, looks=2)
    assert lines[:-1] == power_lines(study)
    assert lines[-1].startswith("2 looks keep the level of 5 % when the study stops only after 4 (")
    with pytest.raises(InputError, match=r"--looks: 8 looks are more than 8 listeners allow"):
        power_lines(study, looks=8)
