"""A listener's own score: exact chances, and nothing about stages or others."""

from __future__ import annotations

from itertools import pairwise

import numpy.testing as npt
import pytest
from study_desk import STUDY

from abx.methods import get_method
from abx.own_result import own_results
from abx.schedule import make_slot
from abx.study import study_from_text

SEED = bytes(range(32))


def scored(method: str, right: int, total: int):
    head, _ = STUDY.split("[[tests]]", 1)
    test = f'method = "{method}"\npairs = [["stock", "both"]]\ntrials = {total}\n'
    study = study_from_text(f"{head}[[tests]]\n{test}[plan]\nlisteners = 2\n")
    slot = make_slot(study, SEED, 0)
    tested = [trial for trial in slot.trials if trial.phase == "test"]
    answers: dict[int, object] = {trial.number: "a" for trial in slot.trials}
    for place, trial in enumerate(tested):
        values = [answer.value for answer in get_method(method).answers(trial)]
        fits = [v for v in values if get_method(method).correct(trial, v) is (place < right)]
        answers[trial.number] = fits[0]
    return own_results(slot.trials, answers)


@pytest.mark.parametrize(
    ("method", "right", "total", "p_chance"),
    [
        # Hand sums: (C(8,7) + 1) / 2^8, 2517 / 2^16 (Leventhal 1986: .0384), 1 / 3^4, 1.
        ("abx", 7, 8, 9 / 256),
        ("duo-trio", 12, 16, 2517 / 65536),
        ("triangle", 4, 4, 1 / 81),
        ("same-different", 0, 6, 1.0),
    ],
)
def test_chances_of_guessing(method: str, right: int, total: int, p_chance: float) -> None:
    [result] = scored(method, right, total)
    assert (result.n_correct, result.n_trials) == (right, total)
    npt.assert_allclose(result.p_chance, p_chance, rtol=1e-12)


def test_words() -> None:
    assert scored("abx", 7, 8)[0].words == (
        "You were right 7 of 8 times. Guessing does that well about 1 time in 28."
    )
    assert "says little" in scored("abx", 4, 8)[0].words
    assert "stock" not in scored("abx", 7, 8)[0].words


def test_more_right_answers_are_never_more_likely_by_guessing() -> None:
    chances = [scored("triangle", right, 6)[0].p_chance for right in range(7)]
    assert all(one > other for one, other in pairwise(chances))


def test_preferences_have_no_score() -> None:
    study = study_from_text(STUDY)
    slot = make_slot(study, SEED, 0)
    assert [r.method for r in own_results(slot.trials, {t.number: "a" for t in slot.trials})] == [
        "abx"
    ]
    assert own_results(slot.trials, {}) == []
