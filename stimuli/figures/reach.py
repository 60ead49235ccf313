"""How far down and up a response reaches."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stimuli.response.bands import Bands
from stimuli.response.measured import StageResponse

__all__ = ["Bandwidth", "bandwidth"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Bandwidth:
    """Where a stage's response has fallen by a given amount.

    Attributes
    ----------
    drop_db : float
        The fall, below the mean level of 200 Hz to 5 kHz.
    low_hz, high_hz : float or None
        Frequencies where the response crosses that level, interpolated over log frequency;
        None where it does not within the valid band.
    """

    drop_db: float
    low_hz: float | None
    high_hz: float | None


def bandwidth(stage: StageResponse, *, drop_db: float = 6.0) -> Bandwidth:
    """Find where the response has fallen by ``drop_db``, seen from the middle outwards.

    Parameters
    ----------
    stage : StageResponse
        The stage.
    drop_db : float
        6 and 10 are usual.

    Returns
    -------
    Bandwidth
        The outermost crossings: a dip on the way that comes back does not end the band.
    """
    bands = stage.bands()
    level = stage.band_level_db(bands)
    middle = (bands.mid_hz > 196) & (bands.mid_hz < 5100)
    relative = level - level[middle].mean() + drop_db
    above = np.flatnonzero(relative >= 0)
    first, last = int(above[0]), int(above[-1])
    low = _crossing(bands, relative, first - 1, first) if first > 0 else None
    high = _crossing(bands, relative, last, last + 1) if last < len(level) - 1 else None
    return Bandwidth(drop_db, low, high)


def _crossing(bands: Bands, relative: Floats, left: int, right: int) -> float:
    x = np.log(bands.mid_hz[[left, right]])
    share = relative[left] / (relative[left] - relative[right])
    return float(np.exp(x[0] + share * (x[1] - x[0])))
