"""Grades in ordered steps: the cumulative-link model."""

from __future__ import annotations

import warnings
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.sparse import csr_array
from scipy.special import expit

from analysis.models.optimise import minimise, polish

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
    covariance_cluster : numpy.ndarray or None
        Of `beta`, from the groups' own scores with the factor G/(G-1): holds where groups differ in
        more than their intercepts. None without groups.
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
    covariance_cluster: np.ndarray | None = None


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
    # Imported here: the analysis never asks for it, and it takes a second to load.
    from statsmodels.miscmodels.ordinal_model import OrderedModel

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


_FAR = 50.0


@dataclass(frozen=True, slots=True)
class _Bends:
    """How the log-chance h of a grade bends in its predictor η and in the edges of its step.

    By row: `slope`, `bend` and `third` are dh/dη, d²h/dη² and d³h/dη³; `up`, `down` hold the
    derivatives of h, dh/dη and d²h/dη² in the upper and in the lower edge.
    """

    value: np.ndarray
    slope: np.ndarray
    bend: np.ndarray
    third: np.ndarray
    up: tuple[np.ndarray, np.ndarray, np.ndarray]
    down: tuple[np.ndarray, np.ndarray, np.ndarray]


class _Mixed:
    """Laplace log-likelihood of thresholds, effects and the SD of group intercepts (logit link)."""

    def __init__(
        self, codes: np.ndarray, x: np.ndarray, group: np.ndarray, weight: np.ndarray
    ) -> None:
        self.codes, self.x, self.group, self.weight = codes, x, group, weight
        self.steps, self.groups = int(codes.max()), int(group.max()) + 1
        rows = np.arange(len(group))
        self.adding = csr_array((np.ones(len(group)), (group, rows)))
        self.z = np.zeros(self.groups)

    def thresholds(self, v: np.ndarray) -> np.ndarray:
        """Return rising thresholds from the first and the logs of the gaps."""
        return np.asarray(v[0] + np.concatenate([[0.0], np.cumsum(np.exp(v[1 : self.steps]))]))

    def threshold_slopes(self, v: np.ndarray) -> np.ndarray:
        """Return the slopes of the thresholds in the first and in the logs of the gaps."""
        jacobian = np.zeros((self.steps, self.steps))
        jacobian[:, 0] = 1.0
        for k in range(1, self.steps):
            jacobian[k:, k] = np.exp(v[k])
        return jacobian

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
        w = self.weight
        return w * np.log(chance), w * slope, w * (bend - slope**2)

    def _bends(self, theta: np.ndarray, eta: np.ndarray) -> _Bends:
        """Return what the gradient needs, row by row and weighted."""
        edge = np.concatenate([[-np.inf], theta, [np.inf]])
        up, down = expit(edge[self.codes + 1] - eta), expit(edge[self.codes] - eta)
        chance, w = np.maximum(up - down, 1e-300), self.weight
        # Density of the logistic and its slopes at both edges, over the chance of the step.
        a, b = (f * (1 - f) / chance for f in (up, down))
        a1, b1 = a * (1 - 2 * up), b * (1 - 2 * down)
        a2, b2 = (d * (1 - 6 * f + 6 * f**2) for d, f in ((a, up), (b, down)))
        d, d1, d2 = a - b, a1 - b1, a2 - b2
        return _Bends(
            value=w * np.log(chance),
            slope=-w * d,
            bend=w * (d1 - d**2),
            third=w * (3 * d * d1 - d2 - 2 * d**3),
            up=(w * a, -w * (a1 - a * d), w * (a2 - a * d1 - 2 * d * (a1 - a * d))),
            down=(-w * b, w * (b1 - b * d), w * (b * d1 - b2 - 2 * d * (b * d - b1))),
        )

    def _summed(self, values: np.ndarray) -> np.ndarray:
        return np.bincount(self.group, weights=values, minlength=self.groups)

    def _modes(self, theta: np.ndarray, fixed: np.ndarray, sd: float) -> np.ndarray:
        """Return the most probable standard intercepts by damped Newton steps."""
        z = self.z
        for _ in range(60):
            _, slope, bend = self._rows(theta, fixed + sd * z[self.group])
            curve = 1 - sd**2 * self._summed(bend)
            step = (sd * self._summed(slope) - z) / curve
            z = z + np.clip(step, -2, 2)
            if np.abs(step).max() < 1e-11:
                break
        self.z = z
        return z

    def by_group(self, v: np.ndarray) -> np.ndarray:
        """Return each group's part of the marginal log-likelihood."""
        theta, sd = self.thresholds(v), abs(float(v[-1]))
        fixed = self.x @ v[self.steps : -1]
        z = self._modes(theta, fixed, sd)
        value, _, bend = self._rows(theta, fixed + sd * z[self.group])
        curve = 1 - sd**2 * self._summed(bend)
        return np.asarray(self._summed(value) - z**2 / 2 - np.log(curve) / 2)

    def log_likelihood(self, v: np.ndarray) -> float:
        """Return the marginal log-likelihood at (threshold, log gaps, effects, SD)."""
        return float(self.by_group(v).sum())

    def gradient(self, v: np.ndarray) -> np.ndarray:
        """Return the slopes of :meth:`log_likelihood`."""
        return np.asarray(self.scores(v, total=True)[0])

    def scores(self, v: np.ndarray, *, total: bool = False) -> np.ndarray:
        """Return each group's slopes, shape (groups, parameters), or one row of their sums.

        A parameter acts on the chances at the mode, on the curvature there, and on the mode,
        which moves the curvature as well; the mode being one, its way leaves the rest alone.
        """
        theta, sd = self.thresholds(v), abs(float(v[-1]))
        fixed = self.x @ v[self.steps : -1]
        z = self._modes(theta, fixed, sd)
        h = self._bends(theta, fixed + sd * z[self.group])
        curve = 1 - sd**2 * self._summed(h.bend)
        own = self._summed(h.third)
        # Half the slope of log-curvature in a row's bend, and in the row's slope by the mode.
        bent, moved = (sd**2 / curve / 2)[self.group], (sd**4 * own / curve**2 / 2)[self.group]

        def pull(parts: tuple[np.ndarray, np.ndarray, np.ndarray]) -> np.ndarray:
            return np.asarray(parts[0] + moved * parts[1] + bent * parts[2])

        edges = np.zeros((len(z), self.steps + 2))
        np.add.at(edges, (self.group, self.codes + 1), pull(h.up))
        np.add.at(edges, (self.group, self.codes), pull(h.down))
        through = pull((h.slope, h.bend, h.third))
        # The SD acts as an effect whose column is the mode, and in the curvature itself.
        by_sd = self._summed(through * z[self.group])
        by_sd += self._summed(h.bend) * sd / curve + sd**3 * own * self._summed(h.slope) / (
            2 * curve**2
        )
        by_sd *= np.sign(v[-1])
        by_threshold = edges[:, 1:-1] @ self.threshold_slopes(v)
        if total:
            sums = [by_threshold.sum(axis=0), through @ self.x, [by_sd.sum()]]
            return np.concatenate(sums)[None, :]
        effects = self.adding @ (through[:, None] * self.x)
        return np.column_stack([by_threshold, effects, by_sd])


def fit_mixed_cumulative_link(
    grades: np.ndarray,
    effects: Mapping[str, np.ndarray],
    groups: Sequence[str] | np.ndarray,
    *,
    weights: np.ndarray | None = None,
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
    weights : numpy.ndarray, shape (n,), optional
        How often the row occurred; 1 when not given.

    Returns
    -------
    CumulativeLink
        With the SD between listeners.

    Raises
    ------
    ValueError
        Fewer than two distinct grades or listeners.
    """
    weight = np.ones(len(groups)) if weights is None else np.asarray(weights, dtype=float)
    codes = np.unique(np.asarray(grades), return_inverse=True)[1]
    group = np.unique(np.asarray(groups), return_inverse=True)[1]
    if codes.max() < 1:
        raise ValueError("need at least two distinct grades")
    if group.max() < 1:
        raise ValueError("need at least two listeners")
    x = np.column_stack([np.asarray(column, dtype=float) for column in effects.values()])
    model = _Mixed(codes, x, group, weight)
    start = np.concatenate([_pooled_thresholds(codes, weight), np.zeros(x.shape[1]), [0.5]])
    steps = model.steps
    # Grades that do not overlap would let the search run away; far is far enough.
    bounds = [(-_FAR, _FAR), *[(-16.0, np.log(_FAR))] * (steps - 1)]
    bounds += [(-_FAR, _FAR)] * x.shape[1] + [(-_FAR / 2, _FAR / 2)]
    found = minimise(
        lambda v: -model.log_likelihood(v),
        start,
        gradient=lambda v: -model.gradient(v),
        bounds=bounds,
        tolerance=1e-13,
    )
    best, curve = polish(model.log_likelihood, found.x, gradient=model.gradient)
    covariance = np.linalg.pinv(-curve, hermitian=True)
    g = model.groups
    jacobian = np.zeros((steps, len(best)))
    jacobian[:, :steps] = model.threshold_slopes(best)
    scores = model.scores(best)
    cluster = covariance @ (scores.T @ scores) @ covariance * g / (g - 1)
    return CumulativeLink(
        thresholds=model.thresholds(best),
        thresholds_se=np.sqrt(np.maximum(np.diag(jacobian @ covariance @ jacobian.T), 0.0)),
        names=tuple(effects),
        beta=best[steps:-1],
        se=np.sqrt(np.maximum(np.diag(covariance)[steps:-1], 0.0)),
        log_likelihood=model.log_likelihood(best),
        n_trials=round(float(weight.sum())),
        # Rounding may stop the search early; what counts is how flat it is where it ended.
        converged=found.converged or float(np.abs(scores.sum(axis=0)).max()) < 1e-3,
        sd=abs(float(best[-1])),
        covariance_cluster=cluster[steps:-1, steps:-1],
    )


def _pooled_thresholds(codes: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """Return the first threshold and the logs of the gaps that fit all grades together."""
    below = np.cumsum(np.bincount(codes, weights=weight))[:-1] / weight.sum()
    first = np.log(below / (1 - below))
    return np.concatenate([first[:1], np.log(np.maximum(np.diff(first), 1e-6))])
