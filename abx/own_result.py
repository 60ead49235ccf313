"""What one listener may be told about their own sitting, with its uncertainty.

Only questions with a right answer are counted, so nothing is said about which stage is better,
and nothing about anybody else.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from abx.methods import get_method
from abx.trial import Trial

__all__ = ["OwnResult", "own_results"]


@dataclass(frozen=True, slots=True)
class OwnResult:
    """A listener's score in one method.

    Attributes
    ----------
    method : str
        Method id.
    n_correct, n_trials : int
        Questions with a right answer, controls left out.
    p_chance : float
        Probability of at least ``n_correct`` right answers by guessing.
    words : str
        The same as a sentence.
    """

    method: str
    n_correct: int
    n_trials: int
    p_chance: float
    words: str


def own_results(trials: Sequence[Trial], answers: Mapping[int, object]) -> list[OwnResult]:
    """Score a sitting, method by method.

    Parameters
    ----------
    trials : sequence of Trial
        The sitting's schedule.
    answers : mapping of int to object
        Stored answers by trial number.

    Returns
    -------
    list of OwnResult
        One for each method whose questions have one right answer among equally likely ones.
    """
    scores: dict[str, list[bool]] = {}
    for trial in trials:
        method = get_method(trial.method)
        scored = trial.phase == "test" and not trial.control and method.n_keys > 1
        if not scored or method.screen != "choice" or trial.number not in answers:
            continue
        right = method.correct(trial, answers[trial.number])
        if right is not None:
            scores.setdefault(trial.method, []).append(right)
    return [_result(method_id, marks) for method_id, marks in scores.items()]


def _result(method_id: str, marks: Sequence[bool]) -> OwnResult:
    from scipy.stats import binom  # takes long to load, and only this sentence needs it

    n_correct, n_trials = sum(marks), len(marks)
    chance = 1.0 / get_method(method_id).n_keys
    p_chance = float(binom.sf(n_correct - 1, n_trials, chance))
    sentence = f"You were right {n_correct} of {n_trials} times. {_guessing(p_chance)}"
    return OwnResult(method_id, n_correct, n_trials, p_chance, sentence)


def _guessing(p_chance: float) -> str:
    """Say how often guessing does as well."""
    if p_chance > 0.35:
        return "Guessing often does as well, so this says little about what you can hear."
    one_in = round(1.0 / p_chance)
    return f"Guessing does that well about 1 time in {one_in:,}."
