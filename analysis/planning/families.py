"""What a plan can find: its declared claims as a set, tried on simulated studies.

A simulated study goes through :func:`analysis.claims.judge.judge_claims` like a real one, with the
same adjustment for the family. Counted is how often each claim is supported in a world in which all
of them are true at a stated size (:mod:`analysis.planning.supposed`).
"""

from __future__ import annotations

from collections.abc import Generator, Sequence
from contextlib import closing
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from analysis.claims.grammar import parse_claim
from analysis.claims.judge import Heard, judge_claims
from analysis.link.block import fit_links
from analysis.models.cells import Workers, map_cells
from analysis.panels.tails import normal_quantile
from analysis.planning.simulated_panel import Answers, Panel
from analysis.planning.supposed import Supposed
from analysis.tables.stages import StageTable

__all__ = ["Chance", "Family", "OnePair", "Outcome", "StudyRun", "Tally", "simulate_studies"]

#: Kinds of claims whose p holds bounds at a part of the level.
_BY_LEVEL = ("similar", "neither")


@dataclass(frozen=True, slots=True)
class Chance:
    """How often something happened in simulated studies.

    Attributes
    ----------
    count, n_studies : int
    """

    count: int
    n_studies: int

    @property
    def share(self) -> float:
        """Share of the studies; NaN without any."""
        return self.count / self.n_studies if self.n_studies else float("nan")

    @property
    def error(self) -> float:
        """Monte Carlo error of the share: half the width of its 95 % interval.

        Agresti & Coull (1998) Am Stat 52:119, which is not zero where nothing or everything
        happened.
        """
        if not self.n_studies:
            return float("nan")
        n = self.n_studies + 4
        p = (self.count + 2) / n
        return normal_quantile(0.975) * float(np.sqrt(p * (1 - p) / n))


@dataclass(frozen=True, slots=True, eq=False)
class Family:
    """Claims that are judged together, as the plan declares them.

    Attributes
    ----------
    claims : tuple of str
    alpha : float
        Error rate of the family.
    stages : StageTable or None
        Costs and factors; metrics that no claim names only cost time.
    primary : str or None
        Metric that the plan names as primary.
    family : bool
        False judges each claim as the only one: examples, where none is declared.
    """

    claims: tuple[str, ...]
    alpha: float = 0.05
    stages: StageTable | None = None
    primary: str | None = None
    family: bool = True

    def judge(self, panel: Panel, answers: Answers) -> list[dict[str, Any]]:
        """Return the rows of :func:`analysis.claims.judge.judge_claims` for a simulated study."""
        return self._judge(self.claims, *self._heard(panel, answers))

    def supported(self, panel: Panel, answers: Answers, *, alone: bool = False) -> np.ndarray:
        """Judge a simulated study.

        Parameters
        ----------
        panel : Panel
        answers : Answers
        alone : bool, optional
            Judge each claim once more as the only one.

        Returns
        -------
        numpy.ndarray of bool, shape (1, n_claims) or (2, n_claims)
            Where the claims are supported: together, and alone.
        """
        heard = self._heard(panel, answers)
        rows = self._judge(self.claims, *heard)
        found = [[_supported(row) for row in rows]]
        if alone:
            found.append([self._alone(row, heard) for row in rows])
        return np.array(found)

    def _alone(self, row: dict[str, Any], heard: tuple[Heard, dict[str, Heard]]) -> bool:
        """Tell whether a claim would be supported as the only one.

        Its own p says so, unless that depends on the level, or the level left the claim open.
        """
        if row["kind"] in _BY_LEVEL or row["direction"] == 0:
            return _supported(self._judge([row["text"]], *heard)[0])
        return bool(row["direction"] > 0 and row["p_value"] <= row["alpha"])

    def _heard(self, panel: Panel, answers: Answers) -> tuple[Heard, dict[str, Heard]]:
        parsed = [parse_claim(text) for text in self.claims]
        ordered = {claim.who for claim in parsed if claim.kind == "orders"}
        whole = self._linked(panel.heard(answers), None in ordered) or Heard([], None)
        named = {claim.who for claim in parsed if claim.who is not None}
        groups = {
            name: self._linked(panel.heard(answers, group=name), name in ordered) for name in named
        }
        return whole, {name: own for name, own in groups.items() if own is not None}

    def _linked(self, heard: Heard | None, wanted: bool) -> Heard | None:
        """Add the metrics where a claim asks for them."""
        if heard is None or not wanted:
            return heard
        parsed = map(parse_claim, self.claims)
        # What a plan claims of a metric is declared before anybody listens.
        declared = [claim.names[0] for claim in parsed if claim.kind == "orders"]
        links = fit_links(heard.preference, self.stages, primary=self.primary, declared=declared)
        return Heard(heard.cells, heard.preference, heard.controls, links)

    def _judge(
        self, claims: Sequence[str], heard: Heard, groups: dict[str, Heard]
    ) -> list[dict[str, Any]]:
        parts = [claims] if self.family else [[text] for text in claims]
        options: dict[str, Any] = {"stages": self.stages, "alpha": self.alpha}
        rows = [judge_claims(part, heard, groups=groups, **options) for part in parts]
        return [row for found in rows for row in found]


def _supported(row: dict[str, Any]) -> bool:
    return bool(row["verdict"] == "supported")


@dataclass(frozen=True, slots=True, eq=False)
class Outcome:
    """What one simulated study showed; see :class:`StudyRun`.

    Attributes
    ----------
    together : numpy.ndarray of bool, shape (n_cases, n_claims)
    alone : numpy.ndarray of bool, shape (n_claims,), or None
    pair : bool
        Whether the votes on the one pair alone support it.
    """

    together: np.ndarray
    alone: np.ndarray | None
    pair: bool


@dataclass(frozen=True, slots=True, eq=False)
class OnePair:
    """A preference judged by the votes on its own pair, without the rest of the round.

    Attributes
    ----------
    family : Family
        Of this one claim.
    panel : Panel
        Who votes on the pair.
    rows : numpy.ndarray of bool
        Which of the whole panel's votes these are.
    """

    family: Family
    panel: Panel
    rows: np.ndarray

    @staticmethod
    def of(panel: Panel, first: str, second: str, alpha: float) -> OnePair:
        """Return the question about one pair of a panel."""
        only, rows = panel.one_pair(first, second)
        return OnePair(Family((f"listeners prefer {first} over {second}",), alpha), only, rows)

    def supported(self, answers: Answers) -> bool:
        """Tell whether the panel's votes on this pair support that the first is preferred."""
        own = replace(answers, correct=(), same_correct=(), votes=answers.votes[self.rows])
        return bool(self.family.supported(self.panel, own)[0, 0])


@dataclass(frozen=True, slots=True, eq=False)
class StudyRun:
    """One simulated study, tried on several panels and worlds: what a cell of the plan is.

    Attributes
    ----------
    family : Family
    cases : tuple of (Supposed, Panel)
        The same people answer in all of them.
    alone : bool
        Judge each claim of the first case as the only one, too: in the same studies, so that a
        family never seems to find more than its claims would alone.
    pair : OnePair or None
        Two stages whose votes are also judged without any others, where claims are.
    """

    family: Family
    cases: tuple[tuple[Supposed, Panel], ...]
    alone: bool = False
    pair: OnePair | None = None

    def __call__(self, number: int, rng: np.random.Generator) -> Outcome:
        """Simulate the study of a number."""
        seed = int(rng.integers(2**62))
        together, alone, pair = [], None, False
        for k, (world, panel) in enumerate(self.cases):
            answers = panel.answer(world, seed)
            found = self.family.supported(panel, answers, alone=self.alone and k == 0)
            together.append(found[0])
            if self.alone and k == 0:
                alone = found[1]
                pair = self.pair is not None and self.pair.supported(answers)
        return Outcome(np.array(together), alone, pair)


@dataclass(frozen=True, slots=True, eq=False)
class Tally:
    """Sums over simulated studies.

    Attributes
    ----------
    n_studies : int
    together : numpy.ndarray of int, shape (n_cases, n_claims)
        Studies that support each claim.
    every, some : numpy.ndarray of int, shape (n_cases,)
        Studies that support all of the claims, and at least one.
    n_alone : int
        Studies in which claims were also judged alone.
    alone : numpy.ndarray of int, shape (n_claims,)
    pair : int
    """

    n_studies: int
    together: np.ndarray
    every: np.ndarray
    some: np.ndarray
    n_alone: int
    alone: np.ndarray
    pair: int

    @staticmethod
    def empty(run: StudyRun) -> Tally:
        """Return the sums before the first study."""
        cases, claims = len(run.cases), len(run.family.claims)
        zero = np.zeros(cases, dtype=int)
        return Tally(
            0, np.zeros((cases, claims), int), zero, zero, 0, np.zeros(claims, dtype=int), 0
        )

    def plus(self, outcome: Outcome) -> Tally:
        """Return the sums with one study more."""
        alone = np.zeros_like(self.alone) if outcome.alone is None else outcome.alone
        return Tally(
            self.n_studies + 1,
            self.together + outcome.together,
            self.every + outcome.together.all(axis=1),
            self.some + outcome.together.any(axis=1),
            self.n_alone + (outcome.alone is not None),
            self.alone + alone,
            self.pair + outcome.pair,
        )


def simulate_studies(
    run: StudyRun,
    n_studies: int,
    *,
    seed: int = 1,
    tally: Tally | None = None,
    workers: Workers | None = None,
    processes: int | None = None,
) -> Generator[Tally, None, None]:
    """Simulate studies on all cores; yield the sums after each.

    Parameters
    ----------
    run : StudyRun
    n_studies : int
        In all, those of `tally` included.
    seed : int, optional
    tally : Tally, optional
        Sums to go on from.
    workers, processes : optional
        As for :func:`analysis.models.cells.map_cells`.

    Yields
    ------
    Tally
        The same on any number of cores; a caller may stop at any time and keep the last one.
    """
    sums = Tally.empty(run) if tally is None else tally
    found = map_cells(
        run,
        range(sums.n_studies, n_studies),
        seed=seed,
        start=sums.n_studies,
        workers=workers,
        processes=processes,
    )
    with closing(found):
        for outcome in found:
            sums = sums.plus(outcome)
            yield sums
