"""What a study can notice: power and sample size.

Exact for right answers, whether listeners are alike or differ (simulated only where the sums grow
too large to tabulate, :mod:`analysis.panels.exact_panel`); by simulating listeners who differ for
preference.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import stats

from analysis.hearing.dprime import CHANCE, model_for, proportion_correct
from analysis.models.bradley_terry import PENALTY_COUNT, fit_counts
from analysis.models.pair_design import PairDesign, design, probabilities
from analysis.panels.exact_panel import MOST_CELLS, hearing_power, panel_cells
from analysis.panels.panel import SMALL_PANEL, logit_test
from analysis.panels.proportions import critical_count, share_right
from analysis.panels.tails import t_above
from analysis.preference.contrast import floored_error
from analysis.tables.counts import PairCounts, separated

__all__ = [
    "PairedPower",
    "chance_of",
    "detectable_share",
    "exact_power",
    "paired_power",
    "panel_power",
    "proportion_of",
]


def proportion_of(
    *, method: str, d_prime: float | None = None, discriminators: float | None = None
) -> float:
    """Return P(correct) of a method for a d' or for a share of discriminators.

    Raises
    ------
    ValueError
        Not exactly one of the two, or a value outside its range.
    """
    if (d_prime is None) == (discriminators is None):
        raise ValueError("give either d_prime or discriminators")
    if d_prime is not None:
        return float(proportion_correct(d_prime, model=method))
    share = float(discriminators if discriminators is not None else 0.0)
    if not 0 <= share <= 1:
        raise ValueError(f"discriminators must lie in [0, 1], got {share}")
    chance = model_for(method).chance
    return share_right(share, chance=chance)


def exact_power(p: float, n_trials: int, *, chance: float = 0.5, alpha: float = 0.05) -> float:
    """Return the chance that the exact one-sided test notices P(correct) = p.

    Raises
    ------
    ValueError
        `n_trials` below 1 or a probability outside its range.
    """
    if not 0 <= p <= 1:
        raise ValueError(f"p must lie in [0, 1], got {p}")
    limit = critical_count(n_trials, chance=chance, alpha=alpha)
    return 0.0 if limit is None else float(stats.binom.sf(limit - 1, n_trials, p))


def panel_power(
    p: float,
    n_listeners: int,
    n_trials: int,
    *,
    chance: float = 0.5,
    spread: float = 0.0,
    alpha: float = 0.05,
    n_studies: int = 4000,
    seed: int = 1,
) -> float:
    """Return the chance that the test between listeners notices a panel's mean P(correct).

    Parameters
    ----------
    p : float
        Mean P(correct) over listeners.
    n_listeners, n_trials : int
        Listeners, and trials of each.
    chance, alpha : float, optional
    spread : float, optional
        SD over listeners of P(correct), beta distributed; must be below √(p(1-p)).
    n_studies, seed : int, optional
        Simulated studies where the exact way is closed; 4,000 give the power to 0.8 percentage
        points (one standard error).

    Raises
    ------
    ValueError
        Fewer than two listeners or one trial, or a spread that p does not allow.
    """
    if n_listeners < 2 or n_trials < 1:
        raise ValueError("need at least two listeners and one trial of each")
    if not 0 <= spread**2 < max(p * (1 - p), 1e-300):
        raise ValueError(f"spread {spread} is too large for a mean of {p}")
    if panel_cells(n_listeners, n_trials) <= MOST_CELLS:
        return hearing_power(p, n_listeners, n_trials, chance=chance, spread=spread, alpha=alpha)
    return _simulated_power(
        p, n_listeners, n_trials, chance, spread, alpha, np.random.default_rng(seed), n_studies
    )


def _simulated_power(
    p: float,
    n_listeners: int,
    n_trials: int,
    chance: float,
    spread: float,
    alpha: float,
    rng: np.random.Generator,
    n_studies: int,
) -> float:
    shape = (n_studies, n_listeners)
    own = np.full(shape, p)
    if spread > 0:
        size = p * (1 - p) / spread**2 - 1
        own = rng.beta(p * size, (1 - p) * size, shape)
    k = rng.binomial(n_trials, own).astype(float)
    total = n_listeners * n_trials
    share = k.sum(axis=1) / total
    residual = ((k - n_trials * share[:, None]) ** 2).sum(axis=1)
    se = np.sqrt(n_listeners / (n_listeners - 1) * residual) / total
    exact = stats.binom.sf(k.sum(axis=1) - 1, total, chance)
    scatter = se > 1e-12
    t = np.where(scatter, (share - chance) / np.where(scatter, se, 1.0), 0.0)
    between = t_above(t, n_listeners - 1)
    p_value = np.where(scatter, between, exact)
    if n_listeners < SMALL_PANEL:
        p_value = np.maximum(p_value, exact)
    return float((p_value <= alpha).mean())


def detectable_share(
    n_listeners: int,
    n_trials: int,
    *,
    chance: float = 0.5,
    spread: float = 0.0,
    alpha: float = 0.05,
    power: float = 0.8,
    n_studies: int = 4000,
    seed: int = 1,
) -> float | None:
    """Return the smallest mean P(correct) that a panel notices with the given power.

    Returns
    -------
    float or None
        None when even P(correct) = 1 is not noticed that often.
    """

    def reached(p: float) -> bool:
        allowed = min(spread, 0.99 * np.sqrt(p * (1 - p))) if p < 1 else 0.0
        found = panel_power(
            p,
            n_listeners,
            n_trials,
            chance=chance,
            spread=float(allowed),
            alpha=alpha,
            n_studies=n_studies,
            seed=seed,
        )
        return found >= power

    if not reached(1.0):
        return None
    low, high = chance, 1.0
    while high - low > 1e-3:
        middle = (low + high) / 2
        low, high = (low, middle) if reached(middle) else (middle, high)
    return high


@dataclass(frozen=True, slots=True)
class PairedPower:
    """Simulated power of a paired-preference study.

    Attributes
    ----------
    pair_power : numpy.ndarray, shape (n_stages, n_stages)
        Chance that the test between listeners calls row and column different (NaN diagonal).
    pair_right : numpy.ndarray, shape (n_stages, n_stages)
        Chance that row is called preferred over column.
    best_power : numpy.ndarray, shape (n_stages,)
        Chance that the stage is called preferred over every other.
    n_studies, n_listeners, n_trials : int
        `n_trials` of each listener in all.
    """

    pair_power: np.ndarray
    pair_right: np.ndarray
    best_power: np.ndarray
    n_studies: int
    n_listeners: int
    n_trials: int


def paired_power(
    log_worth: np.ndarray,
    n_listeners: int,
    n_per_pair: int,
    *,
    spread: float = 0.5,
    alpha: float = 0.05,
    n_studies: int = 2000,
    seed: int = 1,
) -> PairedPower:
    """Simulate studies with listeners who differ and test each as the analysis would.

    Parameters
    ----------
    log_worth : numpy.ndarray, shape (n_stages,)
        True log-worths of the panel's middle.
    n_listeners, n_per_pair : int
        Listeners, and answers of each to every pair.
    spread : float, optional
        SD over listeners of every stage's log-worth, logits.
    alpha : float, optional
        Two-sided level of each test.
    n_studies, seed : int, optional

    Returns
    -------
    PairedPower

    Raises
    ------
    ValueError
        Fewer than two stages or listeners, or no trials.
    """
    theta = np.asarray(log_worth, dtype=float)
    if theta.size < 2 or n_listeners < 2 or n_per_pair < 1:
        raise ValueError("need at least two stages, two listeners and one trial a pair")
    first, second = np.triu_indices(theta.size, 1)
    rng = np.random.default_rng(seed)
    own = theta + spread * rng.standard_normal((n_studies, n_listeners, theta.size))
    p = 1 / (1 + np.exp(-(own[..., first] - own[..., second])))
    wins = rng.binomial(n_per_pair, p).astype(float)
    empty = PairCounts(tuple(map(str, range(theta.size))), (), first, second, np.zeros((0, 0, 3)))
    plan = design(empty, reference=theta.size - 1)
    estimate, cluster, naive = _fit_studies(plan, wins, float(n_per_pair), first, second)
    return _decide(estimate, cluster, naive, n_listeners, n_per_pair * first.size, alpha)


def _fit_studies(
    plan: PairDesign, wins: np.ndarray, total: float, first: np.ndarray, second: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return log-worths, clustered and naive covariances of all studies, reference included."""
    studies, listeners, _ = wins.shape
    pooled = wins.sum(axis=1)
    answers = np.stack([pooled, listeners * total - pooled], axis=2)
    size = plan.n_stages
    won = np.zeros((studies, size, size))
    won[:, first, second], won[:, second, first] = answers[..., 0], answers[..., 1]
    penalty = np.where(separated(won), PENALTY_COUNT, 0.0)
    steadied = answers + penalty[:, None, None]
    beta, _ = fit_counts(plan, steadied)
    p = probabilities(plan, beta)[..., 0]
    x = plan.matrix[:, 0] - plan.matrix[:, 1]
    weight = steadied.sum(axis=2) * p * (1 - p)
    outer = (x[:, :, None] * x[:, None, :]).reshape(len(x), -1)
    bread = np.linalg.inv((weight @ outer).reshape(studies, x.shape[1], x.shape[1]))
    scores = (wins - total * p[:, None, :]) @ x
    meat = np.swapaxes(scores, 1, 2) @ scores
    cluster = bread @ meat @ bread * listeners / (listeners - 1)

    def whole(matrix: np.ndarray) -> np.ndarray:
        full = np.zeros((studies, size, size))
        full[:, : size - 1, : size - 1] = matrix
        return full

    padded = np.concatenate([beta, np.zeros((studies, 1))], axis=1)
    return padded, whole(cluster), whole(bread)


def _decide(
    theta: np.ndarray,
    cluster: np.ndarray,
    naive: np.ndarray,
    listeners: int,
    trials: int,
    alpha: float,
) -> PairedPower:
    size = theta.shape[1]
    difference = theta[:, :, None] - theta[:, None, :]

    def error(v: np.ndarray) -> np.ndarray:
        d = np.einsum("sii->si", v)
        return np.sqrt(np.maximum(d[:, :, None] + d[:, None, :] - 2 * v, 1e-300))

    between, alone = error(cluster), error(naive)
    between = floored_error(between, alone, listeners)
    between[:, np.arange(size), np.arange(size)] = 1.0
    p = logit_test(difference, between, listeners - 1)[1]
    noticed = p <= alpha
    right = noticed & (difference > 0)
    off = ~np.eye(size, dtype=bool)
    pair = np.where(off, noticed.mean(axis=0), np.nan)
    best = np.where(off[None], right, True).all(axis=2).mean(axis=0)
    return PairedPower(
        pair, np.where(off, right.mean(axis=0), np.nan), best, len(theta), listeners, trials
    )


def chance_of(method: str) -> float:
    """Return P(correct) of a guess in a forced-choice method."""
    model_for(method)
    return CHANCE[method]
