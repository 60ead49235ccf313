"""Panels of simulated listeners who answer a planned study, ready for the claims.

What is asked comes from a trial table of the study's own schedule, whose answers are placeholders.
From it the functions of the analysis make their tables once; a simulated study then only puts new
counts and answers into them. Listeners come in one order: a smaller panel is the beginning of a
larger one, with the same people giving the same answers, so that panels of different sizes, and
differences of different sizes, can be compared without the noise of new people.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from zlib import crc32

import numpy as np
import pandas as pd

from analysis.claims.judge import Heard
from analysis.hearing.dprime import CHANCE
from analysis.hearing.pair_cells import PairCells, forced_choice_cells
from analysis.planning.supposed import Supposed
from analysis.preference.fit import Preference, preference_of
from analysis.tables.counts import PairCounts
from analysis.tables.trials import TrialTable

__all__ = ["Answers", "Panel", "StudyTemplate"]

_ANSWERS = ("a", "b", "tie")
#: Streams of random numbers, one for each kind of thing that varies.
_TASTE, _VOTES, _CONTROLS, _WORTH = range(4)


@dataclass(frozen=True, slots=True, eq=False)
class StudyTemplate:
    """What a study asks of whom.

    Attributes
    ----------
    trials : TrialTable
        Every question of every listener; answers do not matter.
    compared : tuple of str
        Stages of the paired trials, in sorted order.
    ties : bool
        Whether "no preference" may be answered.
    """

    trials: TrialTable
    compared: tuple[str, ...]
    ties: bool = False

    @staticmethod
    def of(trials: TrialTable, *, ties: bool | None = None) -> StudyTemplate:
        """Return what was asked in a table of answers; ties where there are any."""
        frame = trials.of("paired")
        both = {*frame["stage_a"].unique(), *frame["stage_b"].unique()}
        tied = bool((frame["answer"] == "tie").any()) if ties is None else ties
        return StudyTemplate(trials, tuple(sorted(map(str, both))), tied)

    @property
    def listeners(self) -> list[str]:
        """Names in the order of coming."""
        return [str(name) for name in self.trials.frame["listener"].unique()]

    @property
    def groups(self) -> tuple[str, ...]:
        """Groups that listeners are in, "" for none."""
        return tuple(sorted(map(str, self.trials.frame["group"].unique())))

    def panel(self, n_listeners: int | None = None) -> Panel:
        """Return the panel of the first so many listeners, all when not given."""
        names = self.listeners[:n_listeners]
        frame = self.trials.frame
        trials = self.trials.keeping(frame["listener"].isin(names))
        assert trials is not None
        place = {name: k for k, name in enumerate(names)}
        paired = trials.of("paired").reset_index(drop=True)
        own = trials.frame.drop_duplicates("listener").set_index("listener")["group"].astype(str)
        obvious = trials.frame.loc[
            (trials.frame["control"] == "obvious") & trials.frame["correct"].notna(), "listener"
        ]
        return Panel(
            listeners=tuple(names),
            group_of=tuple(own[name] for name in names),
            stages=self.compared,
            votes=None if paired.empty else _votes(paired, place, self.compared),
            asked=tuple(_asked(cells, place) for cells in forced_choice_cells(trials)),
            obvious=np.bincount(_places(obvious, place), minlength=len(names)),
            ties=self.ties,
        )


@dataclass(frozen=True, slots=True, eq=False)
class _Votes:
    """Paired trials, by row: who compares what, as places in the lists of the panel."""

    who: np.ndarray
    first: np.ndarray
    second: np.ndarray

    def picked(self, rows: np.ndarray) -> _Votes:
        return _Votes(self.who[rows], self.first[rows], self.second[rows])

    def counted(
        self, given: np.ndarray, listeners: Sequence[str], stages: Sequence[str]
    ) -> PairCounts:
        """Return what :func:`analysis.tables.counts.pair_counts` makes of these trials."""
        people, who = np.unique(self.who, return_inverse=True)
        both, place = np.unique(np.stack([self.first, self.second]), return_inverse=True)
        first, second = place.reshape(2, -1)
        keys, cell = np.unique(first * len(both) + second, return_inverse=True)
        shape = (len(people), len(keys), len(_ANSWERS))
        flat = (who * shape[1] + cell) * shape[2] + given
        counts = np.bincount(flat, minlength=int(np.prod(shape))).reshape(shape)
        return PairCounts(
            tuple(stages[k] for k in both),
            tuple(listeners[k] for k in people),
            *np.divmod(keys, len(both)),
            counts.astype(np.float64),
        )


@dataclass(frozen=True, slots=True, eq=False)
class _Asked:
    """Forced-choice trials of one pair, by row of their counts."""

    cells: PairCells
    who: np.ndarray
    trials: np.ndarray
    same: np.ndarray

    @property
    def stream(self) -> int:
        """Number that is the same for the same question in every panel."""
        return crc32("/".join((self.cells.method, *self.cells.pair)).encode())


def _places(names: pd.Series, place: dict[str, int]) -> np.ndarray:
    return np.array([place[str(name)] for name in names], dtype=np.int64)


def _votes(frame: pd.DataFrame, place: dict[str, int], stages: tuple[str, ...]) -> _Votes:
    at = {name: k for k, name in enumerate(stages)}
    return _Votes(
        _places(frame["listener"], place),
        _places(frame["stage_a"], at),
        _places(frame["stage_b"], at),
    )


def _asked(cells: PairCells, place: dict[str, int]) -> _Asked:
    # Simulated listeners answer without a habit, so that the sides of their trials do not matter.
    sides = [name for name in cells.cells if str(name).startswith("n_side_")]
    frame = cells.cells.drop(columns=sides).reset_index(drop=True)
    trials = frame["n_trials"].to_numpy()
    same = frame["n_same"].to_numpy() if "n_same" in frame else np.zeros_like(trials)
    return _Asked(
        PairCells(cells.pair, cells.method, frame), _places(frame["listener"], place), trials, same
    )


@dataclass(frozen=True, slots=True, eq=False)
class Answers:
    """What a simulated panel answered.

    Attributes
    ----------
    correct, same_correct : tuple of numpy.ndarray
        Right answers by row of each forced-choice table, and those to pairs that were the same.
    votes : numpy.ndarray
        Index of a, b or tie by paired trial.
    passed : numpy.ndarray, shape (n_listeners,)
        Obvious controls answered right.
    """

    correct: tuple[np.ndarray, ...]
    same_correct: tuple[np.ndarray, ...]
    votes: np.ndarray
    passed: np.ndarray


@dataclass(frozen=True, slots=True, eq=False)
class Panel:
    """Listeners and what each is asked, by the tables of the analysis.

    Attributes
    ----------
    listeners, group_of : tuple of str
        Names and groups in the order of coming.
    stages : tuple of str
        Stages of the paired trials of the whole study.
    """

    listeners: tuple[str, ...]
    group_of: tuple[str, ...]
    stages: tuple[str, ...]
    votes: _Votes | None
    asked: tuple[_Asked, ...]
    obvious: np.ndarray
    ties: bool

    @staticmethod
    def empty(stages: tuple[str, ...]) -> Panel:
        """Return a panel whose listeners are asked nothing that a claim rests on."""
        return Panel((), (), stages, None, (), np.zeros(0, dtype=np.int64), False)

    def answer(self, world: Supposed, seed: int) -> Answers:
        """Let simulated listeners answer.

        Parameters
        ----------
        world : Supposed
            What is true.
        seed : int
            The same number is the same people, in panels of all sizes.
        """
        counted = [self._right(asked, world, seed) for asked in self.asked]
        controls = np.random.default_rng([seed, _CONTROLS])
        return Answers(
            tuple(right for right, _ in counted),
            tuple(same for _, same in counted),
            self._vote(world, seed),
            controls.binomial(self.obvious, world.sizes.controls),
        )

    def _right(self, asked: _Asked, world: Supposed, seed: int) -> tuple[np.ndarray, np.ndarray]:
        p = self._chances(asked, world, np.random.default_rng([seed, 0, asked.stream]))[asked.who]
        rng = np.random.default_rng([seed, 1, asked.stream])
        if not asked.same.any():
            return rng.binomial(asked.trials, p), asked.same
        both = rng.binomial(
            np.stack([asked.same, asked.trials - asked.same], axis=1), np.stack([p, p], axis=1)
        )
        return both.sum(axis=1), both[:, 0]

    def _chances(self, asked: _Asked, world: Supposed, rng: np.random.Generator) -> np.ndarray:
        """Return P(correct) of every listener for one pair."""
        pair, guess = frozenset(asked.cells.pair), CHANCE[asked.cells.method]
        by_group = {name: right.get(pair, guess) for name, right in world.right.items()}
        mean = np.array([by_group[name] for name in self.group_of])
        sd = np.minimum(world.sizes.spread_right, 0.99 * np.sqrt(mean * (1 - mean)))
        # Where nobody hears anything all guess alike. They are drawn all the same, so that one
        # listener's answers do not hang on what is true of another.
        sd = np.where(mean == guess, 1e-4, np.maximum(sd, 1e-4))
        size = mean * (1 - mean) / sd**2 - 1
        own = rng.beta(mean * size, (1 - mean) * size)
        own = np.where(sd > 1e-4, own, mean)
        for name, right in world.one.items():
            if pair in right and name in self.listeners:
                own[self.listeners.index(name)] = right[pair]
        return np.asarray(own)

    def _vote(self, world: Supposed, seed: int) -> np.ndarray:
        if self.votes is None:
            return np.zeros(0, dtype=np.int64)
        middle = self._worths(world, seed)
        taste = np.random.default_rng([seed, _TASTE]).standard_normal(middle.shape)
        own = middle + world.sizes.spread_taste * taste
        who = self.votes.who
        half = (own[who, self.votes.first] - own[who, self.votes.second]) / 2
        tie = 2 * world.sizes.ties / (1 - world.sizes.ties) if self.ties else 0.0
        weights = np.stack([np.exp(half), np.exp(-half), np.full_like(half, tie)], axis=1)
        reached = weights.cumsum(axis=1) / weights.sum(axis=1, keepdims=True)
        die = np.random.default_rng([seed, _VOTES]).random(len(who))
        return np.asarray((die[:, None] > reached[:, :2]).sum(axis=1))

    def _worths(self, world: Supposed, seed: int) -> np.ndarray:
        """Return log-worths in the middle of each listener's group, listeners by stages."""
        by_group = {
            name: world.worth(name, np.random.default_rng([seed, _WORTH])) for name in world.right
        }
        return np.array([by_group[name] for name in self.group_of])

    def best(self, world: Supposed) -> Answers:
        """Return the answers that speak for the claims of a world as loudly as can be."""
        correct = []
        for asked in self.asked:
            pair = frozenset(asked.cells.pair)
            named = [name for name, right in world.one.items() if pair in right]
            heard = np.array(
                [
                    pair in world.right[group] or name in named
                    for name, group in zip(self.listeners, self.group_of, strict=True)
                ]
            )
            correct.append(heard[asked.who])
        votes = np.zeros(0, dtype=np.int64)
        if self.votes is not None:
            worth = self._worths(world, 0)
            gap = worth[self.votes.who, self.votes.first] - worth[self.votes.who, self.votes.second]
            turn = np.arange(len(gap)) % 2
            votes = np.where(np.abs(gap) < 1e-9, turn, (gap < 0).astype(np.int64))
        return Answers(
            tuple(asked.trials * right for asked, right in zip(self.asked, correct, strict=True)),
            tuple(asked.same * right for asked, right in zip(self.asked, correct, strict=True)),
            votes,
            self.obvious,
        )

    def heard(self, answers: Answers, *, group: str | None = None) -> Heard | None:
        """Return the answers as the claims take them, of everybody or of one group.

        None where nobody is in the group. Resampled panels are left out: no verdict rests on them.
        """
        inside = np.array([group is None or own == group for own in self.group_of])
        if not inside.any():
            return None
        cells = [
            _filled(asked, right, same, inside)
            for asked, right, same in zip(
                self.asked, answers.correct, answers.same_correct, strict=True
            )
        ]
        controls = int(self.obvious[inside].sum()), int(answers.passed[inside].sum())
        voted = self._preferred(answers, inside)
        return Heard([c for c in cells if len(c.cells)], voted, controls)

    def _preferred(self, answers: Answers, inside: np.ndarray) -> Preference | None:
        if self.votes is None or not (rows := inside[self.votes.who]).any():
            return None
        votes, given = self.votes, answers.votes
        if not rows.all():
            votes, given = votes.picked(rows), given[rows]
        return preference_of(votes.counted(given, self.listeners, self.stages), n_draws=0)

    def one_pair(self, first: str, second: str) -> tuple[Panel, np.ndarray]:
        """Return the panel that is asked for nothing but votes on one pair, and which they are."""
        assert self.votes is not None
        both = [self.stages.index(first), self.stages.index(second)]
        rows = np.isin(self.votes.first, both) & np.isin(self.votes.second, both)
        return replace(self, votes=self.votes.picked(rows) if rows.any() else None, asked=()), rows


def _filled(asked: _Asked, right: np.ndarray, same: np.ndarray, inside: np.ndarray) -> PairCells:
    frame = asked.cells.cells.assign(n_correct=right)
    if "n_same" in frame:
        frame = frame.assign(n_same_correct=same)
    if not inside.all():
        frame = frame[inside[asked.who]]
    return PairCells(asked.cells.pair, asked.cells.method, frame)
