"""Models of ratings and grades whose unit is the listener: mixed means and ordered steps."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats

from analysis.models.mixed_means import MixedMeans, fit_mixed_means
from analysis.models.ordinal import CumulativeLink, fit_mixed_cumulative_link
from analysis.panels.multiplicity import holm

__all__ = ["mixed_ratings", "ordered_effects", "ordinal_ratings"]

#: Fewest programmes whose spread is worth a variance of its own; fewer are fixed effects.
_PROGRAMMES = 5
#: Beyond this many logits the grades of a stage do not overlap with those of others.
_FAR = 12.0
#: Grades spread over all steps that then are added to every stage.
_PENALTY = 0.5


def _coded(frame: pd.DataFrame, name: str) -> tuple[list[str], np.ndarray]:
    names, codes = np.unique(frame[name].astype(str).to_numpy(), return_inverse=True)
    return [str(value) for value in names], codes


def _tests(estimate: np.ndarray, se: np.ndarray, listeners: int) -> dict[str, np.ndarray]:
    """Return intervals and two-sided p with Student's t between listeners."""
    with np.errstate(divide="ignore", invalid="ignore"):
        p = np.where(se > 0, 2 * stats.t.sf(np.abs(estimate / se), listeners - 1), np.nan)
    half = stats.t.ppf(0.975, listeners - 1) * se
    return {
        "ci_low": estimate - half,
        "ci_high": estimate + half,
        "p_value": p,
        "p_holm": holm(p),
    }


def mixed_ratings(frame: pd.DataFrame) -> dict[str, Any] | None:
    """Fit stage means with random listeners, their own taste for each stage, and programmes.

    Random intercepts of listeners and, where listeners rated a stage more than once, of listeners
    by stage: without them a stage that some like and others do not would pass for a clear one.
    Programmes are random from five on and fixed effects below (restricted maximum likelihood,
    :mod:`analysis.models.mixed_means`). Tests use Student's t with the listeners less one as
    degrees of freedom.

    Parameters
    ----------
    frame : pandas.DataFrame
        ``listener``, ``programme``, ``stage_a``, ``rating``.

    Returns
    -------
    dict or None
        Stage means against the first in sorted order; None for fewer than two listeners or stages,
        or ratings that leave no residual.
    """
    stages, stage = _coded(frame, "stage_a")
    listeners, listener = _coded(frame, "listener")
    programmes, programme = _coded(frame, "programme")
    y = frame["rating"].to_numpy(dtype=float)
    if len(stages) < 2 or len(listeners) < 2:
        return None
    fixed = {"mean": np.ones(len(y))}
    fixed |= {name: (stage == k).astype(float) for k, name in enumerate(stages) if k}
    groups: dict[str, np.ndarray] = {"listener": listener}
    cell = listener * len(stages) + stage
    often = np.bincount(np.unique(cell, return_inverse=True)[1])
    if len(often) < len(y) and often.max() > 1:
        groups["listener by stage"] = cell
    if len(programmes) >= _PROGRAMMES:
        groups["programme"] = programme
    else:
        fixed |= _programme_columns(programme, len(programmes), np.column_stack([*fixed.values()]))
    try:
        fit = fit_mixed_means(y, fixed, groups)
    except ValueError:
        # Nothing varies once the means are out; there is no spread to speak of.
        return None
    return _mixed_block(fit, stages, len(listeners))


def _programme_columns(programme: np.ndarray, n: int, known: np.ndarray) -> dict[str, np.ndarray]:
    """Return centred contrasts of few programmes, without those that the stages already tell."""
    columns: dict[str, np.ndarray] = {}
    for k in range(1, n):
        column = (programme == k).astype(float) - (programme == 0).astype(float)
        wider = np.column_stack([known, column])
        if np.linalg.matrix_rank(wider) == wider.shape[1]:
            columns[f"programme {k}"], known = column, wider
    return columns


def _mixed_block(fit: MixedMeans, stages: list[str], listeners: int) -> dict[str, Any]:
    size = len(stages)
    estimate, se = fit.beta[1:size], fit.se[1:size]
    tests = _tests(estimate, se, listeners)
    return {
        "method": "mixed model, random intercepts of " + ", ".join(fit.sd) + ", REML",
        "n_trials": fit.n_trials,
        "n_listeners": listeners,
        "reference": stages[0],
        "reference_mean": float(fit.beta[0]),
        "stages": [
            {
                "stage": name,
                "difference": float(estimate[k]),
                "se": float(se[k]),
                **{key: float(values[k]) for key, values in tests.items()},
            }
            for k, name in enumerate(stages[1:])
        ],
        "sd_listener": fit.sd["listener"],
        "sd_listener_by_stage": fit.sd.get("listener by stage"),
        "sd_programme": fit.sd.get("programme"),
        "sd_residual": fit.sd_residual,
        "log_likelihood": fit.log_likelihood,
        "converged": fit.converged,
    }


def ordered_effects(
    codes: np.ndarray, effects: dict[str, np.ndarray], listener: np.ndarray
) -> tuple[CumulativeLink, float] | None:
    """Fit ordered grades with listeners as groups, steadied where grades do not overlap.

    Parameters
    ----------
    codes : numpy.ndarray of int, shape (n,)
        Steps, lowest first; steps that nobody used are left out.
    effects : dict of str to numpy.ndarray, shape (n,)
    listener : numpy.ndarray of int, shape (n,)

    Returns
    -------
    (CumulativeLink, float) or None
        The fit, and how many grades were added to every combination of effects, spread evenly over
        the steps and given by nobody in particular: 0 where maximum likelihood is finite. None for
        fewer than two listeners or steps.
    """
    if len(np.unique(codes)) < 2 or len(np.unique(listener)) < 2 or not effects:
        return None
    x = np.column_stack([*effects.values()])
    key = np.column_stack([x, codes, listener])
    rows, count = np.unique(key, axis=0, return_counts=True)
    x, codes, listener = rows[:, :-2], rows[:, -2], rows[:, -1]
    plain = _fit(x, codes, listener, count.astype(float), tuple(effects))
    # Parallel columns (a stage nobody compared otherwise) cannot be told apart either way.
    if plain.converged and np.abs(plain.beta).max() < _FAR and np.ptp(plain.thresholds) < 2 * _FAR:
        return plain, 0.0
    kinds, steps = np.unique(x, axis=0), np.unique(codes)
    more = np.repeat(kinds, len(steps), axis=0)
    x = np.concatenate([x, more])
    codes = np.concatenate([codes, np.tile(steps, len(kinds))])
    nobody = np.full(len(more), listener.max() + 1)
    weight = np.concatenate([count, np.full(len(more), _PENALTY / len(steps))])
    steadied = _fit(x, codes, np.concatenate([listener, nobody]), weight, tuple(effects))
    return steadied, _PENALTY


def _fit(
    x: np.ndarray, codes: np.ndarray, listener: np.ndarray, weight: np.ndarray, names: Sequence[str]
) -> CumulativeLink:
    columns = dict(zip(names, x.T, strict=True))
    return fit_mixed_cumulative_link(codes, columns, listener, weights=weight)


def ordinal_ratings(frame: pd.DataFrame, edges: Sequence[float]) -> dict[str, Any] | None:
    """Fit the words of the scale as ordered steps, with random listeners.

    Parameters
    ----------
    frame : pandas.DataFrame
        ``listener``, ``stage_a``, ``rating``.
    edges : sequence of float
        Lower limits of all words but the lowest, rising.

    Returns
    -------
    dict or None
        Log-odds of a better word, stage against the first in sorted order, with errors between
        listeners; None for fewer than two listeners, stages or words in use.
    """
    stages, stage = _coded(frame, "stage_a")
    listeners, listener = _coded(frame, "listener")
    steps = np.searchsorted(np.asarray(edges), frame["rating"].to_numpy(float), side="right")
    effects = {name: (stage == k).astype(float) for k, name in enumerate(stages) if k}
    found = ordered_effects(steps, effects, listener)
    if found is None:
        return None
    fit, penalty = found
    se = np.sqrt(np.maximum(np.diag(np.asarray(fit.covariance_cluster)), 0.0))
    tests = _tests(fit.beta, se, len(listeners))
    return {
        "method": "cumulative link (logit), random intercepts of listener, Laplace",
        "n_trials": len(frame),
        "n_listeners": len(listeners),
        "reference": stages[0],
        "stages": [
            {
                "stage": name,
                "log_odds": float(fit.beta[k]),
                "se": float(fit.se[k]),
                "se_cluster": float(se[k]),
                **{key: float(values[k]) for key, values in tests.items()},
            }
            for k, name in enumerate(fit.names)
        ],
        "steps_used": [int(step) + 1 for step in np.unique(steps)],
        "thresholds": [float(value) for value in fit.thresholds],
        "sd_listener": fit.sd,
        "log_likelihood": fit.log_likelihood,
        "penalty": penalty,
        "converged": fit.converged,
    }
