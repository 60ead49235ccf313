"""A listener's own result in plain words, without a word about stages or anybody else.

What was right or chosen is counted within one sitting only. Which stage it was stays sealed
until the study is closed, so the words can be shown, and taken home, at once.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING

from scipy.stats import binomtest

from abx.methods import get_method

if TYPE_CHECKING:
    from abx.session import Sessions

__all__ = ["OwnResult", "chance_words", "own_result"]

_FEWEST = 4
"""Below this many questions of a kind nothing is said about guessing."""


@dataclass(frozen=True, slots=True)
class OwnResult:
    """Words for one listener.

    Attributes
    ----------
    listener : str
        Pseudonym.
    n_answered : int
        Answered test questions.
    sentences : tuple of str
        One or two sentences for each kind of question.
    """

    listener: str
    n_answered: int
    sentences: tuple[str, ...]

    @property
    def text(self) -> str:
        """Everything in a few lines, to take home."""
        lines = (
            f"Blind listening, code {self.listener}, {self.n_answered} questions.",
            *self.sentences,
        )
        return "\n".join(lines)


def own_result(sessions: Sessions, token: str) -> OwnResult:
    """Sum up one sitting for the person who sat it.

    Parameters
    ----------
    sessions : Sessions
        The running study.
    token : str
        Token of the sitting.

    Raises
    ------
    NotFound, Gone
        If there is no such sitting.
    """
    sitting = sessions.sitting(token)
    slot = sessions.slot(sitting.slot, simulated=sitting.simulated)
    by_number = {trial.number: trial for trial in slot.trials}
    right: dict[tuple[str, int], list[bool]] = {}
    chosen: dict[tuple[str, str], list[str]] = {}
    n_answered = 0
    for row in sessions.store.rows(sessions.study_id, kind="answer", session=sitting.session):
        if row.body is None or row.content["phase"] != "test":
            continue
        n_answered += 1
        trial, answer = by_number[row.content["number"]], row.content["answer"]
        if trial.control:
            continue
        method = get_method(trial.method)
        correct = method.correct(trial, answer)
        if correct is not None:
            right.setdefault((method.label, method.n_keys), []).append(correct)
        elif method.compares_pairs and isinstance(answer, str):
            pair = tuple(sorted(trial.plays(name) for name in "ab"))
            if answer != "tie" and len(set(pair)) == 2:
                chosen.setdefault((pair[0], pair[1]), []).append(trial.plays(answer[0]))
    sentences = [_right_words(results, n_keys) for (_, n_keys), results in right.items()]
    sentences += [_chosen_words(choices) for choices in chosen.values()]
    return OwnResult(sitting.listener, n_answered, tuple(s for s in sentences if s))


def _right_words(results: list[bool], n_keys: int) -> str:
    n, k = len(results), sum(results)
    said = f"You were right {k} of {n} times"
    if n < _FEWEST:
        return f"{said}; that is too few questions to tell skill from luck."
    test = binomtest(k, n, 1 / n_keys, alternative="greater")
    low, high = binomtest(k, n, 1 / n_keys).proportion_ci(method="exact")
    return f"{said}; {chance_words(float(test.pvalue))}. {_range_words('being right', low, high)}"


def _chosen_words(choices: list[str]) -> str:
    n = len(choices)
    k = max(Counter(choices).values())
    if n < _FEWEST:
        return ""
    test = binomtest(k, n, 0.5)
    low, high = test.proportion_ci(method="exact")
    said = f"Asked {n} times about the same two versions, you chose the same one {k} times"
    return f"{said}; {chance_words(float(test.pvalue))}. {_range_words('that choice', low, high)}"


def chance_words(p_value: float) -> str:
    """Say how often guessing does at least as well.

    Examples
    --------
    >>> chance_words(18 / 256)
    'guessing does that 1 time in 14'
    """
    if p_value >= 0.4:
        return "that is what guessing gives as well"
    if p_value < 0.001:
        return "guessing does that less than 1 time in 1000"
    return f"guessing does that 1 time in {round(1 / p_value)}"


def _range_words(what: str, low: float, high: float) -> str:
    return (
        f"With so few questions your true share of {what} may lie anywhere from "
        f"{100 * low:.0f} to {100 * high:.0f} %."
    )
