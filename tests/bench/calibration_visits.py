"""Panels whose visits differ in length: short visits at a counter beside whole sittings.

The rules of the analysis count every listener once. Beside them stand, as figures, the two other
rules that one might choose: every answer counts once (with and without effective degrees of
freedom), and weights by the variance of a random-effects model (Paule & Mandel 1982 J Res NBS
87:377; t as Hartung & Knapp 2001 Stat Med 20:3875). They do not keep their level in every cell,
the latter where listeners are of two kinds or stay the longer the more they hear or care.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from itertools import combinations

import numpy as np
from calibration_rows import Cell
from scipy import stats

from analysis.claims.judge import Heard, judge_claims
from analysis.hearing.similarity import similarity
from analysis.models.bootstrap import resample_worths
from analysis.panels.panel import listener_weights, panel_proportion
from analysis.preference.block import _centred, _equal_worths, _order_effect
from analysis.preference.choice_counts import pair_rows
from analysis.preference.fit import Preference, preference_of, worth_difference
from analysis.tables.counts import PairCounts

__all__ = ["VISITS", "cells", "counter_panel"]

#: Trials of each listener.
VISITS = {
    "2 x 60 + 14 x 3": [60] * 2 + [3] * 14,
    "3 x 60 + 37 x 4": [60] * 3 + [4] * 37,
    "8 x 60 + 8 x 3": [60] * 8 + [3] * 8,
    "3 to 60": [3, 3, 4, 5, 6, 8, 12, 18, 24, 30, 48, 60],
    "16 x 18": [18] * 16,
}
Rng = np.random.Generator
Rule = Callable[[np.ndarray, np.ndarray, float], tuple[float, float]]


def counter_panel(
    worth: np.ndarray, visits: Sequence[int], taste: float, rng: Rng, *, side: float = 0.0
) -> PairCounts:
    """Return counts of one simulated panel: every visit deals its questions over all pairs.

    Listeners' own worths scatter normally around `worth` with SD `taste` (logits); `side` is the
    leaning to the first place. Orders are balanced as nearly as whole numbers allow.
    """
    size = len(worth)
    pairs = list(combinations(range(size), 2))
    first = np.array([i for i, _ in pairs] + [j for _, j in pairs])
    second = np.array([j for _, j in pairs] + [i for i, _ in pairs])
    cells_ = len(first)
    asked = np.zeros((len(visits), cells_), dtype=np.int64)
    turn = rng.permutation(cells_)
    for k, n in enumerate(visits):
        full, rest = divmod(n, cells_)
        asked[k] = full
        # The deal goes on where the last listener stopped, so that cells stay balanced.
        asked[k, turn[:rest]] += 1
        turn = np.roll(turn, -rest)
    own = worth + taste * rng.standard_normal((len(visits), size))
    p = 1 / (1 + np.exp(-(own[:, first] - own[:, second] + side)))
    wins = rng.binomial(asked, p)
    counts = np.stack([wins, asked - wins, np.zeros_like(wins)], axis=2).astype(float)
    names = tuple(f"P{k:03d}" for k in range(len(visits)))
    return PairCounts(tuple("abcdefgh"[:size]), names, first, second, counts)


def fitted(counts: PairCounts) -> Preference:
    """Return the fitted panel without resampling."""
    return preference_of(counts, n_draws=0)


# other rules, as figures ----------------------------------------------------------------


def by_listener(k: np.ndarray, n: np.ndarray, chance: float) -> tuple[float, float]:
    """Every listener counts once: p above and below chance."""
    share = k / n
    se = share.std(ddof=1) / np.sqrt(len(n))
    t = (share.mean() - chance) / max(se, 1e-12)
    return float(stats.t.sf(t, len(n) - 1)), float(stats.t.cdf(t, len(n) - 1))


def by_trial(k: np.ndarray, n: np.ndarray, chance: float) -> tuple[float, float]:
    """Every answer counts once, errors between listeners."""
    g, p = len(n), k.sum() / n.sum()
    se = np.sqrt(g / (g - 1) * ((k - n * p) ** 2).sum()) / n.sum()
    t = (p - chance) / max(se, 1e-12)
    return float(stats.t.sf(t, g - 1)), float(stats.t.cdf(t, g - 1))


def by_trial_fewer_df(k: np.ndarray, n: np.ndarray, chance: float) -> tuple[float, float]:
    """Every answer counts once, with the effective number of listeners for degrees of freedom."""
    g, p = len(n), k.sum() / n.sum()
    se = np.sqrt(g / (g - 1) * ((k - n * p) ** 2).sum()) / n.sum()
    t, df = (p - chance) / max(se, 1e-12), max(n.sum() ** 2 / (n**2).sum() - 1, 1)
    return float(stats.t.sf(t, df)), float(stats.t.cdf(t, df))


def by_variance(k: np.ndarray, n: np.ndarray, chance: float) -> tuple[float, float]:
    """Weights of a random-effects model, its scatter by Paule and Mandel, Hartung-Knapp t."""
    g, share = len(n), k / n
    p = np.clip(k.sum() / n.sum(), 0.02, 0.98)
    within = p * (1 - p) / n
    low, high = 0.0, 0.5
    for _ in range(40):
        middle = (low + high) / 2
        w = 1 / (middle + within)
        mean = (w @ share) / w.sum()
        low, high = (middle, high) if w @ (share - mean) ** 2 > g - 1 else (low, middle)
    w = 1 / (low + within)
    mean = (w @ share) / w.sum()
    se = np.sqrt(w @ (share - mean) ** 2 / (g - 1) / w.sum())
    t = (mean - chance) / max(se, 1e-12)
    return float(stats.t.sf(t, g - 1)), float(stats.t.cdf(t, g - 1))


RULES: dict[str, Rule] = {
    "every listener once": by_listener,
    "every answer once": by_trial,
    "every answer once, effective df": by_trial_fewer_df,
    "random-effects weights": by_variance,
}


# populations -----------------------------------------------------------------------------


def alike(p: float) -> Callable[[np.ndarray, Rng], np.ndarray]:
    """Everybody answers with the same P(correct)."""
    return lambda n, rng: rng.binomial(n, p)


def scattered(p: float) -> Callable[[np.ndarray, Rng], np.ndarray]:
    """P(correct) is beta distributed with mean p, SD 0.16 at p = 0.65."""
    return lambda n, rng: rng.binomial(n, rng.beta(8 * p, 8 * (1 - p), len(n)))


def some_always(share: float) -> Callable[[np.ndarray, Rng], np.ndarray]:
    """A share of listeners is always right, the others guess."""
    return lambda n, rng: rng.binomial(n, np.where(rng.random(len(n)) < share, 1.0, 0.5))


def keen_stay(n: np.ndarray, rng: Rng) -> np.ndarray:
    """Those who stay long hear it (P 0.95); the mean over these 16 or 40 listeners is 0.65."""
    long = n >= np.median(n) + 1
    rest = (0.65 * len(n) - 0.95 * long.sum()) / max((~long).sum(), 1)
    return rng.binomial(n, np.where(long, 0.95, rest))


def cells(n: int) -> Iterator[Cell]:
    """Yield the cells of this topic."""
    yield from _rules(n)
    for k, (name, visits) in enumerate(VISITS.items()):
        yield from _hearing(name, np.array(visits), n, 1000 + 50 * k)
        yield from _preference(name, visits, n, 3000 + 50 * k)
    for k, g in enumerate((6, 7, 8, 10, 12)):
        for each in (1, 3):
            yield _small(g, each, n, 5000 + 10 * k + each)


def _rules(n: int) -> Iterator[Cell]:
    """Compare the rules: levels where there is nothing, and the chance to find what is there."""
    populations = {
        "hear, all guess": (alike(0.5), 0.5, 0),
        "hear, all at 65 %": (alike(0.65), 0.5, 0),
        "hear, listeners differ about 65 %": (scattered(0.65), 0.5, 0),
        "not within 30 %, all at the margin": (alike(0.65), 0.65, 1),
        "not within 30 %, listeners differ": (scattered(0.65), 0.65, 1),
        "not within 30 %, 30 % always hear": (some_always(0.3), 0.65, 1),
        "not within 30 %, all guess": (alike(0.5), 0.65, 1),
    }
    seed = 100
    for visits in ("2 x 60 + 14 x 3", "3 x 60 + 37 x 4", "8 x 60 + 8 x 3"):
        own = np.array(VISITS[visits])
        for what, (draw, chance, tail) in populations.items():
            for rule, test in RULES.items():
                seed += 1

                def one(
                    rng: Rng,
                    draw: Callable[[np.ndarray, Rng], np.ndarray] = draw,
                    test: Rule = test,
                    chance: float = chance,
                    tail: int = tail,
                    own: np.ndarray = own,
                ) -> bool:
                    return test(draw(own, rng).astype(float), own, chance)[tail] <= 0.05

                yield Cell(f"{what}; {visits}; {rule}", len(own), "figure", one, n, seed)


def _hearing(name: str, visits: np.ndarray, n: int, seed: int) -> Iterator[Cell]:
    g = len(visits)

    def hears(rng: Rng) -> bool:
        k = rng.binomial(visits, 0.5)
        return panel_proportion(k, visits, chance=0.5).p_value <= 0.05

    def hears_triangle(rng: Rng) -> bool:
        k = rng.binomial(visits, 1 / 3)
        return panel_proportion(k, visits, chance=1 / 3).p_value <= 0.05

    def covered(draw: Callable[[np.ndarray, Rng], np.ndarray]) -> Callable[[Rng], bool]:
        def one(rng: Rng) -> bool:
            found = panel_proportion(draw(visits, rng), visits, chance=0.5)
            return found.ci_low <= 0.65 <= found.ci_high

        return one

    def similar(draw: Callable[[np.ndarray, Rng], np.ndarray], up: bool) -> Callable[[Rng], bool]:
        def one(rng: Rng) -> bool:
            found = similarity(draw(visits, rng), visits, chance=0.5, margin=0.3)
            return (found.p_exceeds if up else found.p_similar) <= 0.05

        return one

    yield Cell(f"hear (abx); {name}", g, "at most", hears, n, seed)
    yield Cell(f"hear (triangle); {name}", g, "at most", hears_triangle, n, seed + 1)
    yield Cell(f"mean share right; {name}", g, "at least", covered(scattered(0.65)), n, seed + 2)
    if name in ("8 x 60 + 8 x 3", "3 to 60"):
        yield Cell(
            f"the same, the keen stay; {name}", g, "at least", covered(keen_stay), n, seed + 3
        )
    populations = {
        "alike": alike(0.65),
        "differ": scattered(0.65),
        "30 % always hear": some_always(0.3),
    }
    for j, (kind, draw) in enumerate(populations.items()):
        what = f"not heard within 30 %, {kind}; {name}"
        yield Cell(what, g, "at most", similar(draw, False), n, seed + 10 + j)
        what = f"heard beyond 30 %, {kind}; {name}"
        yield Cell(what, g, "at most", similar(draw, True), n, seed + 20 + j)


def _preference(name: str, visits: list[int], n: int, seed: int) -> Iterator[Cell]:
    g, few = len(visits), max(n // 4, 1)
    pairs = [f"listeners prefer {i} over {j}" for i, j in combinations("abcd", 2)]

    def one_pair(taste: float) -> Callable[[Rng], bool]:
        def one(rng: Rng) -> bool:
            found = fitted(counter_panel(np.zeros(2), visits, taste, rng))
            row = worth_difference(found, "a", "b")
            return row is not None and row.p_value <= 0.05

        return one

    def six(taste: float) -> Callable[[Rng], bool]:
        def one(rng: Rng) -> bool:
            held = Heard([], fitted(counter_panel(np.zeros(4), visits, taste, rng)))
            return any(row["verdict"] != "undecided" for row in judge_claims(pairs, held))

        return one

    def most(rng: Rng) -> bool:
        worth = np.array([0.0, 0.0, -1.5, -1.5])
        held = Heard([], fitted(counter_panel(worth, visits, 0.7, rng)))
        return judge_claims(["listeners prefer a most"], held)[0]["verdict"] != "undecided"

    def equal(rng: Rng) -> bool | None:
        found = _equal_worths(fitted(counter_panel(np.zeros(4), visits, 0.7, rng)))
        return None if found is None or found["p_value"] is None else found["p_value"] <= 0.05

    def order(rng: Rng) -> bool:
        found = _order_effect(fitted(counter_panel(np.zeros(3), visits, 0.7, rng)))
        return found is not None and found["p_value"] <= 0.05

    def centred(rng: Rng) -> bool:
        held = fitted(counter_panel(np.zeros(4), visits, 1.0, rng))
        assert held.main is not None
        row = _centred(held.main, 0, 0.95)
        return bool(row["centred_low"] <= 0 <= row["centred_high"])

    def resampled(rng: Rng) -> bool:
        counts = counter_panel(np.zeros(4), visits, 1.0, rng)
        held = fitted(counts)
        assert held.main is not None
        weights = listener_weights(counts.totals)
        draws = resample_worths(counts, held.main, weights=weights, n_draws=1000, seed=1)
        low, high = draws.interval()
        return bool(low[0] <= 0 <= high[0])

    def share(rng: Rng) -> bool:
        row = pair_rows(counter_panel(np.zeros(2), visits, 1.0, rng))[0]
        return bool(row["share_low"] <= 0.5 <= row["share_high"])

    def first_step(rng: Rng) -> bool:
        # a is where one stands; b and c gain alike.
        found = fitted(counter_panel(np.array([0.0, 1.0, 1.0, 1.5]), visits, 0.7, rng))
        row = worth_difference(found, "b", "c")
        return row is not None and row.p_value <= 0.05

    for k, taste in enumerate((0.0, 0.7, 1.5)):
        what = f"prefer a over b, tastes {taste:g}; {name}"
        yield Cell(what, g, "at most", one_pair(taste), n, seed + k)
        what = f"any of six preference claims, tastes {taste:g}; {name}"
        yield Cell(what, g, "at most", six(taste), n, seed + 5 + k)
    yield Cell(f"prefer a most, b as good; {name}", g, "at most", most, n, seed + 10)
    yield Cell(f"equal worths; {name}", g, "at most", equal, n, seed + 11)
    yield Cell(f"order effect; {name}", g, "at most", order, n, seed + 12)
    yield Cell(f"two first steps alike; {name}", g, "at most", first_step, n, seed + 13)
    yield Cell(f"centred worth; {name}", g, "at least", centred, n, seed + 14)
    yield Cell(f"centred worth, resampled; {name}", g, "at least", resampled, few, seed + 15)
    yield Cell(f"share of a pair; {name}", g, "at least", share, n, seed + 16)


def _small(g: int, each: int, n: int, seed: int) -> Cell:
    def one(rng: Rng) -> bool:
        held = Heard([], fitted(counter_panel(np.zeros(2), [each] * g, 1.0, rng)))
        return judge_claims(["listeners prefer a over b"], held)[0]["verdict"] != "undecided"

    return Cell(f"prefer a over b, {each} trials each", g, "at most", one, n, seed)
