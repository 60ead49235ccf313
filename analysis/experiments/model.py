"""Worths as sums of stage properties, fitted to the trials with listeners as clusters.

Bradley-Terry with covariates (Springall 1973 Appl Stat 22:59; the conditional logit of McFadden
1974): the log-worth of a stage is ``x'β``. Use it where the properties were set by an experiment;
where stages differ for reasons of their own, the unit is the stage and
:mod:`analysis.link.regression` is the right place.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import stats
from scipy.special import xlogy

from analysis.models.bradley_terry import PENALTY_COUNT, fit_counts
from analysis.models.pair_design import PairDesign, design, probabilities
from analysis.tables.counts import PairCounts

__all__ = ["CovariateFit", "alias", "fieller", "fit_covariates"]


@dataclass(frozen=True, slots=True)
class CovariateFit:
    """A fitted covariate model.

    Attributes
    ----------
    names : tuple of str
        Covariates.
    beta : numpy.ndarray, shape (n_covariates,)
        Logits per unit.
    covariance : numpy.ndarray, shape (n_covariates, n_covariates)
        Between listeners, with the factor G/(G - 1).
    log_likelihood : float
    n_trials, n_listeners : int
    penalty : float
        Answers of every kind added to every compared pair; 0 for maximum likelihood.
    """

    names: tuple[str, ...]
    beta: np.ndarray
    covariance: np.ndarray
    log_likelihood: float
    n_trials: int
    n_listeners: int
    penalty: float

    def contrast(self, weights: np.ndarray, *, confidence: float = 0.95) -> dict[str, float]:
        """Return estimate, error, interval and two-sided p of a linear combination."""
        df = self.n_listeners - 1
        estimate = float(weights @ self.beta)
        se = float(np.sqrt(max(weights @ self.covariance @ weights, 0.0)))
        half = float(stats.t.ppf((1 + confidence) / 2, df)) * se
        p = 2 * float(stats.t.sf(abs(estimate / se), df)) if se > 0 else float("nan")
        return {
            "estimate": estimate,
            "se": se,
            "low": estimate - half,
            "high": estimate + half,
            "p_value": p,
        }


def fit_covariates(counts: PairCounts, x: np.ndarray, names: tuple[str, ...]) -> CovariateFit:
    """Fit log-worths ``x @ β`` by maximum likelihood, ties by Davidson's model.

    Parameters
    ----------
    counts : PairCounts
        Answers; position is not used.
    x : numpy.ndarray, shape (n_stages, n_covariates)
        Properties of the stages, in the order of ``counts.stages``.
    names : tuple of str
        Of the columns.

    Returns
    -------
    CovariateFit

    Raises
    ------
    ValueError
        Fewer than two listeners, or columns that the comparisons do not tell apart.
    """
    cells = counts.unordered()
    heard = cells.counts.sum(axis=(1, 2)) > 0
    g = int(heard.sum())
    if g < 2:
        raise ValueError(f"need at least two listeners, got {g}")
    plan = _plan(cells, x, names)
    contrast = (plan.matrix[:, 0] - plan.matrix[:, 1])[:, : len(names)]
    if np.linalg.matrix_rank(contrast) < len(names):
        raise ValueError(f"the comparisons do not tell all of {', '.join(names)} apart")
    answers = cells.counts[heard][:, :, : plan.n_outcomes]
    pooled, penalty = answers.sum(axis=0), 0.0
    beta, converged = fit_counts(plan, pooled)
    if not converged or np.abs(beta).max() > 30:
        penalty = PENALTY_COUNT
        beta, _ = fit_counts(plan, pooled + np.where(pooled.sum(axis=1, keepdims=True) > 0, 0.5, 0))
    p = probabilities(plan, beta)
    k = len(names)
    return CovariateFit(
        names=names,
        beta=beta[:k],
        covariance=_sandwich(plan, answers, p)[:k, :k] * g / (g - 1),
        log_likelihood=float(xlogy(pooled, p).sum()),
        n_trials=round(float(pooled.sum())),
        n_listeners=g,
        penalty=penalty,
    )


def _plan(cells: PairCounts, x: np.ndarray, names: tuple[str, ...]) -> PairDesign:
    own = design(cells, reference=len(cells.stages) - 1, ties=cells.has_ties)
    free = len(cells.stages) - 1
    columns = own.matrix[:, :, :free] @ (x[:-1] - x[-1])
    matrix = np.concatenate([columns, own.matrix[:, :, free:]], axis=2)
    return PairDesign(matrix, (*names, *own.names[free:]), own.reference, own.n_stages)


def _sandwich(plan: PairDesign, answers: np.ndarray, p: np.ndarray) -> np.ndarray:
    """Inverse information on both sides of the scores' scatter between listeners."""
    total = answers.sum(axis=2, keepdims=True)
    flat = plan.matrix.reshape(-1, plan.matrix.shape[2])
    scores = (answers - total * p).reshape(len(answers), -1) @ flat
    mean = np.einsum("pc,pck->pk", p, plan.matrix)
    weight = total.sum(axis=0)[:, 0]
    spread = np.einsum("p,pc,pck,pcl->kl", weight, p, plan.matrix, plan.matrix)
    bread = np.linalg.inv(spread - (mean * weight[:, None]).T @ mean)
    return np.asarray(bread @ (scores.T @ scores) @ bread)


def fieller(
    top: float, bottom: float, covariance: np.ndarray, df: float, *, confidence: float = 0.95
) -> tuple[float, float]:
    """Return the interval of a ratio of two estimates (Fieller 1954 JRSSB 16:175).

    Parameters
    ----------
    top, bottom : float
        Estimates.
    covariance : numpy.ndarray, shape (2, 2)
        Of top and bottom.
    df : float
        Degrees of freedom of Student's t.
    confidence : float, optional

    Returns
    -------
    low, high : float
        NaN where the bottom is not clearly different from 0, so that the ratio is unbounded.
    """
    t2 = float(stats.t.ppf((1 + confidence) / 2, df)) ** 2
    a = bottom**2 - t2 * covariance[1, 1]
    b = top * bottom - t2 * covariance[0, 1]
    c = top**2 - t2 * covariance[0, 0]
    if a <= 0 or b * b - a * c < 0:
        return float("nan"), float("nan")
    root = float(np.sqrt(b * b - a * c))
    return (b - root) / a, (b + root) / a


def alias(main: np.ndarray, further: np.ndarray) -> np.ndarray:
    """Return how much of each further column leaks into each main effect.

    Parameters
    ----------
    main, further : numpy.ndarray, shape (n_stages, ...)
        Columns of a design; both are taken about their means.

    Returns
    -------
    numpy.ndarray, shape (n_main, n_further)
    """
    a, b = main - main.mean(axis=0), further - further.mean(axis=0)
    return np.asarray(np.linalg.pinv(a) @ b)
