"""Listeners differ: the beta-binomial model of correct answers."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import stats
from scipy.special import betaln, digamma, expit, logit, xlog1py, xlogy

from analysis.panels.panel import listener_counts

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


def _gradient(k: np.ndarray, n: np.ndarray, x: np.ndarray) -> np.ndarray:
    """Return the slope of the log-likelihood in the logits of mean and correlation."""
    mean, size = float(expit(x[0])), float(np.exp(-x[1]))
    a, b = mean * size, (1 - mean) * size
    both = digamma(a + b) * len(k) - digamma(n + a + b).sum()
    by_a = digamma(k + a).sum() - digamma(a) * len(k) + both
    by_b = digamma(n - k + b).sum() - digamma(b) * len(k) + both
    return np.array(
        [mean * (1 - mean) * size * (by_a - by_b), -size * (mean * by_a + by_b - mean * by_b)]
    )


def _score_of_correlation(k: np.ndarray, n: np.ndarray, pooled: float) -> float:
    """Return the slope of the log-likelihood at correlation 0, up to a positive factor.

    Not positive where there is no over-dispersion to be found (Tarone 1979 Biometrika 66:585).
    """
    chi2 = float(((k - n * pooled) ** 2).sum()) / (pooled * (1 - pooled))
    return chi2 - float(n.sum())


def _climb(k: np.ndarray, n: np.ndarray, x: np.ndarray) -> np.ndarray:
    """Maximise by Newton steps, the curvature from differences of the slope."""
    value = _log_likelihood(k, n, float(expit(x[0])), float(expit(x[1])))
    for _ in range(100):
        slope, tiny = _gradient(k, n, x), 1e-5
        curve = np.stack(
            [(_gradient(k, n, x + tiny * e) - _gradient(k, n, x - tiny * e)) for e in np.eye(2)]
        ) / (2 * tiny)
        curve = (curve + curve.T) / 2
        size, axes = np.linalg.eigh(curve)
        step = axes @ ((axes.T @ slope) / np.maximum(np.abs(size), 1e-6))
        step *= min(1.0, 2.0 / max(float(np.abs(step).max()), 1e-300))
        while np.abs(step).max() > 1e-10:
            trial = np.clip(x + step, [-30.0, -18.0], [30.0, 9.0])
            higher = _log_likelihood(k, n, float(expit(trial[0])), float(expit(trial[1])))
            if higher > value:
                break
            step = step / 2
        else:
            return x
        if np.abs(trial - x).max() < 1e-9:
            return trial
        x, value = trial, higher
    return x


def _moments(k: np.ndarray, n: np.ndarray, pooled: float) -> np.ndarray:
    """Return a start: the correlation that explains the listeners' chi-square."""
    chi2 = float(((k - n * pooled) ** 2 / (n * pooled * (1 - pooled))).sum())
    surplus = (chi2 / max(len(k) - 1, 1) - 1) / max(float(n.mean()) - 1, 1)
    return np.array([logit(pooled), logit(min(max(surplus, 0.005), 0.9))])


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
    k, n = listener_counts(correct, trials)
    pooled = float(k.sum() / n.sum())
    binomial = _log_likelihood(k, n, pooled, 0.0)
    testable = len(k) > 1 and n.max() > 1
    if not testable or pooled in (0.0, 1.0):
        p = 1.0 if testable else float("nan")
        return BetaBinomial(pooled, 0.0, 0.0, binomial, binomial, p, len(k))
    if _score_of_correlation(k, n, pooled) <= 0:
        return BetaBinomial(pooled, 0.0, 0.0, binomial, binomial, 1.0, len(k))
    x = _climb(k, n, _moments(k, n, pooled))
    mean, rho = float(expit(x[0])), float(expit(x[1]))
    top = _log_likelihood(k, n, mean, rho)
    if top <= binomial + 1e-9:
        mean, rho, top = pooled, 0.0, binomial
    p = 0.5 * float(stats.chi2.sf(2 * (top - binomial), 1)) if rho > 0 else 1.0
    sd = float(np.sqrt(rho * mean * (1 - mean)))
    return BetaBinomial(mean, rho, sd, top, binomial, p, len(k))
