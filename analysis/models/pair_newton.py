"""Newton's method for many pair models at once, with what a comparison touches and no more.

The predictors of one comparison hang on two stages (and on the order effect and the tie parameter,
where those are estimated), so that almost all of a design is zeros: predictors, scores and
informations are products with sparse matrices. Sets of counts run along the last axis, where the
products are fastest.
"""

from __future__ import annotations

from itertools import combinations

import numpy as np
from scipy.sparse import csr_array
from scipy.special import expit

__all__ = ["pair_newton"]

#: A step this small leaves an error of about its square: weights change by a factor of at most
#: exp(step).
_TOLERANCE = 1e-7
_MAX_STEPS = 100
#: A step that promises less likelihood than this, several times in a row, ends a set whose
#: estimate is infinite or not determined; others have converged by then.
_NO_GAIN, _IDLE = 1e-13, 3
#: Curvature added, in parts of the largest.
_FLAT = 1e-13
#: Counts worked on at once: few enough for the cache, many enough for the products.
_TOGETHER = 2**16
#: Fewest parameters for which sparse products pay.
_SPARSE = 10


class _Products:
    """Predictors, scores and informations of one design."""

    def __init__(self, matrix: np.ndarray) -> None:
        self.cells, self.outcomes, self.k = matrix.shape
        either = combinations(range(self.outcomes), 2)
        # The information of a cell is the sum of p·q·dd' over pairs of outcomes, d being the
        # difference of their predictors.
        contrasts = np.concatenate([matrix[:, c] - matrix[:, d] for c, d in either])
        predictors = (
            contrasts if self.outcomes == 2 else np.concatenate([*np.moveaxis(matrix, 1, 0)])
        )
        sparse = self.k >= _SPARSE
        self.outer = _sparse_outer(contrasts) if sparse else _outer(contrasts)
        self.predictors = csr_array(predictors) if sparse else predictors
        self.across = csr_array(predictors.T) if sparse else predictors.T

    def newton(self, counts: np.ndarray, beta: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return scores (k, n) and informations (n, k, k) at estimates (k, n).

        `counts` has shape (outcomes, cells, n).
        """
        total = counts.sum(axis=0)
        eta = self.predictors @ beta
        if self.outcomes == 2:
            p = expit(eta)
            score = self.across @ (counts[0] - total * p)
            weight = total * p * (1 - p)
        else:
            q = eta.reshape(self.outcomes, self.cells, -1)
            q = np.exp(q - q.max(axis=0))
            q /= q.sum(axis=0)
            score = self.across @ (counts - total * q).reshape(len(eta), -1)
            pairs = combinations(range(self.outcomes), 2)
            weight = np.concatenate([total * q[c] * q[d] for c, d in pairs])
        flat = np.ascontiguousarray((self.outer @ weight).T)
        return score, flat.reshape(-1, self.k, self.k)


def _outer(rows: np.ndarray) -> np.ndarray:
    """Return the outer products of rows as columns."""
    return (rows[:, :, None] * rows[:, None, :]).reshape(len(rows), -1).T


def _sparse_outer(rows: np.ndarray) -> csr_array:
    """Return the same without the zeros."""
    k, (row, column) = rows.shape[1], np.nonzero(rows)
    begin = np.searchsorted(row, np.arange(len(rows)))
    number = np.bincount(row, minlength=len(rows))
    # Every entry of a row meets every entry of the same row.
    left = np.repeat(np.arange(len(row)), number[row])
    place = np.arange(len(left)) - np.repeat(np.cumsum(number[row]) - number[row], number[row])
    right = begin[row[left]] + place
    values = rows[row[left], column[left]] * rows[row[right], column[right]]
    at = (column[left] * k + column[right], row[left])
    return csr_array((values, at), shape=(k * k, len(rows)))


def pair_newton(
    matrix: np.ndarray, answers: np.ndarray, start: np.ndarray | None = None
) -> tuple[np.ndarray, np.ndarray]:
    """Maximise the likelihood of many sets of counts.

    Parameters
    ----------
    matrix : numpy.ndarray, shape (n_cells, n_outcomes, n_parameters)
        Predictors, see :class:`analysis.models.pair_design.PairDesign`.
    answers : numpy.ndarray, shape (n_sets, n_cells, n_outcomes)
    start : numpy.ndarray, shape (n_parameters,) or (n_sets, n_parameters), optional
        Where to start; 0 when not given.

    Returns
    -------
    beta : numpy.ndarray, shape (n_sets, n_parameters)
    converged : numpy.ndarray of bool, shape (n_sets,)
        False where the estimate runs to infinity or was not reached.
    """
    products, n = _Products(matrix), len(answers)
    beta = np.zeros((n, products.k)) if start is None else np.broadcast_to(start, (n, products.k))
    beta, converged = beta.copy(), np.full(n, products.k == 0)
    size = max(1, _TOGETHER // max(1, products.cells * products.outcomes))
    for first in range(0, 0 if products.k == 0 else n, size):
        part = slice(first, first + size)
        beta[part], converged[part] = _maximise(products, answers[part], beta[part])
    return beta, converged


def _maximise(
    products: _Products, answers: np.ndarray, start: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    n = len(answers)
    beta = np.ascontiguousarray(start.T)
    converged, idle = np.zeros(n, dtype=bool), np.zeros(n, dtype=int)
    counts = np.ascontiguousarray(answers.transpose(2, 1, 0))
    for _ in range(_MAX_STEPS):
        at = np.flatnonzero(~converged & (idle < _IDLE))
        if not at.size:
            break
        part = counts if at.size == n else counts[:, :, at]
        score, information = products.newton(part, beta[:, at])
        step = _steps(information, score)
        gain, largest = (step * score).sum(axis=0), np.abs(step).max(axis=0)
        beta[:, at] += step * np.minimum(1.0, 2.0 / np.maximum(largest, 1e-300))
        converged[at] = largest < _TOLERANCE
        idle[at] = np.where(gain < _NO_GAIN, idle[at] + 1, 0)
    return beta.T, converged


def _steps(information: np.ndarray, score: np.ndarray) -> np.ndarray:
    """Solve every set's equations, shapes (n, k, k) and (k, n).

    Directions about which a set says nothing get a little curvature, so that they stay where they
    are instead of taking whatever rounding leaves; where the curvature is real the root is the
    same and the steps towards it are.
    """
    own = np.arange(len(score))
    curvature = information[:, own, own]
    information[:, own, own] += np.maximum(_FLAT * curvature.max(axis=1, initial=0), _FLAT)[:, None]
    return np.asarray(np.linalg.solve(information, score.T[..., None])[..., 0].T)
