"""Finished files measured back: levels, peaks and band powers, from the sound alone."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import scipy.fft as fft
import soundfile
from numpy.typing import NDArray

from stimuli.files.errors import InputError
from stimuli.files.soundfiles import explained
from stimuli.levels.loudness import LoudnessMeter
from stimuli.levels.true_peak import TruePeakMeter
from stimuli.programme.demo_music import pink_noise
from stimuli.render.filter_bank import LongTermSpectrum
from stimuli.render.manifest import PINK_NOISE, Manifest, StageRecord, StimulusRecord
from stimuli.render.matching import BS1770
from stimuli.render.pipeline import as_complex
from stimuli.response.bands import Bands, band_power, third_octave_bands

__all__ = [
    "MeasuredFile",
    "MeasuredFiles",
    "NoiseMeter",
    "excerpt_band_power",
    "judged_span",
    "measure_files",
    "stage_bands",
]

Floats = NDArray[np.float64]
Progress = Callable[[int, int, str], None]

_WINDOW_S = 60.0


def judged_span(frames: int, rate: int) -> tuple[int, int]:
    """Part of a file whose tone is judged: all of it, or the middle minute of a long one."""
    window = round(_WINDOW_S * rate)
    if frames <= 2 * window:
        return 0, frames
    start = (frames - window) // 2
    return start, start + window


class NoiseMeter:
    """The pink noise, made anew: its lines, and what a file makes of them."""

    def __init__(self, manifest: Manifest) -> None:
        record = next(p for p in manifest.programmes if p.id == PINK_NOISE)
        noise = pink_noise(seconds=record.length_s, rate=record.source_rate, seed=record.seed or 0)
        self.shape = noise.shape
        self._lines = fft.rfft(noise, axis=0)
        self._power = np.abs(self._lines) ** 2
        self._f_hz = np.arange(len(self._lines)) / record.length_s

    def band_power(self, bands: Bands) -> Floats:
        """Power of the noise itself, shape (n_bands, 2)."""
        return _band_powers(self._f_hz, self._power, bands)

    def measure(self, file: Floats, stage: StageRecord) -> tuple[Floats, Floats]:
        """Band power of a stage's noise file, and the impulse response of its filter and gain.

        The noise has a line at every multiple of 1/length and was filtered as a loop, so file
        over source is the response itself. Below the lowest line the response is held.
        """
        lines = fft.rfft(file, axis=0)
        both = self._power.sum(axis=1)
        heard = np.flatnonzero(both > both.max() * 1e-9)
        response = np.zeros(lines.shape, dtype=complex)
        response[heard] = lines[heard] / self._lines[heard]
        response[: heard[0]] = np.abs(response[heard[0]])
        response[heard[-1] + 1 :] = np.abs(response[heard[-1]])
        impulse = np.asarray(fft.irfft(response, self.shape[0], axis=0))
        # Linear phase rings before time zero, which in a loop is its end.
        early = stage.filter_taps if stage.phase != "minimum" else 0
        impulse = np.roll(impulse, early, axis=0)[: stage.filter_taps + early].copy()
        return _band_powers(self._f_hz, np.abs(lines) ** 2, stage_bands(stage)), impulse


@dataclass(frozen=True, slots=True, eq=False)
class MeasuredFile:
    """What was measured of one stimulus: loudness, true peak, length, power of the stage's bands.

    With its spectrum where the set is matched in a model that asks for it, and with the impulse
    response of the stage where the stimulus is pink noise.
    """

    loudness: float
    peak: float
    frames: int
    band_power: Floats
    spectrum: LongTermSpectrum | None
    impulse: Floats | None


MeasuredFiles = Mapping[tuple[str, str], MeasuredFile]


def measure_files(
    folder: Path,
    manifest: Manifest,
    noise: NoiseMeter,
    pool: ThreadPoolExecutor,
    progress: Progress | None,
) -> MeasuredFiles:
    """Measure every file, by stage and programme, on all cores."""
    stages = {stage.id: stage for stage in manifest.stages}
    spectra = manifest.matched_in != BS1770
    futures = [
        pool.submit(_measure_file, folder, record, stages[record.stage], noise, spectra)
        for record in manifest.stimuli
    ]
    measured = {}
    for i, (record, future) in enumerate(zip(manifest.stimuli, futures, strict=True), start=1):
        if progress is not None:
            progress(i, len(manifest.stimuli), f"measuring {record.file_name}")
        measured[record.stage, record.programme] = future.result()
    return measured


def _measure_file(
    folder: Path, record: StimulusRecord, stage: StageRecord, noise: NoiseMeter, with_spectrum: bool
) -> MeasuredFile:
    spectrum = LongTermSpectrum(record.sample_rate) if with_spectrum else None
    is_noise = record.programme == PINK_NOISE
    # Pink noise is one period of a loop: it is exact as a whole only.
    loudness, peak, frames, x = _meter_file(folder / record.file_name, spectrum, whole=is_noise)
    if is_noise:
        if x.shape != noise.shape:
            raise InputError(
                source=record.file_name,
                problem=f"{x.shape[0]} frames on {x.shape[1]} channels, but the pink noise of the "
                f"manifest has {noise.shape[0]} on {noise.shape[1]}",
                remedy="Render the set again",
            )
        power, impulse = noise.measure(x, stage)
    else:
        power, impulse = excerpt_band_power(x, record.sample_rate, stage), None
    return MeasuredFile(loudness, peak, frames, power, spectrum, impulse)


def excerpt_band_power(x: Floats, rate: int, stage: StageRecord) -> Floats:
    """Return the power of an excerpt, shape (frames, channels), in each band of a stage.

    Returns
    -------
    ndarray, shape (bands, channels)
        Power re full scale.
    """
    f_hz = fft.rfftfreq(len(x), 1 / rate)
    return _band_powers(f_hz, np.abs(fft.rfft(x, axis=0)) ** 2, stage_bands(stage))


def _band_powers(f_hz: Floats, power: Floats, bands: Bands) -> Floats:
    """Power of each band and channel, shape (n_bands, channels)."""
    return np.stack([band_power(f_hz, channel, bands) for channel in power.T], axis=1)


def _meter_file(
    path: Path, spectrum: LongTermSpectrum | None, *, whole: bool
) -> tuple[float, float, int, Floats]:
    """Integrated loudness, true peak, length and the judged span of a file, read once."""
    frames, kept = 0, []
    with (
        explained(path.name, "the stimulus cannot be read", "Render the set again"),
        soundfile.SoundFile(str(path)) as file,
    ):
        loud = LoudnessMeter(file.samplerate, file.channels)
        peak = TruePeakMeter(file.samplerate, file.channels)
        start, stop = (0, file.frames) if whole else judged_span(file.frames, file.samplerate)
        for block in file.blocks(1 << 17, dtype="float64", always_2d=True):
            kept.append(block[max(0, start - frames) : max(0, stop - frames)])
            frames += len(block)
            loud.push(block)
            peak.push(block)
            if spectrum is not None:
                spectrum.push(as_complex(block))
    return loud.integrated(), peak.dbtp(), frames, np.concatenate(kept)


def stage_bands(stage: StageRecord) -> Bands:
    """Return the third-octave bands that a stage's record lists, with their edges in Hz."""
    every = third_octave_bands(10.0, 20000.0)
    return every.select(np.isin(np.round(every.mid_hz, 6), np.round(stage.band_hz, 6)))
