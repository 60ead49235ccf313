"""Not audibly different: shown only against a margin declared beforehand.

The margin is a share of discriminators, people who truly tell the two apart; the others guess
(Abbott's formula: P(correct) = chance + share·(1 - chance)). Similarity means that the upper bound
of P(correct) lies below the margin's P(correct) (ISO 4120 and ISO 10399 test for similarity in
this form).

A panel is a sample of people. Where a tenth or a third of them always hears and the others guess,
a small panel may by luck hold none who hears, and its listeners then hardly scatter: the t between
listeners calls such panels similar too often (8 % at a nominal 5 % with 12 listeners). So the same
mean is also held against that population, exactly, and the largest p-value counts.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import stats

from analysis.hearing.sides import panel_share
from analysis.panels.mean_tail import mean_tail
from analysis.panels.panel import PanelProportion, listener_counts
from analysis.panels.proportions import discriminators, share_right
from analysis.panels.sided_tail import sided_tail

__all__ = ["Similarity", "largest_similar_count", "similarity"]


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
    few = stats.binom.cdf(counts, total, share_right(margin, chance=chance)) <= alpha
    return int(counts[few][-1]) if few.any() else None


@dataclass(frozen=True, slots=True)
class Similarity:
    """Test of one pair against a margin.

    Attributes
    ----------
    margin : float
        Declared share of discriminators.
    p_similar : float
        Small when the panel is below the margin: the largest of the t between listeners and the
        exact tails of the mean over listeners, where all hear a little and where a share of them
        always hears. NaN for one listener.
    p_exceeds : float
        Small when the panel is above the margin, by the same three tests.
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
    correct, trials : numpy.ndarray, shape (n_listeners,) or (n_listeners, n_sides)
        Counts by listener, or by listener and side (:mod:`analysis.hearing.sides`): the proportion
        is then the mean over sides.
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
    limit = share_right(margin, chance=chance)
    above = panel_share(correct, trials, chance=limit, confidence=0.9)
    below = panel_share(
        np.asarray(trials) - np.asarray(correct), trials, chance=1 - limit, confidence=0.9
    )
    alone = bool(np.isnan(above.p_value))
    p_similar, p_exceeds = _exact_tails(correct, trials, chance, margin)
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


def _exact_tails(
    correct: np.ndarray, trials: np.ndarray, chance: float, margin: float
) -> tuple[float, float]:
    """Return the chances of a mean so low and so high at the margin, over both populations."""
    if np.ndim(correct) == 2:
        return _sided_tails(correct, trials, chance, margin)
    k, n = listener_counts(correct, trials)
    limit = share_right(margin, chance=chance)
    # Right answers of same-different panels may be fractions; round against the finding.
    visits = n.astype(np.int64)
    low, high = (float((v / n).mean()) for v in (np.ceil(k - 1e-9), np.floor(k + 1e-9)))
    populations = ((limit, 0.0), (chance, margin))
    p_similar, p_exceeds = (
        max(mean_tail(visits, m, chance=c, always=a, upper=up) for c, a in populations)
        for m, up in ((low, False), (high, True))
    )
    return p_similar, p_exceeds


def _sided_tails(
    correct: np.ndarray, trials: np.ndarray, chance: float, margin: float
) -> tuple[float, float]:
    """Return the same chances of a mean over sides; no leaning, which scatters most."""
    n = np.asarray(trials, dtype=np.int64)
    met = n > 0
    shares = np.where(met, np.asarray(correct) / np.maximum(n, 1), 0.0)
    mean, sides = float((shares.sum(axis=0) / met.sum(axis=0)).mean()), n.shape[1]
    populations = ((share_right(margin, chance=chance), 0.0), (chance, margin))
    p_similar, p_exceeds = (
        max(
            float(sided_tail(n, mean, chance=np.full((1, sides), c), always=a, upper=up)[0])
            for c, a in populations
        )
        for up in (False, True)
    )
    return p_similar, p_exceeds
