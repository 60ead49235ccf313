"""Grades in ordered steps: the cumulative-link model."""

from __future__ import annotations

import warnings
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import expit
from statsmodels.miscmodels.ordinal_model import OrderedModel

from analysis.optimise import minimise, polish

__all__ = ["CumulativeLink", "fit_cumulative_link", "fit_mixed_cumulative_link"]


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
    sd : float
        SD of the random intercepts; 0 without groups.
    """

    thresholds: np.ndarray
    thresholds_se: np.ndarray
    names: tuple[str, ...]
    beta: np.ndarray
    se: np.ndarray
    log_likelihood: float
    n_trials: int
    converged: bool
    sd: float = 0.0


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


class _Mixed:
    """Laplace log-likelihood of thresholds, effects and the SD of group intercepts (logit link)."""

    def __init__(self, codes: np.ndarray, x: np.ndarray, group: np.ndarray) -> None:
        self.codes, self.x, self.group = codes, x, group
        self.steps, self.groups = int(codes.max()), int(group.max()) + 1
        self.z = np.zeros(self.groups)

    def thresholds(self, v: np.ndarray) -> np.ndarray:
        """Return rising thresholds from the first and the logs of the gaps."""
        return np.asarray(v[0] + np.concatenate([[0.0], np.cumsum(np.exp(v[1 : self.steps]))]))

    def _rows(
        self, theta: np.ndarray, eta: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Return log-likelihood, slope and curvature in eta, row by row."""
        edge = np.concatenate([[-np.inf], theta, [np.inf]])
        up, down = expit(edge[self.codes + 1] - eta), expit(edge[self.codes] - eta)
        chance = np.maximum(up - down, 1e-300)
        f, g = up * (1 - up), down * (1 - down)
        slope = -(f - g) / chance
        bend = (f * (1 - 2 * up) - g * (1 - 2 * down)) / chance
        return np.log(chance), slope, bend - slope**2

    def log_likelihood(self, v: np.ndarray) -> float:
        """Return the marginal log-likelihood at (threshold, log gaps, effects, SD)."""
        theta, sd = self.thresholds(v), abs(float(v[-1]))
        fixed = self.x @ v[self.steps : -1]
        z = self.z
        for _ in range(60):
            value, slope, bend = self._rows(theta, fixed + sd * z[self.group])
            own = np.bincount(self.group, weights=slope, minlength=self.groups)
            curve = 1 - sd**2 * np.bincount(self.group, weights=bend, minlength=self.groups)
            step = (sd * own - z) / curve
            z = z + np.clip(step, -2, 2)
            if np.abs(step).max() < 1e-11:
                break
        self.z = z
        value, _, bend = self._rows(theta, fixed + sd * z[self.group])
        curve = 1 - sd**2 * np.bincount(self.group, weights=bend, minlength=self.groups)
        return float(value.sum() - (z**2).sum() / 2 - np.log(curve).sum() / 2)


def fit_mixed_cumulative_link(
    grades: np.ndarray, effects: Mapping[str, np.ndarray], groups: Sequence[str] | np.ndarray
) -> CumulativeLink:
    """Fit ordered grades with random intercepts by Laplace's method, logit link.

    Parameters
    ----------
    grades : numpy.ndarray, shape (n,)
        Ordered codes; every distinct value is a step.
    effects : mapping of str to numpy.ndarray, shape (n,)
        Columns without an intercept.
    groups : sequence, shape (n,)
        Listener of each grade.

    Returns
    -------
    CumulativeLink
        With the SD between listeners.

    Raises
    ------
    ValueError
        Fewer than two distinct grades or listeners.
    """
    plain = fit_cumulative_link(grades, effects)
    group = np.unique(np.asarray(groups), return_inverse=True)[1]
    if group.max() < 1:
        raise ValueError("need at least two listeners")
    codes = np.unique(np.asarray(grades), return_inverse=True)[1]
    x = np.column_stack([np.asarray(column, dtype=float) for column in effects.values()])
    model = _Mixed(codes, x, group)
    gaps = np.log(np.diff(plain.thresholds))
    start = np.concatenate([plain.thresholds[:1], gaps, plain.beta, [0.5]])
    found = minimise(lambda v: -model.log_likelihood(v), start, tolerance=1e-13)
    best, curve = polish(model.log_likelihood, found.x)
    covariance = np.linalg.pinv(-curve, hermitian=True)
    steps = model.steps
    jacobian = np.zeros((steps, len(best)))
    jacobian[:, 0] = 1.0
    for k in range(1, steps):
        jacobian[k:, k] = np.exp(best[k])
    return CumulativeLink(
        thresholds=model.thresholds(best),
        thresholds_se=np.sqrt(np.maximum(np.diag(jacobian @ covariance @ jacobian.T), 0.0)),
        names=tuple(effects),
        beta=best[steps:-1],
        se=np.sqrt(np.maximum(np.diag(covariance)[steps:-1], 0.0)),
        log_likelihood=model.log_likelihood(best),
        n_trials=len(codes),
        converged=found.converged,
        sd=abs(float(best[-1])),
    )
