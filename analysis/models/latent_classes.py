"""Whether an average may hide groups: mixtures of Bradley-Terry models over listeners.

Every class stands for people who are all alike, so that any spread of taste asks for several
classes. How many fit best is therefore a screening and no evidence of groups; the test against one
varied population is :mod:`analysis.preference.group_test`.

Weights: the mixture is fitted by maximum likelihood, in which every answer counts, so that a long
sitting says more about its listener's class and pulls the worths of that class further than a short
visit does; shares of classes and BIC count listeners. :func:`group_worths` gives worths of groups
in which every listener counts alike.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import logsumexp, xlogy

from analysis.models.bradley_terry import fit_counts
from analysis.models.pair_design import PairDesign, design, probabilities
from analysis.models.pair_newton import pair_newton
from analysis.tables.counts import PairCounts, components

__all__ = ["LatentClasses", "entropy", "fit_latent_classes", "group_worths"]

#: Answers of either kind added to every compared pair of every class while fitting, so that a small
#: class with one-sided answers stays finite. Log-likelihoods are of the data alone.
_STEADYING = 0.05
_EM_STEPS = 400


@dataclass(frozen=True, slots=True)
class LatentClasses:
    """A mixture fitted by EM from several starts.

    Attributes
    ----------
    n_classes : int
    share : numpy.ndarray, shape (n_classes,)
        Sizes of the classes, largest first.
    log_worth : numpy.ndarray, shape (n_classes, n_stages)
        Centred to mean 0 within each class; every answer counts.
    membership : numpy.ndarray, shape (n_listeners, n_classes)
        Probability that a listener belongs to a class.
    log_likelihood, bic : float
        `bic` takes listeners as the number of observations; smaller is better.
    n_parameters : int
    stages, listeners : tuple of str
    converged : bool
    """

    n_classes: int
    share: np.ndarray
    log_worth: np.ndarray
    membership: np.ndarray
    log_likelihood: float
    bic: float
    n_parameters: int
    stages: tuple[str, ...]
    listeners: tuple[str, ...]
    converged: bool


def fit_latent_classes(
    counts: PairCounts, *, n_classes: int, n_starts: int = 12, seed: int = 1
) -> LatentClasses:
    """Fit a mixture of Bradley-Terry models in which a listener belongs to one class throughout.

    Ties count half for each side; position is not used. EM: Dempster, Laird & Rubin (1977) JRSSB
    39:1; latent classes of paired comparisons: Formann (1992) JASA 87:476 for the general form.

    Parameters
    ----------
    counts : PairCounts
        Stages must be linked by comparisons.
    n_classes : int
        1 or more, fewer than listeners.
    n_starts, seed : int, optional
        Random starts, of which the best is kept.

    Returns
    -------
    LatentClasses

    Raises
    ------
    ValueError
        Unlinked stages, or not more listeners than classes.
    """
    if len(components(counts)) > 1:
        raise ValueError("the stages are not all linked by comparisons")
    heard = counts.counts.sum(axis=(1, 2)) > 0
    if not 1 <= n_classes < int(heard.sum()):
        raise ValueError(f"need 1 <= n_classes < listeners, got {n_classes} of {heard.sum()}")
    flat = counts.unordered()
    answers = flat.counts[heard][:, :, :2] + flat.counts[heard][:, :, 2:] / 2
    plan = design(flat, reference=len(counts.stages) - 1)
    starts = 1 if n_classes == 1 else n_starts
    rng = np.random.default_rng(seed)
    member = rng.dirichlet(np.full(n_classes, 0.3), size=(starts, len(answers)))
    share, beta, member, value, converged = _expect_maximise(plan, answers, member)
    best = int(value.argmax())
    order = np.argsort(-share[best], kind="stable")
    worth = np.insert(beta[best][order], plan.reference, 0.0, axis=1)
    n_parameters = n_classes * plan.matrix.shape[2] + n_classes - 1
    names = tuple(name for name, yes in zip(counts.listeners, heard, strict=True) if yes)
    return LatentClasses(
        n_classes=n_classes,
        share=share[best][order],
        log_worth=worth - worth.mean(axis=1, keepdims=True),
        membership=member[best][:, order],
        log_likelihood=float(value[best]),
        bic=float(-2 * value[best] + n_parameters * np.log(len(answers))),
        n_parameters=n_parameters,
        stages=counts.stages,
        listeners=names,
        converged=bool(converged[best]),
    )


def _expect_maximise(
    plan: PairDesign, answers: np.ndarray, member: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Run all starts side by side; `member` has shape (n_starts, n_listeners, n_classes)."""
    flat = answers.reshape(len(answers), -1)
    used = np.where(answers.sum(axis=(0, 2)) > 0, _STEADYING, 0.0)[None, None, :, None]
    last = np.full(len(member), -np.inf)
    converged = np.zeros(len(member), dtype=bool)
    share, beta = member.mean(axis=1), np.zeros((*member.shape[::2], plan.matrix.shape[2]))
    for _ in range(_EM_STEPS):
        sets = np.swapaxes(member, 1, 2)
        # One product for all starts and classes; one for each would take many times as long.
        weighted = (sets.reshape(-1, len(flat)) @ flat).reshape(*sets.shape[:2], *answers.shape[1:])
        steadied = weighted + (used if member.shape[2] > 1 else 0.0)
        # From the step before, which is near: most of Newton's steps are saved.
        beta = _worths(plan, steadied, beta)
        p = np.maximum(probabilities(plan, beta), 1e-12)
        by_class = np.log(p).reshape(-1, flat.shape[1]) @ flat.T
        by_class = np.swapaxes(by_class.reshape(*p.shape[:2], len(flat)), 1, 2)
        joint = by_class + np.log(np.maximum(share, 1e-12))[:, None, :]
        listener = logsumexp(joint, axis=2, keepdims=True)
        value = listener.sum(axis=(1, 2))
        member = np.exp(joint - listener)
        share = member.mean(axis=1)
        converged = np.abs(value - last) < 1e-8 * np.abs(value)
        last = value
        if converged.all():
            break
    return share, beta, member, last, converged


def _worths(plan: PairDesign, answers: np.ndarray, start: np.ndarray) -> np.ndarray:
    """Return the estimates of every start and class from weighted counts."""
    sets = answers.reshape(-1, *answers.shape[2:])
    beta, _ = pair_newton(plan.matrix, sets, start.reshape(len(sets), -1))
    return beta.reshape(start.shape)


def entropy(fit: LatentClasses) -> float:
    """Return how clearly listeners fall into classes: 1 sure, 0 not at all."""
    if fit.n_classes == 1:
        return 1.0
    unsure = -xlogy(fit.membership, fit.membership).sum()
    return float(1 - unsure / (len(fit.membership) * np.log(fit.n_classes)))


def group_worths(counts: PairCounts, membership: np.ndarray) -> np.ndarray:
    """Return the worths of groups with every listener counting alike.

    The answers of each listener are scaled to one total before they are added up, so that a sitting
    of 60 questions weighs as much as a visit of three. With equal visits these are the worths of
    the plain sums.

    Parameters
    ----------
    counts : PairCounts
        Stages must be linked by comparisons. Ties count half for each side.
    membership : numpy.ndarray, shape (n_listeners, n_groups)
        Probability that a listener of `counts` belongs to a group.

    Returns
    -------
    numpy.ndarray, shape (n_groups, n_stages)
        Log-worths, centred to mean 0 within each group.
    """
    flat = counts.unordered()
    answers = flat.counts[:, :, :2] + flat.counts[:, :, 2:] / 2
    total = answers.sum(axis=(1, 2), keepdims=True)
    alike = answers * (total.mean() / np.maximum(total, 1.0))
    plan = design(flat, reference=len(counts.stages) - 1)
    summed = (membership.T @ alike.reshape(len(alike), -1)).reshape(-1, *alike.shape[1:])
    used = np.where(answers.sum(axis=(0, 2)) > 0, _STEADYING, 0.0)[None, :, None]
    worth = np.insert(fit_counts(plan, summed + used)[0], plan.reference, 0.0, axis=1)
    return np.asarray(worth - worth.mean(axis=1, keepdims=True))
