"""One proportion over a panel: the listener is the unit, never the bare trial."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import stats

from analysis.proportions import exact_p

__all__ = ["SMALL_PANEL", "PanelProportion", "listener_counts", "logit_test", "panel_proportion"]

#: Below this many listeners a test between listeners alone is trusted only together with the
#: exact test over trials: the larger p-value counts.
SMALL_PANEL = 12


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
    p_value = 2 * stats.t.sf(np.abs(statistic), df)
    t = float(stats.t.ppf((1 + confidence) / 2, df))
    centre = (share + t**2 / (2 * n)) / (1 + t**2 / n)
    half = t / (1 + t**2 / n) * np.sqrt(spread / n + t**2 / (4 * n**2))
    tiny = np.finfo(float).tiny
    low, high = np.maximum(centre - half, tiny), np.maximum(1 - centre - half, tiny)
    return statistic, p_value, np.log(low / (1 - low)), np.log((1 - high) / high)


@dataclass(frozen=True, slots=True)
class PanelProportion:
    """Share of correct answers in a panel, with uncertainty between listeners.

    Attributes
    ----------
    n_trials, n_listeners : int
    estimate, se : float
        Pooled proportion and its standard error between listeners; `se` is NaN for one listener.
    statistic, df : float
        t against `chance`; NaN where the listeners do not scatter.
    p_value : float
        One-sided. NaN for one listener, who says nothing about others.
    ci_low, ci_high : float
        Two-sided Wilson interval at the effective number of trials (Korn & Graubard 1998
        Surv Methodol 24:193 for the idea) with Student's t; NaN for one listener.
    design_effect : float
        Variance between listeners over the variance of independent trials.
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
    correct: np.ndarray, trials: np.ndarray, *, chance: float, confidence: float = 0.95
) -> PanelProportion:
    """Test whether a panel is better than guessing, listeners being the unit.

    The pooled proportion is a ratio of listener sums; its variance comes from the listeners'
    residuals (linearised ratio estimator, G/(G-1) factor; Cochran 1977 Sampling Techniques ch. 6)
    and t has G-1 degrees of freedom. With fewer than :data:`SMALL_PANEL` listeners the exact
    binomial p-value is computed too and the larger of the two is reported; where listeners do not
    scatter at all it is the only one.

    Parameters
    ----------
    correct, trials : numpy.ndarray
        Counts by listener, shape ``(n_listeners,)``; listeners without trials are passed over.
    chance : float
        Guessing probability.
    confidence : float, optional
        Level of the interval.

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
    p = float(k.sum() / total)
    # Right answers of same-different panels may be fractions; round against the finding.
    whole = np.array(int(np.floor(k.sum() + 1e-9)))
    exact = float(exact_p(whole, np.array(int(total)), chance=chance)[0])
    if g < 2:
        nan = float("nan")
        return PanelProportion(
            int(total), g, p, nan, nan, nan, nan, nan, nan, nan, chance, confidence, "one listener"
        )
    variance = g / (g - 1) * float(((k - n * p) ** 2).sum()) / total**2
    se = float(np.sqrt(variance))
    scatters = se > 1e-12
    t = (p - chance) / se if scatters else float("nan")
    p_value, rule = exact, "trials"
    if scatters:
        p_value, rule = float(stats.t.sf(t, g - 1)), "listeners"
        if g < SMALL_PANEL:
            p_value, rule = max(p_value, exact), "listeners and trials"
    independent = p * (1 - p) / total
    effect = variance / independent if independent > 0 else 1.0
    low, high = _interval(p, total, max(effect, 1.0), g, confidence)
    return PanelProportion(
        int(total), g, p, se, t, g - 1, p_value, low, high, effect, chance, confidence, rule
    )


def _interval(
    p: float, total: float, effect: float, listeners: int, confidence: float
) -> tuple[float, float]:
    z = float(stats.t.ppf((1 + confidence) / 2, listeners - 1))
    n = total / effect
    centre = (p + z**2 / (2 * n)) / (1 + z**2 / n)
    half = z / (1 + z**2 / n) * np.sqrt(p * (1 - p) / n + z**2 / (4 * n**2))
    return max(0.0, float(centre - half)), min(1.0, float(centre + half))
