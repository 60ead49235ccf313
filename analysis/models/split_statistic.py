"""How much better two heaps of listeners describe a panel than one normal scatter does.

Worths of each listener, drawn towards the panel, give the axis along which listeners differ most.
Along it each listener's answers are summed up by a score and its precision; the statistic is twice
the gain in log-likelihood of two normal heaps of equal width over a single one, both fitted to
those scores (the likelihood ratio of a normal mixture, whose distribution has no simple form:
McLachlan 1987 Appl Statist 36:318; simulate it under the single population).

Why not the likelihood ratio of classes without scatter against the continuous population: people
of one group differ too, and then such classes lose against the continuous population although
there are two groups. The gain here is nested, hardly depends on how far listeners scatter, and
found more of the simulated groups; figures in the documentation of the methods.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import expit

from analysis.models.scattered_panel import listener_modes, pooled_worths

__all__ = ["Split", "least_size", "split_panels"]

#: Fewest listeners of a group, and its least share of the panel.
_LEAST, _LEAST_SHARE = 4, 0.1
#: Variance, logits squared, of the prior that holds each listener's scores; divided out again.
_PRIOR = 1.0
_NEWTON_STEPS, _EM_STEPS = 5, 30
_LEAST_VARIANCE = 1e-3


@dataclass(frozen=True, slots=True)
class Split:
    """The best split of one or many panels.

    Attributes
    ----------
    statistic : numpy.ndarray, shape (n_panels,)
        Twice the log-likelihood of two heaps less that of one; 0 where nothing is gained.
    upper : numpy.ndarray, shape (n_panels, n_listeners)
        Probability that a listener belongs to the second heap.
    """

    statistic: np.ndarray
    upper: np.ndarray


def least_size(listeners: int) -> int:
    """Return the fewest listeners that may be called a group: 4, and a tenth of the panel."""
    return max(_LEAST, int(np.ceil(_LEAST_SHARE * listeners)))


def split_panels(x: np.ndarray, won: np.ndarray, total: np.ndarray) -> Split:
    """Split panels that were asked the same questions.

    Parameters
    ----------
    x : numpy.ndarray, shape (n_pairs, n_axes)
    won : numpy.ndarray, shape (n_panels, n_listeners, n_pairs)
    total : numpy.ndarray, shape (n_listeners, n_pairs)

    Returns
    -------
    Split
    """
    score, precision, place = _scores(x, won, total)
    one = _one_heap(score, precision)
    return _two_heaps(score, precision, place, one, least_size(len(total)) / len(total))


def _scores(
    x: np.ndarray, won: np.ndarray, total: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return score, precision and shrunken place of each listener on the panel's own axis."""
    mean, axes = pooled_worths(x, won, total), x.shape[1]
    start = np.repeat(mean[:, None], len(total), axis=1)
    prior = np.eye(axes) / _PRIOR
    mode, curvature = listener_modes(x, won, total, mean, prior, start=start, steps=_NEWTON_STEPS)
    around = mode - mean[:, None]
    spread = around - around.mean(axis=1, keepdims=True)
    axis = np.linalg.eigh(np.swapaxes(spread, 1, 2) @ spread)[1][:, :, -1]
    toward = np.linalg.solve(curvature, axis[:, None, :, None])[..., 0]
    variance = (toward * axis[:, None]).sum(axis=2)
    place = (around * axis[:, None]).sum(axis=2)
    # The prior is divided out, so that few answers count little instead of lying at the middle.
    return place / variance, np.maximum(1 / variance - 1 / _PRIOR, 1e-9), place


def _log_density(
    score: np.ndarray, precision: np.ndarray, mean: np.ndarray, variance: np.ndarray
) -> np.ndarray:
    """Return each listener's log-likelihood in a normal heap, up to what all heaps share."""
    m, v = mean[:, None], variance[:, None]
    widened = 1 + precision * v
    gain = score**2 * v + 2 * score * m - precision * m**2
    return np.asarray(-np.log(widened) / 2 + gain / (2 * widened))


def _about(
    score: np.ndarray, precision: np.ndarray, mean: np.ndarray, variance: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Return mean and variance of each listener's place, given its heap."""
    widened = 1 + precision * variance[:, None]
    return (mean[:, None] + variance[:, None] * score) / widened, variance[:, None] / widened


def _heap_mean(
    score: np.ndarray, precision: np.ndarray, variance: np.ndarray, member: np.ndarray
) -> np.ndarray:
    weight = member / (1 + precision * variance[:, None])
    sure = np.maximum((weight * precision).sum(axis=1), 1e-12)
    return np.asarray((weight * score).sum(axis=1) / sure)


def _one_heap(score: np.ndarray, precision: np.ndarray) -> np.ndarray:
    """Return the log-likelihood of a single normal heap."""
    mean, variance = np.zeros(len(score)), np.full(len(score), _PRIOR)
    everybody = np.ones_like(score)
    for _ in range(_EM_STEPS):
        mean = _heap_mean(score, precision, variance, everybody)
        place, unsure = _about(score, precision, mean, variance)
        scatter = ((place - mean[:, None]) ** 2 + unsure).mean(axis=1)
        variance = np.maximum(scatter, _LEAST_VARIANCE)
    return np.asarray(_log_density(score, precision, mean, variance).sum(axis=1))


def _two_heaps(
    score: np.ndarray,
    precision: np.ndarray,
    place: np.ndarray,
    one: np.ndarray,
    least_share: float,
) -> Split:
    """Fit two heaps of equal width, from listeners on either side of the panel's middle."""
    upper = (place > place.mean(axis=1, keepdims=True)).astype(float)
    variance = np.full(len(score), 0.3 * _PRIOR)
    value = one
    for _ in range(_EM_STEPS):
        share = np.clip(upper.mean(axis=1), least_share, 1 - least_share)[:, None]
        low = _heap_mean(score, precision, variance, 1 - upper)
        high = _heap_mean(score, precision, variance, upper)
        below = np.log1p(-share) + _log_density(score, precision, low, variance)
        ahead = np.log(share) + _log_density(score, precision, high, variance) - below
        value = (below + np.logaddexp(0, ahead)).sum(axis=1)
        upper = expit(ahead)
        where_low, unsure = _about(score, precision, low, variance)
        where_high, _ = _about(score, precision, high, variance)
        apart = (1 - upper) * (where_low - low[:, None]) ** 2
        apart += upper * (where_high - high[:, None]) ** 2
        variance = np.maximum((apart + unsure).mean(axis=1), _LEAST_VARIANCE)
    return Split(np.maximum(2 * (value - one), 0.0), upper)
