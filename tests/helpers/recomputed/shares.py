"""Tests and intervals of shares: over trials, and between listeners."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
from scipy import optimize, stats

CHANCE = {"abx": 1 / 2, "duo-trio": 1 / 2, "triangle": 1 / 3}


def logistic(value: float) -> float:
    """Return the share of a logit."""
    return float(1 / (1 + np.exp(-value)))


def wilson(share: float, n: float, t: float) -> tuple[float, float]:
    """Return Wilson's (1927) bounds of a share of n trials at a quantile, without clipping."""
    centre = (share + t**2 / (2 * n)) / (1 + t**2 / n)
    half = t / (1 + t**2 / n) * np.sqrt(share * (1 - share) / n + t**2 / (4 * n**2))
    return float(centre - half), float(centre + half)


def logit_test(
    estimate: float, se: float, df: int, confidence: float = 0.95
) -> tuple[float, float, float, float]:
    """Test a logit against 0 on the scale of its share: Wilson's at the effective number, with t.

    Returns
    -------
    statistic, p, low, high
    """
    share = logistic(estimate)
    n = 1 / (se**2 * share * (1 - share))
    z = (share - 0.5) / np.sqrt(0.25 / n)
    low, high = wilson(share, n, stats.t.ppf((1 + confidence) / 2, df))
    bounds = [float(np.log(end / (1 - end))) for end in (low, high)]
    return float(z), float(2 * stats.t.sf(abs(z), df)), *bounds


@dataclass(frozen=True)
class Panel:
    """Mean over listeners of their shares, with its test against guessing."""

    estimate: float
    se: float
    statistic: float
    df: int
    p: float
    low: float
    high: float
    sided: bool = False


def mean_share(
    right: np.ndarray, asked: np.ndarray, chance: float, *, every_answer: bool = False
) -> Panel:
    """Test the mean over listeners, each counting once; Wilson's interval at the design effect.

    `every_answer` weights listeners by their number of answers instead.
    """
    right, asked = right[asked > 0].astype(float), asked[asked > 0].astype(float)
    g, share = len(asked), right / asked
    weight = asked / asked.mean() if every_answer else np.ones(g)
    mean = float((weight * share).mean())
    variance = float(((weight * (share - mean)) ** 2).sum() / (g * (g - 1)))
    n = g**2 / float((weight**2 / asked).sum())
    spread = mean * (1 - mean) / n
    effect = max(variance / spread, 1.0) if spread > 0 else 1.0
    low, high = wilson(mean, n / effect, stats.t.ppf(0.975, g - 1))
    se = np.sqrt(variance)
    t = (mean - chance) / se if se > 1e-12 else np.nan
    p = float(stats.t.sf(t, g - 1)) if se > 1e-12 else 0.0
    if g < 12 or se <= 1e-12:
        p = max(p, guessing(right, asked, chance, mean, pooled=every_answer))
    return Panel(mean, float(se), float(t), g - 1, p, max(low, 0.0), min(high, 1.0))


def guessing(
    right: np.ndarray, asked: np.ndarray, chance: float, mean: float, *, pooled: bool
) -> float:
    """Return the exact chance of so high a mean over listeners who guess, by convolution."""
    if pooled or np.ptp(asked) == 0:
        return float(stats.binom.sf(right.sum() - 1, asked.sum(), chance))
    sums = {0.0: 1.0}
    for n in asked.astype(int):
        grown: dict[float, float] = {}
        for so_far, ways in sums.items():
            for k, p in enumerate(stats.binom.pmf(np.arange(n + 1), n, chance)):
                key = round(so_far + k / n, 9)
                grown[key] = grown.get(key, 0.0) + ways * p
        sums = grown
    return float(sum(p for total, p in sums.items() if total >= mean * len(asked) - 1e-6))


def share_by_side(right: np.ndarray, asked: np.ndarray, chance: float) -> Panel:
    """Test the mean over sides of the mean over listeners who met them, by influence values.

    Parameters
    ----------
    right, asked : numpy.ndarray, shape (n_listeners, n_sides)
    """
    met = asked > 0
    reach, sides = met.sum(axis=0), asked.shape[1]
    share = np.where(met, right / np.maximum(asked, 1), 0.0)
    by_side = share.sum(axis=0) / reach
    mean, df = float(by_side.mean()), int(reach.min()) - 1
    influence = np.where(met, np.sqrt(reach / (reach - 1)) * (share - by_side) / reach, 0.0)
    variance = float((influence.mean(axis=1) ** 2).sum())
    n = sides**2 / float((met / np.maximum(asked, 1) / reach**2).sum())
    spread = mean * (1 - mean) / n
    effect = max(variance / spread, 1.0) if spread > 0 else 1.0
    low, high = wilson(mean, n / effect, stats.t.ppf(0.975, df))
    alike = np.sqrt(variance) <= 1e-12
    t = np.nan if alike else (mean - chance) / np.sqrt(variance)
    p = 0.0 if alike else float(stats.t.sf(t, df))
    if len(asked) < 12 or alike:
        p = max(p, habits(asked.astype(int), mean))
    return Panel(mean, float(np.sqrt(variance)), float(t), df, p, low, high, True)


def habits(asked: np.ndarray, mean: float) -> float:
    """Return the largest exact chance, over habits, of so high a mean over two sides by guessing.

    Everybody gives the first answer with one chance, tried in thirty steps from never to always,
    and is right on the first side as often.
    """
    assert asked.shape[1] == 2, "habits among three answers are not worked out here"
    reach = (asked > 0).sum(axis=0)
    worst = 0.0
    for habit in np.linspace(0, 1, 31):
        sums = {0: 1.0}
        for side, chance in enumerate((habit, 1 - habit)):
            for n in asked[:, side]:
                each = stats.binom.pmf(np.arange(n + 1), n, chance)
                grown: dict[int, float] = {}
                for so_far, ways in sums.items():
                    for k, p in enumerate(each):
                        # In steps of 1e-9 of the mean.
                        key = so_far + (round(1e9 * k / n / reach[side] / 2) if n else 0)
                        grown[key] = grown.get(key, 0.0) + ways * p
                sums = grown
        worst = max(worst, sum(p for key, p in sums.items() if key >= 1e9 * (mean - 1e-7)))
    return min(1.0, worst)


def sides_matter(right: np.ndarray, asked: np.ndarray) -> bool:
    """Whether the possible answers were right unequally often, or a leaning moves the share.

    By the page Claims: a side's share farther than 0.05 from an equal one, or the leaning that the
    answers show moving the share right by more than a tenth of its standard error.
    """
    own = asked.sum(axis=1)
    uneven = (asked / own[:, None]).mean(axis=0) - 1 / asked.shape[1]
    if np.abs(uneven).max() > 0.05:
        return True
    met = asked > 0
    share = np.where(met, right / np.maximum(asked, 1), 0.0).sum(axis=0) / met.sum(axis=0)
    moved = abs(float(uneven @ share))
    return moved > 0.1 * float(stats.sem(right.sum(axis=1) / own)) + 1e-9


def d_prime(share: float, method: str) -> float:
    """Return d' of a share right; 0 at or below guessing.

    ABX by differencing (Macmillan, Kaplan and Creelman 1977), duo-trio the same, triangle by Ura
    (1960); formulas of the page Methods.
    """
    phi = stats.norm.cdf

    def abx(d: float) -> float:
        u, v = d / np.sqrt(2), d / np.sqrt(6)
        return float(phi(u) * phi(v) + phi(-u) * phi(-v))

    def triangle(d: float) -> float:
        z = np.linspace(0, 9, 20001)
        inside = phi(-z * np.sqrt(3) + d * np.sqrt(2 / 3)) + phi(
            -z * np.sqrt(3) - d * np.sqrt(2 / 3)
        )
        return float(2 * np.trapezoid(inside * stats.norm.pdf(z), z))

    model = triangle if method == "triangle" else abx
    if share <= CHANCE[method]:
        return 0.0
    return float(optimize.brentq(lambda d: model(d) - share, 0, 30, xtol=1e-12))


def p_written(p: float) -> set[str]:
    """Return how a p-value is written in a sentence: four decimals below 0.01, else three."""
    if p < 0.0001:
        return {"p < 0.0001"}
    return {f"p = {p:.4f}" if p < 0.01 else f"p = {p:.3f}"}


def numbers_in(text: str) -> list[str]:
    """Return the numbers of a sentence as they are written, p-values with their sign."""
    return re.findall(r"(?:p [<>=] )?\d+(?:\.\d+)?(?: %)?", text.replace("\u00a0", " "))
