"""What a question alone could notice, as curves, and when an early look may stop.

The chances of declared claims as a set are another matter; they are simulated
(:mod:`analysis.planning.findings`, :mod:`analysis.planning.as_run`).
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from typing import Any

import numpy as np
from scipy import stats

from analysis.hearing.dprime import CHANCE
from analysis.hearing.pair_cells import PairCells
from analysis.panels.exact_panel import similar_panel_power
from analysis.panels.overdispersion import beta_binomial
from analysis.panels.proportions import share_right
from analysis.panels.sequential import spending_limits
from analysis.planning.power import detectable_share, paired_power, panel_power
from analysis.preference.fit import Preference
from analysis.tables.trials import FORCED_CHOICE

__all__ = ["look_sentence", "power_block"]

#: Spread between listeners where nothing is known: SD of P(correct), and of a log-worth in logits.
_SPREAD_CORRECT, _SPREAD_WORTH = 0.1, 0.5
_DISCRIMINATORS = (0.3, 0.5, 0.7)
_SHARES = (0.6, 0.7, 0.8)
#: Simulated studies behind every point: the power to 1.6 percentage points (error).
_STUDIES = 1000


@cache
def _power(
    method: str, share: float, listeners: int, trials: int, spread: float, alpha: float
) -> float:
    if method == "paired":
        worth = np.array([np.log(share / (1 - share)), 0.0])
        found = paired_power(
            worth, listeners, trials, spread=spread, alpha=alpha, n_studies=_STUDIES
        )
        return float(found.pair_right[0, 1])
    allowed = min(spread, 0.99 * float(np.sqrt(share * (1 - share))))
    return panel_power(
        share,
        listeners,
        trials,
        chance=CHANCE[method],
        spread=allowed,
        alpha=alpha,
        n_studies=_STUDIES,
    )


def look_sentence(n_listeners: int, looks: int, *, alpha: float = 0.05) -> str:
    """Say at which p-values a study that is looked at early may stop.

    Parameters
    ----------
    n_listeners : int
        Of the whole study.
    looks : int
        Looks, the last one included, after as equal numbers of listeners as can be.
    alpha : float, optional
        Two-sided level of the whole study.

    Returns
    -------
    str
        Limits by the spending function of O'Brien and Fleming's shape
        (:func:`analysis.panels.sequential.spending_limits`).

    Raises
    ------
    ValueError
        Fewer than two looks, or fewer than two listeners at the first.
    """
    after = [round(n_listeners * (k + 1) / looks) for k in range(looks)] if looks > 0 else []
    if looks < 2 or after[0] < 2:
        raise ValueError(f"{looks} looks need {2 * max(looks, 2)} listeners or more, and two looks")
    limits = spending_limits([n / n_listeners for n in after], alpha=alpha)
    p = [f"{2 * stats.norm.sf(limit):.2g}" for limit in limits]
    *first, last = (f"{n} (p below {value})" for n, value in zip(after, p, strict=True))
    return (
        f"{looks} looks keep the level of {100 * alpha:g} % when the study stops only after "
        f"{', '.join(first)} or {last} listeners; p two-sided, between listeners."
    )


def power_block(
    cells: Sequence[PairCells],
    preference: Preference | None,
    *,
    alpha: float = 0.05,
    margins: Sequence[float] = (),
    n_claims: int = 1,
) -> list[dict[str, Any]]:
    """Return what one question of the study as run could have noticed, by number of listeners.

    Parameters
    ----------
    cells, preference
        The answers; trials per listener and pair, and the spread of right answers between
        listeners, are taken from them.
    alpha : float, optional
        Error rate of the family of claims.
    margins : sequence of float, optional
        Shares of discriminators declared by claims that a difference is not heard; for each of
        them a row gives the chance to show that when nobody hears it.
    n_claims : int, optional
        Claims of the family. Each is given its share of alpha, which is what Holm's procedure asks
        of the first one.

    Returns
    -------
    list of dict
        One row a method and size of difference: ``what``, ``method``, ``share``,
        ``n_trials_each``, ``spread``, ``alpha`` (that share), ``n_listeners`` (list), ``power``
        (list), ``power_as_run``, ``detectable_share``. Paired rows are about one pair by its own
        votes.
    """
    level = alpha / max(n_claims, 1)
    rows: list[dict[str, Any]] = []
    for method in FORCED_CHOICE:
        # Where sides are allowed for, visits that met one side only do not tell the spread.
        own = [group for group in cells if group.method == method and group.counts[1].any()]
        if own:
            rows.extend(_forced_rows(method, own, level, margins))
    if preference is not None and preference.main is not None:
        rows.extend(_paired_rows(preference, level))
    return rows


def _grid(listeners: int) -> list[int]:
    return sorted({4, 6, 8, 12, 16, 24, 32, 48, max(2, listeners)})


def _forced_rows(
    method: str, own: list[PairCells], alpha: float, margins: Sequence[float]
) -> list[dict[str, Any]]:
    each, people, spreads = [], [], []
    for group in own:
        correct, trials = group.counts
        each.append(float(np.median(trials)))
        people.append(len(trials))
        spreads.append(beta_binomial(correct, trials).sd)
    trials_each = max(1, round(float(np.median(each))))
    listeners = round(float(np.median(people)))
    spread = float(np.median(spreads)) if listeners > 5 else _SPREAD_CORRECT
    chance = CHANCE[method]
    found = None
    if listeners > 1:
        found = detectable_share(
            listeners, trials_each, chance=chance, spread=spread, alpha=alpha, n_studies=1000
        )
    rows = []
    for discriminators in _DISCRIMINATORS:
        share = share_right(discriminators, chance=chance)
        row = _curve(method, share, listeners, trials_each, spread, alpha)
        row["what"] = f"{method}: {100 * share:.0f} % right"
        row["detectable_share"] = found
        rows.append(row)
    for margin in sorted(set(margins)):
        rows.append(_similar_row(method, margin, listeners, trials_each, spread, alpha))
    return rows


def _similar_row(
    method: str, margin: float, listeners: int, trials: int, spread: float, alpha: float
) -> dict[str, Any]:
    grid, chance = _grid(listeners), CHANCE[method]
    power = [
        similar_panel_power(
            n,
            trials,
            chance=chance,
            margin=margin,
            spread=spread,
            alpha=alpha,
            n_studies=_STUDIES,
        )
        for n in grid
    ]
    return {
        "method": method,
        "what": f"{method}: not heard within {100 * margin:g} %, if nobody hears it",
        "share": chance,
        "n_trials_each": trials,
        "spread": spread,
        "alpha": alpha,
        "n_listeners": grid,
        "power": power,
        "power_as_run": power[grid.index(listeners)] if listeners > 1 else None,
        "detectable_share": None,
    }


def _paired_rows(preference: Preference, alpha: float) -> list[dict[str, Any]]:
    flat = preference.counts.unordered().counts.sum(axis=2)
    trials_each = max(1, round(float(np.median(flat[flat > 0]))))
    listeners = preference.counts.n_listeners
    rows = []
    for share in _SHARES:
        row = _curve("paired", share, listeners, trials_each, _SPREAD_WORTH, alpha)
        row["what"] = f"paired, one pair by its own votes: {100 * share:.0f} % prefer the better"
        row["detectable_share"] = None
        rows.append(row)
    return rows


def _curve(
    method: str, share: float, listeners: int, trials: int, spread: float, alpha: float
) -> dict[str, Any]:
    grid = _grid(listeners)
    power = [_power(method, share, n, trials, spread, alpha) for n in grid]
    as_run = power[grid.index(listeners)] if listeners > 1 else None
    return {
        "method": method,
        "share": share,
        "n_trials_each": trials,
        "spread": spread,
        "alpha": alpha,
        "n_listeners": grid,
        "power": power,
        "power_as_run": as_run,
    }
