"""Error rates of the link, of predictions, of region weights and of gains, by simulated panels.

``python tests/bench/bench_link.py [--studies 2000] [--only WORDS]``

Every row is a share of simulated studies with its bounds, which count the error of the simulation
at the nominal rate (``calibration_rows.py``): a cell beyond its nominal rate by more than two such
errors is run again with another seed and five times as many studies, and must then stay within one
per cent. The exit code is 1 when a cell does not. Rows that take long (predictions, gains) get a
fifth of the studies. Listeners are simulated throughout.

- an irrelevant metric called significant by the stage-scatter test, at 4, 6, 8 and 12 stages; by a
  per-trial logit with or without listener clusters, for comparison (no bar);
- the verdict "supported" for it at 4 stages: never;
- any of ten irrelevant metrics beside the primary one called "supported" at 8 stages;
- a true metric found (rank correlation about 0.94 in the population), for comparison;
- the order test; the lack of fit of a metric that is the worth itself;
- a prediction's 95 % interval holds the true share;
- a null region flagged in a half design with interactions;
- the interval of a first step's gain holds the true one.

Many metrics, with a plan and without one, and made stages are in ``calibration_metrics.py``.
"""

from __future__ import annotations

import argparse
import os
import sys

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import time
from collections.abc import Callable, Iterator
from functools import cache
from itertools import combinations
from multiprocessing import get_context

import numpy as np
import pandas as pd
from calibration_rows import Cell, Row, run
from scipy import stats

from analysis.experiments.block import swap_design
from analysis.experiments.model import fit_covariates
from analysis.link.block import adjusted_p, fit_links, link_rows
from analysis.link.lack_of_fit import lack_of_fit
from analysis.link.permutation import order_test
from analysis.link.predict import Prediction, predict_share
from analysis.link.regression import fit_scatter, worth_covariance
from analysis.models.bootstrap import resample_worths
from analysis.models.bradley_terry import PairModelFit, fit_pair_model
from analysis.preference.fit import Preference
from analysis.tables.counts import PairCounts
from analysis.tables.stages import StageTable, stage_table

STAGES = (4, 6, 8, 12)
LISTENERS = 24
ALPHA = 0.05

One = Callable[[np.random.Generator], bool | None]


def panel(
    rng: np.random.Generator,
    worth: np.ndarray,
    *,
    listeners: int = LISTENERS,
    per_pair: int = 2,
    person_sd: float = 0.5,
) -> PairCounts:
    """Return answers of listeners whose worths scatter about the panel's."""
    n = len(worth)
    first, second = np.array(list(combinations(range(n), 2))).T
    own = worth + rng.normal(0, person_sd, (listeners, n))
    p = 1 / (1 + np.exp(-(own[:, first] - own[:, second])))
    wins = rng.binomial(per_pair, p)
    counts = np.stack([wins, per_pair - wins, 0 * wins], axis=2).astype(float)
    names = tuple(f"s{k:02d}" for k in range(n))
    return PairCounts(names, tuple(f"p{k:02d}" for k in range(listeners)), first, second, counts)


def preference_of(counts: PairCounts, *, n_draws: int = 0) -> Preference:
    """Return fits as the analysis would hold them."""
    fit = fit_pair_model(counts)
    draws = resample_worths(counts, fit, n_draws=n_draws) if n_draws else None
    return Preference(counts, [list(counts.stages)], [fit], fit, None, draws)


def metrics(counts: PairCounts, *columns: np.ndarray) -> StageTable:
    """Return a stage table with metrics m0, m1, ..."""
    frame = pd.DataFrame({"stage": counts.stages})
    for k, column in enumerate(columns):
        frame[f"metric_m{k}"] = column
    return stage_table(frame)


@cache
def _irrelevant(n: int, seed: int) -> dict[str, bool]:
    """Return what each test says of a metric that has nothing to do with the worths.

    Cells of one seed look at the same studies, each of which is worked out once.
    """
    rng = np.random.default_rng(seed)
    counts = panel(rng, rng.normal(0, 0.7, n))
    x = rng.normal(size=n)
    found = preference_of(counts)
    fit = found.main
    assert fit is not None
    line = fit_scatter(fit.log_worth, worth_covariance(fit)[0], x)
    (row,) = link_rows(fit_links(found, metrics(counts, x), primary="m0"))
    clusters = fit_covariates(counts, x[:, None], ("x",)).contrast(np.ones(1))["p_value"]
    return {
        "scatter": line.p_value <= ALPHA,
        "supported": row["verdict"] == "supported",
        "order": order_test(x, fit.log_worth).p_value <= ALPHA,
        "clusters": clusters <= ALPHA,
        "trials": _trial_p(counts, x) <= ALPHA,
    }


def _trial_p(counts: PairCounts, x: np.ndarray) -> float:
    """Return the p of a logit that takes trials as independent, from two likelihoods."""
    one = fit_covariates(counts, x[:, None], ("x",))
    gain = one.log_likelihood - counts.n_trials * np.log(0.5)
    return float(stats.chi2.sf(2 * gain, 1))


@cache
def _true(n: int, seed: int) -> dict[str, bool]:
    """Return whether a metric that goes with the worths is found, and one that is them refused."""
    rng = np.random.default_rng(seed)
    worth = rng.normal(0, 0.7, n)
    counts = panel(rng, worth)
    fit = fit_pair_model(counts)
    x = worth + rng.normal(0, 0.7 * np.sqrt(1 / 0.94**2 - 1), n)
    line = fit_scatter(fit.log_worth, worth_covariance(fit)[0], x)
    test = lack_of_fit(counts, fit, worth)
    assert test is not None
    return {"found": line.p_value <= ALPHA, "misfit": test.p_value <= ALPHA}


def _asked(outcomes: Callable[[int, int], dict[str, bool]], n: int, what: str) -> One:
    return lambda rng: bool(outcomes(n, int(rng.integers(2**62)))[what])


def _any_other(n: int, others: int) -> One:
    """Any false support among irrelevant metrics beside the primary one."""

    def one(rng: np.random.Generator) -> bool:
        counts = panel(rng, rng.normal(0, 0.7, n))
        table = metrics(counts, *rng.normal(size=(others + 1, n)))
        links = fit_links(preference_of(counts), table, primary="m0", brief=True)
        return bool(adjusted_p(links)[0][1:].min() <= ALPHA)

    return one


@cache
def _prediction(n: int, seed: int) -> tuple[Prediction, float | None]:
    """Return the prediction of a stage that was left out of a study, and its true share."""
    rng = np.random.default_rng(seed)
    x = rng.uniform(0, 4, n + 1)
    worth = -0.6 * x + rng.normal(0, 0.15, n + 1)
    counts = panel(rng, worth[:n])
    found = preference_of(counts, n_draws=400)
    link = fit_links(found, metrics(counts, x[:n]), primary="m0")[0]
    told = predict_share(link, float(x[n]))
    if told.against is None:
        return told, None
    best = counts.stages.index(told.against)
    return told, float(1 / (1 + np.exp(worth[best] - worth[n])))


def _predicted(rng: np.random.Generator) -> bool:
    return _prediction(8, int(rng.integers(2**62)))[1] is not None


def _covered(rng: np.random.Generator) -> bool | None:
    told, truth = _prediction(8, int(rng.integers(2**62)))
    if truth is None or told.share_low is None or told.share_high is None:
        return None
    return told.share_low <= truth <= told.share_high


REGIONS = ("one", "two", "three", "four", "five")
RUNS = np.array([[float(v) for v in swapped.values()] for swapped in swap_design(REGIONS)])
REGION_WORTH = RUNS @ np.array([0.5, 0.25, 0, 0, 0]) + 0.5 * RUNS[:, 0] * RUNS[:, 1]


@cache
def _region_p(seed: int) -> list[float]:
    """Return the p-value of each region; the last three have no effect."""
    fit = fit_covariates(_sparse(np.random.default_rng(seed), REGION_WORTH, RUNS), RUNS, REGIONS)
    return [fit.contrast(row)["p_value"] for row in np.eye(len(REGIONS))]


def _region(k: int) -> One:
    return lambda rng: _region_p(int(rng.integers(2**62)))[k] <= ALPHA


def _sparse(rng: np.random.Generator, worth: np.ndarray, x: np.ndarray) -> PairCounts:
    """Return 20 listeners' 24 trials each over random pairs of many renderings."""
    n, listeners, trials = len(worth), 20, 24
    first, second = np.array(list(combinations(range(n), 2))).T
    own = worth + rng.normal(0, 0.2, (listeners, x.shape[1])) @ x.T
    counts = np.zeros((listeners, len(first), 3))
    for k in range(listeners):
        cell = rng.choice(len(first), trials, replace=False)
        lead = own[k, first[cell]] - own[k, second[cell]]
        won = rng.random(trials) < 1 / (1 + np.exp(-lead))
        counts[k, cell, np.where(won, 0, 1)] = 1
    names = tuple(f"r{k:02d}" for k in range(n))
    return PairCounts(names, tuple(f"p{k}" for k in range(listeners)), first, second, counts)


def _gain_covered(rng: np.random.Generator) -> bool:
    """The interval of a step's gain from the joint draws."""
    counts = panel(rng, np.array([0.0, 0.6, 1.0, 1.8]), person_sd=0.3)
    fit: PairModelFit = fit_pair_model(counts)
    draws = resample_worths(counts, fit, n_draws=1000).draws
    low, high = np.percentile(draws[:, 1] - draws[:, 0], [2.5, 97.5])
    return bool(low <= 0.6 <= high)


_TESTS = (
    ("scatter", "at most", "stage-scatter test"),
    ("supported", "at most", "verdict supported"),
    ("order", "at most", "exact order test"),
    ("clusters", "figure", "per-trial logit, listener clusters"),
    ("trials", "figure", "per-trial logit, trials independent"),
)


def cells(n: int) -> Iterator[Cell]:
    """Return the cells; `n` studies each, a fifth of it for those that take long."""
    few = max(n // 5, 1)
    for size in STAGES:
        for what, kind, words in _TESTS:
            name, one = (
                f"irrelevant metric, {size} stages: {words}",
                _asked(_irrelevant, size, what),
            )
            nominal = 0.0 if what == "supported" and size < 6 else None
            yield Cell(name, LISTENERS, kind, one, n, 20 + size, nominal)
    for size in STAGES:
        name = f"metric equal to worth, {size} stages: lack of fit"
        yield Cell(name, LISTENERS, "at most", _asked(_true, size, "misfit"), n, 40 + size)
        name = f"true metric (r 0.94), {size} stages: found"
        yield Cell(name, LISTENERS, "figure", _asked(_true, size, "found"), n, 40 + size)
    name = "any of 10 irrelevant metrics beside the primary, 8 stages"
    yield Cell(name, LISTENERS, "at most", _any_other(8, 10), n, 60)
    name = "prediction's 95 % interval holds the truth, 8 stages"
    yield Cell(name, LISTENERS, "cover", _covered, few, 61)
    yield Cell("predictions given (others declined)", LISTENERS, "figure", _predicted, few, 61)
    for k in (2, 3, 4):
        name = f"null region {REGIONS[k]} flagged, 17 renderings, an interaction"
        yield Cell(name, 20, "at most", _region(k), n, 62)
    name = "region of 0.75 logits found, 24 trials each"
    yield Cell(name, 20, "figure", _region(0), n, 62)
    name = "interval of a first step's gain holds the truth"
    yield Cell(name, LISTENERS, "cover", _gain_covered, few, 63)


_PLANNED: list[list[Cell]] = []


def _run_planned(index: int) -> list[Row]:
    return [run(cell) for cell in _PLANNED[index]]


def _together(planned: list[Cell]) -> list[list[Cell]]:
    """Return the cells by seed: those of one seed share their studies in one process."""
    by_seed: dict[int, list[Cell]] = {}
    for cell in planned:
        by_seed.setdefault(cell.seed, []).append(cell)
    return list(by_seed.values())


def main() -> int:
    """Run every cell, print a line each, and tell whether all stayed within their bounds."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--studies", type=int, default=2000)
    parser.add_argument("--only", default="", help="Only cells whose name has this in it.")
    options = parser.parse_args()
    start, missed = time.perf_counter(), 0
    _PLANNED.extend(_together([c for c in cells(options.studies) if options.only in c.name]))
    # Cells hold functions made on the spot, which a forked process inherits and none other gets.
    with get_context("fork").Pool() as pool:
        for rows in pool.imap(_run_planned, range(len(_PLANNED))):
            for row in rows:
                missed += not row.kept
                print(row.line(), flush=True)
    print(f"{missed} outside their bounds; {time.perf_counter() - start:.0f} s")
    return int(missed > 0)


if __name__ == "__main__":
    sys.exit(main())
