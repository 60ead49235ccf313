"""Second verdicts, for music like the pieces that were heard.

Listeners and programmes are both drawn at random: tastes of listeners and effects of pieces are
normal on the logit scale, and there is nothing to find in the mean over both. The rule of
:mod:`analysis.robustness.two_way` must keep its level; the others stand beside it as figures, each
with its chance to find what is there: the first verdict alone (which does not hold), t on the
smaller number less one (Cameron, Gelbach & Miller 2011), Satterthwaite without the cells' part, and
the sum of both one-way variances with nothing taken off.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np
import pandas as pd
from calibration_rows import Cell
from scipy import stats

from analysis.hearing.pair_cells import PairCells
from analysis.panels.panel import logit_test, panel_proportion
from analysis.preference.fit import preference_of, worth_difference
from analysis.robustness.contributions import (
    Contributions,
    hearing_contributions,
    worth_contributions,
)
from analysis.robustness.two_way import two_way
from analysis.tables.counts import PairCounts

__all__ = ["cells", "prefer_p"]

Rng = np.random.Generator
Rule = Callable[[Contributions], tuple[float, float]]


def visits(listeners: int, programmes: int, counter: bool) -> np.ndarray:
    """Return trials by listener and programme: 4 of each, or short visits beside whole sittings."""
    if not counter:
        return np.full((listeners, programmes), 4)
    asked = np.full((listeners, programmes), 6)
    turn = 0
    for g in range(listeners // 4, listeners):
        asked[g] = 0
        asked[g, (turn + np.arange(3)) % programmes] = 2
        turn += 3
    return asked


def drawn(asked: np.ndarray, middle: float, music: float, taste: float, rng: Rng) -> np.ndarray:
    """Return P(right, or first chosen) by listener and programme."""
    g, p = asked.shape
    own = taste * rng.standard_normal((g, 1)) + music * rng.standard_normal((1, p))
    return np.asarray(1 / (1 + np.exp(-(middle + own))))


def _parts_of(u: np.ndarray, s: np.ndarray) -> tuple[float, float, float]:
    g, p = u.shape
    down = u.sum(axis=0, keepdims=True)
    across = u.sum(axis=1, keepdims=True)
    v_listener = g / (g - 1) * float((across**2).sum())
    v_programme = p / (p - 1) * float((down**2).sum())
    fair = across / s.sum(axis=1, keepdims=True) + down / s.sum(axis=0, keepdims=True)
    filled = int((s > 0).sum())
    rest = float(((u - s * (fair - u.sum())) ** 2).sum()) * filled / (filled - g - p + 1)
    return v_listener, v_programme, rest


def smaller_number(part: Contributions) -> tuple[float, float]:
    """Two-way variance, t on the smaller of the two numbers less one."""
    v_l, v_p, v_c = _parts_of(part.moves, part.weight)
    return np.sqrt(max(v_l + v_p - v_c, v_l, v_p)), min(part.moves.shape) - 1


def loose(part: Contributions) -> tuple[float, float]:
    """Two-way variance, degrees of freedom of the two one-way parts alone."""
    v_l, v_p, v_c = _parts_of(part.moves, part.weight)
    g, p = part.moves.shape
    df = (v_l + v_p) ** 2 / (v_l**2 / (g - 1) + v_p**2 / (p - 1))
    return np.sqrt(max(v_l + v_p - v_c, v_l, v_p)), df


def nothing_taken_off(part: Contributions) -> tuple[float, float]:
    """Sum of both one-way variances."""
    v_l, v_p, _ = _parts_of(part.moves, part.weight)
    g, p = part.moves.shape
    return np.sqrt(v_l + v_p), (v_l + v_p) ** 2 / (v_l**2 / (g - 1) + v_p**2 / (p - 1))


def chosen(part: Contributions) -> tuple[float, float]:
    """The rule of the analysis."""
    found = two_way(part)
    return found.se, found.df


OTHERS: dict[str, Rule] = {
    "smaller number less one": smaller_number,
    "one-way parts' df": loose,
    "nothing taken off": nothing_taken_off,
}


def prefer_p(
    asked: np.ndarray, p: np.ndarray, rng: Rng, rule: Rule = chosen
) -> tuple[float, float]:
    """Return p of the first and of the second verdict on a preference, equal orders."""
    half = asked // 2
    wins = np.stack([rng.binomial(half, p), half - rng.binomial(half, p)], axis=2)
    counts = np.stack([wins, half[..., None] - wins, np.zeros_like(wins)], axis=3).astype(float)
    names = tuple(f"P{k:02d}" for k in range(len(asked)))
    first, second = np.array([0, 1]), np.array([1, 0])
    parts = {
        f"m{k}": PairCounts(("a", "b"), names, first, second, counts[:, k])
        for k in range(asked.shape[1])
    }
    whole = PairCounts(("a", "b"), names, first, second, counts.sum(axis=1))
    fitted = preference_of(whole, n_draws=0)
    row = worth_difference(fitted, "a", "b")
    assert row is not None
    assert fitted.main is not None
    part = worth_contributions(parts, {"": {"a": 1.0, "b": -1.0}}, like=fitted.main)[""]
    se, df = rule(part)
    wide = logit_test(np.array(part.estimate), np.array(se), df)
    return row.p_value, max(row.p_value, float(wide[1]))


def hear_p(asked: np.ndarray, p: np.ndarray, rng: Rng) -> tuple[float, float]:
    """Return p of the first and of the second verdict on hearing."""
    right = rng.binomial(asked, p)
    g, m = np.nonzero(asked)
    frame = pd.DataFrame(
        {
            "listener": np.array([f"P{k:02d}" for k in range(len(asked))])[g],
            "programme": np.array([f"m{k:02d}" for k in range(asked.shape[1])])[m],
            "n_trials": asked[g, m],
            "n_correct": right[g, m],
        }
    )
    part = hearing_contributions(PairCells(("a", "b"), "abx", frame))
    first = panel_proportion(right.sum(axis=1), asked.sum(axis=1), chance=0.5).p_value
    se, df = chosen(part)
    return first, max(first, float(stats.t.sf((part.estimate - 0.5) / se, df)))


def cells(n: int) -> Iterator[Cell]:
    """Yield the cells of this topic."""
    seed = 7000
    for g in (12, 24):
        for p in (6, 8, 12):
            for counter in (False, True):
                asked = visits(g, p, counter)
                kind = "counter visits" if counter else "equal visits"
                for music in (0.0, 0.3, 0.7):
                    seed += 10
                    what = f"{p} pieces, SD {music:g}, {kind}"
                    yield from _prefer(what, asked, music, n, seed)
                    yield from _hear(what, asked, music, n, seed + 5)
    yield from _rules(n)


def _prefer(what: str, asked: np.ndarray, music: float, n: int, seed: int) -> Iterator[Cell]:
    def errs(rng: Rng) -> bool:
        return prefer_p(asked, drawn(asked, 0.0, music, 0.7, rng), rng)[1] <= 0.05

    def finds(rng: Rng) -> bool:
        return prefer_p(asked, drawn(asked, 0.8, music, 0.7, rng), rng)[1] <= 0.05

    yield Cell(f"prefer; {what}", len(asked), "at most", errs, n, seed)
    yield Cell(f"69 % prefer, found; {what}", len(asked), "figure", finds, max(n // 4, 1), seed + 1)


def _hear(what: str, asked: np.ndarray, music: float, n: int, seed: int) -> Iterator[Cell]:
    def errs(rng: Rng) -> bool:
        return hear_p(asked, drawn(asked, 0.0, music, 0.0, rng), rng)[1] <= 0.05

    yield Cell(f"hear; {what}", len(asked), "at most", errs, n, seed)


def _rules(n: int) -> Iterator[Cell]:
    """Compare the rules on one small and one larger table."""
    seed = 9000
    for g, p, music in ((12, 6, 0.3), (12, 6, 0.7), (24, 12, 0.3)):
        asked = visits(g, p, False)
        for middle in (0.0, 0.8):
            for name, rule in OTHERS.items():
                seed += 1

                def one(
                    rng: Rng,
                    rule: Rule = rule,
                    asked: np.ndarray = asked,
                    middle: float = middle,
                    music: float = music,
                ) -> bool:
                    p = drawn(asked, middle, music, 0.7, rng)
                    return prefer_p(asked, p, rng, rule)[1] <= 0.05

                what = "errs" if middle == 0 else "finds"
                label = f"{name} {what}; {p} pieces, SD {music:g}"
                yield Cell(label, g, "figure", one, n, seed)
            seed += 1

            def first(
                rng: Rng,
                asked: np.ndarray = asked,
                middle: float = middle,
                music: float = music,
            ) -> bool:
                return prefer_p(asked, drawn(asked, middle, music, 0.7, rng), rng)[0] <= 0.05

            yield Cell(
                f"first verdict, of music like this; {p} pieces, SD {music:g}, at {middle:g}",
                g,
                "figure",
                first,
                n,
                seed,
            )
