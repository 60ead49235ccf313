"""Are groups of listeners claimed where there are none, and found where there are some?

Every cell runs the search of the analysis with its bootstrap over panels of simulated listeners.
The screening by BIC can only take groups away, so levels are shown without it, which is harder and
quicker, and with it in two cells; the figures of power include it. One population: worths of four
stages scatter normally, each on its own or all along one common dimension; everybody answers 30
questions, or, as at a counter, every eighth listener (two at least) answers 60 and the others
three. Two groups: halves whose worths of one stage less another lie so many logits apart, with an
SD of 0.5 logits within each; these figures are the table of :mod:`analysis.preference.group_power`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import partial
from itertools import combinations

import numpy as np
from calibration_rows import Cell

from analysis.preference.group_power import POWER
from analysis.preference.group_test import ListenerGroups, find_groups, two_classes_beat_one
from analysis.tables.counts import PairCounts

STAGES = 4
WITHIN = 0.5
_FIRST, _SECOND = (np.array(side) for side in zip(*combinations(range(STAGES), 2), strict=True))
_MIDDLE = np.array([0.9, 0.6, 0.3, 0.0])
_COMMON = np.array([1.0, 0.5, -0.5, -1.0]) / np.sqrt(2.5)


def equal_visits(listeners: int, trials: int = 30) -> np.ndarray:
    """Return questions by listener and pair: the same of everything."""
    return np.full((listeners, len(_FIRST)), trials // len(_FIRST))


def counter_visits(listeners: int, rng: np.random.Generator) -> np.ndarray:
    """Return questions by listener and pair: a few sittings of 60 beside visits of 3."""
    asked = np.zeros((listeners, len(_FIRST)), dtype=int)
    long = max(2, listeners // 8)
    asked[:long] = 60 // len(_FIRST)
    for k in range(long, listeners):
        asked[k, rng.choice(len(_FIRST), 3, replace=False)] = 1
    return asked


def answers(
    worths: np.ndarray, asked: np.ndarray, rng: np.random.Generator, tie: float = 0.0
) -> PairCounts:
    """Return answers of listeners with worths of their own; `tie` is Davidson's parameter."""
    gap = (worths[:, _FIRST] - worths[:, _SECOND]) / 2
    weight = np.stack([np.exp(gap), np.exp(-gap), np.full_like(gap, tie)], axis=2)
    found = rng.multinomial(asked, weight / weight.sum(axis=2, keepdims=True))
    names = tuple(f"P{k:03d}" for k in range(len(worths)))
    return PairCounts(tuple("abcd"), names, _FIRST, _SECOND, found.astype(float))


def one_population(
    rng: np.random.Generator, listeners: int, sd: float, common: float = 0.0
) -> np.ndarray:
    """Return worths that scatter normally, independently and along a common dimension."""
    own = sd * rng.standard_normal((listeners, STAGES))
    return _MIDDLE + own + common * rng.standard_normal((listeners, 1)) * _COMMON


def two_halves(rng: np.random.Generator, listeners: int, difference: float) -> np.ndarray:
    """Return worths of two halves who differ about the first stage less the last."""
    side = np.where(np.arange(listeners) < listeners // 2, 0.5, -0.5)[:, None]
    way = difference * np.array([0.5, 0.0, 0.0, -0.5])
    middle = np.array([0.3, 0.6, 0.0, 0.3])
    return middle + side * way + WITHIN * rng.standard_normal((listeners, STAGES))


def searched(
    counts: PairCounts, rng: np.random.Generator, *, most: int = 2, screened: bool | None = True
) -> ListenerGroups:
    """Return what the search finds; screened by BIC as in the analysis where that is left open."""
    return find_groups(counts, most=most, seed=int(rng.integers(2**31)), screened=screened)


def _false_groups(
    rng: np.random.Generator,
    *,
    listeners: int,
    sd: float,
    common: float = 0.0,
    counter: bool = False,
    tie: float = 0.0,
    screened: bool | None = True,
) -> bool:
    asked = counter_visits(listeners, rng) if counter else equal_visits(listeners)
    worths = one_population(rng, listeners, sd, common)
    found = searched(answers(worths, asked, rng, tie), rng, screened=screened)
    return found.n_groups > 1


def _third_group(rng: np.random.Generator, *, listeners: int) -> bool | None:
    """Return whether a third group is claimed where two were found; None where they were not."""
    worths = two_halves(rng, listeners, 6.0) + 0.5 * rng.standard_normal((listeners, STAGES))
    found = searched(answers(worths, equal_visits(listeners, 60), rng), rng, most=3)
    return None if found.n_groups < 2 else found.n_groups > 2


def _found_halves(
    rng: np.random.Generator, *, listeners: int, trials: int, difference: float
) -> bool:
    counts = answers(two_halves(rng, listeners, difference), equal_visits(listeners, trials), rng)
    return searched(counts, rng).n_groups > 1 and two_classes_beat_one(counts)


def cells(n: int) -> Iterator[Cell]:
    """Yield levels, then figures of power."""
    few = min(n, 400)
    seed = 900
    for listeners in (12, 24, 48):
        for counter in (False, True):
            for sd in (0.0, 0.5, 1.0, 1.5):
                seed += 1
                one = partial(_false_groups, listeners=listeners, sd=sd, counter=counter)
                where = "3 questions beside 60" if counter else "30 questions each"
                name = f"false groups, taste SD {sd:g}, {where}"
                yield Cell(name, listeners, "at most", one, few, seed)
    more: list[tuple[str, int, Callable[[np.random.Generator], bool | None]]] = [
        (f"false groups, one common taste, {where}", listeners, partial(
            _false_groups, listeners=listeners, sd=0.3, common=1.5, counter=counter
        ))
        for listeners, counter, where in (
            (12, False, "30 questions each"),
            (48, False, "30 questions each"),
            (24, True, "3 questions beside 60"),
        )
    ]  # fmt: skip
    more += [
        ("false groups, SD 1, a third are ties", 24, partial(
            _false_groups, listeners=24, sd=1.0, tie=1.0
        )),
        ("false groups, SD 0, with the screening", 24, partial(
            _false_groups, listeners=24, sd=0.0, screened=None
        )),
        ("false groups, SD 1, with the screening", 24, partial(
            _false_groups, listeners=24, sd=1.0, screened=None
        )),
        ("a third group where there are two", 36, partial(_third_group, listeners=36)),
    ]  # fmt: skip
    for place, (name, listeners, rule) in enumerate(more):
        yield Cell(name, listeners, "at most", rule, few, 950 + place)
    yield from _figures(min(n, 200))


def _figures(n: int) -> Iterator[Cell]:
    seed = 1000
    for (listeners, trials), row in POWER.items():
        for difference in row:
            seed += 1
            one = partial(_found_halves, listeners=listeners, trials=trials, difference=difference)
            name = f"halves {difference:g} logits apart found, {trials} questions each"
            yield Cell(name, listeners, "figure", one, n, seed)
