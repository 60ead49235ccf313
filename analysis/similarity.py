"""Not audibly different: shown only against a margin declared beforehand.

The margin is a share of discriminators, people who truly tell the two apart; the others guess
(Abbott's formula: P(correct) = chance + share·(1 - chance)). Similarity means that the upper bound
of P(correct) lies below the margin's P(correct) (ISO 4120 and ISO 10399 test for similarity in
this form).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import stats

from analysis.panel import PanelProportion, panel_proportion

__all__ = ["Similarity", "discriminators", "largest_similar_count", "similarity"]


def discriminators(proportion: np.ndarray | float, *, chance: float) -> np.ndarray:
    """Return the share of discriminators behind a proportion correct, 0 at or below chance."""
    return np.asarray(np.maximum(0.0, (np.asarray(proportion) - chance) / (1 - chance)))


def largest_similar_count(
    total: int, *, chance: float = 0.5, margin: float = 0.3, alpha: float = 0.05
) -> int | None:
    """Return the most correct answers that still show similarity; None when there is none.

    Raises
    ------
    ValueError
        `total` below 1, or a probability outside (0, 1).
    """
    if total < 1 or not all(0 < value < 1 for value in (chance, margin, alpha)):
        raise ValueError(f"need total >= 1 and probabilities in (0, 1), got {total}, {margin}")
    counts = np.arange(total + 1)
    few = stats.binom.cdf(counts, total, chance + margin * (1 - chance)) <= alpha
    return int(counts[few][-1]) if few.any() else None


@dataclass(frozen=True, slots=True)
class Similarity:
    """Test of one pair against a margin.

    Attributes
    ----------
    margin : float
        Declared share of discriminators.
    p_similar : float
        Small when the panel is below the margin: the larger of the exact binomial tail over trials
        and the t between listeners. NaN for one listener.
    p_exceeds : float
        Small when the panel is above the margin, by the same two tests.
    share, share_low, share_high : float
        Share of discriminators with its two-sided 90 % interval, whose upper end is the one-sided
        95 % bound.
    panel : PanelProportion
        The proportion behind it, against the margin.
    """

    margin: float
    p_similar: float
    p_exceeds: float
    share: float
    share_low: float
    share_high: float
    panel: PanelProportion


def similarity(
    correct: np.ndarray, trials: np.ndarray, *, chance: float, margin: float
) -> Similarity:
    """Test whether a panel hears less than a declared margin.

    Parameters
    ----------
    correct, trials : numpy.ndarray, shape (n_listeners,)
        Counts by listener.
    chance : float
        Guessing probability.
    margin : float
        Share of discriminators in (0, 1) that would matter.

    Returns
    -------
    Similarity

    Raises
    ------
    ValueError
        A margin outside (0, 1) or impossible counts.
    """
    if not 0 < margin < 1:
        raise ValueError(f"margin must lie in (0, 1), got {margin}")
    limit = chance + margin * (1 - chance)
    above = panel_proportion(correct, trials, chance=limit, confidence=0.9)
    below = panel_proportion(
        np.asarray(trials) - np.asarray(correct), trials, chance=1 - limit, confidence=0.9
    )
    right, n = float(np.sum(correct)), int(np.sum(trials))
    alone = above.n_listeners < 2
    # Right answers of same-different panels may be fractions; round against the finding.
    p_similar = float(stats.binom.cdf(np.ceil(right - 1e-9), n, limit))
    p_exceeds = float(stats.binom.sf(np.floor(right + 1e-9) - 1, n, limit))
    if not alone:
        p_similar, p_exceeds = max(p_similar, below.p_value), max(p_exceeds, above.p_value)
    low, high = (
        float(discriminators(bound, chance=chance)) for bound in (above.ci_low, above.ci_high)
    )
    nan = float("nan")
    return Similarity(
        margin,
        nan if alone else p_similar,
        nan if alone else p_exceeds,
        float(discriminators(above.estimate, chance=chance)),
        low,
        high,
        above,
    )
