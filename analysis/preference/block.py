"""The fitted preference models as rows for the analysis JSON."""

from __future__ import annotations

from typing import Any

import numpy as np
from scipy import stats

from analysis.models.bradley_terry import PairModelFit
from analysis.panels.tails import t_above, t_quantile
from analysis.preference.choice_counts import chosen_rows, listener_choice_rows, pair_rows
from analysis.preference.fit import Preference

__all__ = ["preference_block"]

_NAN = float("nan")
_PLACES = {
    "allowed for": (
        "The two places were not used equally often for every pair, so a leaning to one place is "
        "fitted beside the worths and allowed for."
    ),
    "confounded": (
        "Some stage always stood in the same place, so a liking for it and a habit of choosing "
        "that place cannot be told apart: no preference is claimed."
    ),
}


def preference_block(found: Preference | None, *, confidence: float = 0.95) -> dict[str, Any]:
    """Return the ``preference`` block; every figure null where paired trials do not define it.

    Parameters
    ----------
    found : Preference or None
        None for a table without paired trials.
    confidence : float, optional
        Level of the intervals.

    Returns
    -------
    dict
    """
    if found is None:
        return _empty_block()
    main, fit = found.ordinary, found.main
    return {
        "method": "paired",
        "estimand": "the mean over listeners: each counts once, however long the visit",
        "model": None if main is None else _model_name(main),
        "n_trials": found.counts.n_trials,
        "n_listeners": found.counts.n_listeners,
        "reference": None if main is None else main.reference,
        "stages": _stage_rows(found, confidence),
        "log_likelihood": None if main is None else main.log_likelihood,
        "ties": _ties(found),
        "order_effect": _order_effect(found),
        "pairs": pair_rows(found.counts, confidence=confidence),
        "chosen": chosen_rows(found.counts),
        "listeners": listener_choice_rows(found.counts),
        "fit": _fit_block(main),
        "places": None if fit is None else found.places_with(*fit.stages),
        "equal_worths": _equal_worths(found),
        "connected": len(found.groups) == 1,
        "groups": found.groups,
        "notes": _notes(found),
    }


def _empty_block() -> dict[str, Any]:
    keys = ("reference", "log_likelihood", "ties", "order_effect", "model", "estimand", "places")
    nothing = dict.fromkeys(keys)
    return {
        "method": "paired",
        "n_trials": 0,
        "n_listeners": 0,
        "stages": [],
        "pairs": [],
        "chosen": [],
        "listeners": [],
        "fit": {"deviance": None, "df": None, "p_value": None, "penalty": 0.0},
        "equal_worths": None,
        "connected": None,
        "groups": [],
        "notes": ["There are no paired trials."],
        **nothing,
    }


def _model_name(fit: PairModelFit) -> str:
    return "Davidson" if "tie" in fit.names else "Bradley-Terry"


def _stage_rows(found: Preference, confidence: float) -> list[dict[str, Any]]:
    rows = []
    draws = found.draws
    resampled = None if draws is None else draws.interval(confidence=confidence)
    best = None if draws is None else draws.p_best()
    ranks = None if draws is None else draws.rank_probabilities()
    for name in found.counts.stages:
        fit = found.main if found.main is not None and name in found.main.stages else None
        if fit is None:
            keys = ["log_worth", "se", "se_cluster", "worth", "se_worth", "p_best", "centred"]
            keys += ["log_worth_listeners", "se_listeners", "worth_listeners"]
            keys += ["centred_low", "centred_high", "resampled_low", "resampled_high"]
            keys += [f"centred_listeners{end}" for end in ("", "_low", "_high")]
            rows.append({"stage": name, **dict.fromkeys([*keys, "rank_probabilities"])})
            continue
        k = fit.stages.index(name)
        rows.append({"stage": name, **_stage_figures(found, fit, k)})
        rows[-1]["p_best"] = None if best is None else float(best[k])
        rows[-1]["rank_probabilities"] = None if ranks is None else ranks[k].tolist()
        ordinary = fit if found.ordinary is None else found.ordinary
        rows[-1] |= _centred(ordinary, k, confidence)
        rows[-1] |= {
            key.replace("centred", "centred_listeners"): value
            for key, value in _centred(fit, k, confidence).items()
        }
        rows[-1]["resampled_low"] = None if resampled is None else float(resampled[0][k])
        rows[-1]["resampled_high"] = None if resampled is None else float(resampled[1][k])
    return rows


def _stage_figures(found: Preference, fit: PairModelFit, k: int) -> dict[str, Any]:
    """Return the ordinary fit's figures, then those with every listener counting once."""
    ordinary = fit if found.ordinary is None else found.ordinary
    naive, cluster, between = (
        ordinary.worth_covariance(cluster=False),
        ordinary.worth_covariance(cluster=True),
        fit.worth_covariance(cluster=True),
    )
    worth, per_listener = _shares(ordinary), _shares(fit)
    slope = worth[k] * (np.eye(len(worth))[k] - worth)
    g = fit.n_listeners
    factor = np.sqrt(g / (g - 1)) if g > 1 else _NAN
    return {
        "log_worth": float(ordinary.log_worth[k]),
        "se": float(np.sqrt(np.maximum(naive[k, k], 0.0))),
        "se_cluster": float(np.sqrt(np.maximum(cluster[k, k], 0.0))),
        "worth": float(worth[k]),
        "se_worth": float(np.sqrt(max(slope @ naive @ slope, 0.0))),
        "log_worth_listeners": float(fit.log_worth[k]),
        "se_listeners": float(factor * np.sqrt(np.maximum(between[k, k], 0.0))),
        "worth_listeners": float(per_listener[k]),
    }


def _shares(fit: PairModelFit) -> np.ndarray:
    """Return worths that add up to 1."""
    worth = np.exp(fit.log_worth - fit.log_worth.max())
    return np.asarray(worth / worth.sum())


def _centred(fit: PairModelFit, k: int, confidence: float) -> dict[str, Any]:
    """Log-worth against the mean of the stages, with an interval between listeners."""
    size, g = len(fit.stages), fit.n_listeners
    contrast = np.eye(size)[k] - 1 / size
    value = float(contrast @ fit.log_worth)
    if g < 2:
        return {"centred": value, "centred_low": None, "centred_high": None}
    variance = float(contrast @ fit.worth_covariance(cluster=True) @ contrast) * g / (g - 1)
    half = t_quantile((1 + confidence) / 2, g - 1) * float(np.sqrt(max(variance, 0.0)))
    return {"centred": value, "centred_low": value - half, "centred_high": value + half}


def _ties(found: Preference) -> dict[str, Any] | None:
    if not found.counts.has_ties:
        return None
    n_ties = round(float(found.counts.counts[:, :, 2].sum()))
    block: dict[str, Any] = {"n_ties": n_ties, "log_nu": None, "se": None, "se_cluster": None}
    if found.ordinary is not None and "tie" in found.ordinary.names:
        log_nu, se, se_cluster = found.ordinary.parameter("tie")
        block |= {"log_nu": log_nu, "se": se, "se_cluster": se_cluster, "nu": float(np.exp(log_nu))}
    return block


def _order_effect(found: Preference) -> dict[str, Any] | None:
    if found.order is None or found.main is None:
        return None
    estimate, se, se_cluster = found.order.parameter("order")
    own = found.order if found.order_listeners is None else found.order_listeners
    mean, _, between = own.parameter("order")
    g = own.n_listeners
    p, between = _NAN, between * float(np.sqrt(g / (g - 1))) if g > 1 else _NAN
    if g > 1 and between > 0:
        p = 2 * float(t_above(abs(mean / between), g - 1))
    return {
        "estimate": estimate,
        "se": se,
        "se_cluster": se_cluster,
        "estimate_listeners": mean,
        "se_listeners": between,
        "p_value": p,
        "meaning": "logit by which position A is preferred between equal stages",
        "n_trials": found.order.n_trials,
        "n_listeners": g,
        "penalty": found.order.penalty,
    }


def _fit_block(fit: PairModelFit | None) -> dict[str, Any]:
    if fit is None:
        return {"deviance": None, "df": None, "p_value": None, "penalty": 0.0}
    return {
        "deviance": fit.deviance,
        "df": fit.df,
        "p_value": float(stats.chi2.sf(fit.deviance, fit.df)) if fit.df > 0 else None,
        "penalty": fit.penalty,
        "converged": fit.converged,
    }


def _equal_worths(found: Preference) -> dict[str, Any] | None:
    """Test that no stage is preferred.

    ``p_value`` is between listeners (Hotelling's T² on the worths); the likelihood ratio beside it
    takes trials as independent.
    """
    fit = found.main
    if fit is None:
        return None
    k, g = len(fit.stages) - 1, fit.n_listeners
    ratio = _likelihood_ratio(found, fit if found.ordinary is None else found.ordinary)
    block: dict[str, Any] = {
        "test": "Hotelling T² between listeners",
        "df": k,
        "statistic": None,
        "df_error": None,
        "p_value": None,
        "likelihood_ratio": ratio,
        "p_value_trials": float(stats.chi2.sf(ratio, k)),
        "n_trials": fit.n_trials,
        "n_listeners": g,
    }
    beta, v = fit.beta[:k], fit.covariance_cluster[:k, :k]
    if g - k >= 1 and np.all(np.isfinite(v)) and np.linalg.matrix_rank(v) == k:
        wald = float(beta @ np.linalg.solve(v * g / (g - 1), beta))
        f = wald * (g - k) / (k * (g - 1))
        block |= {"statistic": f, "df_error": g - k, "p_value": float(stats.f.sf(f, k, g - k))}
    return block


def _likelihood_ratio(found: Preference, fit: PairModelFit) -> float:
    """Return twice the gain over equal worths (with ties: over equal worths and a tie share)."""
    part = found.counts.only([found.counts.stages.index(name) for name in fit.stages])
    total = part.counts.sum(axis=(0, 1))
    decided, tied = float(total[0] + total[1]), float(total[2])
    with_ties = "tie" in fit.names
    equal = decided * np.log(0.5)
    if with_ties and decided and tied:
        share = tied / (decided + tied)
        equal += decided * np.log(1 - share) + tied * np.log(share)
    return max(0.0, 2 * (fit.log_likelihood - float(equal)))


def _notes(found: Preference) -> list[str]:
    notes = []
    if len(found.groups) > 1:
        shown = "; ".join(", ".join(group) for group in found.groups)
        notes.append(
            "No chain of comparisons links all stages, so worths are given only for the group of "
            f"the reference. Groups: {shown}."
        )
    if found.main is not None and found.main.penalty > 0:
        notes.append(
            "Some stage was always or never preferred, so maximum likelihood has no finite answer; "
            f"{found.main.penalty:g} answers of every kind were added to every compared pair."
        )
    if found.main is not None and found.places_with(*found.main.stages) != "balanced":
        notes.append(_PLACES[found.places_with(*found.main.stages)])
    if found.counts.n_listeners == 1:
        notes.append("One listener: nothing here speaks about other people.")
    return notes
