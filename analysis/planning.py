"""How many listeners and trials: answers in a sentence and as curves."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
from scipy import stats

from analysis.discrimination import PairCells
from analysis.dprime import CHANCE
from analysis.exact_panel import similar_panel_power
from analysis.overdispersion import beta_binomial
from analysis.power import detectable_share, paired_power, panel_power
from analysis.preference import Preference
from analysis.sequential import spending_limits
from analysis.trials import FORCED_CHOICE

__all__ = [
    "PlanAnswer",
    "guessing_share",
    "listeners_needed",
    "look_sentence",
    "plan_answer",
    "power_block",
    "similar_sentence",
]

#: Spread between listeners where nothing is known: SD of P(correct), and of a log-worth in logits.
_SPREAD_CORRECT, _SPREAD_WORTH = 0.1, 0.5
_DISCRIMINATORS = (0.3, 0.5, 0.7)
_SHARES = (0.6, 0.7, 0.8)
_MOST_LISTENERS = 200
#: Simulated studies behind every point: the power to 1.6 percentage points (error).
_STUDIES = 1000


@dataclass(frozen=True, slots=True)
class PlanAnswer:
    """Chance to notice a difference of a stated size.

    Attributes
    ----------
    method : str
    share : float
        P(correct) for forced choice, share preferring the better stage for paired.
    n_listeners, n_trials : int
        Trials of each listener for one pair.
    spread : float
        SD over listeners: of P(correct), or of a log-worth.
    power : float
    alpha : float
    sentence : str
    """

    method: str
    share: float
    n_listeners: int
    n_trials: int
    spread: float
    power: float
    alpha: float
    sentence: str


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


def guessing_share(method: str) -> float:
    """Return the share of right answers, or of choices, that no difference at all would give.

    Raises
    ------
    ValueError
        An unknown method.
    """
    known = (*FORCED_CHOICE, "paired")
    if method not in known:
        raise ValueError(f"method must be one of {', '.join(known)}, got {method!r}")
    return 0.5 if method == "paired" else CHANCE[method]


def _check(method: str, share: float) -> None:
    chance = guessing_share(method)
    if not chance < share < 1:
        raise ValueError(f"share must lie between chance {chance:.3g} and 1, got {share}")


def plan_answer(
    *,
    method: str,
    share: float,
    n_listeners: int,
    n_trials: int,
    spread: float | None = None,
    alpha: float = 0.05,
) -> PlanAnswer:
    """Say how likely a study notices a difference.

    Parameters
    ----------
    method : str
        A forced-choice method or ``"paired"``.
    share : float
        True P(correct), or true share preferring the better stage, between chance and 1.
    n_listeners, n_trials : int
        Listeners, and trials of each for the pair.
    spread : float, optional
        SD over listeners of P(correct) (0.1 when not given) or of a log-worth (0.5 logits).
    alpha : float, optional
        One-sided for forced choice, two-sided for paired.

    Returns
    -------
    PlanAnswer

    Raises
    ------
    ValueError
        An unknown method or impossible numbers.
    """
    _check(method, share)
    if spread is None:
        spread = _SPREAD_WORTH if method == "paired" else _SPREAD_CORRECT
    power = _power(method, share, n_listeners, n_trials, spread, alpha)
    what = (
        f"if listeners prefer the better stage in {100 * share:.0f} % of decisions"
        if method == "paired"
        else f"if listeners are right in {100 * share:.0f} % of trials where guessing gives "
        f"{100 * CHANCE[method]:.0f} %"
    )
    sentence = (
        f"{n_listeners} listeners with {n_trials} {method} trials each have a "
        f"{100 * power:.0f} % chance to show the difference {what} "
        f"(level {100 * alpha:g} %, listeners taken to differ with SD {spread:g})."
    )
    return PlanAnswer(method, share, n_listeners, n_trials, spread, power, alpha, sentence)


def listeners_needed(
    *,
    method: str,
    share: float,
    n_trials: int,
    power: float = 0.8,
    spread: float | None = None,
    alpha: float = 0.05,
) -> int | None:
    """Return the fewest listeners that reach a power, None above 200; as :func:`plan_answer`."""
    _check(method, share)
    low, high = 1, 2
    call = {"method": method, "share": share, "n_trials": n_trials, "spread": spread}

    def reached(n: int) -> bool:
        answer = plan_answer(n_listeners=n, alpha=alpha, **call)  # type: ignore[arg-type]
        return answer.power >= power

    while not reached(high):
        low, high = high, 2 * high
        if low >= _MOST_LISTENERS:
            return None
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if reached(middle) else (middle, high)
    return high if high <= _MOST_LISTENERS else None


@cache
def _similar_power(method: str, margin: float, listeners: int, trials: int, alpha: float) -> float:
    return similar_panel_power(
        listeners,
        trials,
        chance=CHANCE[method],
        margin=margin,
        spread=_SPREAD_CORRECT,
        alpha=alpha,
        n_studies=_STUDIES,
    )


def similar_sentence(
    *, method: str, margin: float, n_listeners: int, n_trials: int, alpha: float = 0.05
) -> str:
    """Say how likely a study shows that fewer than a margin hear a difference, if nobody does.

    Parameters
    ----------
    method : str
        A forced-choice method.
    margin : float
        Declared share of discriminators, in (0, 1).
    n_listeners, n_trials : int
        Listeners, and trials of each for the pair.
    alpha : float, optional

    Returns
    -------
    str
        With the fewest listeners that give 80 %.

    Raises
    ------
    ValueError
        An unknown method or impossible numbers.
    """
    if method not in FORCED_CHOICE:
        raise ValueError(f"method must be one of {', '.join(FORCED_CHOICE)}, got {method!r}")
    power = 0.0
    if n_listeners > 1:
        power = _similar_power(method, margin, n_listeners, n_trials, alpha)
    needed = next(
        (
            n
            for n in range(2, _MOST_LISTENERS + 1)
            if _similar_power(method, margin, n, n_trials, alpha) >= 0.8
        ),
        None,
    )
    rest = (
        f"{needed} listeners give 80 %"
        if needed
        else f"{_MOST_LISTENERS} listeners do not give 80 %"
    )
    return (
        f"{n_listeners} listeners with {n_trials} {method} trials each have a "
        f"{100 * power:.0f} % chance to show that fewer than {100 * margin:g} % hear the "
        f"difference, if nobody does (level {100 * alpha:g} %, listeners taken to differ with SD "
        f"{_SPREAD_CORRECT:g}). {rest}."
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
        (:func:`analysis.sequential.spending_limits`).

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
) -> list[dict[str, Any]]:
    """Return what the study as run could have noticed, and with how many listeners.

    `margins` are shares of discriminators declared by claims that a difference is not heard; for
    each of them a row gives the chance to show that when nobody hears it. One row per method and
    size of difference, with the trials per listener and pair and the spread between listeners
    taken from the data: ``what``, ``method``, ``share``, ``n_trials_each``, ``spread``,
    ``n_listeners`` (list), ``power`` (list), ``power_as_run``, ``detectable_share``.
    """
    rows: list[dict[str, Any]] = []
    for method in FORCED_CHOICE:
        own = [group for group in cells if group.method == method and group.testable]
        if own:
            rows.extend(_forced_rows(method, own, alpha, margins))
    if preference is not None and preference.main is not None:
        rows.extend(_paired_rows(preference, alpha))
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
        share = chance + discriminators * (1 - chance)
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
        row["what"] = f"paired: {100 * share:.0f} % prefer the better"
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
