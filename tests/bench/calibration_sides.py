"""Panels that lean to one answer, sides that were not balanced, and panels that sleep.

Who hears nothing answers by habit; the sides of the trials are not balanced, for everybody alike
or as chance dealt them to short visits. "Hear" and "not heard" must keep their level. A panel that
sleeps guesses on everything, obvious controls included, and must not be said not to hear.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

import numpy as np
import pandas as pd
from calibration_rows import Cell

from analysis.claims.judge import Heard, judge_claims
from analysis.hearing.controls import ControlCounts, Controls, vouch
from analysis.hearing.pair_cells import PairCells
from analysis.hearing.sides import SIDES, SideCounts, own_test, panel_share, side_counts
from analysis.hearing.similarity import similarity
from analysis.panels.panel import panel_proportion

__all__ = ["cells", "side_cells", "sleepers"]

Rng = np.random.Generator
Draw = Callable[[int, Rng], np.ndarray]
#: Method, trials of each listener, share of trials on each side; None deals sides at random.
PANELS: dict[str, tuple[str, list[int], tuple[float, ...], bool]] = {
    "abx 24 x 16, X = A in 70 %": ("abx", [16] * 24, (0.7, 0.3), False),
    "abx 24 x 16, X = A in 55 %": ("abx", [16] * 24, (0.55, 0.45), False),
    "abx 8 x 10, X = A in 70 %": ("abx", [10] * 8, (0.7, 0.3), False),
    "abx 2 x 60 + 14 x 3, X = A in 70 %": ("abx", [60] * 2 + [3] * 14, (0.7, 0.3), True),
    "triangle 24 x 12, 50 25 25 %": ("triangle", [12] * 24, (0.5, 0.25, 0.25), False),
    "same-different 40 x 3, dealt by chance": ("same-different", [3] * 40, (0.5, 0.5), True),
    "same-different 40 x 3, 30 % same": ("same-different", [3] * 40, (0.3, 0.7), True),
}


def _dealt(
    visits: Sequence[int], shares: tuple[float, ...], by_chance: bool, rng: Rng
) -> np.ndarray:
    """Return trials by listener and side."""
    if by_chance:
        return np.array([rng.multinomial(n, shares) for n in visits])
    whole = np.floor(np.outer(visits, shares) + 1e-9).astype(np.int64)

    for k, n in enumerate(visits):
        # What is left over goes where the panel as a whole lacks most.
        for _ in range(n - int(whole[k].sum())):
            lack = np.array(shares) * (whole.sum() + 1) - whole.sum(axis=0)
            whole[k, int(np.argmax(lack))] += 1
    return whole


def alike(habit: tuple[float, ...]) -> Draw:
    """Return a habit that all listeners share."""
    return lambda n, rng: np.tile(habit, (n, 1))


def own_habits(habit: tuple[float, ...]) -> Draw:
    """Return habits that scatter widely around a common one."""
    return lambda n, rng: rng.dirichlet(4 * np.array(habit), size=n)


def side_cells(
    method: str, trials: np.ndarray, habits: np.ndarray, heard: np.ndarray, rng: Rng
) -> PairCells:
    """Return answers of listeners who hear in a share `heard` of trials, else answer by habit."""
    right = rng.binomial(trials, heard[:, None] + (1 - heard[:, None]) * habits)
    frame = pd.DataFrame(
        {
            "listener": [f"P{k:03d}" for k in range(len(trials))],
            "programme": "",
            "n_trials": trials.sum(axis=1),
            "n_correct": right.sum(axis=1),
        }
    )
    if method == "same-different":
        frame["n_same"], frame["n_same_correct"] = trials[:, 0], right[:, 0]
    else:
        for k, name in enumerate(SIDES[method]):
            frame[f"n_side_{name}"], frame[f"n_side_{name}_correct"] = trials[:, k], right[:, k]
    return PairCells(("i", "j"), method, frame)


def _habits(method: str) -> dict[str, Draw]:
    strong = {"triangle": (0.6, 0.2, 0.2), "same-different": (0.25, 0.75)}.get(method, (0.75, 0.25))
    return {"one habit": alike(strong), "own habits": own_habits(strong)}


def _panel_cells(name: str, n: int, seed: int) -> Iterator[Cell]:
    method, visits, shares, by_chance = PANELS[name]
    g, chance = len(visits), 1 / len(shares)

    def study(draw: Draw, heard: Callable[[int, Rng], np.ndarray], rng: Rng) -> SideCounts:
        trials = _dealt(visits, shares, by_chance, rng)
        ears = heard(g, rng)[:, None]
        right = rng.binomial(trials, ears + (1 - ears) * draw(g, rng))
        return side_counts(right, trials, lean=method == "same-different")

    def nobody(size: int, rng: Rng) -> np.ndarray:
        return np.zeros(size)

    def hears(draw: Draw) -> Callable[[Rng], bool]:
        def one(rng: Rng) -> bool:
            return panel_share(*study(draw, nobody, rng).answers, chance=chance).p_value <= 0.05

        return one

    def plain(draw: Draw) -> Callable[[Rng], bool]:
        def one(rng: Rng) -> bool:
            given = study(draw, nobody, rng)
            k, t = given.right.sum(axis=1), given.trials.sum(axis=1)
            return panel_proportion(k, t, chance=chance).p_value <= 0.05

        return one

    def found(draw: Draw) -> Callable[[Rng], bool]:
        def one(rng: Rng) -> bool:
            given = study(draw, lambda size, _: np.full(size, 0.3), rng)
            return panel_share(*given.answers, chance=chance).p_value <= 0.05

        return one

    def similar(draw: Draw, heard: Callable[[int, Rng], np.ndarray]) -> Callable[[Rng], bool]:
        def one(rng: Rng) -> bool:
            test = similarity(*study(draw, heard, rng).answers, chance=chance, margin=0.3)
            return test.p_similar <= 0.05

        return one

    for j, (habit, draw) in enumerate(_habits(method).items()):
        yield Cell(f"hear; {name}; {habit}", g, "at most", hears(draw), n, seed + j)
        yield Cell(f"  plain share; {name}; {habit}", g, "figure", plain(draw), n // 2, seed + j)
        yield Cell(f"  30 % heard; {name}; {habit}", g, "figure", found(draw), n // 2, seed + j)
        for k, (kind, heard) in enumerate(
            {
                "alike": lambda size, _: np.full(size, 0.3),
                "30 % always hear": lambda size, rng: (rng.random(size) < 0.3).astype(float),
            }.items()
        ):
            what = f"not heard, {kind}; {name}; {habit}"
            # Exact tails of sides by listener are costly.
            few = max(n // 4, 1)
            yield Cell(what, g, "at most", similar(draw, heard), few, seed + 10 + 2 * j + k)


def _one_listener(n: int, seed: int) -> Iterator[Cell]:
    for name, sides in {"abx 11 and 5": (11, 5), "triangle 8, 4, 4": (8, 4, 4)}.items():
        method = "abx" if len(sides) == 2 else "triangle"

        def one(rng: Rng, sides: tuple[int, ...] = sides, method: str = method) -> bool:
            habit = rng.dirichlet(np.ones(len(sides)), size=1)
            group = side_cells(method, np.array([sides]), habit, np.zeros(1), rng)
            return own_test(group.cells, chance=1 / len(sides))[0] <= 0.05

        yield Cell(f"one listener hears; {name}; any habit", 1, "at most", one, n, seed)


def sleepers(
    method: str, g: int, each: int, habits: np.ndarray, rng: Rng, *, fixed: bool = False
) -> tuple[PairCells, Controls]:
    """Return a panel that guesses on everything: 12 questions and `each` controls a listener.

    With `fixed`, every control has its right answer on the last side: in same-different trials
    all obvious controls differ.
    """
    sides = habits.shape[1]
    trials = np.full((g, sides), 12 // sides)
    group = side_cells(method, trials, habits, np.zeros(g), rng)
    if fixed:
        asked = np.zeros((g, sides), dtype=np.int64)
        asked[:, -1] = each
    else:
        asked = rng.multinomial(each, np.full(sides, 1 / sides), size=g)
    right = rng.binomial(asked, habits)
    other = np.array([rng.multinomial(12, own) for own in habits])
    part = ControlCounts(
        method, 1 / sides, right.astype(float), asked.astype(float), other.astype(float)
    )
    return group, Controls(
        right.sum(axis=1).astype(float), asked.sum(axis=1).astype(float), (part,)
    )


def _controls(n: int, seed: int) -> Iterator[Cell]:
    claim = "listeners cannot tell i from j within 50 %"
    habit = {2: (0.5, 0.5), 3: (1 / 3, 1 / 3, 1 / 3)}
    for k, (method, g, each, fixed) in enumerate(
        (
            ("abx", 6, 1, False),
            ("abx", 8, 2, False),
            ("abx", 24, 1, False),
            ("abx", 10, 1, True),
            ("triangle", 8, 1, False),
            ("same-different", 8, 1, True),
            ("same-different", 24, 2, True),
        )
    ):
        sides = len(SIDES[method])
        draws = {"own habits": own_habits(habit[sides])}
        if fixed:
            draws["all lean to it"] = own_habits((0.15, 0.85))
        for name, draw in draws.items():

            def asleep(
                rng: Rng,
                draw: Draw = draw,
                case: tuple[str, int, int, bool] = (method, g, each, fixed),
            ) -> bool:
                method, g, each, fixed = case
                group, controls = sleepers(method, g, each, draw(g, rng), rng, fixed=fixed)
                return (
                    judge_claims([claim], Heard([group], None, controls))[0]["verdict"]
                    == "supported"
                )

            def passed(
                rng: Rng,
                draw: Draw = draw,
                case: tuple[str, int, int, bool] = (method, g, each, fixed),
            ) -> bool:
                method, g, each, fixed = case
                _, controls = sleepers(method, g, each, draw(g, rng), rng, fixed=fixed)
                return vouch(controls, 0.05).awake

            where = ", one side" if fixed else ""
            what = f"{method}, {each} controls each{where}; {name}"
            yield Cell(f"asleep, controls passed; {what}", g, "at most", passed, n, seed + k)
            few = max(n // 4, 1)
            yield Cell(f"asleep, not heard; {what}", g, "at most", asleep, few, seed + k)

    for g in (8, 12, 24):

        def awake(rng: Rng, g: int = g) -> bool:
            right = rng.binomial(1, 0.98, g)
            return vouch((g, int(right.sum())), 0.05).awake

        yield Cell("awake, 98 % of controls right: vouched for", g, "figure", awake, n, seed + 50)


def cells(n: int) -> Iterator[Cell]:
    """Yield the cells of this topic, `n` studies each."""
    for k, name in enumerate(PANELS):
        yield from _panel_cells(name, n, 9000 + 100 * k)
    yield from _one_listener(n, 9800)
    yield from _controls(n, 9900)
