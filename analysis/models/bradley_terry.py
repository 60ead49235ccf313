"""Bradley-Terry with ties and order effect: likelihood, fit, and listener-clustered errors.

Model for stage i in position A against stage j in position B, log-worths θ::

    first preferred   θ_i
    second preferred  θ_j - δ                 δ: order effect, logit of "first" at equal worth
    no preference     (θ_i + θ_j)/2 + log ν   ν: tie parameter

Without order effect and ties this is Bradley & Terry (1952) Biometrika 39:324; ties by Davidson
(1970) JASA 65:317; the order effect by Davidson & Beaver (1977) Biometrics 33:693.

Errors: ``covariance`` is the inverse information (every trial taken as independent);
``covariance_cluster`` is the sandwich with scores summed within listeners and no small-sample
factor (Liang & Zeger 1986 Biometrika 73:13), the convention behind the published reference
figures. Tests and intervals multiply it by G/(G-1) and use Student's t with G-1 degrees of
freedom, G listeners.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import xlogy

from analysis.models.pair_design import PairDesign, design, fisher_information, probabilities
from analysis.models.pair_newton import pair_newton
from analysis.tables.counts import PairCounts, components, separated

__all__ = [
    "PairModelFit",
    "fit_counts",
    "fit_pair_model",
    "order_identified",
]

#: Answers of every kind added to every compared pair where maximum likelihood is infinite.
PENALTY_COUNT = 0.5
#: A fitted probability below this stands for an infinite estimate (logit beyond 14).
IMPOSSIBLE = 1e-6


def fit_counts(plan: PairDesign, answers: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Maximise the likelihood for one or many sets of counts by Newton's method.

    Parameters
    ----------
    plan : PairDesign
    answers : numpy.ndarray, shape (..., n_cells, n_outcomes)
        Counts; leading axes are fitted side by side.

    Returns
    -------
    beta : numpy.ndarray, shape (..., n_parameters)
    converged : numpy.ndarray of bool, shape (...)
        False where the estimate does not exist or was not reached.
    """
    batch = answers.shape[:-2]
    beta, converged = pair_newton(plan.matrix, answers.reshape(-1, *answers.shape[-2:]))
    return beta.reshape(*batch, -1), converged.reshape(batch)


@dataclass(frozen=True, slots=True)
class PairModelFit:
    """A fitted pair model on connected stages.

    Attributes
    ----------
    stages : tuple of str
    reference : str
        Stage with log-worth 0.
    log_worth : numpy.ndarray, shape (n_stages,)
    covariance, covariance_cluster : numpy.ndarray, shape (n_parameters, n_parameters)
        Of ``beta``; the second is NaN with fewer than two listeners.
    beta : numpy.ndarray
        Parameters by ``names``.
    names : tuple of str
    log_likelihood, deviance : float
    df : int
        Degrees of freedom of the deviance; 0 when the model fills the table.
    n_trials, n_listeners : int
    penalty : float
        Answers of every kind added to every compared pair; 0 for maximum likelihood.
    converged : bool
    """

    stages: tuple[str, ...]
    reference: str
    log_worth: np.ndarray
    covariance: np.ndarray
    covariance_cluster: np.ndarray
    beta: np.ndarray
    names: tuple[str, ...]
    log_likelihood: float
    deviance: float
    df: int
    n_trials: int
    n_listeners: int
    penalty: float
    converged: bool

    def worth_covariance(self, *, cluster: bool) -> np.ndarray:
        """Return the covariance of the log-worths of all stages, reference included as zeros."""
        chosen = self.covariance_cluster if cluster else self.covariance
        size = len(self.stages)
        full = np.zeros((size, size))
        kept = [k for k, name in enumerate(self.stages) if name != self.reference]
        full[np.ix_(kept, kept)] = chosen[: size - 1, : size - 1]
        return full

    def variance_of(self, stages: Sequence[int], weights: np.ndarray, *, cluster: bool) -> float:
        """Return the variance of a weighted sum of log-worths of stages, given by their places."""
        chosen = self.covariance_cluster if cluster else self.covariance
        base = self.stages.index(self.reference)
        kept = [(k - (k > base), w) for k, w in zip(stages, weights, strict=True) if k != base]
        # The parameters are the stages without the reference, in their order.
        found = sum(v * w * chosen[i, j] for i, v in kept for j, w in kept)
        return max(float(found), 0.0)

    def parameter(self, name: str) -> tuple[float, float, float]:
        """Return estimate, naive and clustered error of ``"order"`` or ``"tie"``."""
        # Residuals that cancel leave a variance of zero, which rounding may take below it.
        k = self.names.index(name)
        return (
            float(self.beta[k]),
            float(np.sqrt(np.maximum(self.covariance[k, k], 0.0))),
            float(np.sqrt(np.maximum(self.covariance_cluster[k, k], 0.0))),
        )


def fit_pair_model(
    counts: PairCounts,
    *,
    reference: str | None = None,
    order: bool = False,
    ties: bool | None = None,
    weights: np.ndarray | None = None,
) -> PairModelFit:
    """Fit Bradley-Terry, Davidson or Davidson-Beaver by maximum likelihood.

    Parameters
    ----------
    counts : PairCounts
        Stages must be linked by comparisons.
    reference : str, optional
        Stage with log-worth 0; the last in sorted order when not given.
    order : bool, optional
        Estimate the order effect.
    ties : bool, optional
        Model ties; by default when there are any. With False, ties are left out.
    weights : numpy.ndarray, optional
        Weight of each listener's answers, shape ``(n_listeners,)``, as from
        :func:`analysis.panels.panel.listener_weights`: the likelihood is the weighted one, the
        naive covariance is that of independent trials under those weights, and the clustered one
        comes from leaving out each listener in turn, linearised, so that few long visits do not
        make the error look small (Bell & McCaffrey 2002 Surv Methodol 28:169). Without weights, or
        where all are 1, these are the ordinary ones.

    Returns
    -------
    PairModelFit
        With ``penalty`` 0.5 where the likelihood has no finite maximum: half an answer of every
        kind is added to every compared pair, which keeps every estimate finite and pulls worths
        together a little.

    Raises
    ------
    ValueError
        Fewer than two stages, an unknown reference, stages that are not linked, or an order effect
        that the positions do not identify.
    """
    if len(counts.stages) < 2:
        raise ValueError(f"need at least two stages, got {counts.stages}")
    reference = counts.stages[-1] if reference is None else reference
    if reference not in counts.stages:
        raise ValueError(f"reference {reference!r} is not one of {counts.stages}")
    if len(components(counts)) > 1:
        raise ValueError("the stages are not all linked by comparisons")
    ties = counts.has_ties if ties is None else ties
    cells = counts if order else counts.unordered()
    plan = design(cells, reference=counts.stages.index(reference), order=order, ties=ties)
    if order and not _order_identified(plan):
        raise ValueError(
            "the order effect cannot be told from the worths: no pair was given in both positions "
            "and no ring of pairs closes"
        )
    given = cells.counts[:, :, : plan.n_outcomes]
    weighted = weights is not None and bool(np.any(weights != 1))
    answers = given * weights[:, None, None] if weights is not None and weighted else given
    pooled, penalty = answers.sum(axis=0), 0.0
    beta, converged = fit_counts(plan, pooled)
    if not converged or _is_separated(cells, ties=ties) or _runs_away(plan, beta, pooled):
        penalty = PENALTY_COUNT
        used = pooled.sum(axis=1, keepdims=True) > 0
        beta, converged = fit_counts(plan, pooled + np.where(used, penalty, 0.0))
    fit = _package(counts.stages, plan, answers, beta, penalty, bool(converged))
    return _weighted_errors(fit, plan, given, weights) if weighted else fit


def _order_identified(plan: PairDesign) -> bool:
    contrast = plan.matrix[:, 0] - plan.matrix[:, 1]
    columns = [k for k, name in enumerate(plan.names) if name != "tie"]
    return int(np.linalg.matrix_rank(contrast[:, columns])) == len(columns)


def order_identified(counts: PairCounts) -> bool:
    """Tell whether the positions vary enough to estimate an order effect."""
    return _order_identified(design(counts, reference=0, order=True))


def _runs_away(plan: PairDesign, beta: np.ndarray, pooled: np.ndarray) -> bool:
    """Tell whether some answer that was never given is fitted as impossible.

    With an order effect the worths may be bounded and their sum with it not: every answer in
    one position of a pair goes one way. The estimate then grows until the information is
    singular, wherever the iteration happens to stop.
    """
    used = pooled.sum(axis=1) > 0
    return bool(probabilities(plan, beta)[used].min() < IMPOSSIBLE)


def _is_separated(counts: PairCounts, *, ties: bool) -> bool:
    won = counts.wins()
    if ties:
        tied = counts.counts.sum(axis=0)[:, 2]
        if not tied.any() or not won.any():
            # Only ties, or none: the tie parameter itself runs away.
            return True
        np.add.at(won, (counts.first, counts.second), tied)
        np.add.at(won, (counts.second, counts.first), tied)
    return bool(separated(won))


def _package(
    stages: tuple[str, ...],
    plan: PairDesign,
    answers: np.ndarray,
    beta: np.ndarray,
    penalty: float,
    converged: bool,
) -> PairModelFit:
    pooled = answers.sum(axis=0)
    total = pooled.sum(axis=1)
    p = probabilities(plan, beta)
    stabilised = total + np.where(total > 0, penalty * plan.n_outcomes, 0.0)
    bread = np.linalg.inv(fisher_information(plan, p, stabilised))
    saturated = pooled / np.maximum(total, 1)[:, None]
    log_likelihood = float(xlogy(pooled, p).sum())
    active = answers.sum(axis=(1, 2)) > 0
    used = int((total > 0).sum())
    df = used * (plan.n_outcomes - 1) - len(beta)
    log_worth = np.insert(beta[: len(stages) - 1], plan.reference, 0.0)
    return PairModelFit(
        stages=stages,
        reference=stages[plan.reference],
        log_worth=log_worth,
        covariance=bread,
        covariance_cluster=_sandwich(plan, answers[active], p, bread),
        beta=beta,
        names=plan.names,
        log_likelihood=log_likelihood,
        deviance=max(0.0, 2 * (float(xlogy(pooled, saturated).sum()) - log_likelihood)),
        df=df,
        n_trials=round(float(total.sum())),
        n_listeners=int(active.sum()),
        penalty=penalty,
        converged=converged,
    )


def _sandwich(
    plan: PairDesign, answers: np.ndarray, p: np.ndarray, bread: np.ndarray
) -> np.ndarray:
    if len(answers) < 2:
        return np.full_like(bread, np.nan)
    total = answers.sum(axis=2, keepdims=True)
    flat = plan.matrix.reshape(-1, plan.matrix.shape[2])
    scores = (answers - total * p).reshape(len(answers), -1) @ flat
    return bread @ (scores.T @ scores) @ bread


def _weighted_errors(
    fit: PairModelFit, plan: PairDesign, given: np.ndarray, weights: np.ndarray | None
) -> PairModelFit:
    """Return the fit with the covariances that hold under weights, and the answers given."""
    assert weights is not None
    active = given.sum(axis=(1, 2)) > 0
    answers, own = given[active], weights[active]
    total = answers.sum(axis=2)
    p = probabilities(plan, fit.beta)
    flat = plan.matrix.reshape(-1, plan.matrix.shape[2])
    scores = (answers - total[:, :, None] * p).reshape(len(answers), -1) @ flat
    scores *= own[:, None]
    each = np.broadcast_to(p, (len(answers), *p.shape))
    information = own[:, None, None] * fisher_information(plan, each, total)
    bread = fit.covariance
    middle = np.linalg.inv(bread) + ((own[:, None, None] - 1) * information).sum(axis=0)
    naive = bread @ middle @ bread
    g = len(answers)
    if g < 2:
        clustered = np.full_like(bread, np.nan)
    else:
        kept = np.eye(len(bread)) - information @ bread
        without = np.stack([_solve(k, s) for k, s in zip(kept, scores, strict=True)])
        # A further factor G/(G-1) stands in every test; with it this is the jackknife's.
        clustered = ((g - 1) / g) ** 2 * bread @ (without.T @ without) @ bread
    return replace(
        fit,
        covariance=naive,
        covariance_cluster=clustered,
        n_trials=round(float(given.sum())),
    )


def _solve(kept: np.ndarray, score: np.ndarray) -> np.ndarray:
    """Solve for one listener; the pseudo-inverse where nobody else speaks to a parameter."""
    try:
        return np.asarray(np.linalg.solve(kept, score))
    except np.linalg.LinAlgError:
        return np.asarray(np.linalg.pinv(kept) @ score)
