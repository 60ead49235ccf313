"""How many listeners and trials: answers in a sentence and as curves."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np

from analysis.discrimination import PairCells, panel_counts
from analysis.dprime import CHANCE
from analysis.overdispersion import beta_binomial
from analysis.power import detectable_share, paired_power, panel_power
from analysis.preference import Preference
from analysis.trials import FORCED_CHOICE

__all__ = ["PlanAnswer", "guessing_share", "listeners_needed", "plan_answer", "power_block"]

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


def power_block(
    cells: Sequence[PairCells], preference: Preference | None, *, alpha: float = 0.05
) -> list[dict[str, Any]]:
    """Return what the study as run could have noticed, and with how many listeners.

    One row per method and size of difference, with the trials per listener and pair and the spread
    between listeners taken from the data: ``what``, ``method``, ``share``, ``n_trials_each``,
    ``spread``, ``n_listeners`` (list), ``power`` (list), ``power_as_run``, ``detectable_share``.
    """
    rows: list[dict[str, Any]] = []
    for method in FORCED_CHOICE:
        own = [group for group in cells if group.method == method and group.testable]
        if own:
            rows.extend(_forced_rows(method, own, alpha))
    if preference is not None and preference.main is not None:
        rows.extend(_paired_rows(preference, alpha))
    return rows


def _grid(listeners: int) -> list[int]:
    return sorted({4, 6, 8, 12, 16, 24, 32, 48, max(2, listeners)})


def _forced_rows(method: str, own: list[PairCells], alpha: float) -> list[dict[str, Any]]:
    each, people, spreads = [], [], []
    for group in own:
        correct, trials = panel_counts(group.cells)
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
    return rows


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
