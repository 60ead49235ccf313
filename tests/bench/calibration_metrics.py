"""Figures that mean nothing, held against preference: with and without a plan, and made stages.

The worths of the stages are drawn anew in every simulated study and the figures have nothing to do
with them. Whatever is called "supported" is a false alarm. Each study is short of what no test
needs (lack of fit, leaving out stages): the p-values and their adjustment are the analysis's own.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import cache
from itertools import combinations

import numpy as np
import pandas as pd
from calibration_rows import Cell

from analysis.claims.judge import Heard, judge_claims
from analysis.link.block import Link, adjusted_p, fit_links
from analysis.link.programmes import programme_link_rows, programme_table
from analysis.models.bradley_terry import fit_pair_model
from analysis.preference.fit import Preference
from analysis.tables.counts import PairCounts
from analysis.tables.stages import StageTable
from analysis.tables.trials import trial_table

LISTENERS = 24
SIZES = (6, 8, 12)
MANY = 13
ALPHA = 0.05
_SPREAD, _PERSON = 0.7, 0.5

Study = tuple[Preference, np.ndarray]


def study(rng: np.random.Generator, n: int, worth: np.ndarray | None = None) -> Study:
    """Return the fitted answers of simulated listeners over n stages, and the worths behind."""
    first, second = np.array(list(combinations(range(n), 2))).T
    truth = rng.normal(0, _SPREAD, n) if worth is None else worth
    own = truth + rng.normal(0, _PERSON, (LISTENERS, n))
    won = rng.binomial(2, 1 / (1 + np.exp(own[:, second] - own[:, first])))
    answers = np.stack([won, 2 - won, 0 * won], axis=2).astype(float)
    names = tuple(f"s{k:02d}" for k in range(n))
    people = tuple(f"p{k:02d}" for k in range(LISTENERS))
    counts = PairCounts(names, people, first, second, answers)
    fit = fit_pair_model(counts)
    return Preference(counts, [list(names)], [fit], fit, None, None), truth


def table(values: np.ndarray, made: int = 0) -> StageTable:
    """Return a checked stage table of figures m0, m1 ...; the last stages are made ones."""
    n = values.shape[1]
    frame = pd.DataFrame({"stage": [f"s{k:02d}" for k in range(n)]})
    frame["made"] = [""] * (n - made) + ["region swap"] * made
    for k, column in enumerate(values):
        frame[f"metric_m{k}"] = column
    return StageTable(frame, None)


def _planned(links: list[Link]) -> list[Link]:
    """Return the links as if a sealed plan had named the first metric."""
    return [replace(links[0], primary=True, declared=True), *links[1:]]


@cache
def _outcomes(n: int, metrics: int, seed: int) -> dict[str, bool]:
    """Return what is shown in one study of noise metrics, without and with a plan.

    Cells of one seed look at the same studies, each of which is worked out once.
    """
    rng = np.random.default_rng(seed)
    found, _ = study(rng, n)
    stages = table(rng.normal(size=(metrics, n)))
    free = fit_links(found, stages, brief=True)
    sealed = fit_links(found, stages, primary="m0", declared=("m0",), brief=True)
    best = max(free, key=lambda link: abs(link.order.spearman if link.order else 0.0))
    unadjusted = [link.line.p_value for link in free if link.line is not None]
    line = adjusted_p(_planned(free))[0]
    return {
        "any": bool(adjusted_p(free)[0].min() <= ALPHA),
        "best claimed": _supported(best.metric.name, found, free),
        "primary": bool(line[0] <= ALPHA),
        "others": bool(metrics > 1 and line[1:].min() <= ALPHA),
        "its claim": _supported("m0", found, sealed),
        "unadjusted": min(unadjusted) <= ALPHA,
    }


def _supported(metric: str, found: Preference, links: list[Link]) -> bool:
    (row,) = judge_claims([f"metric {metric} orders the stages"], Heard([], found, links=links))
    return bool(row["verdict"] == "supported")


def _shown(n: int, metrics: int, what: str) -> Callable[[np.random.Generator], bool]:
    return lambda rng: _outcomes(n, metrics, int(rng.integers(2**62)))[what]


def _between(rng: np.random.Generator, n: int, made: int) -> tuple[np.ndarray, np.ndarray]:
    """Return weights that put made stages part of the way between two measured ones."""
    weights = np.zeros((made, n))
    for row in weights:
        i, j = rng.choice(n, 2, replace=False)
        row[i] = rng.uniform(0, 1)
        row[j] = 1 - row[i]
    return np.vstack([np.eye(n), weights]), weights


def _with_made(n: int, made: int, *, counted: bool) -> Callable[[np.random.Generator], bool]:
    """Worth and figure of a made stage lie where it lies between its parents."""

    def one(rng: np.random.Generator) -> bool:
        mix, _ = _between(rng, n, made)
        found, _ = study(rng, n + made, mix @ rng.normal(0, _SPREAD, n))
        values = (mix @ rng.normal(size=n))[None, :]
        (link,) = fit_links(found, table(values, 0 if counted else made), brief=True, primary="m0")
        return link.line is not None and link.line.p_value <= ALPHA

    return one


def _by_programme(n: int, figures: int) -> Callable[[np.random.Generator], bool]:
    """Any of some figures by programme; the answers as a trial table."""
    pieces = ("kite", "tide")

    def one(rng: np.random.Generator) -> bool:
        first, second = np.array(list(combinations(range(n), 2))).T
        own = rng.normal(0, _SPREAD, n) + rng.normal(0, _PERSON, (12, n))
        rows = []
        for k, worth in enumerate(own):
            for t, (i, j) in enumerate([*zip(first, second, strict=True)] * 2):
                won = rng.random() < 1 / (1 + np.exp(worth[j] - worth[i]))
                piece = pieces[t >= len(first)]
                rows.append((f"p{k}", 1, t + 1, "paired", piece, f"s{i}", f"s{j}", "ba"[int(won)]))
        names = ("listener", "session", "trial", "method", "programme", "stage_a", "stage_b")
        values = pd.DataFrame(
            [{"programme": piece, "stage": f"s{i}"} for piece in pieces for i in range(n)]
        )
        for k in range(figures):
            values[f"metric_m{k}"] = np.tile(rng.normal(size=n), len(pieces))
        found = programme_link_rows(
            trial_table(pd.DataFrame(rows, columns=[*names, "answer"])), programme_table(values)
        )
        return min(row["p_adjusted"] for row in found) <= ALPHA

    return one


#: What is asked of studies of noise metrics: how many, what is shown, and how that is called.
_QUESTIONS = (
    (1, "any", "a noise metric, {}, no plan: supported"),
    (1, "best claimed", "a noise metric, {}, no plan: claimed"),
    (MANY, "any", "13 noise metrics, {}, no plan: any supported"),
    (MANY, "best claimed", "13 noise metrics, {}, no plan: best claimed"),
    (MANY, "primary", "13 noise metrics, {}, plan: primary supported"),
    (MANY, "its claim", "13 noise metrics, {}, plan: its claim"),
    (MANY, "others", "13 noise metrics, {}, plan: any of the others"),
    (MANY, "unadjusted", "13 noise metrics, {}, unadjusted: any"),
)


def cells(n: int) -> Iterator[Cell]:
    """Return the cells; `n` studies each, a fifth of it where whole tables are read."""
    for size in SIZES:
        for metrics, what, words in _QUESTIONS:
            kind = "figure" if what == "unadjusted" else "at most"
            name, one = words.format(f"{size} stages"), _shown(size, metrics, what)
            yield Cell(name, LISTENERS, kind, one, n, 700 + size + metrics)
    left_out, counted = _with_made(6, 6, counted=False), _with_made(6, 6, counted=True)
    made = "a noise metric, 6 stages and 6 made ones"
    yield Cell(f"{made}: supported", LISTENERS, "at most", left_out, n, 771)
    yield Cell(f"{made}, if made ones counted", LISTENERS, "figure", counted, n, 772)
    by_piece, few = _by_programme(6, 4), max(n // 5, 1)
    yield Cell("4 noise figures by programme, any", 12, "at most", by_piece, few, 773)
