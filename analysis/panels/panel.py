"""One proportion over a panel: the listener is the unit, never the bare trial."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.panels.mean_tail import mean_tail
from analysis.panels.proportions import exact_p
from analysis.panels.tails import t_above, t_quantile

__all__ = [
    "FEWEST_LISTENERS",
    "SMALL_PANEL",
    "PanelProportion",
    "least_panel",
    "listener_counts",
    "listener_weights",
    "logit_test",
    "panel_proportion",
    "wilson_interval",
]

#: Below this many listeners a test between listeners alone is trusted only together with the
#: exact test: the larger p-value counts.
SMALL_PANEL = 12
#: No sentence about people rests on fewer listeners than this, whatever the level.
FEWEST_LISTENERS = 6


def least_panel(alpha: float, *, sides: int = 2) -> int:
    """Return the smallest panel that can say anything about listeners at a level.

    The exact test in which every listener counts once is the sign test: with G listeners all of
    one mind its p-value is ``sides / 2**G``, and no data give less.

    Parameters
    ----------
    alpha : float
        Level of the test, adjusted for a family where there is one, in (0, 1).
    sides : int, optional
        2 where either outcome would be told, 1 where only one direction is tested.

    Returns
    -------
    int
        :data:`FEWEST_LISTENERS` or more.

    Raises
    ------
    ValueError
        A level outside (0, 1), or sides that are not 1 or 2.

    Examples
    --------
    >>> least_panel(0.05), least_panel(0.05 / 6)
    (6, 8)
    """
    if not 0 < alpha < 1 or sides not in (1, 2):
        raise ValueError(f"need a level in (0, 1) and one or two sides, got {alpha}, {sides}")
    # A power of two may lie a rounding error above its own level.
    return max(FEWEST_LISTENERS, int(np.ceil(np.log2(sides / alpha) - 1e-9)))


def listener_weights(totals: np.ndarray) -> np.ndarray:
    """Return weights under which every listener counts once, with mean answers kept.

    Parameters
    ----------
    totals : numpy.ndarray, shape (n_listeners,)
        Answers of each listener, above zero.

    Returns
    -------
    numpy.ndarray, shape (n_listeners,)
        Mean answers over own answers: the weighted answers add up to as many as were given, and
        with equal visits every weight is exactly 1.
    """
    totals = np.asarray(totals, dtype=float)
    if totals.size and np.ptp(totals) == 0:
        return np.ones_like(totals)
    return np.asarray(totals.mean() / totals)


def logit_test(
    estimate: np.ndarray, se: np.ndarray, df: float, *, confidence: float = 0.95
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Test a logit against 0 on the scale of its share, and give the interval that agrees.

    The share's error becomes an effective number of trials; test and interval are then Wilson's
    with Student's t. In panels of 12 to 40 listeners who differ this keeps level and coverage
    better than the plain ratio of logit to error, which rejects too seldom (measured in
    ``tests/bench/bench_calibration.py``).

    Parameters
    ----------
    estimate, se : numpy.ndarray
        Logits and their errors, any shape.
    df : float
        Degrees of freedom, listeners less one.
    confidence : float, optional

    Returns
    -------
    statistic, p_value, low, high : numpy.ndarray
        Two-sided p; bounds in logits.
    """
    share = 1 / (1 + np.exp(-np.asarray(estimate, dtype=float)))
    spread = share * (1 - share)
    n = 1 / (np.asarray(se, dtype=float) ** 2 * spread)
    statistic = (share - 0.5) * 2 * np.sqrt(n)
    p_value = 2 * t_above(np.abs(statistic), df)
    t = t_quantile((1 + confidence) / 2, df)
    centre = (share + t**2 / (2 * n)) / (1 + t**2 / n)
    half = t / (1 + t**2 / n) * np.sqrt(spread / n + t**2 / (4 * n**2))
    tiny = np.finfo(float).tiny
    low, high = np.maximum(centre - half, tiny), np.maximum(1 - centre - half, tiny)
    return statistic, p_value, np.log(low / (1 - low)), np.log((1 - high) / high)


@dataclass(frozen=True, slots=True)
class PanelProportion:
    """Mean over listeners of their shares of right answers, with uncertainty between listeners.

    Attributes
    ----------
    n_trials, n_listeners : int
    estimate, se : float
        Mean over listeners, each counting once, and its standard error between listeners; `se`
        is NaN for one listener.
    statistic, df : float
        t against `chance`; NaN where the listeners do not scatter.
    p_value : float
        One-sided. NaN for one listener, who says nothing about others.
    ci_low, ci_high : float
        Two-sided Wilson interval at the effective number of trials (Korn & Graubard 1998
        Surv Methodol 24:193 for the idea) with Student's t; NaN for one listener.
    design_effect : float
        Variance between listeners over the variance that independent trials of the same visits
        would give the mean over listeners.
    over_trials : float
        Share of all trials, where a long visit counts for more: the other estimand, to be read
        beside `estimate`.
    chance, confidence : float
    rule : str
        ``"listeners"``, ``"listeners and trials"`` or ``"trials"``: what `p_value` rests on.
    """

    n_trials: int
    n_listeners: int
    estimate: float
    se: float
    statistic: float
    df: float
    p_value: float
    ci_low: float
    ci_high: float
    design_effect: float
    over_trials: float
    chance: float
    confidence: float
    rule: str


def listener_counts(correct: np.ndarray, trials: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Check counts by listener and leave out listeners without trials.

    Raises
    ------
    ValueError
        No trials, or counts outside ``0 .. trials``.
    """
    k, n = np.asarray(correct, dtype=float), np.asarray(trials, dtype=float)
    if np.any(k < 0) or np.any(k > n) or n.sum() < 1:
        raise ValueError("need 0 <= correct <= trials and at least one trial")
    return k[n > 0], n[n > 0]


def panel_proportion(
    correct: np.ndarray,
    trials: np.ndarray,
    *,
    chance: float,
    confidence: float = 0.95,
    every_answer: bool = False,
) -> PanelProportion:
    """Test whether a panel is better than guessing, listeners being the unit.

    The estimand is the mean over listeners of P(correct). Every listener counts once, a visit of
    three questions as much as a sitting of sixty: the mean of the listeners' shares, with their
    own scatter and a t of G-1 degrees of freedom. Weighting by trials does not keep its level
    where visits differ in length, and weights by the variance of a random-effects model do not
    where listeners are of two kinds, or stay the longer the better they hear
    (``tests/bench/calibration_visits.py``).

    With fewer than :data:`SMALL_PANEL` listeners the exact p-value of the mean over guessing
    listeners is worked out too and the larger of the two is reported; where listeners do not
    scatter at all it is the only one.

    Parameters
    ----------
    correct, trials : numpy.ndarray
        Counts by listener, shape ``(n_listeners,)``; listeners without trials are passed over.
    chance : float
        Guessing probability.
    confidence : float, optional
        Level of the interval.
    every_answer : bool, optional
        Let every answer count once in place of every listener, errors still between listeners: to
        be shown beside a verdict, never as one.

    Returns
    -------
    PanelProportion

    Raises
    ------
    ValueError
        No trials, or counts outside ``0 .. trials``.
    """
    k, n = listener_counts(correct, trials)
    g, total = len(n), float(n.sum())
    over_trials = float(k.sum() / total)
    # Weights of mean 1: a visit's share counts by its length, or every share alike.
    weight = n * (g / total) if every_answer else np.ones(g)
    shares = k / n
    p = over_trials if every_answer or np.ptp(n) == 0 else float(shares.mean())
    if g < 2:
        nan = float("nan")
        return PanelProportion(
            *(int(total), g, p, nan, nan, nan, nan, nan, nan, nan, over_trials),
            *(chance, confidence, "one listener"),
        )
    variance = float(((weight * (shares - p)) ** 2).sum()) / (g * (g - 1))
    se = float(np.sqrt(variance))
    scatters = se > 1e-12
    t = (p - chance) / se if scatters else float("nan")
    p_value, rule = float("nan"), "trials"
    if scatters:
        p_value, rule = float(t_above(t, g - 1)), "listeners"
    if not scatters or g < SMALL_PANEL:
        exact = _exact(k, n, p, chance, pooled=every_answer)
        rule = "listeners and trials" if scatters else "trials"
        p_value = max(p_value, exact) if scatters else exact
    # What independent trials would give: G² / Σ(1/n) trials, the plain total when visits agree.
    worth = g**2 / float((weight**2 / n).sum())
    independent = p * (1 - p) / worth
    effect = variance / independent if independent > 0 else 1.0
    low, high = wilson_interval(p, worth, max(effect, 1.0), g, confidence)
    return PanelProportion(
        *(int(total), g, p, se, t, g - 1, p_value, low, high, effect, over_trials),
        *(chance, confidence, rule),
    )


def _exact(k: np.ndarray, n: np.ndarray, mean: float, chance: float, *, pooled: bool) -> float:
    """Return the exact one-sided p-value of a mean over listeners, or answers, that all guess."""
    # Right answers of same-different panels may be fractions; round against the finding.
    if pooled or np.ptp(n) == 0:
        whole, total = int(np.floor(k.sum() + 1e-9)), int(n.sum())
        return float(exact_p(np.array(whole), np.array(total), chance=chance)[0])
    rounded = float((np.floor(k + 1e-9) / n).mean())
    return mean_tail(n.astype(np.int64), min(rounded, mean), chance=chance, upper=True)


def wilson_interval(
    p: float, total: float, effect: float, listeners: int, confidence: float
) -> tuple[float, float]:
    """Return Wilson's interval of a share at `total` trials over the design effect, with t."""
    z = t_quantile((1 + confidence) / 2, listeners - 1)
    n = total / effect
    centre = (p + z**2 / (2 * n)) / (1 + z**2 / n)
    half = z / (1 + z**2 / n) * np.sqrt(p * (1 - p) / n + z**2 / (4 * n**2))
    return max(0.0, float(centre - half)), min(1.0, float(centre + half))
