"""Filters that make sound heard here sound like a measured stage.

The filter is minimum phase unless chosen otherwise. Its magnitude is built from the stage's
1/3-octave levels so that pink noise through the *finished* filter has the stage's band levels:
the curve between band centres is our choice, the band levels are not.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import scipy.fft as fft
from numpy.typing import ArrayLike, NDArray

from stimuli.files.errors import InputError
from stimuli.filters.band_fit import FLOOR_DB, fit_bands
from stimuli.filters.fir import linear_phase_fir, minimum_phase_fir, taps_for_lowest_band
from stimuli.response.bands import Bands, pink_band_level_db, third_octave_bands
from stimuli.response.measured import StageResponse

__all__ = [
    "FilterChoices",
    "StageFilter",
    "design_pair",
    "design_stage_filter",
    "impulse_filter",
    "linear_phase_fir",
    "minimum_phase_fir",
    "taps_for_lowest_band",
]

Floats = NDArray[np.float64]

ALIGN_HZ = (200.0, 5000.0)
"""Band whose mean level is the filter's 0 dB."""


@dataclass(frozen=True, slots=True)
class FilterChoices:
    """How filters are made.

    Attributes
    ----------
    phase : {"minimum", "linear"}
        Minimum phase is what loudspeakers and small spaces mostly have and rings after the sound;
        linear phase keeps the waveform's timing but rings before it as well.
    smoothing : {"bands", "sixth", "twelfth", "none"}
        Detail kept of a finely measured curve: none beyond the 1/3-octave levels, or the curve
        smoothed over 1/6 or 1/12 octave, or as measured. Band data have no detail to keep.
    fill_dips : bool
        Keep narrow peaks but fill narrow dips up to the 1/3-octave level: dips are heard much
        less than equal peaks (Buecklein, J. Audio Eng. Soc. 29(3), 126-131, 1981) and move
        with the head. Level-dependent smoothing, in other words.
    boost_cap_db : float
        Most gain above the mean of 200 Hz to 5 kHz that a band may get.
    playback_floor_db : float
        Dips of the playback response are undone in full down to about 10 dB above this floor
        and less and less below it (Tikhonov regularisation of the division).
    n_taps : int or None
        Filter length; from :func:`taps_for_lowest_band` if None.
    """

    phase: Literal["minimum", "linear"] = "minimum"
    smoothing: Literal["bands", "sixth", "twelfth", "none"] = "none"
    fill_dips: bool = False
    boost_cap_db: float = 12.0
    playback_floor_db: float = -25.0
    n_taps: int | None = None


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
        Bands where the boost cap, or the floor under the playback response, took effect: there
        the stage is not rendered in full.
    boost_cap_db : float
        The cap.
    phase : str
        ``"minimum"``, ``"linear"`` or ``"measured"``.
    delay_frames : int
        Frames by which the filter delays sound; taken out again in rendering.
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
    phase: str = "minimum"
    delay_frames: int = 0

    @property
    def worst_error_db(self) -> float:
        """Largest difference between achieved and wanted band level, in dB."""
        return float(np.abs(self.achieved_db - self.wanted_db).max())


def design_stage_filter(
    stage: StageResponse,
    *,
    rate: int,
    playback: StageResponse | None = None,
    boost_cap_db: float | None = None,
    choices: FilterChoices | None = None,
    reference_db: float | None = None,
) -> StageFilter:
    r"""Design the filter of a stage.

    Parameters
    ----------
    stage : StageResponse
        What should be heard.
    rate : int
        Sample rate in Hz.
    playback : StageResponse, optional
        What the headphones, or the vehicle the test is played in, already do; divided out. With
        the installed stage as playback, a stage is heard "over what is installed now".
    boost_cap_db : float, optional
        Overrides the cap of ``choices``.
    choices : FilterChoices, optional
        Phase, smoothing, length ...; defaults if None.
    reference_db : float, optional
        Level of the stage that becomes 0 dB; its mean of 200 Hz to 5 kHz if None.

    Returns
    -------
    StageFilter

    Raises
    ------
    InputError
        If the stage and the playback response share no usable band, the sample rate is too low
        for the stage, or its levels jump so much that no filter of the length follows them
        within 0.2 dB.

    Examples
    --------
    >>> import tempfile
    >>> from pathlib import Path
    >>> from stimuli import design_stage_filter, read_stage
    >>> table = Path(tempfile.mkdtemp(), "damped.csv")
    >>> rows = [f"{1000 * 2 ** (k / 3):.5g}, {-k / 5}" for k in range(-12, 12)]
    >>> _ = table.write_text("\n".join(rows))
    >>> made = design_stage_filter(read_stage(table), rate=48000)
    >>> made.phase, bool(abs(made.achieved_db - made.wanted_db).max() < 0.2)
    ('minimum', True)
    """
    choices = choices or FilterChoices()
    cap = choices.boost_cap_db if boost_cap_db is None else boost_cap_db
    bands = _shared_bands(stage, playback, rate)
    level = stage.band_level_db(bands)
    offset = _mean_level(level, bands) if reference_db is None else reference_db
    measured, reachable = _over_playback(level - offset, playback, bands, choices)
    wanted = np.clip(reachable, FLOOR_DB, cap)
    capped = np.abs(wanted - measured) > 0.1
    low, high = float(bands.low_hz[0]), float(bands.high_hz[-1])
    n_taps = choices.n_taps or taps_for_lowest_band(low, rate)
    fine = _fine_shape(stage, playback, bands, choices)
    h, achieved = fit_bands(wanted, bands, rate, n_taps, fine, linear=choices.phase == "linear")
    _check_fit(wanted, achieved, bands, stage)
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
        capped_hz=tuple(float(f) for f in bands.nominal_hz[capped]),
        boost_cap_db=cap,
        phase=choices.phase,
        delay_frames=len(h) // 2 if choices.phase == "linear" else 0,
    )


_WORST_FIT_DB = 0.2


def _check_fit(wanted: Floats, achieved: Floats, bands: Bands, stage: StageResponse) -> None:
    """Refuse levels that no filter of this length follows, rather than render something else."""
    error = np.abs(achieved - wanted)
    if error.max() <= _WORST_FIT_DB:
        return
    steps = np.abs(np.diff(wanted))
    jump = int(steps.argmax())
    raise InputError(
        source=", ".join(stage.sources) or None,
        where=f"{bands.nominal_hz[jump]:g} to {bands.nominal_hz[jump + 1]:g} Hz",
        problem=f"levels jump by {steps[jump]:.0f} dB from one band to the next; the best filter "
        f"is {error.max():.1f} dB off",
        remedy="Check the table for slips, or allow a longer filter",
    )


def design_pair(
    left: StageResponse,
    right: StageResponse,
    *,
    rate: int,
    playback: StageResponse | None = None,
    choices: FilterChoices | None = None,
) -> tuple[StageFilter, StageFilter]:
    """Design filters for left and right that keep the level difference between them.

    Parameters
    ----------
    left, right : StageResponse
        The stage as measured with one side playing, in the same reference.
    rate, playback, choices
        As for :func:`design_stage_filter`.

    Returns
    -------
    tuple of StageFilter
        Of the same length.
    """
    low = max(left.valid_low_hz, right.valid_low_hz)
    high = min(left.valid_high_hz, right.valid_high_hz)
    left, right = (replace(s, valid_low_hz=low, valid_high_hz=high) for s in (left, right))
    levels = []
    for side in (left, right):
        bands = _shared_bands(side, playback, rate)
        levels.append(_mean_level(side.band_level_db(bands), bands))
    reference = float(10 * np.log10(np.mean(10 ** (np.array(levels) / 10))))
    made: Sequence[StageFilter] = [
        design_stage_filter(
            side, rate=rate, playback=playback, choices=choices, reference_db=reference
        )
        for side in (left, right)
    ]
    return made[0], made[1]


def impulse_filter(impulse: ArrayLike, rate: int, *, before_s: float = 0.005) -> StageFilter:
    """Use a measured impulse response, with its phase and its room, as the filter.

    Parameters
    ----------
    impulse : array_like, shape (frames,)
        Windowed impulse response at ``rate``, from :mod:`stimuli.measuring.sweep`.
    rate : int
        Sample rate in Hz.
    before_s : float
        Time kept before the largest sample; the rest of the start is cut off.

    Returns
    -------
    StageFilter
        Normalised to a mean of 0 dB from 200 Hz to 5 kHz. ``measured_db`` are the impulse's own
        band levels over the bands its length resolves.

    Raises
    ------
    InputError
        If the impulse is silent or too short for music (under 20 ms).
    """
    x = np.asarray(impulse, dtype=float)
    if x.ndim != 1 or len(x) < 0.02 * rate or not np.any(x):
        raise InputError(
            where="impulse response",
            problem=f"{x.shape} samples at {rate} Hz are silent or shorter than 20 ms",
            remedy="Measure it with a sweep and keep a window of 0.2 to 0.5 s",
        )
    start = max(0, int(np.abs(x).argmax()) - round(before_s * rate))
    h = x[start:]
    bands = third_octave_bands(20.0, 20000.0)
    resolved = bands.high_hz - bands.low_hz >= rate / len(h)
    bands = bands.select(resolved & (bands.high_hz <= 0.48 * rate))
    n_fft = fft.next_fast_len(8 * max(len(h), 32768), real=True)
    power = np.abs(fft.rfft(h, n_fft)) ** 2
    level = pink_band_level_db(fft.rfftfreq(n_fft, 1 / rate), power, bands)
    offset = _mean_level(level, bands)
    return StageFilter(
        taps=h * 10 ** (-offset / 20),
        rate=rate,
        bands=bands,
        measured_db=level - offset,
        wanted_db=level - offset,
        achieved_db=level - offset,
        valid_low_hz=float(bands.low_hz[0]),
        valid_high_hz=float(bands.high_hz[-1]),
        offset_db=offset,
        capped_hz=(),
        boost_cap_db=float("inf"),
        phase="measured",
        delay_frames=int(np.abs(h).argmax()),
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


def _over_playback(
    level: Floats, playback: StageResponse | None, bands: Bands, choices: FilterChoices
) -> tuple[Floats, Floats]:
    """Stage over playback: in full, and as far as the regularised division goes."""
    if playback is None:
        return level, level
    heard = playback.band_level_db(bands)
    heard = heard - _mean_level(heard, bands)
    # 1 / P regularised: P / (P^2 + beta), in decibels, with beta at the floor.
    held_back = 10 * np.log10(1 + 10 ** ((choices.playback_floor_db - heard) / 5))
    return level - heard, level - heard - held_back


def _mean_level(level_db: Floats, bands: Bands) -> float:
    inside = (bands.mid_hz > ALIGN_HZ[0] * 0.98) & (bands.mid_hz < ALIGN_HZ[1] * 1.02)
    return float(level_db[inside].mean() if inside.any() else level_db.mean())


def _fine_shape(
    stage: StageResponse, playback: StageResponse | None, bands: Bands, choices: FilterChoices
) -> tuple[Floats, Floats] | None:
    """Detail of a fine curve that the band levels do not carry, over log frequency."""
    if stage.is_band_data or choices.smoothing == "bands":
        return None
    per_band = 48
    grid = np.geomspace(bands.low_hz[0], bands.high_hz[-1], per_band * len(bands) + 1)
    level = stage.level_at(grid)
    if playback is not None:
        level = level - playback.level_at(grid)
    widths = {"sixth": per_band // 2, "twelfth": per_band // 4, "none": 0}
    width = widths[choices.smoothing]
    if width:
        level = _running_power_mean(level, width)
    if choices.fill_dips:
        level = np.maximum(level, _running_power_mean(level, per_band))
    coarse = np.interp(np.log(grid), np.log(bands.mid_hz), _interp(bands.mid_hz, grid, level))
    return np.log(grid), level - coarse


def _running_power_mean(level_db: Floats, width: int) -> Floats:
    padded = np.pad(10 ** (level_db / 10), width // 2, mode="edge")
    mean = np.convolve(padded, np.full(width + 1, 1 / (width + 1)), mode="valid")
    return np.asarray(10 * np.log10(mean))


def _interp(x: Floats, grid: Floats, values: Floats) -> Floats:
    return np.asarray(np.interp(np.log(x), np.log(grid), values))
