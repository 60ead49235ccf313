"""Listeners differ: the beta-binomial model of correct answers."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import stats
from scipy.special import betaln, expit, logit, xlog1py, xlogy

from analysis.optimise import minimise

__all__ = ["BetaBinomial", "beta_binomial"]


@dataclass(frozen=True, slots=True)
class BetaBinomial:
    """Maximum-likelihood fit of a beta-binomial.

    Attributes
    ----------
    mean : float
        Mean P(correct) over listeners.
    correlation : float
        Intraclass correlation of a listener's trials, 0 for listeners who are alike.
    sd : float
        SD of P(correct) between listeners, √(correlation·mean·(1-mean)).
    log_likelihood, log_likelihood_binomial : float
        With and without difference between listeners; binomial coefficients left out.
    p_value : float
        Likelihood-ratio test that listeners are alike; the null lies on the boundary, so half the
        chi-square tail (Self & Liang 1987 JASA 82:605). NaN with fewer than two listeners or
        where no listener has two trials.
    n_listeners : int
    """

    mean: float
    correlation: float
    sd: float
    log_likelihood: float
    log_likelihood_binomial: float
    p_value: float
    n_listeners: int


def _log_likelihood(k: np.ndarray, n: np.ndarray, mean: float, correlation: float) -> float:
    if correlation < 1e-9:
        return float((xlogy(k, mean) + xlog1py(n - k, -mean)).sum())
    size = (1 - correlation) / correlation
    a, b = mean * size, (1 - mean) * size
    return float((betaln(k + a, n - k + b) - betaln(a, b)).sum())


def beta_binomial(correct: np.ndarray, trials: np.ndarray) -> BetaBinomial:
    """Fit counts by listener (Skellam 1948 JRSSB 10:257).

    Parameters
    ----------
    correct, trials : numpy.ndarray, shape (n_listeners,)

    Returns
    -------
    BetaBinomial

    Raises
    ------
    ValueError
        No trials, or counts outside ``0 .. trials``.
    """
    k, n = np.asarray(correct, dtype=float), np.asarray(trials, dtype=float)
    if np.any(k < 0) or np.any(k > n) or n.sum() < 1:
        raise ValueError("need 0 <= correct <= trials and at least one trial")
    k, n = k[n > 0], n[n > 0]
    pooled = float(k.sum() / n.sum())
    binomial = _log_likelihood(k, n, pooled, 0.0)
    testable = len(k) > 1 and n.max() > 1
    if not testable or pooled in (0.0, 1.0):
        p = 1.0 if testable else float("nan")
        return BetaBinomial(pooled, 0.0, 0.0, binomial, binomial, p, len(k))
    starts = [np.array([logit(pooled), logit(rho)]) for rho in (0.02, 0.3)]
    fits = [
        minimise(
            lambda x: -_log_likelihood(k, n, float(expit(x[0])), float(expit(x[1]))),
            start,
            bounds=[(-30.0, 30.0), (-18.0, 9.0)],
        )
        for start in starts
    ]
    best = min(fits, key=lambda fit: fit.value)
    mean, rho, top = float(expit(best.x[0])), float(expit(best.x[1])), -best.value
    if top <= binomial + 1e-9:
        mean, rho, top = pooled, 0.0, binomial
    p = 0.5 * float(stats.chi2.sf(2 * (top - binomial), 1)) if rho > 0 else 1.0
    sd = float(np.sqrt(rho * mean * (1 - mean)))
    return BetaBinomial(mean, rho, sd, top, binomial, p, len(k))
