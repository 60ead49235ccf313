"""From a recording to a response: band levels, microphone correction, noise floor, valid band."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import scipy.fft as fft
from numpy.typing import ArrayLike, NDArray

from stimuli.files.errors import InputError
from stimuli.files.soundfiles import read_sound
from stimuli.measuring.sweep import deconvolve, frequency_response, window_impulse
from stimuli.response.bands import Bands, band_power, fractional_octave_bands, pink_band_level_db
from stimuli.response.measured import Response, read_response

__all__ = [
    "BandMeasurement",
    "measure_noise_file",
    "noise_band_levels",
    "read_correction",
    "response_from_noise",
    "response_from_sweep",
]

Floats = NDArray[np.float64]

SNR_NEEDED_DB = 10.0
"""A band counts as measured when it stands this far above the noise floor. At 10 dB the floor
adds 0.46 dB, which subtraction takes out again."""


@dataclass(frozen=True, slots=True, eq=False)
class BandMeasurement:
    """Band levels of a measurement and their noise.

    Attributes
    ----------
    bands : Bands
        The bands.
    level_db : ndarray, shape (n_bands,)
        Level with the noise floor subtracted, corrected for the microphone.
    noise_db : ndarray or None
        Noise floor on the same scale, None where it was not recorded.
    snr_db : ndarray or None
        Level of signal and noise together over the noise.
    valid_hz : tuple of float
        Band edges of the unbroken run of valid bands around 1 kHz.
    """

    bands: Bands
    level_db: Floats
    noise_db: Floats | None
    snr_db: Floats | None
    valid_hz: tuple[float, float]

    def noise_words(self) -> str:
        """Signal to noise of each band in words, empty where the noise was not recorded."""
        if self.snr_db is None:
            return ""
        names = self.response().f_hz
        return ", ".join(
            f"{f:.4g} Hz {snr:.0f} dB" for f, snr in zip(names, self.snr_db, strict=True)
        )

    def response(self, *, source: str = "measured", sha256: str = "") -> Response:
        """Return the measurement as a response on the bands' mid frequencies."""
        f_hz = self.bands.nominal_hz if self.bands.fraction in (1, 3) else self.bands.mid_hz
        return Response(f_hz, self.level_db, None, source, sha256, self.valid_hz)


def noise_band_levels(x: ArrayLike, rate: int, bands: Bands) -> Floats:
    """Mean-square level of a steady signal in each band, in dB re full scale.

    Parameters
    ----------
    x : array_like, shape (frames,)
        One channel.
    rate : int
        Sample rate in Hz.
    bands : Bands
        Bands below half the sample rate.
    """
    signal = np.asarray(x, dtype=float)
    n = len(signal)
    power = np.abs(fft.rfft(signal)) ** 2 * (2.0 / n**2)
    return np.asarray(10 * np.log10(band_power(fft.rfftfreq(n, 1 / rate), power, bands) + 1e-30))


def response_from_noise(
    recording: ArrayLike,
    rate: int,
    *,
    fraction: int = 3,
    played: ArrayLike | None = None,
    floor: ArrayLike | None = None,
    correction: Response | None = None,
) -> BandMeasurement:
    """Response from a recording of steady pink noise.

    Parameters
    ----------
    recording : array_like, shape (frames,)
        The noise as recorded, without its start and end.
    rate : int
        Sample rate in Hz.
    fraction : int
        3 for 1/3-octave bands, 12 for 1/12-octave bands.
    played : array_like, shape (frames,), optional
        The noise as played, over the same time; its band levels are taken off. Without it the
        noise is taken as exactly pink.
    floor : array_like, shape (frames,), optional
        Recording without the noise, at the same gain: subtracted in power and used for the
        valid band.
    correction : Response, optional
        Microphone correction, subtracted (a microphone that reads 2 dB high has +2 dB).

    Returns
    -------
    BandMeasurement

    Raises
    ------
    InputError
        If nothing stands above the noise floor around 1 kHz.
    """
    x = np.asarray(recording, dtype=float)
    bands = _bands_for(fraction, rate, len(x))
    level = noise_band_levels(x, rate, bands)
    noise = None if floor is None else noise_band_levels(np.asarray(floor), rate, bands)
    shift = np.zeros(len(bands))
    if played is not None:
        shift = noise_band_levels(np.asarray(played), rate, bands)
        shift = shift - shift.mean()
    return _measurement(bands, level, noise, shift, correction)


def _bands_for(fraction: int, rate: int, frames: int) -> Bands:
    bands = fractional_octave_bands(fraction, 16.0, 20000.0)
    # Ten lines to a band, so that a chance value of noise stays within reason.
    resolved = bands.high_hz - bands.low_hz >= 10 * rate / frames
    return bands.select(resolved & (bands.high_hz <= 0.48 * rate))


def _measurement(
    bands: Bands,
    level: Floats,
    noise: Floats | None,
    shift: Floats,
    correction: Response | None,
) -> BandMeasurement:
    snr, valid = None, np.ones(len(bands), dtype=bool)
    if noise is not None:
        snr = level - noise
        valid = snr >= SNR_NEEDED_DB
        clean = 10 ** (level / 10) - 10 ** (noise / 10)
        level = np.where(valid, 10 * np.log10(np.maximum(clean, 1e-30)), level)
    if correction is not None:
        shift = shift + _correction_at(bands, correction)
        valid &= (bands.mid_hz >= correction.f_hz[0] * 0.97) & (
            bands.mid_hz <= correction.f_hz[-1] * 1.03
        )
    edges = _run_around_1k(bands, valid)
    return BandMeasurement(
        bands, level - shift, None if noise is None else noise - shift, snr, edges
    )


def _correction_at(bands: Bands, correction: Response) -> Floats:
    return np.asarray(np.interp(np.log(bands.mid_hz), np.log(correction.f_hz), correction.level_db))


def _run_around_1k(bands: Bands, valid: NDArray[np.bool_]) -> tuple[float, float]:
    middle = int(np.abs(np.log(bands.mid_hz / 1000)).argmin())
    if not valid[middle]:
        raise InputError(
            problem="at 1 kHz the recording does not stand "
            f"{SNR_NEEDED_DB:g} dB above its noise floor",
            remedy="Raise the level a little, quieten the room, or check the microphone",
        )
    low = high = middle
    while low > 0 and valid[low - 1]:
        low -= 1
    while high < len(bands) - 1 and valid[high + 1]:
        high += 1
    return float(bands.low_hz[low]), float(bands.high_hz[high])


def response_from_sweep(
    recording: ArrayLike,
    sweep: Floats,
    rate: int,
    *,
    fraction: int = 3,
    floor: ArrayLike | None = None,
    correction: Response | None = None,
    length_s: float = 0.5,
    low_hz: float = 10.0,
    high_hz: float = 22000.0,
) -> tuple[BandMeasurement, Floats]:
    """Response from a recording of an exponential sweep.

    Parameters
    ----------
    recording : array_like, shape (frames,)
        The sweep as recorded, with the decay.
    sweep : array_like, shape (frames,)
        The sweep as played.
    rate : int
        Sample rate in Hz.
    fraction : int
        3 for 1/3-octave bands, 12 for 1/12-octave bands.
    floor : array_like, optional
        Recording without the sweep at the same gain, at least as long as the sweep; goes
        through the same deconvolution and window.
    correction : Response, optional
        Microphone correction.
    length_s : float
        Time window of the impulse response; bands whose width it cannot resolve are left out.
    low_hz, high_hz : float
        Range of the sweep.

    Returns
    -------
    measurement : BandMeasurement
        Level that the system would give pink noise.
    impulse : ndarray
        The windowed impulse response.
    """
    measured = deconvolve(recording, sweep, rate=rate, low_hz=low_hz, high_hz=high_hz)
    h = window_impulse(measured, length_s=length_s)
    bands = _bands_for(fraction, rate, 20 * len(h))  # half a line of the window to a band
    bands = bands.select((bands.low_hz >= low_hz * 1.7) & (bands.high_hz <= high_hz / 1.02))
    level = _impulse_band_levels(h, rate, bands)
    noise = None
    if floor is not None:
        heard = deconvolve(_at_least(floor, len(sweep)), sweep, rate=rate, low_hz=low_hz,
                           high_hz=high_hz)  # fmt: skip
        noise = _noise_in_window(heard.samples, h, rate, bands)
    return _measurement(bands, level, noise, np.zeros(len(bands)), correction), h


def _at_least(x: ArrayLike, frames: int) -> Floats:
    signal = np.asarray(x, dtype=float)
    return signal if len(signal) >= frames else np.resize(signal, frames)


def _impulse_band_levels(h: Floats, rate: int, bands: Bands) -> Floats:
    grid = np.geomspace(bands.low_hz[0], bands.high_hz[-1], 48 * len(bands) + 1)
    return pink_band_level_db(grid, np.abs(frequency_response(h, rate, grid)) ** 2, bands)


def _noise_in_window(noise: Floats, h: Floats, rate: int, bands: Bands) -> Floats:
    """Mean noise level over windows as long as the impulse's, at several places."""
    n = len(h)
    count = max(1, min(8, len(noise) // n))
    starts = np.linspace(0, len(noise) - n, count).astype(int)
    levels = [_impulse_band_levels(noise[s : s + n], rate, bands) for s in starts]
    return np.asarray(10 * np.log10(np.mean([10 ** (v / 10) for v in levels], axis=0)))


def read_correction(path: str | Path) -> Response:
    """Read a microphone correction table (response-table format, any range).

    Raises
    ------
    InputError
        See :func:`stimuli.response.measured.read_response`.
    """
    return read_response(path, whole_range=False)


def measure_noise_file(
    path: str | Path,
    *,
    channel: int = 1,
    fraction: int = 3,
    floor_path: str | Path | None = None,
    correction: Response | None = None,
) -> BandMeasurement:
    """Band levels from a recorded file of steady pink noise.

    Parameters
    ----------
    path : path
        WAV, FLAC ... with the noise from start to end.
    channel : int
        Channel of the microphone, from 1.
    fraction, correction
        As for :func:`response_from_noise`.
    floor_path : path, optional
        A recording of the noise floor with the same gain.

    Returns
    -------
    BandMeasurement
        Levels in dB re full scale.

    Raises
    ------
    InputError
        If a file is missing, unreadable, too short, silent or clipped.
    """
    path = Path(path)
    x, rate = _read_channel(path, channel)
    _check_recording(x, rate, path.name)
    floor = None
    if floor_path is not None:
        floor, floor_rate = _read_channel(Path(floor_path), channel)
        if floor_rate != rate:
            raise InputError(
                source=Path(floor_path).name,
                problem=f"the noise floor is sampled at {floor_rate} Hz, the noise at {rate} Hz",
                remedy="Record both with the same settings",
            )
    return response_from_noise(x, rate, fraction=fraction, floor=floor, correction=correction)


def _read_channel(path: Path, channel: int) -> tuple[Floats, int]:
    x, rate = read_sound(path, what="recording")
    if not 1 <= channel <= x.shape[1]:
        raise InputError(
            source=path.name,
            where=f"channel {channel}",
            problem=f"the recording has {x.shape[1]} channels",
            remedy="Choose the microphone's channel, counted from 1",
        )
    return x[:, channel - 1], rate


def _check_recording(x: Floats, rate: int, source: str) -> None:
    if len(x) < 5 * rate:
        raise InputError(
            source=source,
            problem=f"the recording is {len(x) / rate:.1f} s long",
            remedy="Record at least 5 s of noise; 20 s steadies the bass",
        )
    peak = float(np.abs(x).max())
    if peak < 1e-4:
        raise InputError(
            source=source,
            problem="the recording is silent (nothing above -80 dBFS)",
            remedy="Check microphone, cable and input gain",
        )
    clipped = count_clipped(x)
    if clipped:
        raise InputError(
            source=source,
            problem=f"the recording is clipped ({clipped} samples at full scale)",
            remedy="Lower the input gain and record again",
        )


def count_clipped(x: Sequence[float] | Floats) -> int:
    """Count samples at full scale (within 0.01 dB) in runs of two or more."""
    top = (np.abs(np.asarray(x, dtype=float)) >= 10 ** (-0.01 / 20)).astype(np.int8)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], top, [0]])))
    runs = edges[1::2] - edges[::2]
    return int(runs[runs >= 2].sum())
