"""The exact test of one listener's forced-choice trials."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.panels.proportions import (
    clopper_pearson,
    exact_p,
)

__all__ = [
    "ForcedChoiceResult",
    "exact_forced_choice_test",
]


@dataclass(frozen=True, slots=True)
class ForcedChoiceResult:
    """Result of :func:`exact_forced_choice_test`.

    Attributes
    ----------
    n_correct, n_trials : int
        Counts used.
    proportion, p_value : float
        `p_value` is one-sided, P(X >= n_correct) when every answer is a guess.
    ci_low, ci_high : float
        Two-sided Clopper-Pearson bounds for P(correct).
    chance, confidence : float
        Copied from the call.
    """

    n_correct: int
    n_trials: int
    proportion: float
    p_value: float
    ci_low: float
    ci_high: float
    chance: float
    confidence: float


def exact_forced_choice_test(
    n_correct: int,
    n_trials: int,
    *,
    chance: float = 0.5,
    confidence: float = 0.95,
    mid: bool = False,
) -> ForcedChoiceResult:
    """Test whether a listener did better than guessing, without approximation.

    Parameters
    ----------
    n_correct, n_trials : int
        Correct and answered trials of one listener.
    chance, confidence : float, optional
        Guessing probability and interval level, in (0, 1).
    mid : bool, optional
        Give the mid-p value; see :func:`analysis.panels.proportions.exact_p`.

    Returns
    -------
    ForcedChoiceResult

    Raises
    ------
    ValueError
        A count or a probability outside its range.

    References
    ----------
    * Clopper and Pearson, Biometrika 26(4), 404-413 (1934).

    Examples
    --------
    >>> from analysis import exact_forced_choice_test
    >>> round(exact_forced_choice_test(12, 16).p_value, 4)
    0.0384
    """
    if not 0 < chance < 1 or not 0 < confidence < 1:
        raise ValueError(f"chance and confidence must lie in (0, 1), got {chance}, {confidence}")
    low, high = clopper_pearson(np.array(n_correct), np.array(n_trials), confidence=confidence)
    p_value = exact_p(np.array(n_correct), np.array(n_trials), chance=chance, mid=mid)
    return ForcedChoiceResult(
        n_correct,
        n_trials,
        n_correct / n_trials,
        float(p_value[0]),
        float(low[0]),
        float(high[0]),
        chance,
        confidence,
    )
