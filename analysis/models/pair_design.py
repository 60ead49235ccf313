"""Linear predictors of models of pairs, and the chances of each outcome by them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.tables.counts import PairCounts

__all__ = [
    "PairDesign",
    "design",
    "fisher_information",
    "probabilities",
]


@dataclass(frozen=True, slots=True)
class PairDesign:
    """Linear predictors of a pair model.

    Attributes
    ----------
    matrix : numpy.ndarray, shape (n_cells, n_outcomes, n_parameters)
        Rows of the predictors of first, second and, with ties, no preference.
    names : tuple of str
        Parameter names: stages without the reference, then ``"order"``, ``"tie"``.
    reference : int
        Stage index whose log-worth is 0.
    n_stages : int
    """

    matrix: np.ndarray
    names: tuple[str, ...]
    reference: int
    n_stages: int

    @property
    def n_outcomes(self) -> int:
        """2, or 3 with ties."""
        return int(self.matrix.shape[1])


def design(
    counts: PairCounts, *, reference: int, order: bool = False, ties: bool = False
) -> PairDesign:
    """Build the predictors.

    Parameters
    ----------
    counts : PairCounts
        Gives the cells.
    reference : int
        Stage index with log-worth 0.
    order, ties : bool, optional
        Whether δ and log ν are parameters.

    Returns
    -------
    PairDesign
    """
    size, cells = len(counts.stages), len(counts.first)
    worth = np.zeros((cells, 3, size))
    rows = np.arange(cells)
    worth[rows, 0, counts.first] = 1.0
    worth[rows, 1, counts.second] = 1.0
    worth[rows, 2] = (worth[rows, 0] + worth[rows, 1]) / 2
    kept = [k for k in range(size) if k != reference]
    columns, names = [worth[:, :, kept]], [counts.stages[k] for k in kept]
    if order:
        columns.append(np.broadcast_to(np.array([0.0, -1.0, 0.0])[None, :, None], (cells, 3, 1)))
        names.append("order")
    if ties:
        columns.append(np.broadcast_to(np.array([0.0, 0.0, 1.0])[None, :, None], (cells, 3, 1)))
        names.append("tie")
    matrix = np.concatenate(columns, axis=2)[:, : 3 if ties else 2]
    return PairDesign(np.ascontiguousarray(matrix), tuple(names), reference, size)


def probabilities(plan: PairDesign, beta: np.ndarray) -> np.ndarray:
    """Return the outcome probabilities.

    Parameters
    ----------
    plan : PairDesign
    beta : numpy.ndarray, shape (..., n_parameters)

    Returns
    -------
    numpy.ndarray, shape (..., n_cells, n_outcomes)
    """
    eta = beta @ plan.matrix.reshape(-1, plan.matrix.shape[2]).T
    eta = eta.reshape(*beta.shape[:-1], *plan.matrix.shape[:2])
    eta -= eta.max(axis=-1, keepdims=True)
    np.exp(eta, out=eta)
    eta /= eta.sum(axis=-1, keepdims=True)
    return eta


def fisher_information(plan: PairDesign, p: np.ndarray, total: np.ndarray) -> np.ndarray:
    """Return the Fisher information, shape (..., K, K); `total` has shape (..., n_cells)."""
    flat = plan.matrix.reshape(-1, plan.matrix.shape[2])
    k = flat.shape[1]
    if plan.n_outcomes == 2:
        contrast = plan.matrix[:, 0] - plan.matrix[:, 1]
        outer = (contrast[:, :, None] * contrast[:, None, :]).reshape(len(contrast), k * k)
        weight = total * p[..., 0] * p[..., 1]
        return (weight @ outer).reshape(*weight.shape[:-1], k, k)
    outer = (flat[:, :, None] * flat[:, None, :]).reshape(len(flat), k * k)
    weight = (total[..., None] * p).reshape(*p.shape[:-2], -1)
    second = (weight @ outer).reshape(*weight.shape[:-1], k, k)
    mean = np.einsum("...pc,pck->...pk", p, plan.matrix, optimize=True)
    root = np.sqrt(total)[..., None] * mean
    return second - np.swapaxes(root, -1, -2) @ root
