"""Chances of the tests between listeners: exact wherever the sums can be tabulated.

With G listeners of n trials each, every test here depends on the counts k only through Σk and
Σk(k-1)/2. Listeners are independent and alike in distribution (binomial, or beta-binomial where
they differ), so the joint distribution of the two sums is the G-fold convolution of one listener's,
found by a two-dimensional Fourier transform.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from scipy import fft, stats

from analysis.panels.panel import SMALL_PANEL
from analysis.panels.proportions import share_right
from analysis.panels.tails import t_above

__all__ = ["MOST_CELLS", "hearing_power", "panel_cells", "similar_panel_power"]

#: Cells of the table of sums beyond which simulating is quicker.
MOST_CELLS = 700_000


def panel_cells(n_listeners: int, n_trials: int) -> int:
    """Return the size of the table of sums."""
    return (n_listeners * n_trials + 1) * (n_listeners * n_trials * (n_trials - 1) // 2 + 1)


def _one_listener(p: float, n_trials: int, spread: float) -> np.ndarray:
    k = np.arange(n_trials + 1)
    if spread <= 0 or not 0 < p < 1:
        return np.asarray(stats.binom.pmf(k, n_trials, p))
    size = p * (1 - p) / spread**2 - 1
    return np.asarray(stats.betabinom.pmf(k, n_trials, p * size, (1 - p) * size))


def _joint(p: float, n_listeners: int, n_trials: int, spread: float) -> np.ndarray:
    """Return P(Σk = row, Σk(k-1)/2 = column)."""
    k = np.arange(n_trials + 1)
    most = n_listeners * n_trials + 1, n_listeners * n_trials * (n_trials - 1) // 2 + 1
    shape = tuple(fft.next_fast_len(size, real=True) for size in most)
    one = np.zeros(shape)
    one[k, k * (k - 1) // 2] = _one_listener(p, n_trials, spread)
    whole = fft.irfft2(fft.rfft2(one) ** n_listeners, s=shape)
    return np.asarray(np.maximum(whole[: most[0], : most[1]], 0.0))


def _scatter(n_listeners: int, n_trials: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return share right, its error between listeners, and the sums of right answers."""
    total = n_listeners * n_trials
    s = np.arange(total + 1)[:, None]
    q = np.arange(n_listeners * n_trials * (n_trials - 1) // 2 + 1)[None, :]
    residual = np.maximum(2.0 * q + s - s**2 / n_listeners, 0.0)
    residual[residual < 1e-9 * max(total, 1)] = 0.0
    return s / total, np.sqrt(n_listeners / (n_listeners - 1) * residual) / total, s[:, 0]


def _between(distance: np.ndarray, se: np.ndarray, listeners: int, exact: np.ndarray) -> np.ndarray:
    """Return the p-value of :func:`analysis.panels.panel.panel_proportion` on the table of sums."""
    scatters = se > 1e-12
    t = np.where(scatters, distance / np.where(scatters, se, 1.0), 0.0)
    p = np.where(scatters, t_above(t, listeners - 1), exact[:, None])
    return np.maximum(p, exact[:, None]) if listeners < SMALL_PANEL else p


def hearing_power(
    p: float, n_listeners: int, n_trials: int, *, chance: float, spread: float, alpha: float
) -> float:
    """Return the exact chance that the test between listeners notices a mean P(correct).

    Parameters
    ----------
    p : float
        Mean P(correct).
    n_listeners, n_trials : int
        Two or more listeners, and trials of each.
    chance, spread, alpha : float
        Guessing probability; SD of P(correct) over listeners, beta distributed; level.
    """
    rejected = _hears(n_listeners, n_trials, chance, alpha)
    return float(_joint(p, n_listeners, n_trials, spread)[rejected].sum())


@lru_cache(maxsize=12)
def _hears(n_listeners: int, n_trials: int, chance: float, alpha: float) -> np.ndarray:
    """Return which sums reject guessing; a search over P(correct) asks for the same ones."""
    share, se, right = _scatter(n_listeners, n_trials)
    exact = stats.binom.sf(right - 1, n_listeners * n_trials, chance)
    return _between(share - chance, se, n_listeners, exact) <= alpha


def similar_panel_power(
    n_listeners: int,
    n_trials: int,
    *,
    chance: float = 0.5,
    margin: float = 0.3,
    share: float = 0.0,
    spread: float = 0.0,
    alpha: float = 0.05,
    n_studies: int = 4000,
    seed: int = 1,
) -> float:
    """Return the chance to show that a panel hears less than a declared margin.

    Parameters
    ----------
    n_listeners, n_trials : int
        Two or more listeners, and trials of each.
    chance : float, optional
        Guessing probability.
    margin, share : float, optional
        Declared and true share of discriminators.
    spread : float, optional
        SD of P(correct) over listeners, beta distributed, kept below what P(correct) allows.
    alpha : float, optional
    n_studies, seed : int, optional
        Simulated studies beyond :data:`MOST_CELLS`.

    Returns
    -------
    float
        Of the tests of :func:`analysis.hearing.similarity.similarity` together.

    Raises
    ------
    ValueError
        Fewer than two listeners or one trial, a margin outside (0, 1) or a share outside [0, 1].
    """
    if n_listeners < 2 or n_trials < 1 or not 0 < margin < 1 or not 0 <= share <= 1:
        raise ValueError("need two listeners, one trial, a margin in (0, 1) and a share in [0, 1]")
    limit = share_right(margin, chance=chance)
    p = share_right(share, chance=chance)
    spread = min(spread, 0.99 * float(np.sqrt(p * (1 - p))))
    total = n_listeners * n_trials
    if panel_cells(n_listeners, n_trials) > MOST_CELLS:
        rng = np.random.default_rng(seed)
        one = _one_listener(p, n_trials, spread)
        k = rng.choice(n_trials + 1, size=(n_studies, n_listeners), p=one / one.sum())
        right = k.sum(axis=1)
        residual = (k.astype(float) ** 2).sum(axis=1) - right**2 / n_listeners
        se = np.sqrt(n_listeners / (n_listeners - 1) * np.maximum(residual, 0.0)) / total
        exact = _so_few(n_listeners, n_trials, chance, margin)[right]
        between = _between((limit - right / total)[:, None], se[:, None], n_listeners, exact)
        return float((np.maximum(between[:, 0], exact) <= alpha).mean())
    found, se, right = _scatter(n_listeners, n_trials)
    exact = _so_few(n_listeners, n_trials, chance, margin)[right]
    between = _between(limit - found, se, n_listeners, exact)
    shown = np.maximum(between, exact[:, None]) <= alpha
    return float(_joint(p, n_listeners, n_trials, spread)[shown].sum())


@lru_cache(maxsize=64)
def _so_few(n_listeners: int, n_trials: int, chance: float, margin: float) -> np.ndarray:
    """Return P(so few right answers) at the margin: the larger of the two populations' tails.

    All hear a little, or a share of the listeners always hears.
    """
    total = n_listeners * n_trials
    limit = share_right(margin, chance=chance)
    alike = stats.binom.cdf(np.arange(total + 1), total, limit)
    one = (1 - margin) * stats.binom.pmf(np.arange(n_trials + 1), n_trials, chance)
    one[-1] += margin
    size = fft.next_fast_len(total + 1, real=True)
    kinds = fft.irfft(fft.rfft(one, n=size) ** n_listeners, n=size)[: total + 1]
    return np.asarray(np.maximum(alike, np.minimum(np.cumsum(np.maximum(kinds, 0.0)), 1.0)))
