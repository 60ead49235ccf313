"""A weighted difference of worths, tested between listeners: one rule for claims, gains and parts.

Whoever asks twice about one difference, in a claim, a gain or an effect, gets one estimate, one
interval and one p.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from analysis.models.bradley_terry import PairModelFit
from analysis.panels.panel import SMALL_PANEL, logit_test

__all__ = ["ContrastTest", "contrast_test", "floored_error"]


@dataclass(frozen=True, slots=True)
class ContrastTest:
    """A contrast of log-worths with its test between listeners; NaN for one listener.

    Attributes
    ----------
    estimate, se : float
        In the units of the weights, logits where they are plain; `se` is clustered on listeners
        with the factor G/(G-1) and kept from collapsing by :func:`floored_error`.
    statistic, df, p_value : float
        Two-sided t of :func:`analysis.panels.panel.logit_test`.
    ci_low, ci_high : float
        The interval that agrees with the test, in the units of `estimate`.
    """

    estimate: float
    se: float
    statistic: float
    df: float
    p_value: float
    ci_low: float
    ci_high: float


def contrast_test(
    fit: PairModelFit, weights: Mapping[str, float], *, confidence: float = 0.95
) -> ContrastTest:
    """Test a contrast of log-worths against 0.

    Parameters
    ----------
    fit : PairModelFit
    weights : mapping of str to float
        By stage of the fit; they add up to 0. A difference of two worths has the weights 1 and -1.
    confidence : float, optional
        Of the interval.

    Returns
    -------
    ContrastTest

    Notes
    -----
    The test expects a logit. The weights are scaled so that those above 0 add up to 1, which makes
    every contrast a difference of two mean worths, and what is found is scaled back.
    """
    kept = [k for k, name in enumerate(fit.stages) if weights.get(name)]
    plain = np.array([weights[fit.stages[k]] for k in kept], dtype=float)
    if not kept:  # what is held against itself
        return ContrastTest(0.0, 0.0, 0.0, float(fit.n_listeners - 1), 1.0, 0.0, 0.0)
    size = float(plain[plain > 0].sum())
    scaled = plain / size
    value = float(scaled @ fit.log_worth[kept])
    g = fit.n_listeners
    nan = float("nan")
    if g < 2:
        return ContrastTest(value * size, nan, nan, nan, nan, nan, nan)
    clustered = np.sqrt(fit.variance_of(kept, scaled, cluster=True))
    naive = np.sqrt(fit.variance_of(kept, scaled, cluster=False))
    error = floored_error(clustered * np.sqrt(g / (g - 1)), np.asarray(naive), g)
    df = float(g - 1)
    found = logit_test(np.array(value), error, df, confidence=confidence)
    t, p, low, high = (float(each) for each in found)
    return ContrastTest(value * size, float(error) * size, t, df, p, low * size, high * size)


def floored_error(se: np.ndarray, naive: np.ndarray, listeners: int) -> np.ndarray:
    """Keep the clustered error from collapsing where it has little to stand on.

    Listeners who all answer alike have residuals of one pattern, so the sandwich falls to zero
    although the worth itself is as uncertain as its trials; and few listeners may agree by luck.
    Below :data:`analysis.panels.panel.SMALL_PANEL` listeners the error is never taken smaller than
    that of independent trials; in larger panels only where it fell below half of it.
    """
    weak = se < naive if listeners < SMALL_PANEL else se < naive / 2
    return np.where(weak, naive, se)
