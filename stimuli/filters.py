"""Filters that make sound heard here sound like a measured stage.

The filter is minimum phase. Its magnitude is built from the stage's 1/3-octave levels so that
pink noise through the *finished* filter has the stage's band levels: the curve between band
centres is our choice, the band levels are not.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.fft as fft
from numpy.typing import ArrayLike, NDArray
from scipy.interpolate import PchipInterpolator

from stimuli.bands import OCTAVE_RATIO, Bands, pink_band_level_db
from stimuli.errors import InputError
from stimuli.response import StageResponse

__all__ = [
    "StageFilter",
    "design_stage_filter",
    "minimum_phase_fir",
    "taps_for_lowest_band",
]

Floats = NDArray[np.float64]

FLOOR_DB = -80.0
"""Lowest magnitude the design uses; deeper dips have no audible meaning in a 1/3-octave level."""

ALIGN_HZ = (200.0, 5000.0)
"""Band whose mean level is the filter's 0 dB."""


@dataclass(frozen=True, slots=True, eq=False)
class StageFilter:
    """A finished filter and how well it keeps to the stage.

    Attributes
    ----------
    taps : ndarray, shape (n_taps,)
        FIR coefficients.
    rate : int
        Sample rate in Hz.
    bands : Bands
        1/3-octave bands inside the valid band.
    measured_db, wanted_db, achieved_db : ndarray, shape (n_bands,)
        Band levels for pink noise as measured (stage over playback, mean of 200 Hz to 5 kHz at
        0 dB), as asked for after the boost cap, and as the taps give them.
    valid_low_hz, valid_high_hz : float
        Band outside which the response is held flat.
    offset_db : float
        Stage level that became 0 dB.
    capped_hz : tuple of float
        Mid-bands where the boost cap took effect (there the stage is not rendered in full).
    boost_cap_db : float
        The cap.
    """

    taps: Floats
    rate: int
    bands: Bands
    measured_db: Floats
    wanted_db: Floats
    achieved_db: Floats
    valid_low_hz: float
    valid_high_hz: float
    offset_db: float
    capped_hz: tuple[float, ...]
    boost_cap_db: float

    @property
    def worst_error_db(self) -> float:
        """Largest difference between achieved and wanted band level, in dB."""
        return float(np.abs(self.achieved_db - self.wanted_db).max())


def minimum_phase_fir(magnitude: ArrayLike, *, n_taps: int | None = None) -> Floats:
    """Minimum-phase FIR of a given magnitude, by the real cepstrum.

    Parameters
    ----------
    magnitude : array_like, shape (n_fft // 2 + 1,)
        ``|H|`` at the ``rfft`` frequencies of an even ``n_fft``, all positive. Aliasing of the
        cepstrum falls with ``n_fft``; use at least 4 times the length at which the impulse
        response has died away.
    n_taps : int, optional
        Length to keep; the last eighth is faded out. All ``n_fft`` samples if None.

    Returns
    -------
    ndarray, shape (n_taps,)
        Impulse response.

    Raises
    ------
    ValueError
        If a magnitude is not positive or ``n_taps`` exceeds ``n_fft``.

    References
    ----------
    .. [1] Oppenheim and Schafer, Discrete-Time Signal Processing, chapter on the cepstrum
       (homomorphic filtering; from memory).
    """
    m = np.asarray(magnitude, dtype=float)
    if not np.all(m > 0):
        raise ValueError("magnitude must be positive at every frequency")
    n_fft = 2 * (len(m) - 1)
    if n_taps is not None and not 1 <= n_taps <= n_fft:
        raise ValueError(f"n_taps is {n_taps} but must be between 1 and {n_fft}")
    cepstrum = fft.irfft(np.log(m), n_fft)
    # Folding the anticausal half onto the causal one leaves log|H| and makes it causal.
    cepstrum[1 : n_fft // 2] *= 2
    cepstrum[n_fft // 2 + 1 :] = 0
    h = fft.irfft(np.exp(fft.rfft(cepstrum)), n_fft)
    return h if n_taps is None else _fade_tail(h[:n_taps].copy())


def _fade_tail(h: Floats) -> Floats:
    n = len(h) // 8
    if n:
        h[-n:] *= 0.5 + 0.5 * np.cos(np.pi * (np.arange(n) + 0.5) / n)
    return h


def taps_for_lowest_band(low_hz: float, rate: int) -> int:
    """Filter length that resolves the lowest valid 1/3-octave band.

    Twice the reciprocal bandwidth of the lowest band, rounded up to a power of two:
    32768 taps from 17.8 Hz, 16384 from 35.5 Hz at 48 kHz.
    """
    width = low_hz * (OCTAVE_RATIO ** (1 / 3) - 1)
    return int(2 ** np.ceil(np.log2(max(2 * rate / width, 1024))))


def design_stage_filter(
    stage: StageResponse,
    *,
    rate: int,
    playback: StageResponse | None = None,
    boost_cap_db: float = 12.0,
    n_taps: int | None = None,
) -> StageFilter:
    """Design the minimum-phase filter of a stage.

    Parameters
    ----------
    stage : StageResponse
        What should be heard.
    rate : int
        Sample rate in Hz.
    playback : StageResponse, optional
        What the headphones, or the vehicle the test is played in, already do; divided out.
    boost_cap_db : float
        Most gain above the mean of 200 Hz to 5 kHz that a band may get.
    n_taps : int, optional
        Filter length; from :func:`taps_for_lowest_band` if None.

    Returns
    -------
    StageFilter

    Raises
    ------
    InputError
        If the stage and the playback response share no usable band, or the sample rate is
        too low for the stage.
    """
    bands = _shared_bands(stage, playback, rate)
    measured, offset = _measured_levels(stage, playback, bands)
    capped = tuple(float(f) for f in bands.nominal_hz[measured > boost_cap_db])
    wanted = np.clip(measured, FLOOR_DB, boost_cap_db)
    low, high = float(bands.low_hz[0]), float(bands.high_hz[-1])
    taps = n_taps or taps_for_lowest_band(low, rate)
    fine = None if stage.is_band_data else _fine_shape(stage, playback, bands)
    h, achieved = _fit_bands(wanted, bands, rate, taps, fine)
    return StageFilter(
        taps=h,
        rate=rate,
        bands=bands,
        measured_db=measured,
        wanted_db=wanted,
        achieved_db=achieved,
        valid_low_hz=low,
        valid_high_hz=high,
        offset_db=offset,
        capped_hz=capped,
        boost_cap_db=boost_cap_db,
    )


def _shared_bands(stage: StageResponse, playback: StageResponse | None, rate: int) -> Bands:
    bands = stage.bands()
    if playback is not None:
        bands = bands.select(bands.inside(playback.valid_low_hz, playback.valid_high_hz))
    bands = bands.select(bands.high_hz <= 0.48 * rate)
    if len(bands) < 8:
        raise InputError(
            source=", ".join(stage.sources) or None,
            problem=f"only {len(bands)} 1/3-octave bands are known for stage, playback and "
            f"sample rate ({rate} Hz) together",
            remedy="Measure stage and playback over the same range, and render at 44.1 kHz or more",
        )
    return bands


def _measured_levels(
    stage: StageResponse, playback: StageResponse | None, bands: Bands
) -> tuple[Floats, float]:
    level = stage.band_level_db(bands)
    offset = _mean_level(level, bands)
    level = level - offset
    if playback is not None:
        heard = playback.band_level_db(bands)
        level = level - (heard - _mean_level(heard, bands))
    return level, offset


def _mean_level(level_db: Floats, bands: Bands) -> float:
    inside = (bands.mid_hz > ALIGN_HZ[0] * 0.98) & (bands.mid_hz < ALIGN_HZ[1] * 1.02)
    return float(level_db[inside].mean() if inside.any() else level_db.mean())


def _fine_shape(
    stage: StageResponse, playback: StageResponse | None, bands: Bands
) -> tuple[Floats, Floats]:
    """Detail of a fine curve: its level minus its own band levels, over log frequency."""
    grid = np.geomspace(bands.low_hz[0], bands.high_hz[-1], 48 * len(bands) + 1)
    level = stage.level_at(grid)
    if playback is not None:
        level = level - playback.level_at(grid)
    coarse = np.interp(np.log(grid), np.log(bands.mid_hz), _interp(bands.mid_hz, grid, level))
    return np.log(grid), level - coarse


def _interp(x: Floats, grid: Floats, values: Floats) -> Floats:
    return np.asarray(np.interp(np.log(x), np.log(grid), values))


def _fit_bands(
    wanted: Floats,
    bands: Bands,
    rate: int,
    n_taps: int,
    fine: tuple[Floats, Floats] | None,
    *,
    tolerance_db: float = 0.02,
    rounds: int = 40,
) -> tuple[Floats, Floats]:
    """Move node levels until the finished filter's pink-noise band levels are the wanted ones.

    A smooth curve through band centres serves measured systems. Where neighbouring bands
    differ so much that a smooth curve cannot hold both, the curve gets a plateau in each band
    and a steeper step between bands.
    """
    best: tuple[float, Floats, Floats] | None = None
    for plateau in (0.0, 0.5, 0.8):
        curve = _NodeCurve(bands, rate, n_taps, plateau, fine)
        nodes = wanted.copy()
        for _ in range(rounds):
            h = curve.filter(nodes)
            achieved = curve.band_levels(h)
            error = wanted - achieved
            worst = float(np.abs(error).max())
            if best is None or worst < best[0]:
                best = (worst, h, achieved)
            if worst < tolerance_db:
                return h, achieved
            nodes = np.clip(nodes + np.clip(error, -6, 6), FLOOR_DB - 20, wanted.max() + 30)
        if best is not None and best[0] < 0.1:
            break
    if best is None:  # pragma: no cover - rounds is at least 1
        raise AssertionError("no filter was tried")
    return best[1], best[2]


class _NodeCurve:
    """Magnitude from node levels at band centres, flat outside, and what its filter achieves."""

    def __init__(
        self,
        bands: Bands,
        rate: int,
        n_taps: int,
        plateau: float,
        fine: tuple[Floats, Floats] | None,
    ) -> None:
        self._bands = bands
        self._n_taps = n_taps
        self._n_fft = 4 * n_taps
        self._f = fft.rfftfreq(self._n_fft, 1 / rate)
        # Steps within the lowest bands need a finer look than the design grid gives.
        self._fine_f = fft.rfftfreq(2 * self._n_fft, 1 / rate)
        self._x = np.log(np.maximum(self._f, self._f[1]))
        half = plateau * 0.5 * np.log(OCTAVE_RATIO) / 3
        mid = np.log(bands.mid_hz)
        self._knots = mid if plateau == 0 else np.sort(np.concatenate([mid - half, mid + half]))
        self._repeat = 1 if plateau == 0 else 2
        self._fine_db = 0.0 if fine is None else np.interp(self._x, fine[0], fine[1])

    def filter(self, nodes_db: Floats) -> Floats:
        levels = np.repeat(nodes_db, self._repeat)
        x = np.clip(self._x, self._knots[0], self._knots[-1])
        db = PchipInterpolator(self._knots, levels)(x) + self._fine_db
        return minimum_phase_fir(10 ** (db / 20), n_taps=self._n_taps)

    def band_levels(self, h: Floats) -> Floats:
        power = np.abs(fft.rfft(h, 2 * self._n_fft)) ** 2
        return pink_band_level_db(self._fine_f, power, self._bands)
