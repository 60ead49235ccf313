"""Renderings between two measured stages: some regions swapped, or part of the step taken.

They answer what no pair of measured stages can: which region carries a difference, and how much of
a step is needed before listeners notice. Both are linear filters made from two measurements;
nothing is claimed about parts that would sound like that.
"""

from __future__ import annotations

from collections.abc import Collection

import numpy as np
from numpy.typing import NDArray

from stimuli.deviation import REGIONS
from stimuli.errors import InputError
from stimuli.response import Response, StageResponse

__all__ = ["partial_step", "region_share", "region_swap"]

Floats = NDArray[np.float64]

_CROSSING_OCTAVES = 1 / 3
_PER_OCTAVE = 24


def region_share(f_hz: Floats, region: str) -> Floats:
    """How much of a region's change applies at given frequencies, 0 to 1.

    Neighbouring regions cross over within a third of an octave (raised cosine over log
    frequency), so that the shares of all regions add up to 1 at every frequency.

    Parameters
    ----------
    f_hz : ndarray
        Frequencies in Hz.
    region : str
        A name of :data:`stimuli.deviation.REGIONS`; the outermost reach on without end.

    Raises
    ------
    InputError
        No such region.
    """
    if region not in REGIONS:
        raise InputError(
            where="region",
            problem=f"there is no region {region!r}",
            remedy=f"Use: {', '.join(REGIONS)}",
        )
    names = list(REGIONS)
    low, high = REGIONS[region]
    share = np.ones_like(np.asarray(f_hz, dtype=float))
    if region != names[0]:
        share = share * _rise(f_hz, low)
    if region != names[-1]:
        share = share * (1 - _rise(f_hz, high))
    return np.asarray(share)


def _rise(f_hz: Floats, edge_hz: float) -> Floats:
    x = np.clip(np.log2(np.asarray(f_hz) / edge_hz) / _CROSSING_OCTAVES + 0.5, 0, 1)
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * x))


def region_swap(old: StageResponse, new: StageResponse, swapped: Collection[str]) -> Response:
    """Make a response that follows one stage in some regions and another in the rest.

    Parameters
    ----------
    old, new : StageResponse
        The stages, aligned in level by their means over 200 Hz to 5 kHz.
    swapped : collection of str
        Regions in which the new stage is followed.

    Returns
    -------
    Response
        On 24 points an octave over the band in which both stages are known.

    Raises
    ------
    InputError
        An unknown region, or stages without a common band.
    """
    for region in swapped:
        region_share(np.array([1000.0]), region)
    f, start, change = _pair(old, new)
    shares = [region_share(f, region) for region in sorted(set(swapped))]
    weight = np.sum(shares, axis=0) if shares else np.zeros_like(f)
    words = ", ".join(sorted(swapped)) or "nothing"
    return Response(f, start + weight * change, source=f"swapped: {words}")


def partial_step(old: StageResponse, new: StageResponse, share: float) -> Response:
    """Make a response part of the way from one stage to another, in dB at every frequency.

    Parameters
    ----------
    old, new : StageResponse
        The stages, aligned in level by their means over 200 Hz to 5 kHz.
    share : float
        0 for the old stage, 1 for the new one.

    Raises
    ------
    InputError
        A share outside 0 to 1, or stages without a common band.
    """
    if not 0 <= share <= 1:
        raise InputError(
            where="share",
            problem=f"{share:g} is not from 0 to 1",
            remedy="Write 0.25 for a quarter",
        )
    f, start, change = _pair(old, new)
    return Response(f, start + share * change, source=f"{100 * share:.0f} % of the step")


def _pair(old: StageResponse, new: StageResponse) -> tuple[Floats, Floats, Floats]:
    low = max(old.valid_low_hz, new.valid_low_hz)
    high = min(old.valid_high_hz, new.valid_high_hz)
    if not high > 2 * low:
        raise InputError(
            source=", ".join((*old.sources, *new.sources)) or None,
            problem=f"the two stages are not known over a common band ({low:g} to {high:g} Hz)",
            remedy="Measure both over the same range",
        )
    f = low * 2 ** (np.arange(int(np.log2(high / low) * _PER_OCTAVE) + 1) / _PER_OCTAVE)
    start, end = old.level_at(f), new.level_at(f)
    middle = (f >= 200) & (f <= 5000)
    if middle.any():
        end = end - (end[middle].mean() - start[middle].mean())
    return f, start, end - start
