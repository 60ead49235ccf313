"""Error rates of the link, of predictions, of region weights and of gains, by simulated panels.

``python tests/bench/bench_link.py [--runs 2000] [--json FILE]``

Every row is a share of simulated studies with its bar; the exit code is 1 when a bar is missed by
more than three Monte Carlo standard errors. Listeners are simulated throughout.

- an irrelevant metric called significant by the stage-scatter test: at most 6 % at 4, 6, 8 and 12
  stages; by a per-trial logit with or without listener clusters, for comparison (no bar);
- the verdict "supported" for it at 4 stages: never;
- any of ten irrelevant metrics beside the primary one called "supported" at 8 stages: at most 6 %;
- a true metric found (rank correlation about 0.94 in the population), for comparison;
- the order test; the lack of fit of a metric that is the worth itself: at most 6 %;
- a prediction's 95 % interval holds the true share: at least 93 %;
- a null region flagged in a half design with interactions: at most 6 %;
- the interval of a first step's gain holds the true one: at least 93 %.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from dataclasses import asdict, dataclass
from itertools import combinations
from pathlib import Path

import numpy as np
import pandas as pd
from scipy import stats

from analysis.bootstrap import resample_worths
from analysis.bradley_terry import fit_pair_model
from analysis.counts import PairCounts
from analysis.link import fit_links, link_rows
from analysis.link_fit import lack_of_fit
from analysis.link_permutation import order_test
from analysis.link_regression import fit_scatter, worth_covariance
from analysis.predict import predict_share
from analysis.preference import Preference
from analysis.regions import swap_design
from analysis.regions_model import fit_covariates
from analysis.stages import StageTable, stage_table

STAGES = (4, 6, 8, 12)
LISTENERS = 24
ALPHA = 0.05


@dataclass(frozen=True)
class Row:
    """One measured rate."""

    what: str
    rate: float
    runs: int
    bar: float | None = None
    least: bool = False

    @property
    def mc_error(self) -> float:
        return float(np.sqrt(max(self.rate * (1 - self.rate), 1e-4) / self.runs))

    @property
    def met(self) -> bool:
        if self.bar is None:
            return True
        slack = 3 * self.mc_error
        return self.rate >= self.bar - slack if self.least else self.rate <= self.bar + slack


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


def irrelevant_metric(rng: np.random.Generator, n: int, runs: int) -> list[Row]:
    """Rates for a metric that has nothing to do with the worths."""
    hits = {"scatter": 0, "trials": 0, "clusters": 0, "order": 0, "supported": 0}
    for _ in range(runs):
        counts = panel(rng, rng.normal(0, 0.7, n))
        x = rng.normal(size=n)
        found = preference_of(counts)
        fit = found.main
        assert fit is not None
        line = fit_scatter(fit.log_worth, worth_covariance(fit)[0], x)
        hits["scatter"] += line.p_value <= ALPHA
        hits["order"] += order_test(x, fit.log_worth).p_value <= ALPHA
        one = fit_covariates(counts, x[:, None], ("x",))
        hits["clusters"] += one.contrast(np.ones(1))["p_value"] <= ALPHA
        hits["trials"] += _trial_p(counts, x) <= ALPHA
        row = link_rows(fit_links(found, metrics(counts, x), primary="m0"))[0]
        hits["supported"] += row["verdict"] == "supported"
    name = f"irrelevant metric, {n} stages: "
    return [
        Row(name + "stage-scatter test", hits["scatter"] / runs, runs, 0.06),
        Row(name + "verdict supported", hits["supported"] / runs, runs, 0.0 if n < 6 else 0.06),
        Row(name + "exact order test", hits["order"] / runs, runs, 0.06),
        Row(name + "per-trial logit, listener clusters", hits["clusters"] / runs, runs),
        Row(name + "per-trial logit, trials independent", hits["trials"] / runs, runs),
    ]


def _trial_p(counts: PairCounts, x: np.ndarray) -> float:
    """Return the p of a logit that takes trials as independent, from two likelihoods."""
    one = fit_covariates(counts, x[:, None], ("x",))
    gain = one.log_likelihood - counts.n_trials * np.log(0.5)
    return float(stats.chi2.sf(2 * gain, 1))


def true_metric(rng: np.random.Generator, n: int, runs: int) -> list[Row]:
    """Rates for a metric that goes with the worths, and for one that is the worth."""
    found, misfit = 0, 0
    for _ in range(runs):
        worth = rng.normal(0, 0.7, n)
        counts = panel(rng, worth)
        fit = fit_pair_model(counts)
        x = worth + rng.normal(0, 0.7 * np.sqrt(1 / 0.94**2 - 1), n)
        line = fit_scatter(fit.log_worth, worth_covariance(fit)[0], x)
        found += line.p_value <= ALPHA
        test = lack_of_fit(counts, fit, worth)
        assert test is not None
        misfit += test.p_value <= ALPHA
    return [
        Row(f"true metric (r 0.94), {n} stages: found", found / runs, runs),
        Row(f"metric equal to worth, {n} stages: lack of fit", misfit / runs, runs, 0.06),
    ]


def family(rng: np.random.Generator, runs: int, n: int = 8, others: int = 10) -> list[Row]:
    """Rate of any false support among irrelevant metrics beside the primary one."""
    hits = 0
    for _ in range(runs):
        counts = panel(rng, rng.normal(0, 0.7, n))
        table = metrics(counts, *rng.normal(size=(others + 1, n)))
        rows = link_rows(fit_links(preference_of(counts), table, primary="m0"))
        hits += any(row["verdict"] == "supported" for row in rows[1:])
    return [
        Row(f"any of {others} irrelevant metrics, {n} stages: supported", hits / runs, runs, 0.06)
    ]


def predictions(rng: np.random.Generator, runs: int, n: int = 8) -> list[Row]:
    """Coverage of the predicted share of a stage that was left out of the study."""
    inside = given = 0
    for _ in range(runs):
        x = rng.uniform(0, 4, n + 1)
        worth = -0.6 * x + rng.normal(0, 0.15, n + 1)
        counts = panel(rng, worth[:n])
        found = preference_of(counts, n_draws=400)
        link = fit_links(found, metrics(counts, x[:n]), primary="m0")[0]
        told = predict_share(link, float(x[n]))
        if told.share_low is None or told.share_high is None or told.against is None:
            continue
        best = counts.stages.index(told.against)
        truth = 1 / (1 + np.exp(worth[best] - worth[n]))
        given += 1
        inside += told.share_low <= truth <= told.share_high
    return [
        Row(
            f"prediction's 95 % interval holds the truth, {n} stages",
            inside / given,
            given,
            0.93,
            True,
        ),
        Row("predictions given (others declined)", given / runs, runs),
    ]


def regions(rng: np.random.Generator, runs: int) -> list[Row]:
    """Rate of null regions flagged when two other regions interact, and power."""
    names = ("one", "two", "three", "four", "five")
    x = np.array([[float(v) for v in run.values()] for run in swap_design(names)])
    worth = x @ np.array([0.5, 0.25, 0, 0, 0]) + 0.5 * x[:, 0] * x[:, 1]
    null = strong = 0
    for _ in range(runs):
        fit = fit_covariates(_sparse(rng, worth, x), x, names)
        p = [fit.contrast(row)["p_value"] for row in np.eye(5)]
        null += sum(value <= ALPHA for value in p[2:])
        strong += p[0] <= ALPHA
    return [
        Row(
            "null region flagged, 17 renderings with an interaction",
            null / (3 * runs),
            3 * runs,
            0.06,
        ),
        Row("region of 0.75 logits found, 20 listeners x 24 trials", strong / runs, runs),
    ]


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


def gains(rng: np.random.Generator, runs: int) -> list[Row]:
    """Coverage of the interval of a step's gain from the joint draws."""
    worth, inside = np.array([0.0, 0.6, 1.0, 1.8]), 0
    for _ in range(runs):
        counts = panel(rng, worth, person_sd=0.3)
        fit = fit_pair_model(counts)
        draws = resample_worths(counts, fit, n_draws=1000).draws
        low, high = np.percentile(draws[:, 1] - draws[:, 0], [2.5, 97.5])
        inside += low <= 0.6 <= high
    return [Row("interval of a first step's gain holds the truth", inside / runs, runs, 0.93, True)]


def main() -> int:
    """Measure every rate, print a table, and tell whether the bars were met."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=2000)
    parser.add_argument("--json", type=Path)
    options = parser.parse_args()
    rng, start = np.random.default_rng(20), time.perf_counter()
    rows: list[Row] = []

    def measured(more: list[Row]) -> None:
        rows.extend(more)
        for row in more:
            bar = (
                "" if row.bar is None else f"{'at least' if row.least else 'at most'} {row.bar:.2f}"
            )
            mark = "" if row.met else "  MISSED"
            print(f"{row.rate:7.4f} ± {row.mc_error:.4f}  {bar:14s} {row.what}{mark}", flush=True)

    for n in STAGES:
        measured(irrelevant_metric(rng, n, options.runs))
    for n in STAGES:
        measured(true_metric(rng, n, max(options.runs // 4, 100)))
    measured(family(rng, max(options.runs // 4, 100)))
    measured(predictions(rng, max(options.runs // 4, 100)))
    measured(regions(rng, max(options.runs // 4, 100)))
    measured(gains(rng, max(options.runs // 4, 100)))
    print(f"{time.perf_counter() - start:.0f} s")
    if options.json:
        options.json.write_text(json.dumps([asdict(row) for row in rows], indent=1))
    return 0 if all(row.met for row in rows) else 1


if __name__ == "__main__":
    sys.exit(main())
