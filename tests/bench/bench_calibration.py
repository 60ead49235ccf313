"""Do the tests keep their level, do the intervals cover? Shown by simulation.

``python tests/bench/bench_calibration.py [--studies 2000] [--listeners 12 16 24 40]``

Every row simulates panels of listeners who differ (simulated listeners, no people) and runs the
functions that the analysis runs. A nominal 5 % test should reject 3.5 to 6.5 % of studies in which
nothing is to be found, a 95 % interval should cover the truth in 93 to 97 %. Tests that are exact
or take the larger of two p-values may reject less; they are held to "at most 5 %" and marked so,
and intervals that are exact or always valid to "at least 95 %". How simulation error is allowed
for stands in ``calibration_rows.py``; further topics, panels of unequal visits among them, are the
other ``calibration_*.py`` files, whose cells are run too.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections import Counter

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import time
from collections.abc import Callable, Iterator
from importlib import import_module
from itertools import combinations
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from calibration_rows import Cell, Row, run
from scipy import stats

from analysis.hearing.dprime import dprimes
from analysis.hearing.growing_panel import always_valid_mean
from analysis.hearing.pair_cells import panel_counts
from analysis.hearing.similarity import similarity
from analysis.listeners.consistence import panel_agreement
from analysis.listeners.repeats import chance_alike, repeat_p
from analysis.listeners.steadiness import _slopes
from analysis.models.bootstrap import resample_worths
from analysis.models.bradley_terry import fit_counts, fit_pair_model
from analysis.models.mixed_preference import fit_mixed_preference
from analysis.models.pair_design import design as pair_design
from analysis.panels.multiplicity import holm
from analysis.panels.overdispersion import beta_binomial
from analysis.panels.panel import panel_proportion
from analysis.panels.proportions import clopper_pearson, exact_p
from analysis.panels.sequential import always_valid, spending_limits
from analysis.preference.block import _centred, _equal_worths, _order_effect
from analysis.preference.choice_counts import pair_rows
from analysis.preference.fit import Preference, worth_difference
from analysis.preference.programmes import programme_interaction
from analysis.preference.strength import _pairs
from analysis.ratings.block import _summary
from analysis.ratings.grading import _stages
from analysis.ratings.models import mixed_ratings, ordinal_ratings
from analysis.ratings.tests import friedman, rating_pairs, repeated_measures
from analysis.tables.counts import PairCounts

SPREAD = 0.7


def panel(
    worth: np.ndarray, listeners: int, per_pair: int, rng: np.random.Generator, spread: float
) -> PairCounts:
    """Return counts of one simulated panel, both orders of every pair."""
    size = len(worth)
    pairs = list(combinations(range(size), 2))
    first = np.array([i for i, _ in pairs] + [j for _, j in pairs])
    second = np.array([j for _, j in pairs] + [i for i, _ in pairs])
    own = worth + spread * rng.standard_normal((listeners, size))
    p = 1 / (1 + np.exp(-(own[:, first] - own[:, second])))
    wins = rng.binomial(per_pair, p)
    counts = np.stack([wins, per_pair - wins, np.zeros_like(wins)], axis=2).astype(float)
    names = tuple(f"P{k:03d}" for k in range(listeners))
    return PairCounts(tuple("abcdefgh"[:size]), names, first, second, counts)


def average_truth(worth: np.ndarray, spread: float) -> np.ndarray:
    """Return the worths that a panel without end would show: averaging over listeners flattens."""
    node, weight = np.polynomial.hermite_e.hermegauss(80)
    weight = weight / weight.sum()
    size = len(worth)
    first, second = (np.array(side) for side in zip(*combinations(range(size), 2), strict=True))
    gap = (worth[first] - worth[second])[:, None] + spread * np.sqrt(2) * node
    share = (1 / (1 + np.exp(-gap))) @ weight
    empty = PairCounts(tuple("abcdefgh"[:size]), (), first, second, np.zeros((0, len(first), 3)))
    plan = pair_design(empty, reference=size - 1)
    beta, _ = fit_counts(plan, np.stack([share, 1 - share], axis=1) * 1e6)
    return np.append(beta, 0.0)


def preference_of(counts: PairCounts, *, order: bool = False) -> Preference:
    """Return the fitted panel as the analysis holds it."""
    fit = fit_pair_model(counts)
    ordered = fit_pair_model(counts, order=True) if order else None
    return Preference(counts, [list(counts.stages)], [fit], fit, ordered, None)


def same_different_cells(
    rng: np.random.Generator, g: int, different: int, same: int, p: np.ndarray, q: np.ndarray
) -> pd.DataFrame:
    """Return counts of listeners who say "different" by chances `p` and `q` to the two kinds."""
    hits, calm = rng.binomial(different, p), rng.binomial(same, 1 - q)
    return pd.DataFrame(
        {
            "listener": [f"P{k:03d}" for k in range(g)],
            "programme": "",
            "n_trials": different + same,
            "n_correct": hits + calm,
            "n_same": same,
            "n_same_correct": calm,
        }
    )


def rating_frame(y: np.ndarray, stages: list[str]) -> pd.DataFrame:
    """Return listeners by stages as rating trials of one programme."""
    g = len(y)
    return pd.DataFrame(
        {
            "listener": np.repeat([f"P{k:03d}" for k in range(g)], len(stages)),
            "stage_a": np.tile(stages, g),
            "programme": "",
            "rating": y.ravel(),
        }
    )


def forced_choice(g: int, n: int) -> Iterator[Cell]:
    """Hearing, similarity, over-dispersion, drift."""

    def hears(rng: np.random.Generator) -> bool:
        return panel_proportion(rng.binomial(8, 0.5, g), np.full(g, 8), chance=0.5).p_value <= 0.05

    def hears_triangle(rng: np.random.Generator) -> bool:
        k = rng.binomial(8, 1 / 3, g)
        return panel_proportion(k, np.full(g, 8), chance=1 / 3).p_value <= 0.05

    def share_covered(rng: np.random.Generator) -> bool:
        k = rng.binomial(8, rng.beta(7, 3, g))
        found = panel_proportion(k, np.full(g, 8), chance=0.5)
        return found.ci_low <= 0.7 <= found.ci_high

    def similar(rng: np.random.Generator) -> bool:
        k = rng.binomial(16, rng.beta(13, 7, g))
        return similarity(k, np.full(g, 16), chance=0.5, margin=0.3).p_similar <= 0.05

    def differs(rng: np.random.Generator) -> bool:
        return beta_binomial(rng.binomial(16, 0.7, g), np.full(g, 16)).p_value <= 0.05

    def drifts(rng: np.random.Generator) -> bool:
        who, place = np.repeat(np.arange(g), 24), np.tile(np.linspace(0, 1, 24), g)
        right = (rng.random(g * 24) < rng.beta(7, 3, g)[who]).astype(float)
        slope = _slopes(place, right, who)
        t = slope.mean() / (slope.std(ddof=1) / np.sqrt(len(slope)))
        return bool(2 * stats.t.sf(abs(t), len(slope) - 1) <= 0.05)

    def hears_with_bias(rng: np.random.Generator) -> bool:
        # Each leans to "different" in an own way; twice as many different pairs as same ones.
        lean = rng.beta(4, 2, g)
        cells = same_different_cells(rng, g, 8, 4, lean, lean)
        return panel_proportion(*panel_counts(cells), chance=0.5).p_value <= 0.05

    def exceeds(rng: np.random.Generator) -> bool:
        k = rng.binomial(16, rng.beta(13, 7, g))
        return similarity(k, np.full(g, 16), chance=0.5, margin=0.3).p_exceeds <= 0.05

    def one_hears(rng: np.random.Generator) -> bool:
        return bool(exact_p(rng.binomial(16, 0.5), np.array(16))[0] <= 0.05)

    def one_covered(rng: np.random.Generator) -> bool:
        low, high = clopper_pearson(rng.binomial(16, 0.7), np.array(16))
        return bool(low[0] <= 0.7 <= high[0])

    def any_listener(rng: np.random.Generator) -> bool:
        p = exact_p(rng.binomial(16, 0.5, g), np.full(g, 16))
        return bool(holm(p).min() <= 0.05)

    def d_prime_covered(rng: np.random.Generator) -> bool:
        k = rng.binomial(8, rng.beta(7, 3, g))
        found = panel_proportion(k, np.full(g, 8), chance=0.5)
        low, truth, high = dprimes(np.array([found.ci_low, 0.7, found.ci_high]), model="abx")
        return bool(low <= truth <= high)

    def repeats(rng: np.random.Generator) -> bool:
        right = rng.integers(0, 3, 16)
        share = rng.dirichlet([4, 4, 4])
        said = rng.choice(3, size=16, p=share)
        own = np.bincount(said, minlength=3) / 16
        q = np.stack([own[right], 1 - own[right]], axis=1)
        chance = np.maximum(chance_alike(q[:8], q[8:]), 5 / 9)
        alike = int(((said == right)[:8] == (said == right)[8:]).sum())
        return repeat_p(alike, dict(Counter(chance.tolist()))) <= 0.05

    def looked_at(rng: np.random.Generator) -> bool:
        right, after = rng.binomial(8, 0.5, g), [g // 3, 2 * g // 3, g]
        limits = spending_limits([n / g for n in after])
        for n, limit in zip(after, limits, strict=True):
            found = panel_proportion(right[:n], np.full(n, 8), chance=0.5)
            if 2 * min(found.p_value, 1 - found.p_value) <= 2 * stats.norm.sf(limit):
                return True
        return False

    def grown(rng: np.random.Generator) -> bool:
        found = always_valid_mean(rng.binomial(8, rng.beta(7, 3, g)) / 8)
        return found.ci_low <= 0.7 <= found.ci_high

    def grown_alarm(rng: np.random.Generator) -> bool:
        return always_valid_mean(rng.binomial(8, rng.beta(6, 6, g)) / 8).p_value <= 0.05

    yield Cell("hear I from J (same-different, biased)", g, "level", hears_with_bias, n, 31)
    yield Cell("heard beyond a margin", g, "at most", exceeds, n, 32)
    yield Cell("one listener hears (exact)", g, "at most", one_hears, n, 33)
    yield Cell("any of the listeners, Holm", g, "at most", any_listener, n, 34)
    yield Cell("one listener's interval (exact)", g, "at least", one_covered, n, 35)
    yield Cell("interval of the panel's d'", g, "cover", d_prime_covered, n, 36)
    yield Cell("repeats alike (triangle, leaning)", g, "at most", repeats, n, 37)
    yield Cell("three looks, spending limits", g, "at most", looked_at, n, 38)
    yield Cell("growing panel, interval", g, "at least", grown, n // 4, 39)
    yield Cell("growing panel, p", g, "at most", grown_alarm, n // 4, 40)
    yield Cell("hear I from J (abx)", g, "level", hears, n, 1)
    yield Cell("hear I from J (triangle)", g, "level", hears_triangle, n, 2)
    yield Cell("interval of the share right", g, "cover", share_covered, n, 3)
    yield Cell("not heard within a margin", g, "at most", similar, n, 4)
    yield Cell("listeners differ (beta-binomial)", g, "at most", differs, n, 5)
    yield Cell("drift over the session", g, "level", drifts, n, 6)


def preference(g: int, n: int) -> Iterator[Cell]:
    """Preference claims, order effect, equal worths, programmes."""
    worth = np.array([0.0, 0.0, 0.5, 1.0, 1.5])
    truth = average_truth(worth, SPREAD)

    def prefers(rng: np.random.Generator) -> bool:
        found = worth_difference(preference_of(panel(worth, g, 2, rng, SPREAD)), "a", "b")
        return found is not None and found.p_value <= 0.05

    def difference_covered(rng: np.random.Generator) -> bool:
        found = worth_difference(preference_of(panel(worth, g, 2, rng, SPREAD)), "e", "a")
        assert found is not None
        return found.ci_low <= truth[4] - truth[0] <= found.ci_high

    def one_pair(rng: np.random.Generator) -> bool:
        found = worth_difference(preference_of(panel(np.zeros(2), g, 4, rng, 1.0)), "a", "b")
        return found is not None and found.p_value <= 0.05

    def most(rng: np.random.Generator) -> bool:
        held = preference_of(panel(np.array([0.0, 0.0, -1.0, -1.0]), g, 2, rng, SPREAD))
        rows = [worth_difference(held, "a", other) for other in "bcd"]
        return all(row is not None and row.estimate > 0 and row.p_value <= 0.05 for row in rows)

    def equal(rng: np.random.Generator) -> bool | None:
        found = _equal_worths(preference_of(panel(np.zeros(5), g, 2, rng, SPREAD)))
        return None if found is None or found["p_value"] is None else found["p_value"] <= 0.05

    def order(rng: np.random.Generator) -> bool:
        found = _order_effect(preference_of(panel(worth, g, 2, rng, SPREAD), order=True))
        return found is not None and found["p_value"] <= 0.05

    def centred(rng: np.random.Generator) -> bool:
        held = preference_of(panel(worth, g, 2, rng, SPREAD))
        assert held.main is not None
        row = _centred(held.main, 4, 0.95)
        return bool(row["centred_low"] <= truth[4] - truth.mean() <= row["centred_high"])

    def resampled(rng: np.random.Generator) -> bool:
        counts = panel(worth, g, 2, rng, SPREAD)
        draws = resample_worths(counts, fit_pair_model(counts), n_draws=1000, seed=1)
        low, high = draws.interval()
        return bool(low[4] <= truth[4] - truth.mean() <= high[4])

    def programme(rng: np.random.Generator) -> bool:
        both = panel(np.zeros(3), g, 4, rng, 1.0)
        k, m = both.counts[:, :, 0].astype(int), both.counts[:, :, 1].astype(int)
        share = rng.hypergeometric(k, m, 2)
        part = np.stack([share, 2 - share, np.zeros_like(share)], axis=2).astype(float)
        parts = {
            name: PairCounts(both.stages, both.listeners, both.first, both.second, counts)
            for name, counts in (("kite", part), ("harbour", both.counts - part))
        }
        found = programme_interaction(parts, n_permutations=199, seed=int(rng.integers(2**31)))
        return found is not None and found.p_value <= 0.05

    def mixed(rng: np.random.Generator) -> bool:
        found = fit_mixed_preference(panel(worth, g, 2, rng, SPREAD), structure="common")
        gap = found.log_worth[0] - worth[0] + worth[4]
        return bool(abs(gap) <= 1.96 * found.se[0])

    def pair_share(rng: np.random.Generator) -> bool:
        row = pair_rows(panel(np.array([0.8, 0.0]), g, 4, rng, 1.0))[0]
        share = 1 / (1 + np.exp(-average_truth(np.array([0.8, 0.0]), 1.0)[0]))
        return bool(row["share_low"] <= share <= row["share_high"])

    def differ(rng: np.random.Generator) -> bool:
        return fit_mixed_preference(panel(worth, g, 2, rng, 0.0)).p_value <= 0.05

    def claims(rng: np.random.Generator) -> bool:
        held = preference_of(panel(np.zeros(4), g, 2, rng, SPREAD))
        pairs = combinations("abcd", 2)
        rows = [worth_difference(held, i, j) for i, j in pairs]
        p = np.array([row.p_value for row in rows if row is not None])
        return bool(holm(p).min() <= 0.05)

    few = max(min(n, 200), n // 4)
    yield Cell("interval of a pair's share", g, "cover", pair_share, n, 41)
    yield Cell("listeners differ (mixed worths)", g, "at most", differ, few, 42)
    yield Cell("any of six claims, Holm", g, "at most", claims, n, 43)
    yield Cell("prefer I over J (5 stages)", g, "level", prefers, n, 11)
    yield Cell("prefer I over J (one pair)", g, "level", one_pair, n, 12)
    yield Cell("interval of a worth difference", g, "cover", difference_covered, n, 13)
    yield Cell("prefer I most (two tie for best)", g, "at most", most, n, 14)
    yield Cell("equal worths", g, "level", equal, n, 15)
    yield Cell("order effect", g, "level", order, n, 16)
    yield Cell("interval of a centred worth", g, "cover", centred, n, 17)
    yield Cell("interval from resampled panels", g, "cover", resampled, few, 18)
    yield Cell("programme interaction", g, "level", programme, few, 19)
    yield Cell("mixed model, worth of the middle", g, "cover", mixed, few, 20)


def ratings_and_agreement(g: int, n: int) -> Iterator[Cell]:
    """Ratings of listeners who differ in level and in taste; agreement; peeking."""

    def grades(rng: np.random.Generator) -> np.ndarray:
        taste = rng.standard_normal((g, 4)) * np.array([4.0, 4.0, 8.0, 12.0])
        return 50 + 10 * rng.standard_normal((g, 1)) + taste + 3 * rng.standard_normal((g, 4))

    def pair(rng: np.random.Generator) -> bool:
        return rating_pairs(grades(rng)[:, :2], n_permutations=99)[0].p_value <= 0.05

    def turned(rng: np.random.Generator) -> bool:
        found = rating_pairs(grades(rng)[:, 2:], n_permutations=399, seed=int(rng.integers(2**31)))
        return found[0].p_permutation <= 0.05

    def anova(rng: np.random.Generator) -> bool:
        return repeated_measures(grades(rng)).p_hf <= 0.05

    def ranks(rng: np.random.Generator) -> bool:
        return friedman(grades(rng)).p_value <= 0.05

    def covered(rng: np.random.Generator) -> bool:
        found = rating_pairs(grades(rng)[:, 2:] + np.array([7.0, 0.0]), n_permutations=9)[0]
        return found.ci_low <= 7 <= found.ci_high

    def agree(rng: np.random.Generator) -> bool:
        return panel_agreement(rng.integers(0, 2, (g, 10)).astype(float)).p_value <= 0.05

    def peek(rng: np.random.Generator) -> bool:
        right = (rng.random(10 * g) < 0.5).cumsum()
        looks = range(10, 10 * g + 1, 10)
        return any(always_valid(int(right[k - 1]), k).p_value <= 0.05 for k in looks)

    def mean_covered(rng: np.random.Generator) -> bool:
        row = _summary("a", None, rating_frame(grades(rng)[:, 3:], ["a"]), 0.95)
        return bool(row["ci_low"] <= 50 <= row["ci_high"])

    def repeated(rng: np.random.Generator, shift: float) -> pd.DataFrame:
        y = grades(rng)[:, 2:]
        more = y + np.array([shift, 0.0]) + 4 * rng.standard_normal((2, g, 2))
        parts = [rating_frame(part, ["a", "b"]).assign(programme=p) for p, part in enumerate(more)]
        return pd.concat(parts)

    def mixed_level(rng: np.random.Generator) -> bool | None:
        found = mixed_ratings(repeated(rng, 0.0))
        return None if found is None else found["stages"][0]["p_value"] <= 0.05

    def mixed_covered(rng: np.random.Generator) -> bool | None:
        found = mixed_ratings(repeated(rng, 7.0))
        if found is None:
            return None
        return bool(found["stages"][0]["ci_low"] <= -7 <= found["stages"][0]["ci_high"])

    def ordered(rng: np.random.Generator) -> bool | None:
        found = ordinal_ratings(repeated(rng, 0.0), (20.0, 40.0, 60.0, 80.0))
        return None if found is None else found["stages"][0]["p_value"] <= 0.05

    def difference_grade(rng: np.random.Generator, mean: float) -> Any:
        own = mean + 0.6 * rng.standard_normal((g, 1))
        y = np.clip(np.round(own + 0.5 * rng.standard_normal((g, 4)), 1), -4, 4)
        frame = rating_frame(y, ["a"] * 4).assign(correct=(y < 0).ravel().astype(float))
        return _stages(frame, 0.95)[0]

    def graded(rng: np.random.Generator) -> bool:
        return bool(difference_grade(rng, 0.0)["p_value"] <= 0.05)

    def graded_covered(rng: np.random.Generator) -> bool:
        row = difference_grade(rng, -1.0)
        return bool(row["ci_low"] <= -1 <= row["ci_high"])

    def strength(rng: np.random.Generator) -> bool:
        own = rng.standard_normal((g, 1)) + rng.logistic(size=(g, 2))
        grade = np.clip(np.round(own), -3, 3).ravel()
        a, b, who = np.zeros(2 * g, int), np.ones(2 * g, int), np.repeat(np.arange(g), 2)
        return bool(_pairs(["i", "j"], a, b, who, grade, 0.95)[0]["p_value"] <= 0.05)

    few = max(min(n, 200), n // 4)
    yield Cell("interval of a mean rating", g, "cover", mean_covered, n, 51)
    yield Cell("ratings, mixed model", g, "level", mixed_level, few, 52)
    yield Cell("interval of the mixed model", g, "cover", mixed_covered, few, 53)
    yield Cell("ratings, ordered words", g, "level", ordered, few, 54)
    yield Cell("difference grade", g, "level", graded, few, 55)
    yield Cell("interval of a difference grade", g, "cover", graded_covered, few, 56)
    yield Cell("strength of a preference", g, "level", strength, n, 57)
    yield Cell("rating pair, t", g, "level", pair, n, 21)
    yield Cell("rating pair, signs turned", g, "level", turned, n, 22)
    yield Cell("ratings, Huynh-Feldt", g, "level", anova, n, 23)
    yield Cell("ratings, Friedman", g, "at most", ranks, n, 24)
    yield Cell("interval of a rating difference", g, "cover", covered, n, 25)
    yield Cell("agreement of the panel", g, "at most", agree, n, 26)
    yield Cell("always-valid p, looked at all along", g, "at most", peek, n // 4, 27)


def _topics() -> dict[str, Callable[[int], Iterator[Cell]]]:
    """Return the further topics: every ``calibration_<topic>.py`` beside this file."""
    here = Path(__file__).parent
    names = sorted(path.stem for path in here.glob("calibration_*.py"))
    found = {}
    for name in names:
        module = import_module(name)
        if hasattr(module, "cells"):
            found[name.removeprefix("calibration_")] = module.cells
    return found


def _cells(options: argparse.Namespace) -> Iterator[Cell]:
    parts = {
        "forced-choice": forced_choice,
        "preference": preference,
        "ratings": ratings_and_agreement,
    }
    for name, part in parts.items():
        if options.part in (None, name):
            for g in options.listeners:
                yield from part(g, options.studies)
    for name, topic in _topics().items():
        if options.part in (None, name):
            yield from topic(options.studies)


_PLANNED: list[Cell] = []


def _run_planned(index: int) -> Row:
    return run(_PLANNED[index])


def main() -> int:
    """Run every cell on all cores and print the table; the exit code counts what failed."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--studies", type=int, default=2000)
    parser.add_argument("--listeners", type=int, nargs="+", default=[12, 16, 24, 40])
    parser.add_argument("--part", help="One part only.")
    parser.add_argument("--only", default="", help="Only cells whose name has this in it.")
    options = parser.parse_args()
    started = time.perf_counter()
    _PLANNED.extend(cell for cell in _cells(options) if options.only in cell.name)
    missed = 0
    # Cells hold functions made on the spot, which a forked process inherits and none other gets.
    with get_context("fork").Pool() as pool:
        for row in pool.imap(_run_planned, range(len(_PLANNED))):
            missed += not row.kept
            print(row.line(), flush=True)
    print(f"{missed} outside their bounds; {time.perf_counter() - started:.0f} s")
    return int(missed > 0)


if __name__ == "__main__":
    sys.exit(main())
