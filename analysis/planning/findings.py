"""Everything that simulated studies say about a plan, in the order in which it is wanted.

First the chances of the declared claims with the planned listeners; then the same for smaller and
larger differences; then how many listeners a new study needs; then all of it more exactly, for as
long as somebody waits.
"""

from __future__ import annotations

from collections.abc import Callable, Generator, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from analysis.claims.grammar import parse_claim
from analysis.models.cells import Workers, crew_of
from analysis.planning.families import Chance, Family, OnePair, StudyRun, Tally, simulate_studies
from analysis.planning.simulated_panel import Panel
from analysis.planning.size import LARGEST, Needed, PowerCurve, next_sizes
from analysis.planning.supposed import Sizes, Supposed, mean_share, suppose

__all__ = ["FIRST", "Findings", "PlanQuestion", "explore", "refine", "true_share"]

Progress = Callable[[int, int, str], None]

#: Studies of the first answer.
FIRST = 400
#: Parts of them that are spent on other sizes of difference, and on every size of panel.
_OTHER_SIZES, _OTHER_PANELS = 0.5, 0.25
#: A smaller and a larger difference: this many percentage points off.
_STEP = 0.1


@dataclass(frozen=True, slots=True, eq=False)
class PlanQuestion:
    """A plan, and what is supposed to be true.

    Attributes
    ----------
    family : Family
        The claims.
    sizes : Sizes
    n_listeners : int
        Planned.
    panel_of : callable
        ``panel_of(n)`` gives the first n listeners; called in this process only.
    groups : tuple of str
        Groups that listeners are in, "" for none.
    pair : tuple of str or None
        Better and worse stage of the pair whose own votes are judged, too.
    guessing : float
        Share that no difference at all would give, the largest of all methods.
    """

    family: Family
    sizes: Sizes
    n_listeners: int
    panel_of: Callable[[int], Panel]
    groups: tuple[str, ...] = ("",)
    pair: tuple[str, str] | None = None
    guessing: float = 0.5

    def world(self, sizes: Sizes | None = None) -> Supposed:
        """Return the world in which the claims are true at some sizes."""
        return suppose(
            self.family.claims,
            sizes or self.sizes,
            compared=self.panel_of(self.n_listeners).stages,
            groups=self.groups,
            stages=self.family.stages,
        )

    def impossible(self, n_listeners: int) -> dict[int, str]:
        """Return by place the claims that no answers could support, and what it would take."""
        panel = self.panel_of(n_listeners)
        world = self.world(replace(self.sizes, correlation=1.0))
        rows = self.family.judge(panel, panel.best(world))
        return {
            k: str(row["needs"] or "other answers than listeners can give")
            for k, row in enumerate(rows)
            if row["verdict"] != "supported"
        }


@dataclass(frozen=True, slots=True, eq=False)
class Findings:
    """What is known so far.

    Attributes
    ----------
    question : PlanQuestion
    world : Supposed
    tally : Tally
        Of the planned panel.
    impossible : dict of int to str
        Claims that no answers of the planned panel could support, and what it would take.
    others : tuple of (Sizes, Tally)
        Of smaller and larger differences.
    panels : dict of int to Tally
        Of other numbers of listeners.
    """

    question: PlanQuestion
    world: Supposed
    tally: Tally
    impossible: dict[int, str]
    others: tuple[tuple[Sizes, Tally], ...] = ()
    panels: dict[int, Tally] = field(default_factory=dict)

    def alone(self, k: int) -> Chance:
        """Return the chance of a claim if it were the only one."""
        return Chance(int(self.tally.alone[k]), self.tally.n_alone)

    def together(self, k: int) -> Chance:
        """Return the chance of a claim within the family."""
        return Chance(int(self.tally.together[0, k]), self.tally.n_studies)

    @property
    def every(self) -> Chance:
        """Chance that all claims are supported."""
        return Chance(int(self.tally.every[0]), self.tally.n_studies)

    @property
    def some(self) -> Chance:
        """Chance that at least one claim is supported."""
        return Chance(int(self.tally.some[0]), self.tally.n_studies)

    @property
    def by_own_votes(self) -> Chance:
        """Chance of the one pair by its own votes."""
        return Chance(int(self.tally.pair), self.tally.n_alone)

    def at(self, place: int, k: int) -> Chance:
        """Return the chance of a claim at another size."""
        tally = self.others[place][1]
        return Chance(int(tally.together[0, k]), tally.n_studies)

    def curve(self, k: int | None) -> PowerCurve:
        """Return the chance of a claim, or of all at once, by number of listeners."""
        tallies = {self.question.n_listeners: self.tally} | self.panels
        sizes = tuple(sorted(tallies))
        return PowerCurve(sizes, tuple(_chance(tallies[n], k) for n in sizes))

    def needed(self, k: int | None) -> Needed:
        """Return how many listeners a new study needs for a claim, or for all at once."""
        return self.curve(k).needed()


def _chance(tally: Tally, k: int | None) -> Chance:
    count = tally.every[0] if k is None else tally.together[0, k]
    return Chance(int(count), tally.n_studies)


def true_share(world: Supposed, text: str) -> float | None:
    """Return the share of choices at which a claim is true in a world; None where it has none."""
    claim = parse_claim(text)
    known = claim.kind in ("prefer", "most", "most of") and set(claim.stages) <= set(world.stages)
    if not known:
        return None
    groups = [claim.who] if claim.who in world.right else list(world.right)
    first, *rivals = (world.stages.index(name) for name in claim.stages)
    rivals = rivals or [k for k in range(len(world.stages)) if k != first]
    worths = [world.worth(str(group), np.random.default_rng(0)) for group in groups]
    gap = min(float(worth[first] - worth[rival]) for worth in worths for rival in rivals)
    return mean_share(gap, world.sizes.spread_taste)


def explore(
    question: PlanQuestion,
    *,
    n_studies: int = FIRST,
    seed: int = 1,
    sizes: bool = True,
    panels: bool = True,
    workers: Workers | None = None,
    processes: int | None = None,
    progress: Progress | None = None,
) -> Generator[Findings, None, Findings]:
    """Simulate the plan.

    Parameters
    ----------
    question : PlanQuestion
    n_studies : int, optional
        Studies of the planned panel; fewer are spent on what comes after it.
    seed : int, optional
    sizes, panels : bool, optional
        Whether smaller and larger differences, and other numbers of listeners, are tried.
    workers, processes : optional
        As for :func:`analysis.models.cells.map_cells`.
    progress : callable, optional
        ``progress(done, total, what)``; the total is a guess, since the search ends when it does.

    Yields
    ------
    Findings
        After every study. A caller may stop at any time and keep the last.
    """
    impossible = question.impossible(question.n_listeners)
    found = Findings(question, question.world(), Tally.empty(_run(question)), impossible)
    # Helpers take as long to start as many studies take: they serve all steps.
    with crew_of(workers, processes) as crew:
        steps = _Growing(question, seed, crew, progress)
        steps.expected = n_studies * (1 + 2 * _OTHER_SIZES * sizes + 6 * _OTHER_PANELS * panels)
        found = yield from steps.planned(found, n_studies)
        if sizes:
            found = yield from steps.other_sizes(found, max(1, round(n_studies * _OTHER_SIZES)))
        if panels:
            found = yield from steps.other_panels(found, max(1, round(n_studies * _OTHER_PANELS)))
    return found


def refine(
    found: Findings,
    n_studies: int,
    *,
    seed: int = 1,
    workers: Workers | None = None,
    processes: int | None = None,
    progress: Progress | None = None,
) -> Generator[Findings, None, Findings]:
    """Add studies of the planned panel to what is known; yield after every one."""
    with crew_of(workers, processes) as crew:
        steps = _Growing(found.question, seed, crew, progress)
        steps.expected = n_studies - found.tally.n_studies
        return (yield from steps.planned(found, n_studies))


def _run(question: PlanQuestion, sizes: Sizes | None = None, n: int | None = None) -> StudyRun:
    """Return the study to simulate: as planned, or with another difference or panel."""
    panel = question.panel_of(question.n_listeners if n is None else n)
    planned = sizes is None and n is None
    pair = None
    if planned and question.pair is not None:
        pair = OnePair.of(panel, *question.pair, question.family.alpha)
    return StudyRun(question.family, ((question.world(sizes), panel),), alone=planned, pair=pair)


_Found = Generator[Findings, None, Findings]


class _Growing:
    """Runs one step after the other and keeps count of the studies."""

    def __init__(
        self,
        question: PlanQuestion,
        seed: int,
        workers: Workers,
        progress: Progress | None,
    ) -> None:
        self.question, self.seed = question, seed
        self.workers, self.progress = workers, progress
        self.done, self.expected = 0, 1.0

    def _simulated(
        self, run: StudyRun, n: int, tally: Tally | None, what: str
    ) -> Generator[Tally, None, None]:
        for sums in simulate_studies(run, n, seed=self.seed, tally=tally, workers=self.workers):
            self.done += 1
            if self.progress is not None:
                self.progress(self.done, max(round(self.expected), self.done), what)
            yield sums

    def planned(self, found: Findings, n: int) -> _Found:
        """Simulate the planned panel until there are `n` studies."""
        people = self.question.n_listeners
        what = f"{people} listeners"
        for tally in self._simulated(_run(self.question), n, found.tally, what):
            found = replace(found, tally=tally)
            yield found
        return found

    def other_sizes(self, found: Findings, n: int) -> _Found:
        """Simulate smaller and larger differences."""
        for sizes in _neighbours(self.question):
            others = found.others
            run = _run(self.question, sizes)
            for tally in self._simulated(run, n, None, f"{100 * sizes.share:.0f} %"):
                found = replace(found, others=(*others, (sizes, tally)))
                yield found
        return found

    def other_panels(self, found: Findings, n: int) -> _Found:
        """Walk up and down the ladder of sizes until every claim's need is bracketed."""
        wanted = self._possible(found)
        while wanted and (sizes := next_sizes([found.curve(k) for k in wanted])):
            for size in sizes:
                panels = found.panels
                run = _run(self.question, n=size)
                for tally in self._simulated(run, n, None, f"{size} listeners"):
                    found = replace(found, panels={**panels, size: tally})
                    yield found
        return found

    def _possible(self, found: Findings) -> list[int | None]:
        """Return the claims, and None for all at once, that a panel of some size can support.

        What one person hears does not hang on the number of others.
        """
        texts = self.question.family.claims
        false = {conflict.claim for conflict in found.world.conflicts}
        never = {k for k, text in enumerate(texts) if text in false}
        if found.impossible:
            never |= set(self.question.impossible(LARGEST))
        alone = {k for k, text in enumerate(texts) if parse_claim(text).kind == "one hears"}
        possible: list[int | None] = [k for k in range(len(texts)) if k not in never | alone]
        return possible if never | alone else [*possible, None]


def _neighbours(question: PlanQuestion) -> Sequence[Sizes]:
    """Return a smaller and a larger difference than the supposed one."""
    sizes, found = question.sizes, []
    for step in (-_STEP, _STEP):
        share, heard = sizes.share + step, sizes.heard + step
        if question.guessing < min(share, heard) and max(share, heard) < 1:
            right = None if sizes.right is None else round(heard, 6)
            found.append(replace(sizes, share=round(share, 6), right=right))
    return found
