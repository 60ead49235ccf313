"""Tests groups of listeners against one population whose tastes vary.

Classes that beat a panel of people who are all alike are no evidence of groups: any spread of taste
gives them. The null hypothesis is the continuous population of
:mod:`analysis.models.scattered_panel`, the statistic that of
:mod:`analysis.models.split_statistic`, and its p-value comes from panels simulated from the fitted
population with the same questions (parametric bootstrap, McLachlan 1987 Appl Statist 36:318).
Simulation ends early when :data:`EXCEEDANCES` panels have reached the statistic (Besag & Clifford
1991 Biometrika 78:301), which changes no decision at :data:`LEVEL`.

Two groups against one population come first. Where they pass, each of the two is put to the same
test among its own members, at half the level, and the surer split that passes makes a third group.
The first comparison that does not pass ends the search.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from analysis.models.latent_classes import fit_latent_classes
from analysis.models.scattered_panel import (
    Choices,
    ScatteredPanel,
    choices,
    draw_choices,
    fit_scattered,
    widened,
)
from analysis.models.split_statistic import least_size, split_panels
from analysis.tables.counts import PairCounts

__all__ = [
    "EXCEEDANCES",
    "LEAST_FOR_STEPS",
    "LEVEL",
    "N_BOOTSTRAP",
    "GroupStep",
    "ListenerGroups",
    "Progress",
    "find_groups",
    "two_classes_beat_one",
]

Progress = Callable[[int, int, str], None]

#: Chance of claiming groups where one population was heard.
LEVEL = 0.05
#: Fewest listeners of a group for a first step of its own: the least panel about which anything is
#: said.
LEAST_FOR_STEPS = 6
#: Simulated panels at most, and how many must reach the statistic for an early stop. They belong
#: together: a search that stopped early has p > EXCEEDANCES / (N_BOOTSTRAP + 1), the level.
N_BOOTSTRAP, EXCEEDANCES = 399, 20
_BATCH = 40
_MOST_GROUPS = 3


@dataclass(frozen=True, slots=True)
class GroupStep:
    """One comparison: a population against its split in two.

    Attributes
    ----------
    n_groups : int
        ListenerGroups if it passes.
    listeners : tuple of str
        Who was split: everybody, or the members of one group.
    screened : bool
        Whether two classes beat one by BIC, without which nothing is simulated.
    statistic, p_value : float
        NaN where nothing was simulated.
    level : float
        The p-value has to be at most this.
    n_bootstrap : int
        Panels simulated.
    stopped_early : bool
    sizes : tuple of int
        Listeners of the two parts.
    passed : bool
    upper : tuple of float
        Probability that a listener belongs to the second part.
    """

    n_groups: int
    listeners: tuple[str, ...]
    screened: bool
    statistic: float
    p_value: float
    level: float
    n_bootstrap: int
    stopped_early: bool
    sizes: tuple[int, ...]
    passed: bool
    upper: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class ListenerGroups:
    """What the panel splits into.

    Attributes
    ----------
    n_groups : int
        1 where no split passed.
    membership : dict of str to tuple of (int, float)
        Group, 1 for the largest, and the probability of belonging to it; empty with one group.
    steps : tuple of GroupStep
        The comparisons in order, the last of which did not pass unless there are three groups.
    least_size : int
        Listeners that a group of this panel needs.
    """

    n_groups: int
    membership: dict[str, tuple[int, float]]
    steps: tuple[GroupStep, ...]
    least_size: int


def find_groups(
    counts: PairCounts,
    *,
    most: int = _MOST_GROUPS,
    seed: int = 1,
    screened: bool | None = None,
    n_bootstrap: int = N_BOOTSTRAP,
    exceedances: int = EXCEEDANCES,
    progress: Progress | None = None,
) -> ListenerGroups:
    """Search a panel for groups who want different things.

    Parameters
    ----------
    counts : PairCounts
        Stages must be linked by comparisons. Ties are left out; position is not used.
    most : int, optional
        ListenerGroups at most, 2 or 3.
    seed : int, optional
        Of the simulated panels and the random starts of the screening.
    screened : bool, optional
        Whether two latent classes beat one by BIC, where that is known already.
    n_bootstrap, exceedances : int, optional
        Panels at most, and panels that reach the statistic for an early stop.
    progress : callable, optional
        ``progress(done, total, what)``.

    Returns
    -------
    ListenerGroups

    Raises
    ------
    ValueError
        Unlinked stages, from the screening.
    """
    rng = np.random.default_rng(seed)
    found = choices(counts)
    smallest = least_size(len(found.listeners))
    search = _Search(counts, rng, seed, n_bootstrap, exceedances, progress)
    first = search.step(found, level=LEVEL, n_groups=2, smallest=smallest, screened=screened)
    if first is None:
        return ListenerGroups(1, {}, (), smallest)
    if not first.passed:
        return ListenerGroups(1, {}, (first,), smallest)
    parts, sure = _parted(first)
    steps = [first]
    inner = [
        search.step(found.only(part), level=LEVEL / 2, n_groups=3, smallest=smallest)
        for part in parts
        if most > 2
    ]
    tried = [step for step in inner if step is not None]
    if tried:
        best = min(tried, key=lambda step: (not step.passed, np.nan_to_num(step.p_value, nan=2.0)))
        steps.append(best)
        if best.passed:
            parts, sure = _parted_again(found.listeners, parts, sure, best)
    return ListenerGroups(
        len(parts), _labelled(found.listeners, parts, sure), tuple(steps), smallest
    )


def two_classes_beat_one(counts: PairCounts, *, seed: int = 1) -> bool:
    """Screen by BIC: without this no panel is simulated, since no test could then find groups."""
    one, two = (fit_latent_classes(counts, n_classes=k, seed=seed) for k in (1, 2))
    return two.bic < one.bic


def _of(counts: PairCounts, kept: np.ndarray) -> PairCounts:
    names = tuple(name for name, yes in zip(counts.listeners, kept, strict=True) if yes)
    return PairCounts(counts.stages, names, counts.first, counts.second, counts.counts[kept])


@dataclass(frozen=True, slots=True)
class _Search:
    """What all comparisons of one search share."""

    counts: PairCounts
    rng: np.random.Generator
    seed: int
    n_bootstrap: int
    exceedances: int
    progress: Progress | None

    def step(
        self,
        found: Choices,
        *,
        level: float,
        n_groups: int,
        smallest: int,
        screened: bool | None = None,
    ) -> GroupStep | None:
        """Compare some listeners with their split; None where there are too few to split."""
        if len(found.listeners) < 2 * smallest:
            return None
        if screened is None:
            kept = np.isin(self.counts.listeners, found.listeners)
            screened = two_classes_beat_one(_of(self.counts, kept), seed=self.seed)
        nan, split = float("nan"), split_panels(found.x, found.won[None], found.total)
        upper, statistic = split.upper[0], float(split.statistic[0])
        high = int((upper > 0.5).sum())
        sizes = (len(upper) - high, high)
        p, drawn, early = nan, 0, False
        if screened and min(sizes) >= smallest:
            panel = widened(fit_scattered(found), found, self.rng)
            p, drawn, early = self._p_value(found, panel, statistic)
        return GroupStep(
            n_groups=n_groups,
            listeners=found.listeners,
            screened=screened,
            statistic=statistic if drawn else nan,
            p_value=p,
            level=level,
            n_bootstrap=drawn,
            stopped_early=early,
            sizes=sizes,
            passed=bool(p <= level),
            upper=tuple(float(value) for value in upper),
        )

    def _p_value(
        self, found: Choices, panel: ScatteredPanel, statistic: float
    ) -> tuple[float, int, bool]:
        """Return the sequential Monte Carlo p-value, the panels simulated, and whether it stopped.

        A panel that comes out exactly as the heard one counts as having reached it; rounding
        must not decide that.
        """
        reached, drawn = 0, 0
        bar = statistic - 1e-9 * max(1.0, abs(statistic))
        while drawn < self.n_bootstrap:
            n = min(_BATCH, self.n_bootstrap - drawn)
            won = draw_choices(panel, found.x, found.total, n, self.rng)
            hit = np.cumsum(split_panels(found.x, won, found.total).statistic >= bar) + reached
            if hit[-1] >= self.exceedances:
                drawn += int(np.argmax(hit >= self.exceedances)) + 1
                self._tell(self.n_bootstrap)
                return self.exceedances / drawn, drawn, drawn < self.n_bootstrap
            reached, drawn = int(hit[-1]), drawn + n
            self._tell(drawn)
        return (reached + 1) / (drawn + 1), drawn, False

    def _tell(self, done: int) -> None:
        if self.progress is not None:
            self.progress(done, self.n_bootstrap, "panels simulated: are there groups?")


def _parted(step: GroupStep) -> tuple[list[np.ndarray], np.ndarray]:
    """Return who is in either part, and how sure that is for each listener."""
    upper = np.array(step.upper)
    second = upper > 0.5
    return [~second, second], np.where(second, upper, 1 - upper)


def _parted_again(
    names: tuple[str, ...], parts: list[np.ndarray], sure: np.ndarray, step: GroupStep
) -> tuple[list[np.ndarray], np.ndarray]:
    """Replace the part that a further step split by its two halves."""
    inside = np.isin(names, step.listeners)
    halves, own = _parted(step)
    fresh, surer = [], sure.copy()
    for half in halves:
        whole = np.zeros(len(names), dtype=bool)
        whole[inside] = half
        fresh.append(whole)
    surer[inside] = sure[inside] * own
    return [part for part in parts if not (part & inside).any()] + fresh, surer


def _labelled(
    names: tuple[str, ...], parts: list[np.ndarray], sure: np.ndarray
) -> dict[str, tuple[int, float]]:
    """Give the groups numbers by size, the largest first."""
    ordered = sorted(parts, key=lambda part: -int(part.sum()))
    return {
        name: (next(g for g, part in enumerate(ordered, 1) if part[k]), float(sure[k]))
        for k, name in enumerate(names)
    }
