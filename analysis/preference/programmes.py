"""Whether the preference depends on the programme."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import xlogy

from analysis.models.bradley_terry import fit_counts, fit_pair_model
from analysis.models.pair_design import PairDesign, design, probabilities
from analysis.tables.counts import PairCounts, components

__all__ = ["ProgrammeInteraction", "leave_one_out", "programme_interaction", "programme_worths"]


@dataclass(frozen=True, slots=True)
class ProgrammeInteraction:
    """Test of stage by programme interaction.

    Attributes
    ----------
    statistic : float
        Likelihood ratio of worths by programme against common worths.
    df : int
        Parameters more.
    p_value : float
        By permuting the programmes among each listener's trials of a pair, (1 + larger) / (1 + n)
        (Phipson & Smyth 2010 Stat Appl Genet Mol Biol 9:39): valid however listeners differ.
    n_permutations : int
    programmes : tuple of str
    n_trials, n_listeners : int
    """

    statistic: float
    df: int
    p_value: float
    n_permutations: int
    programmes: tuple[str, ...]
    n_trials: int
    n_listeners: int


def _decided(parts: dict[str, PairCounts]) -> tuple[np.ndarray, PairCounts]:
    """Return answers (programme, listener, cell, outcome), ties left out, and the first part."""
    flat = [part.unordered() for part in parts.values()]
    return np.stack([part.counts[:, :, :2] for part in flat]), flat[0]


def _log_likelihood(plan: PairDesign, answers: np.ndarray) -> np.ndarray:
    """Return the largest log-likelihood; where it has no maximum, the bound it approaches."""
    beta, _ = fit_counts(plan, answers)
    return np.asarray(xlogy(answers, np.maximum(probabilities(plan, beta), 1e-300)).sum((-1, -2)))


def programme_interaction(
    parts: dict[str, PairCounts], *, n_permutations: int = 499, seed: int = 1
) -> ProgrammeInteraction | None:
    """Test whether worths differ between programmes.

    Parameters
    ----------
    parts : dict of str to PairCounts
        By programme, sharing stages, listeners and cells.
    n_permutations, seed : int, optional

    Returns
    -------
    ProgrammeInteraction or None
        None with fewer than two programmes or stages, or where no listener heard a pair in two
        programmes, so that nothing can be exchanged.
    """
    if len(parts) < 2:
        return None
    answers, first = _decided(parts)
    if len(first.stages) < 2:
        return None
    plan = design(first, reference=len(first.stages) - 1)
    trials, wins = answers.sum(axis=3), answers[..., 0].sum(axis=0)
    exchangeable = (trials > 0).sum(axis=0) > 1
    if not exchangeable.any():
        return None
    pooled = float(_log_likelihood(plan, answers.sum(axis=(0, 1))))
    observed = 2 * (float(_log_likelihood(plan, answers.sum(axis=1)).sum()) - pooled)
    shuffled = _permute(trials.astype(int), wins.astype(int), exchangeable, n_permutations, seed)
    kept = answers * ~exchangeable[None, :, :, None]
    total = np.stack([shuffled, trials_of(trials, exchangeable)[None] - shuffled], axis=-1)
    permuted = total + kept.sum(axis=1)[None]
    null = 2 * (_log_likelihood(plan, permuted).sum(axis=1) - pooled)
    larger = int((null >= observed - 1e-7).sum())
    return ProgrammeInteraction(
        statistic=observed,
        df=plan.matrix.shape[2] * (len(parts) - 1),
        p_value=(1 + larger) / (1 + n_permutations),
        n_permutations=n_permutations,
        programmes=tuple(parts),
        n_trials=round(float(trials.sum())),
        n_listeners=int((trials.sum(axis=(0, 2)) > 0).sum()),
    )


def trials_of(trials: np.ndarray, exchangeable: np.ndarray) -> np.ndarray:
    """Return the trials that take part in the exchange, by programme and cell."""
    return np.asarray((trials * exchangeable[None]).sum(axis=1))


def _permute(
    trials: np.ndarray, wins: np.ndarray, exchangeable: np.ndarray, n: int, seed: int
) -> np.ndarray:
    """Return wins by (permutation, programme, cell), summed over listeners."""
    rng = np.random.default_rng(seed)
    result = np.zeros((n, trials.shape[0], trials.shape[2]))
    for listener, cell in np.argwhere(exchangeable):
        drawn = rng.multivariate_hypergeometric(
            trials[:, listener, cell], wins[listener, cell], size=n, method="marginals"
        )
        result[:, :, cell] += drawn
    return result


def programme_worths(parts: dict[str, PairCounts]) -> dict[str, dict[str, float]]:
    """Return centred log-worths by programme, where a programme links all its stages."""
    result = {}
    for name, part in parts.items():
        groups = components(part)
        if len(groups[0]) < 2:
            continue
        fit = fit_pair_model(part.only(groups[0]))
        centred = fit.log_worth - fit.log_worth.mean()
        result[name] = dict(zip(fit.stages, (float(v) for v in centred), strict=True))
    return result


def leave_one_out(parts: dict[str, PairCounts]) -> list[dict[str, object]]:
    """Refit without each programme in turn.

    Returns
    -------
    list of dict
        ``left_out``, ``log_worth`` (centred, by stage), ``best`` (stage), ``order`` (stages from
        best to worst), or null figures where the rest does not link all stages.
    """
    rows: list[dict[str, object]] = []
    for name, part in parts.items():
        rest = sum(other.counts for key, other in parts.items() if key != name)
        counts = PairCounts(part.stages, part.listeners, part.first, part.second, np.asarray(rest))
        row: dict[str, object] = {
            "left_out": name,
            "n_trials": counts.n_trials,
            "log_worth": None,
            "best": None,
            "order": None,
        }
        if counts.n_trials and len(components(counts)) == 1:
            fit = fit_pair_model(counts)
            centred = fit.log_worth - fit.log_worth.mean()
            order = [fit.stages[k] for k in np.argsort(-centred, kind="stable")]
            row["log_worth"] = dict(zip(fit.stages, (float(v) for v in centred), strict=True))
            row["best"], row["order"] = order[0], order
        rows.append(row)
    return rows
