"""What a customer is told about their own answers, against counts by hand."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import numpy as np
import pytest

from abx.session.sessions import Sessions
from abx.store import Store
from abx.web.pages.own_result import (
    _best_words,
    _favourite_words,
    _some_version_wins,
    chance_words,
    own_result,
)
from helpers.study_desk import STUDY, make_desk

ROUND_ROBIN = [("i", "j"), ("i", "k"), ("i", "l"), ("j", "k"), ("j", "l"), ("k", "l")]


def test_a_favourite_among_several_versions() -> None:
    """Six comparisons of four versions: some version wins all three of its own in 32 of 64.

    By hand: each of four versions wins its three with 1/8, and two cannot both win all: 4/8.
    """
    assert _some_version_wins(ROUND_ROBIN, 3) == pytest.approx(32 / 64)
    winners = ["i", "i", "i", "j", "j", "k"]
    chosen = {pair: [winner] for pair, winner in zip(ROUND_ROBIN, winners, strict=True)}
    words = _favourite_words(chosen)
    assert words.startswith("In 6 comparisons of several versions you preferred one of them 3 of")
    assert "that is what guessing gives as well" in words
    # Clopper-Pearson, 3 of 3: lower limit 0.025^(1/3) = 0.292.
    assert "from 29 to 100 %" in words
    assert not [name for name in ("'i'", " i ", "stage") if name in words]


def test_many_comparisons_are_drawn() -> None:
    """Three rounds of the six pairs; against all 2^18 ways of guessing, counted one by one."""
    pairs = 3 * ROUND_ROBIN
    wins = np.array(np.meshgrid(*18 * [[0, 1]], indexing="ij"), dtype=np.int8).reshape(18, -1)
    tally = {
        v: sum(wins[p] == pair.index(v) for p, pair in enumerate(pairs) if v in pair)
        for v in "ijkl"
    }
    exact = float(np.mean(np.max(list(tally.values()), axis=0) >= 8))
    # 40,000 draws: a standard error of at most 0.0025.
    assert _some_version_wins(pairs, 8) == pytest.approx(exact, abs=0.01)


def test_nobody_ahead_and_too_few() -> None:
    drawn = {("i", "j"): ["i"], ("k", "l"): ["k"], ("i", "k"): ["k"], ("i", "l"): ["i"]}
    assert "no single one came out ahead" in _favourite_words(drawn)
    assert _favourite_words({("i", "j"): ["i"]}) == ""
    assert _favourite_words({}) == ""


def test_ratings_that_agree() -> None:
    """Three sets of four: the same one first three times by guessing in 4 of 64: 1 time in 16."""
    words = _best_words([("i", 4), ("i", 4), ("i", 4)])
    assert "the same version first in 3 of 3 sets; guessing does that 1 time in 16" in words
    assert "another version first each time" in _best_words([("i", 4), ("j", 4)])
    assert _best_words([("i", 4)]) == ""


def visit_result(sessions: Sessions, *, like: str) -> str:
    token = sessions.begin(consent=True, visit=True)
    slot = sessions.slot(sessions.sitting(token).slot)
    wins: Counter[str] = Counter()
    for trial in slot.trials:
        message = sessions.next_trial(token)
        sounds = {name: trial.plays(name) for name in "ab"}
        # The favourite where it plays; else whatever won least, so that nothing else gets ahead.
        answer = min(sounds, key=lambda name: (sounds[name] != like, wins[sounds[name]]))
        wins[sounds[answer]] += 1
        heard = dict.fromkeys(message["versions"], 1.0)
        sessions.record_answer(token, message["trial"], answer, listened_s=heard)
    return own_result(sessions, token).text


def test_every_visit_ends_with_words_of_ones_own(tmp_path: Path, local_store: Store) -> None:
    """Six pairs, each once: no pair often enough by itself, and still something to say."""
    text = STUDY.split("[[tests]]", 1)[0] + (
        '[[tests]]\nmethod = "paired"\nstages = "all"\ntrials = 4\n[plan]\nlisteners = 4\n'
    )
    sessions = make_desk(tmp_path / "d", text=text).sessions(local_store)
    words = visit_result(sessions, like="ceiling")
    assert "you preferred one of them" in words
    assert "may lie anywhere from" in words
    assert "ceiling" not in words


def test_words_about_guessing() -> None:
    # Two-sided binomial, n = 8, k = 7: 2 (8 + 1) / 2^8 = 18/256, by hand.
    assert chance_words(18 / 256) == "guessing does that 1 time in 14"
    assert chance_words(0.73) == "that is what guessing gives as well"
    assert chance_words(0.0004) == "guessing does that less than 1 time in 1000"


def test_a_fresh_sitting_has_nothing_to_say(local_sessions: Sessions) -> None:
    result = own_result(local_sessions, local_sessions.begin(consent=True))
    assert result.n_answered == 0
    assert result.sentences == ()
