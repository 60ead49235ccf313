"""How far a stage lies from the target: per band, per region, and in single figures."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from stimuli.files.errors import InputError
from stimuli.response.bands import Bands
from stimuli.response.measured import StageResponse
from stimuli.response.target import Target

__all__ = ["REGIONS", "Deviation", "compare_with_target"]

Floats = NDArray[np.float64]

REGIONS: dict[str, tuple[float, float]] = {
    "deep bass": (17.8, 56.2),
    "bass": (56.2, 141.3),
    "low mid": (141.3, 562.3),
    "mid": (562.3, 2239.0),
    "presence": (2239.0, 5623.0),
    "treble": (5623.0, 22390.0),
}
"""Regions by their edges in Hz, on 1/3-octave band edges. The names are the trade's, the edges
vary from author to author; these are ours: 20-50, 63-125, 160-500, 630-2000, 2500-5000,
6300-20000 Hz by band names."""


@dataclass(frozen=True, slots=True, eq=False)
class Deviation:
    """Deviation of a stage from a target.

    Attributes
    ----------
    f_hz, deviation_db : ndarray, shape (n_bands,)
        Exact mid-bands and level minus target in dB, after alignment.
    offset_db : float
        Level subtracted to align: mean of level minus target over the alignment band.
    sd_db : float
        Standard deviation (n - 1) of the deviation over bands.
    mean_abs_db : float
        Mean magnitude of the deviation.
    tilt_db_per_octave : float
        Slope of the least-squares line of the deviation over log2 frequency.
    regions : dict of str to float or None
        Mean deviation of each region of :data:`REGIONS`; None where no band is valid.
    valid_low_hz, valid_high_hz : float
        Band edges between which bands were used.
    align_low_hz, align_high_hz : float
        Alignment band, copied from the call.
    target, target_sha256, grid : str
        What was compared with, and on which bands.
    """

    f_hz: Floats
    deviation_db: Floats
    offset_db: float
    sd_db: float
    mean_abs_db: float
    tilt_db_per_octave: float
    regions: dict[str, float | None]
    valid_low_hz: float
    valid_high_hz: float
    align_low_hz: float
    align_high_hz: float
    target: str
    target_sha256: str
    grid: str = field(default="1/3 octave, IEC 61260-1 base ten")


def compare_with_target(
    stage: StageResponse,
    target: Target,
    *,
    align_low_hz: float = 200.0,
    align_high_hz: float = 5000.0,
) -> Deviation:
    r"""Compare a stage with a target in the 1/3-octave bands where it is known.

    Parameters
    ----------
    stage : StageResponse
        The measured stage.
    target : Target
        The curve to compare with.
    align_low_hz, align_high_hz : float
        Band over which the mean of level minus target is made zero (mid-bands inside it).

    Returns
    -------
    Deviation
        Unrounded figures with the grid and hashes they rest on.

    Raises
    ------
    InputError
        If the stage is not known anywhere in the alignment band.

    Examples
    --------
    >>> import tempfile
    >>> from pathlib import Path
    >>> from stimuli import built_in_target, compare_with_target, read_stage
    >>> table = Path(tempfile.mkdtemp(), "as_built.csv")
    >>> rows = [f"{1000 * 10 ** (k / 10)}, {70 + 4 * (k < -8)}" for k in range(-16, 13)]
    >>> _ = table.write_text("\n".join(rows))
    >>> deviation = compare_with_target(read_stage(table), built_in_target("flat"))
    >>> round(deviation.regions["mid"], 1), round(deviation.regions["bass"], 1)
    (0.0, 4.0)
    """
    bands = stage.bands()
    raw = stage.band_level_db(bands) - target.level_at(bands.mid_hz)
    reach = 10**0.025  # half of half a band, so that nominal names select their bands
    aligned = (bands.mid_hz >= align_low_hz / reach) & (bands.mid_hz <= align_high_hz * reach)
    if not aligned.any():
        raise InputError(
            source=", ".join(stage.sources) or None,
            problem=f"nothing is measured between {align_low_hz:g} and {align_high_hz:g} Hz, "
            "where levels are aligned",
            remedy="Measure that range or choose another alignment band",
        )
    offset = float(raw[aligned].mean())
    dev = raw - offset
    return Deviation(
        f_hz=bands.mid_hz,
        deviation_db=dev,
        offset_db=offset,
        sd_db=float(dev.std(ddof=1)),
        mean_abs_db=float(np.abs(dev).mean()),
        tilt_db_per_octave=float(np.polyfit(np.log2(bands.mid_hz), dev, 1)[0]),
        regions=_by_region(bands, dev),
        valid_low_hz=float(bands.low_hz[0]),
        valid_high_hz=float(bands.high_hz[-1]),
        align_low_hz=align_low_hz,
        align_high_hz=align_high_hz,
        target=target.name,
        target_sha256=target.sha256,
    )


def _by_region(bands: Bands, dev: Floats) -> dict[str, float | None]:
    means: dict[str, float | None] = {}
    for name, (low, high) in REGIONS.items():
        members = (bands.mid_hz > low) & (bands.mid_hz < high)
        means[name] = float(dev[members].mean()) if members.any() else None
    return means
