"""Whether listeners answer a question alike when it comes again, and how often guessing would.

Two askings are *alike* when both choose the same stage, or both choose none (paired), or when both
are right or both wrong (methods with a right answer). How often a guess repeats itself depends on
the answers that are offered and on how a listener spreads the own answers over them: a triangle is
alike by chance in 5 of 9 cases, a paired vote with a third answer in one of three, and a listener
who nearly always says "different" repeats that without hearing anything.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from analysis.tables.trial_columns import GUESSING
from analysis.tables.trials import FORCED_CHOICE, TrialTable, label_codes

__all__ = ["Repeats", "chance_alike", "group_ids", "in_order", "repeat_counts", "repeat_p", "turns"]

_LETTERS = ("a", "b", "c", "tie", "same", "different")


@dataclass(frozen=True, slots=True)
class Repeats:
    """Second askings of one listener.

    Attributes
    ----------
    n_repeats, n_alike : int
        Second askings, and those answered as the first.
    chances : tuple of (float, int)
        Chance that a guess repeats itself, with the number of askings that have it.
    """

    n_repeats: int
    n_alike: int
    chances: tuple[tuple[float, int], ...]

    @property
    def chance(self) -> float:
        """Share answered alike that guessing gives; NaN without repeats."""
        if not self.n_repeats:
            return float("nan")
        return sum(chance * n for chance, n in self.chances) / self.n_repeats

    @property
    def p_value(self) -> float:
        """P(as many alike or more) by guessing; NaN without repeats."""
        return repeat_p(self.n_alike, dict(self.chances))


def repeat_p(alike: int, chances: Mapping[float, int]) -> float:
    """Return P(at least `alike` repeats answered alike) when every answer is a guess.

    Parameters
    ----------
    alike : int
    chances : mapping of float to int
        How many askings have which chance to be alike. The number alike is then a sum of binomial
        counts, whose distribution is computed exactly.

    Returns
    -------
    float
        NaN without repeats.
    """
    if not sum(chances.values()):
        return float("nan")
    distribution = np.ones(1)
    for chance, n in chances.items():
        distribution = np.convolve(distribution, stats.binom.pmf(np.arange(n + 1), n, chance))
    return float(min(1.0, distribution[alike:].sum()))


def chance_alike(first: np.ndarray, second: np.ndarray) -> np.ndarray:
    """Return the chance that two independent answers are alike.

    Parameters
    ----------
    first, second : numpy.ndarray, shape (n, n_kinds)
        Chances of each kind of answer at the two askings, rows summing to 1.
    """
    return np.asarray((first * second).sum(axis=1))


def in_order(frame: pd.DataFrame) -> np.ndarray:
    """Return the row order by listener, session and trial."""
    _, (listener,) = label_codes(frame, "listener")
    _, (session,) = label_codes(frame, "session")
    return np.lexsort((frame["trial"].to_numpy(), session, listener))


def group_ids(*keys: np.ndarray) -> np.ndarray:
    """Return one integer per distinct combination of the keys, in sorted order."""
    combined = np.zeros(len(keys[0]), dtype=np.int64)
    for key in keys:
        combined = combined * (int(key.max(initial=0)) + 1) + key
    return np.unique(combined, return_inverse=True)[1]


def turns(group: np.ndarray) -> np.ndarray:
    """Return how often the group occurred before, row by row."""
    order = np.argsort(group, kind="stable")
    counts = np.bincount(group) if len(group) else np.zeros(0, dtype=int)
    starts = np.concatenate([[0], np.cumsum(counts)[:-1]]).astype(int)
    turn = np.empty(len(group), dtype=np.int64)
    turn[order] = np.arange(len(group)) - starts[group[order]]
    return turn


@dataclass(frozen=True, slots=True)
class _AskedTwice:
    """Trials in the order they were answered, as integers."""

    method: np.ndarray
    listener: np.ndarray
    question: np.ndarray
    low_is_a: np.ndarray
    letter: np.ndarray
    right: np.ndarray
    correct: np.ndarray
    paired: np.ndarray
    even: np.ndarray


def _asked(frame: pd.DataFrame) -> tuple[list[str], _AskedTwice]:
    _, (a, b, c, x) = label_codes(frame, "stage_a", "stage_b", "stage_c", "stage_x")
    listeners, (listener,) = label_codes(frame, "listener")
    methods, (method,) = label_codes(frame, "method")
    _, (programme,) = label_codes(frame, "programme")
    triangle = (frame["method"] == "triangle").to_numpy()
    same_different = (frame["method"] == "same-different").to_numpy()
    paired = (frame["method"] == "paired").to_numpy()
    letter = np.select([(frame["answer"] == name).to_numpy() for name in _LETTERS], range(6), 0)
    odd = np.where(b == c, 0, np.where(a == c, 1, 2))
    right = np.where(triangle, odd, np.where(x == a, 0, 1))
    right = np.where(same_different, np.where(a == b, 4, 5), right)
    other = np.where(triangle & (a == b), c, b)
    low, high = np.minimum(a, other), np.maximum(a, other)
    ties = bool((letter[paired] == 3).any())
    by_method = [GUESSING.get(name, 1 / 3 if ties else 1 / 2) for name in methods]
    return listeners, _AskedTwice(
        method=method,
        listener=listener,
        question=group_ids(listener, method, programme, low, high),
        low_is_a=a == low,
        letter=letter,
        right=right,
        correct=frame["correct"].to_numpy(),
        paired=paired,
        even=np.array(by_method)[method],
    )


def _kinds(asked: _AskedTwice) -> tuple[np.ndarray, np.ndarray]:
    """Return the chances of each kind of answer by guessing: by own shares, and evenly.

    Kinds are (lower stage, higher stage, none) for paired answers, (right, wrong) for others.
    """
    group = group_ids(asked.listener, asked.method)
    n_groups, n = int(group.max()) + 1, len(group)
    used = np.bincount(group * 6 + asked.letter, minlength=n_groups * 6).reshape(n_groups, 6)
    share = (used / used.sum(axis=1, keepdims=True))[group]
    rows = np.arange(n)
    own_right = share[rows, asked.right]
    a_is, b_is = np.where(asked.low_is_a, 0, 1), np.where(asked.low_is_a, 1, 0)
    votes = np.stack([share[rows, a_is], share[rows, b_is], share[:, 3]], axis=1)
    scored = np.stack([own_right, 1 - own_right, np.zeros(n)], axis=1)
    even_votes = np.stack([asked.even, asked.even, 1 - 2 * asked.even], axis=1)
    even_scored = np.stack([asked.even, 1 - asked.even, np.zeros(n)], axis=1)
    paired = asked.paired[:, None]
    return np.where(paired, votes, scored), np.where(paired, even_votes, even_scored)


def repeat_counts(table: TrialTable) -> dict[str, Repeats]:
    """Count second askings and how many were answered alike, with what guessing would give.

    Askings of the same question (method, programme, stages without regard to position) are taken
    two by two in their order; an odd one is left over. Chance is the larger of two: even guessing
    over the answers offered, and answers that keep the listener's own shares of letters but have
    nothing to do with the sound. Controls are left out.

    Parameters
    ----------
    table : TrialTable

    Returns
    -------
    dict of str to Repeats
        By listener; listeners without repeats are left out.
    """
    frame = table.of(*FORCED_CHOICE, "paired")
    if frame.empty:
        return {}
    listeners, asked = _asked(frame.iloc[in_order(frame)])
    order = np.argsort(asked.question, kind="stable")
    again = turns(asked.question)[order] % 2 == 1
    second = order[again]
    first = order[np.flatnonzero(again) - 1]
    kind = np.where(asked.letter == 3, 2, (asked.letter == 0) != asked.low_is_a)
    said = np.where(asked.paired, kind, asked.correct)
    own, even = _kinds(asked)
    chance = np.maximum(
        chance_alike(own[first], own[second]), chance_alike(even[first], even[second])
    )
    return _by_listener(
        listeners, asked.listener[second], said[first] == said[second], np.round(chance, 12)
    )


def _by_listener(
    listeners: list[str], who: np.ndarray, alike: np.ndarray, chance: np.ndarray
) -> dict[str, Repeats]:
    counted = pd.DataFrame({"who": who, "chance": chance, "alike": alike, "n": 1})
    sums = counted.groupby(["who", "chance"], sort=True)[["n", "alike"]].sum().reset_index()
    return {
        listeners[int(str(k))]: Repeats(
            int(part["n"].sum()),
            int(part["alike"].sum()),
            tuple(zip(part["chance"].tolist(), part["n"].tolist(), strict=True)),
        )
        for k, part in sums.groupby("who", sort=True)
    }
