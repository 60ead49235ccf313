"""Thurstone's Case V for paired answers: a probit of the difference of scale values."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import stats
from scipy.special import log_ndtr, xlogy

from analysis.tables.counts import PairCounts, components, separated

__all__ = ["ThurstoneFit", "fit_thurstone"]


@dataclass(frozen=True, slots=True)
class ThurstoneFit:
    """Maximum-likelihood Case V scale, P(i over j) = Φ(v_i - v_j).

    Attributes
    ----------
    stages : tuple of str
    reference : str
        Stage with scale value 0.
    scale : numpy.ndarray, shape (n_stages,)
    covariance, covariance_cluster : numpy.ndarray, shape (n_stages, n_stages)
        Zero for the reference; the second is NaN with fewer than two listeners, without
        small-sample factor as in :mod:`analysis.models.bradley_terry`.
    log_likelihood, deviance : float
    df : int
    penalty : float
        Answers of either kind added to every compared pair; 0 for maximum likelihood.
    """

    stages: tuple[str, ...]
    reference: str
    scale: np.ndarray
    covariance: np.ndarray
    covariance_cluster: np.ndarray
    log_likelihood: float
    deviance: float
    df: int
    penalty: float


def fit_thurstone(counts: PairCounts, *, reference: str | None = None) -> ThurstoneFit:
    """Fit Case V (Thurstone 1927 Psychol Rev 34:273); ties count half for each side.

    Parameters
    ----------
    counts : PairCounts
        Stages must be linked by comparisons.
    reference : str, optional
        Stage with value 0; the last in sorted order when not given.

    Returns
    -------
    ThurstoneFit

    Raises
    ------
    ValueError
        Unknown reference or stages that are not linked.
    """
    reference = counts.stages[-1] if reference is None else reference
    if reference not in counts.stages:
        raise ValueError(f"reference {reference!r} is not one of {counts.stages}")
    if len(components(counts)) > 1:
        raise ValueError("the stages are not all linked by comparisons")
    flat = counts.unordered()
    half = flat.counts[:, :, 2:] / 2
    answers = flat.counts[:, :, :2] + half
    size, cells = len(counts.stages), len(flat.first)
    x = np.zeros((cells, size))
    x[np.arange(cells), flat.first], x[np.arange(cells), flat.second] = 1.0, -1.0
    kept = [k for k in range(size) if counts.stages[k] != reference]
    x = x[:, kept]
    pooled = answers.sum(axis=0)
    won = np.zeros((size, size))
    won[flat.first, flat.second], won[flat.second, flat.first] = pooled[:, 0], pooled[:, 1]
    penalty = 0.5 if bool(separated(won)) else 0.0
    used = pooled.sum(axis=1, keepdims=True) > 0
    fitted = pooled + np.where(used, penalty, 0.0)
    beta, information = _maximise(x, fitted)
    bread = np.linalg.inv(information)
    eta = x @ beta
    scores = np.stack([_score(eta, listener) @ x for listener in answers])
    heard = answers.sum(axis=(1, 2)) > 0
    cluster = bread @ (scores.T @ scores) @ bread
    if heard.sum() < 2:
        cluster = np.full_like(cluster, np.nan)
    total = pooled.sum(axis=1)
    share = pooled / np.maximum(total, 1)[:, None]
    log_likelihood = _log_likelihood(eta, pooled)

    def whole(matrix: np.ndarray) -> np.ndarray:
        full = np.zeros((size, size))
        full[np.ix_(kept, kept)] = matrix
        return full

    return ThurstoneFit(
        stages=counts.stages,
        reference=reference,
        scale=np.insert(beta, counts.stages.index(reference), 0.0),
        covariance=whole(bread),
        covariance_cluster=whole(cluster),
        log_likelihood=log_likelihood,
        deviance=max(0.0, 2 * (float(xlogy(pooled, share).sum()) - log_likelihood)),
        df=int((total > 0).sum()) - len(beta),
        penalty=penalty,
    )


def _log_likelihood(eta: np.ndarray, pooled: np.ndarray) -> float:
    return float((pooled[:, 0] * log_ndtr(eta) + pooled[:, 1] * log_ndtr(-eta)).sum())


def _score(eta: np.ndarray, answers: np.ndarray) -> np.ndarray:
    up = np.exp(stats.norm.logpdf(eta) - log_ndtr(eta))
    down = np.exp(stats.norm.logpdf(eta) - log_ndtr(-eta))
    return np.asarray(answers[:, 0] * up - answers[:, 1] * down)


def _maximise(x: np.ndarray, pooled: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the estimate and the expected information (Fisher scoring)."""
    beta = np.zeros(x.shape[1])
    information = np.eye(x.shape[1])
    for _ in range(200):
        eta = x @ beta
        weight = np.exp(2 * stats.norm.logpdf(eta) - log_ndtr(eta) - log_ndtr(-eta))
        information = (x * (pooled.sum(axis=1) * weight)[:, None]).T @ x
        step = np.linalg.solve(information, x.T @ _score(eta, pooled))
        step *= min(1.0, 1.0 / max(float(np.abs(step).max()), 1e-300))
        beta = beta + step
        if np.abs(step).max() < 1e-11:
            break
    return beta, information
