"""Grades in ordered steps: the cumulative-link model."""

from __future__ import annotations

import warnings
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from statsmodels.miscmodels.ordinal_model import OrderedModel

__all__ = ["CumulativeLink", "fit_cumulative_link"]


@dataclass(frozen=True, slots=True)
class CumulativeLink:
    """Fitted model P(grade <= k) = F(threshold_k - x·beta).

    Attributes
    ----------
    thresholds, thresholds_se : numpy.ndarray, shape (n_grades - 1,)
    names : tuple of str
    beta, se : numpy.ndarray
    log_likelihood : float
    n_trials : int
    converged : bool
    """

    thresholds: np.ndarray
    thresholds_se: np.ndarray
    names: tuple[str, ...]
    beta: np.ndarray
    se: np.ndarray
    log_likelihood: float
    n_trials: int
    converged: bool


def fit_cumulative_link(
    grades: np.ndarray, effects: Mapping[str, np.ndarray], *, link: str = "logit"
) -> CumulativeLink:
    """Fit ordered grades (McCullagh 1980 JRSSB 42:109) with statsmodels.

    Parameters
    ----------
    grades : numpy.ndarray, shape (n,)
        Ordered codes; every distinct value is a step.
    effects : mapping of str to numpy.ndarray, shape (n,)
        Columns without an intercept.
    link : str, optional
        ``"logit"`` or ``"probit"``.

    Returns
    -------
    CumulativeLink

    Raises
    ------
    ValueError
        Fewer than two distinct grades or an unknown link.
    """
    if link not in ("logit", "probit"):
        raise ValueError(f"link must be 'logit' or 'probit', got {link!r}")
    steps, codes = np.unique(np.asarray(grades), return_inverse=True)
    if len(steps) < 2:
        raise ValueError("need at least two distinct grades")
    x = np.column_stack([np.asarray(column, dtype=float) for column in effects.values()])
    with warnings.catch_warnings(record=True):
        # The search may remark on its step size; `converged` says how it ended.
        warnings.simplefilter("always")
        fit = OrderedModel(codes, x, distr=link).fit(method="bfgs", disp=False, gtol=1e-8)
        p = x.shape[1]
        raw = np.asarray(fit.params)
        covariance = np.asarray(fit.cov_params())
    # statsmodels holds the first threshold and logs of the gaps to the next.
    gaps = np.exp(raw[p + 1 :])
    thresholds = raw[p] + np.concatenate([[0.0], np.cumsum(gaps)])
    jacobian = np.zeros((len(thresholds), len(raw)))
    jacobian[:, p] = 1.0
    for k in range(len(gaps)):
        jacobian[k + 1 :, p + 1 + k] = gaps[k]
    return CumulativeLink(
        thresholds=thresholds,
        thresholds_se=np.sqrt(np.diag(jacobian @ covariance @ jacobian.T)),
        names=tuple(effects),
        beta=raw[:p],
        se=np.sqrt(np.diag(covariance))[:p],
        log_likelihood=float(fit.llf),
        n_trials=len(codes),
        converged=bool(fit.mle_retvals.get("converged", False)),
    )
