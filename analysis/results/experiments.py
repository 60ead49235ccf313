"""Region swaps and partial steps."""

from __future__ import annotations

from analysis.results.base import Pair, Real, ResultBlock

__all__ = [
    "DoseResult",
    "DoseRow",
    "DoseThreshold",
    "RegionPairRow",
    "RegionRow",
    "RegionsResult",
    "WholeChange",
]


class WholeChange(ResultBlock, frozen=True, kw_only=True):
    """What changing all regions gains.

    Attributes
    ----------
    estimate, se, low, high, p_value : float or None
        Logits.
    """

    estimate: Real
    se: Real
    low: Real
    high: Real
    p_value: Real


class RegionRow(ResultBlock, frozen=True, kw_only=True):
    """What changing one region gains, averaged over the others.

    Attributes
    ----------
    region : str
    estimate, se, low, high, p_value : float or None
        Logits.
    change_db : float or None
    per_db, per_db_low, per_db_high : float or None
    recovered, recovered_low, recovered_high : float or None
        Share of the whole gain.
    p_holm : float or None
    words : str
    """

    region: str
    estimate: Real
    se: Real
    low: Real
    high: Real
    p_value: Real
    change_db: Real
    per_db: Real
    per_db_low: Real
    per_db_high: Real
    recovered: Real
    recovered_low: Real
    recovered_high: Real
    p_holm: Real
    words: str


class RegionPairRow(ResultBlock, frozen=True, kw_only=True):
    """What two regions do together beyond the sum of both.

    Attributes
    ----------
    regions : (str, str)
    estimate, se, low, high, p_value, p_holm : float or None
    """

    regions: Pair
    estimate: Real
    se: Real
    low: Real
    high: Real
    p_value: Real
    p_holm: Real


class RegionsResult(ResultBlock, frozen=True, kw_only=True):
    """Which region makes the difference.

    Attributes
    ----------
    method : str
    n_stages, n_trials, n_listeners : int
    regions : tuple of RegionRow
    whole : WholeChange or None
    interactions : tuple of RegionPairRow
    clear_of_interactions : bool or None
    notes : tuple of str
    """

    method: str
    n_stages: int
    n_trials: int
    n_listeners: int
    regions: tuple[RegionRow, ...]
    whole: WholeChange | None
    interactions: tuple[RegionPairRow, ...]
    clear_of_interactions: bool | None
    notes: tuple[str, ...]


class DoseRow(ResultBlock, frozen=True, kw_only=True):
    """One part of a step.

    Attributes
    ----------
    stage : str
    dose : float or None
        Per cent of the step.
    proportion, ci_low, ci_high, p_value, share : float or None
        Right answers against none of the step.
    n_trials, n_listeners : int or None
    test_method : str or None
    gain, gain_low, gain_high : float or None
        Logits.
    """

    stage: str
    dose: Real
    proportion: Real
    ci_low: Real
    ci_high: Real
    p_value: Real
    share: Real
    n_trials: int | None
    n_listeners: int | None
    test_method: str | None
    gain: Real
    gain_low: Real
    gain_high: Real


class DoseThreshold(ResultBlock, frozen=True, kw_only=True):
    """The part at which half of the trials carry a heard difference.

    Attributes
    ----------
    dose, low, high : float or None
    n_listeners : int
    """

    dose: Real
    low: Real
    high: Real
    n_listeners: int


class DoseResult(ResultBlock, frozen=True, kw_only=True):
    """From which part on a step is noticed.

    Attributes
    ----------
    method, zero : str
        How, and the stage at 0.
    steps : tuple of DoseRow
    smallest_noticed : float or None
    half_noticed : DoseThreshold or None
    words : str
    """

    method: str
    zero: str
    steps: tuple[DoseRow, ...]
    smallest_noticed: Real
    half_noticed: DoseThreshold | None
    words: str
