"""Values of ``power`` and ``power_claims``: what the study as run could have noticed."""

from __future__ import annotations

from typing import Any

import numpy as np
from scipy import integrate, optimize, special, stats

from helpers.recomputed import hearing, resampled
from helpers.recomputed.pair_fit import bounded, chances, design, information
from helpers.recomputed.preference import answers, main_fit
from helpers.recomputed.shares import CHANCE
from helpers.recomputed.study import FITTED, Drawn, Recomputed, at

ONE, SET = "/results/power", "/results/power_claims"
#: What is supposed of listeners and differences; the defaults of the documentation.
SHARE, TASTE = 0.7, 0.5
#: Studies behind a point of a paired curve; studies of our own, of one pair and of all claims.
THEIR_PAIRS, OWN_PAIRS, OWN_SETS = 1000, 20_000, 1500


def spread_right(s: Recomputed, method: str | None = None) -> float:
    """Return the SD of P(right) over listeners, the median over pairs (Skellam 1948)."""

    def work() -> float:
        asked = s.asked if method is None else s.asked[s.asked["method"] == method]
        return float(
            np.median([_beta_binomial_sd(part) for _, part in asked.groupby(["method", "pair"])])
        )

    return s.once(("spread", method), work)


def _beta_binomial_sd(frame: Any) -> float:
    right, asked = (v.sum(axis=1) for v in hearing.by_side(frame))

    def minus(v: np.ndarray) -> float:
        mean, size = special.expit(v[0]), np.exp(v[1])
        a, b = mean * size, (1 - mean) * size
        return -float((special.betaln(right + a, asked - right + b) - special.betaln(a, b)).sum())

    pooled = right.sum() / asked.sum()
    if pooled in (0, 1):
        return 0.0
    alike = -float((special.xlogy(right, pooled) + special.xlog1py(asked - right, -pooled)).sum())
    start = special.logit(pooled)
    found = [optimize.minimize(minus, [start, size], method="Nelder-Mead",
                               options={"xatol": 1e-9, "fatol": 1e-12, "maxiter": 4000})
             for size in (1.0, 3.0)]  # fmt: skip
    best = min(found, key=lambda one: one.fun)
    if best.fun > alike - 1e-7:  # no more scatter than chance
        return 0.0
    mean, size = special.expit(best.x[0]), np.exp(best.x[1])
    return float(np.sqrt(mean * (1 - mean) / (size + 1)))


# one question alone ------------------------------------------------------------------------


@at(f"{ONE}/*/power_as_run", tolerance=FITTED)
def as_run(s: Recomputed, k: int) -> float | Drawn:
    """Return the chance to notice a difference at the share of alpha that one claim has."""
    row = s.words["power"][k]
    assert "not heard" not in row["what"], "the power to show similarity is not worked out here"
    place = [n for n, one in enumerate(s.words["power"]) if one["method"] == row["method"]].index(k)
    level = s.alpha / max(len(s.words["claims"]), 1)
    if row["method"] == "paired":
        return _pair_power(s, (0.6, 0.7, 0.8)[place], level)
    return _right_power(s, row["method"], (0.3, 0.5, 0.7)[place], level)


def _right_power(s: Recomputed, method: str, heard: float, level: float) -> float:
    """Sum over all Σk and Σk² of a panel whose P(right) is beta distributed."""
    own = s.asked[s.asked["method"] == method]
    sizes = own.groupby(["pair", "listener"]).size()
    n = round(float(sizes.groupby(level=0).median().median()))
    g = round(float(sizes.groupby(level=0).size().median()))
    chance = CHANCE[method]
    mean, sd = chance + (1 - chance) * heard, spread_right(s, method)
    size = mean * (1 - mean) / sd**2 - 1 if sd > 0 else np.inf
    k = np.arange(n + 1)
    one = (
        stats.betabinom.pmf(k, n, mean * size, (1 - mean) * size)
        if np.isfinite(size)
        else stats.binom.pmf(k, n, mean)
    )
    table = np.zeros((g * n + 1, g * n * n + 1))
    table[0, 0] = 1
    for _ in range(g):
        grown = np.zeros_like(table)
        for right, p in zip(k, one, strict=True):
            grown[right:, right**2 :] += (
                p * table[: table.shape[0] - right, : table.shape[1] - right**2]
            )
        table = grown
    total, squares = np.nonzero(table > 0)
    share = total / (g * n)
    variance = np.maximum(squares - total**2 / g, 0.0) / (n**2 * g * (g - 1))
    exact = stats.binom.sf(total - 1, g * n, chance)
    still = variance < 1e-12
    t = (share - chance) / np.sqrt(np.where(still, 1, variance))
    p = np.where(still, exact, stats.t.sf(t, g - 1))
    p = np.maximum(p, exact) if g < 12 else p
    return float(table[total, squares][p <= level].sum())


def _pair_power(s: Recomputed, share: float, level: float) -> Drawn:
    """Simulate one pair judged by its own votes, taste normal."""
    own = s.paired.assign(pair=s.paired[["stage_a", "stage_b"]].agg(frozenset, axis=1))
    n = round(float(own.groupby(["listener", "pair"]).size().median()))
    g, rng = s.paired["listener"].nunique(), np.random.default_rng(11)
    taste = TASTE * np.sqrt(2) * rng.standard_normal((OWN_PAIRS, g))
    won = rng.binomial(n, special.expit(special.logit(share) + taste)).astype(float)
    total = won.sum(axis=1)
    added = np.where((total == 0) | (total == g * n), 0.5, 0.0)
    p = (total + added) / (g * n + 2 * added)
    alone = 1 / ((g * n + 2 * added) * p * (1 - p))
    between = alone**2 * ((won - n * p[:, None]) ** 2).sum(axis=1) * g / (g - 1)
    found = _supported(special.logit(p), between, alone, g, level)
    return resampled.share(s, found, THEIR_PAIRS)


def _supported(
    logit: np.ndarray, between: np.ndarray, alone: np.ndarray, g: int, level: float
) -> np.ndarray:
    return (_two_sided(logit, between, alone, g)[1] <= level) & (logit > 0)


def _two_sided(
    logit: np.ndarray, between: np.ndarray, alone: np.ndarray, g: int
) -> tuple[np.ndarray, np.ndarray]:
    """Return statistic and p of differences of log-worths, from their variances."""
    se2 = np.where(between < (alone if g < 12 else alone / 4), alone, between)
    share = special.expit(logit)
    t = (share - 0.5) * 2 / np.sqrt(se2 * share * (1 - share))
    return t, 2 * stats.t.sf(np.abs(t), g - 1)


# the claims as a set -----------------------------------------------------------------------


def gap() -> float:
    """Return the difference of log-worths whose share, averaged over tastes, is the supposed."""

    def mean(d: float) -> float:
        spread = TASTE * np.sqrt(2)
        f = lambda z: special.expit(d + spread * z) * stats.norm.pdf(z)  # noqa: E731
        return float(integrate.quad(f, -9, 9)[0])

    return float(optimize.brentq(lambda d: mean(d) - SHARE, 0, 10))


def supposed(s: Recomputed, stages: tuple[str, ...]) -> np.ndarray:
    """Return the worths nearest to equality at which all claims are true."""
    rows = []
    for row in s.words["claims"]:
        if row["kind"] == "hear":
            continue
        assert row["kind"] in ("prefer", "most", "step"), row["text"]
        assert not row.get("per"), row["text"]
        first, *rivals = row["stages"]
        for rival in rivals or [name for name in stages if name != first]:
            rows.append([float(n == first) - float(n == rival) for n in stages])
    if not rows:
        return np.zeros(len(stages))
    matrix, least = np.array(rows), gap()
    found = optimize.minimize(
        lambda v: v @ v,
        np.zeros(len(stages)),
        jac=lambda v: 2 * v,
        constraints={"type": "ineq", "fun": lambda v: matrix @ v - least, "jac": lambda v: matrix},
        method="SLSQP",
        options={"ftol": 1e-14, "maxiter": 500},
    )
    assert found.success
    return found.x - found.x.mean()


def judged_sets(s: Recomputed) -> tuple[np.ndarray, np.ndarray]:
    """Return which claims simulated studies support: as the only claim, and together."""

    def work() -> tuple[np.ndarray, np.ndarray]:
        rng = np.random.default_rng(13)
        table, worths = s.words["claims"], _simulated_worths(s, rng)
        found = [
            _hears(s, row, rng) if row["kind"] == "hear" else _prefers(row, *worths)
            for row in table
        ]
        p, ahead = (np.stack(part, axis=1) for part in zip(*found, strict=True))
        order = np.argsort(p, axis=1)
        steps = np.take_along_axis(p, order, axis=1) * np.arange(p.shape[1], 0, -1)
        adjusted = np.empty_like(p)
        np.put_along_axis(adjusted, order, np.maximum.accumulate(steps, axis=1), axis=1)
        g, n = s.trials["listener"].nunique(), len(table)
        sides = [1 if row["kind"] == "hear" else 2 for row in table]
        alone, family = (np.array([g >= fewest(level, k) for k in sides])
                         for level in (s.alpha, s.alpha / n))  # fmt: skip
        return ahead & alone & (p <= s.alpha), ahead & family & (adjusted <= s.alpha)

    return s.once("sets", work)


def fewest(level: float, sides: int) -> int:
    """Return the fewest listeners who, all of one mind, reach a level; six in any case."""
    return max(6, int(np.ceil(np.log2(sides / level) - 1e-9)))


Worths = tuple[tuple[str, ...], np.ndarray, np.ndarray, np.ndarray, int]


def _simulated_worths(s: Recomputed, rng: np.random.Generator) -> Worths:
    """Return worths of simulated studies with both covariances; the pairs asked are the study's."""
    order = main_fit(s).order is not None
    cells = answers(s) if order else answers(s).unordered
    assert np.ptp(cells.weights) == 0, "visits of one length only are simulated here"
    assert not cells.counts[:, :, 2].any(), "ties are not simulated here"
    k, g = len(cells.stages), len(cells.listeners)
    asked = cells.counts.sum(axis=2)
    own = supposed(s, cells.stages) + TASTE * rng.standard_normal((OWN_SETS, g, k))
    i, j = np.array(cells.cells).T
    won = rng.binomial(asked.astype(int), special.expit(own[..., i] - own[..., j])).astype(float)
    pooled = np.stack([won.sum(axis=1), (asked - won).sum(axis=1)], axis=-1)
    pooled[resampled._unbounded(cells, pooled)] += 0.5
    x = design(cells, k - 1, order=order, ties=False)
    beta = bounded(x, pooled)
    p = chances(x, beta)
    bread = np.linalg.inv(information(x, p, pooled.sum(axis=-1)))
    scores = (won - asked * p[:, None, :, 0]) @ (x[:, 0] - x[:, 1])
    cluster = bread @ np.swapaxes(scores, 1, 2) @ scores @ bread * g / (g - 1)
    worth = np.pad(beta[:, : k - 1], ((0, 0), (0, 1)))
    wide = [np.pad(v[:, : k - 1, : k - 1], ((0, 0), (0, 1), (0, 1))) for v in (cluster, bread)]
    return cells.stages, worth, *wide, g


def _prefers(
    row: dict[str, Any], stages: tuple[str, ...], worth: np.ndarray, cluster: np.ndarray,
    naive: np.ndarray, g: int,
) -> tuple[np.ndarray, np.ndarray]:  # fmt: skip
    first, *rivals = row["stages"]
    t, p = [], []
    for rival in rivals or [name for name in stages if name != first]:
        w = np.array([float(n == first) - float(n == rival) for n in stages])
        spread = [np.einsum("i,sij,j->s", w, v, w) for v in (cluster, naive)]
        for kept, value in zip((t, p), _two_sided(worth @ w, *spread, g), strict=True):
            kept.append(value)
    if row["kind"] != "most":
        return p[0], t[0] > 0
    k, ahead = len(t), np.stack(t) > 0
    one = np.where(ahead, np.stack(p) / 2, 1 - np.stack(p) / 2)
    return np.minimum(one.max(axis=0) * (k + 1) / k, 1.0), ahead.all(axis=0)


def _hears(
    s: Recomputed, row: dict[str, Any], rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    own = hearing.of_pair(s, row["stages"], row["method"])
    asked = hearing.by_side(own)[1].sum(axis=1).astype(int)
    assert np.ptp(asked) == 0
    chance, g, sd = CHANCE[row["method"]], len(asked), max(spread_right(s), 1e-4)
    size = SHARE * (1 - SHARE) / sd**2 - 1
    right = rng.binomial(asked, rng.beta(SHARE * size, (1 - SHARE) * size, (OWN_SETS, g)))
    share = right / asked
    se = share.std(axis=1, ddof=1) / np.sqrt(g)
    exact = stats.binom.sf(right.sum(axis=1) - 1, asked.sum(), chance)
    t = (share.mean(axis=1) - chance) / np.where(se > 1e-12, se, 1)
    p = np.where(se > 1e-12, stats.t.sf(t, g - 1), exact)
    return (np.maximum(p, exact) if g < 12 else p), np.ones(OWN_SETS, dtype=bool)


@at(f"{SET}/claims/*/alone")
def alone(s: Recomputed, k: int) -> Drawn:
    return resampled.share(s, judged_sets(s)[0][:, k], s.their_studies)


@at(f"{SET}/claims/*/together")
def together(s: Recomputed, k: int) -> Drawn:
    return resampled.share(s, judged_sets(s)[1][:, k], s.their_studies)


@at(f"{SET}/all")
def every(s: Recomputed) -> Drawn:
    return resampled.share(s, judged_sets(s)[1].all(axis=1), s.their_studies)


@at(f"{SET}/any")
def some(s: Recomputed) -> Drawn:
    return resampled.share(s, judged_sets(s)[1].any(axis=1), s.their_studies)


def _half_interval(share: float, n: int) -> float:
    """Return half a 95 % interval of a simulated share (Agresti and Coull 1998)."""
    middle = (share * n + 2) / (n + 4)
    return float(stats.norm.ppf(0.975) * np.sqrt(middle * (1 - middle) / (n + 4)))


@at(f"{SET}/claims/*/alone_error")
def alone_error(s: Recomputed, k: int) -> float:
    return _half_interval(s.printed("power_claims", "claims", k, "alone"), s.their_studies)


@at(f"{SET}/claims/*/together_error")
def together_error(s: Recomputed, k: int) -> float:
    return _half_interval(s.printed("power_claims", "claims", k, "together"), s.their_studies)


@at(f"{SET}/n_listeners")
def n_listeners(s: Recomputed) -> int:
    return s.trials["listener"].nunique()


@at(f"{SET}/n_trials")
def n_trials(s: Recomputed) -> int:
    return len(s.trials)
