"""A listener's own result in plain words, without a word about stages or anybody else.

What was right or chosen is counted within one sitting only. Which stage it was stays sealed
until the study is closed, so the words can be shown, and taken home, at once.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product
from typing import TYPE_CHECKING

import numpy as np
from scipy.stats import binomtest

from abx.methods import get_method
from abx.session.messages import count_of_questions

if TYPE_CHECKING:
    from abx.session.sessions import Sessions

__all__ = ["OwnResult", "chance_words", "own_result"]

_FEWEST = 4
"""Below this many questions of a kind nothing is said about guessing."""

_MOST_OUTCOMES = 1 << 14
"""Ways of guessing that are gone through one by one."""


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
            f"Blind listening, code {self.listener}, {count_of_questions(self.n_answered)}.",
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
    best: list[tuple[str, int]] = []
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
        elif isinstance(answer, dict):
            highest = max(answer.values())
            first = [name for name, value in answer.items() if value == highest]
            if len(first) == 1:  # two at the top are no first
                best.append((trial.plays(first[0]), len(answer)))
    sentences = [_right_words(results, n_keys) for (_, n_keys), results in right.items()]
    often = [choices for choices in chosen.values() if len(choices) >= _FEWEST]
    sentences += [_chosen_words(choices) for choices in often]
    if not often:
        sentences.append(_favourite_words(chosen))
    sentences.append(_best_words(best))
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
    test = binomtest(k, n, 0.5)
    low, high = test.proportion_ci(method="exact")
    said = f"Asked {n} times about the same two versions, you chose the same one {k} times"
    return f"{said}; {chance_words(float(test.pvalue))}. {_range_words('that choice', low, high)}"


def _favourite_words(chosen: dict[tuple[str, str], list[str]]) -> str:
    """Say how the version that won most often did, where no pair came up often by itself."""
    asked = [(pair, choice) for pair, choices in chosen.items() for choice in choices]
    if len(asked) < _FEWEST:
        return ""
    wins = Counter(choice for _, choice in asked).most_common()
    said = f"In {len(asked)} comparisons of several versions"
    if len(wins) > 1 and wins[0][1] == wins[1][1]:
        return f"{said} no single one came out ahead; with so few questions that says little."
    favourite, k = wins[0]
    n = sum(favourite in pair for pair, _ in asked)
    low, high = binomtest(k, n, 0.5).proportion_ci(method="exact")
    return (
        f"{said} you preferred one of them {k} of the {n} times it came up; "
        f"{chance_words(_some_version_wins([pair for pair, _ in asked], k))}. "
        f"{_range_words('preferring it', low, high)}"
    )


def _some_version_wins(pairs: Sequence[tuple[str, str]], k: int) -> float:
    """Return how likely guessing makes some version win ``k`` times or more.

    Every way of guessing is gone through; where there are too many, 40,000 of them, drawn with a
    fixed seed: the words round to whole numbers of times.
    """
    if 2 ** len(pairs) <= _MOST_OUTCOMES:
        outcomes = [max(Counter(winners).values()) >= k for winners in product(*pairs)]
        return sum(outcomes) / len(outcomes)
    versions = sorted({version for pair in pairs for version in pair})
    coins = np.random.default_rng(1).integers(2, size=(40_000, len(pairs)))
    wins = [
        sum(
            (coins[:, place] == pair.index(version))
            for place, pair in enumerate(pairs)
            if version in pair
        )
        for version in versions
    ]
    return float(np.mean(np.max(wins, axis=0) >= k))


def _best_words(best: Sequence[tuple[str, int]]) -> str:
    """Say whether ratings put the same version first again and again."""
    n = len(best)
    sizes = [size for _, size in best]
    if n < 2 or max(sizes) ** n > _MOST_OUTCOMES:
        return ""
    k = max(Counter(version for version, _ in best).values())
    if k == 1:
        return f"You rated {n} sets and put another version first each time."
    outcomes = [max(Counter(ones).values()) >= k for ones in product(*(range(s) for s in sizes))]
    low, high = binomtest(k, n, 0.5).proportion_ci(method="exact")
    return (
        f"You put the same version first in {k} of {n} sets; "
        f"{chance_words(sum(outcomes) / len(outcomes))}. "
        f"{_range_words('putting it first', low, high)}"
    )


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
