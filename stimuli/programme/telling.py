"""Which moments of a track tell two stages apart."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import scipy.fft as fft
from numpy.typing import NDArray
from scipy.signal import sosfreqz

from stimuli.figures.excitation import COMPONENT_HZ, erb_n_hz, excitation_db
from stimuli.files.errors import InputError
from stimuli.filters.stages import StageSpec
from stimuli.levels.erb import ANSI
from stimuli.levels.loudness import k_weighting_sos
from stimuli.programme.reading import ProgrammeReader, ProgrammeSpec

__all__ = ["FLUX_S", "MOMENT_S", "TellingTrack", "telling_moments"]

Floats = NDArray[np.float64]
Progress = Callable[[float, float], None]

_CHANNELS_CAM = np.arange(1.5, 39.1, 1.0)
_FLOOR_DB = 32.0  # excitation below this counts as silence, as in Moore and Tan (2004)
_LEVEL_DB = 65.0  # the whole track's level
_STEP_CAM = 0.1
MOMENT_S = 0.25
_WINDOW_S = 0.5
FLUX_S = 0.025  # a whole number of them to a moment
_FLUX_BANDS_HZ = np.geomspace(40, 16000, 25)


@dataclass(frozen=True, slots=True, eq=False)
class TellingTrack:
    """How much of the stages' difference each moment of a track lets through.

    Attributes
    ----------
    programme : str
        Programme id.
    time_s : ndarray, shape (n,)
        Centre of each moment in seconds from the start of the excerpt.
    score_db : ndarray, shape (n,)
        Root-mean-square distance of excitation levels over channels, mean over pairs of stages.
    channel_db : ndarray, shape (n, n_channels)
        Mean distance in each channel.
    centre_hz : ndarray, shape (n_channels,)
        Centre frequencies of the channels.
    pairs : tuple of (str, str)
        Pairs of stages compared.
    flux_time_s, flux : ndarray, shape (m,)
        Onset strength on a fine time grid, for finding loop points.
    bands_db : ndarray, shape (m, n_bands)
        Band levels on the same grid.
    """

    programme: str
    time_s: Floats
    score_db: Floats
    channel_db: Floats
    centre_hz: Floats
    pairs: tuple[tuple[str, str], ...]
    flux_time_s: Floats
    flux: Floats
    bands_db: Floats


def telling_moments(
    spec: ProgrammeSpec,
    stages: Sequence[StageSpec],
    *,
    around_s: float = 12.0,
    rate: int = 48000,
    progress: Progress | None = None,
) -> TellingTrack:
    """Score every moment of a track.

    Parameters
    ----------
    spec : ProgrammeSpec
        The track, or a part of it. Memory does not grow with the sound, only with the scores.
    stages : sequence of StageSpec
        At least two.
    around_s : float
        Time around a moment over which stages are made equally loud: the length of the excerpt
        in mind.
    rate : int
        Sample rate for reading, in Hz.
    progress : callable, optional
        Called with (seconds done, seconds in all).

    Returns
    -------
    TellingTrack

    Raises
    ------
    InputError
        If there are fewer than two stages, or the track cannot serve.
    """
    if len(stages) < 2:
        raise InputError(
            problem=f"{len(stages)} stage given",
            remedy="Give at least two stages: a moment tells by their difference",
        )
    reader = ProgrammeReader(spec, rate)
    moments, bands = _features(reader, rate, progress)
    gains = np.array([_stage_gain(stage) for stage in stages])
    channel, score, pairs = _distances(moments, gains, [s.id for s in stages], around_s)
    rise = np.maximum(np.diff(bands, axis=0, prepend=bands[:1]), 0).mean(axis=1)
    return TellingTrack(
        programme=spec.id,
        time_s=MOMENT_S * np.arange(0.5, len(moments)),
        score_db=score,
        channel_db=channel,
        centre_hz=ANSI.to_hz(_CHANNELS_CAM),
        pairs=pairs,
        flux_time_s=FLUX_S * np.arange(0.0, len(bands)),
        flux=rise,
        bands_db=bands,
    )


def _stage_gain(stage: StageSpec) -> Floats:
    response = stage.response
    f = np.clip(COMPONENT_HZ, response.valid_low_hz, response.valid_high_hz)
    return response.level_at(f)


def _features(
    reader: ProgrammeReader, rate: int, progress: Progress | None
) -> tuple[Floats, Floats]:
    """Component powers of every moment, and band levels on a fine grid, streamed."""
    hop = round(MOMENT_S * rate)
    moments, bands = [], []
    for piece in _windows(reader.blocks(), hop, round(_WINDOW_S * rate)):
        moments.append(_component_power(piece, rate))
        bands.append(_band_levels(piece[:hop], rate))
        if progress is not None:
            progress(len(moments) * MOMENT_S, reader.length_s)
    if not moments:
        raise InputError(
            source=reader.path.name,
            problem="the track is shorter than half a second",
            remedy="Choose a longer one",
        )
    return np.array(moments), np.concatenate(bands)


def _windows(blocks: Iterator[NDArray[np.floating]], hop: int, window: int) -> Iterator[Floats]:
    held = np.zeros((0, 2))
    for block in blocks:
        held = np.concatenate([held, block])
        while len(held) >= window:
            yield held[:window]
            held = held[hop:]


def _component_power(piece: Floats, rate: int) -> Floats:
    window = np.hanning(len(piece) + 1)[:-1]
    spectrum = fft.rfft(piece * window[:, None], axis=0)
    power = (np.abs(spectrum) ** 2).sum(axis=1) * (2 / (window**2).sum() / len(piece))
    cumulative = np.concatenate([[0.0], np.cumsum(power)])
    spacing = rate / len(piece)
    edges = (np.arange(len(cumulative)) - 0.5) * spacing
    half = erb_n_hz(COMPONENT_HZ) * _STEP_CAM / 2
    upper = np.interp(COMPONENT_HZ + half, edges, cumulative)
    return np.asarray(upper - np.interp(COMPONENT_HZ - half, edges, cumulative))


def _band_levels(piece: Floats, rate: int) -> Floats:
    n = round(FLUX_S * rate)
    frames = piece[: len(piece) // n * n].reshape(-1, n, 2)
    power = (np.abs(fft.rfft(frames * np.hanning(n)[None, :, None], axis=1)) ** 2).sum(axis=2)
    edges = np.clip(np.round(_FLUX_BANDS_HZ * n / rate).astype(int), 1, power.shape[1] - 1)
    edges = np.unique(edges)
    summed = np.add.reduceat(power, edges, axis=1)[:, :-1]
    return np.asarray(10 * np.log10(summed + 1e-9))


def _distances(
    moments: Floats, gains_db: Floats, names: Sequence[str], around_s: float
) -> tuple[Floats, Floats, tuple[tuple[str, str], ...]]:
    """Distances of excitation patterns for all pairs of stages."""
    to_spl = 10 ** (_LEVEL_DB / 10) / moments.mean(axis=0).sum()
    weights = _excitation_weights()
    _, h = sosfreqz(k_weighting_sos(48000), worN=2 * np.pi * COMPONENT_HZ / 48000)
    k_power = np.abs(h) ** 2
    span = max(1, round(around_s / MOMENT_S))
    plain = _surroundings(moments @ k_power, span)
    patterns = []
    for gain_db in gains_db:
        gain = 10 ** (gain_db / 10)
        # Gain by which the stage makes the surroundings louder, in the K weighting.
        louder = _surroundings(moments @ (gain * k_power), span) / plain
        excitation = (moments * gain) @ weights.T * (to_spl / louder)[:, None]
        patterns.append(np.maximum(10 * np.log10(excitation + 1e-12), _FLOOR_DB))
    channel = np.zeros(patterns[0].shape)
    score = np.zeros(len(moments))
    pairs = tuple(itertools.combinations(range(len(names)), 2))
    for i, j in pairs:
        distance = np.abs(patterns[i] - patterns[j])
        channel += distance / len(pairs)
        score += np.sqrt((distance**2).mean(axis=1)) / len(pairs)
    return channel, score, tuple((names[i], names[j]) for i, j in pairs)


def _surroundings(power: Floats, span: int) -> Floats:
    """Mean over ``span`` moments around each, fewer at the ends; never zero."""
    cumulative = np.concatenate([[0.0], np.cumsum(power)])
    i = np.arange(len(power))
    first, stop = np.maximum(i - span // 2, 0), np.minimum(i + span // 2 + 1, len(power))
    return np.asarray((cumulative[stop] - cumulative[first]) / (stop - first) + 1e-15)


def _excitation_weights() -> Floats:
    """Filter weights at a middling level: row by channel, column by component.

    Taken at 51 dB per ERB, where the skirts are symmetric, so that all moments share them.
    """
    centre = ANSI.to_hz(_CHANNELS_CAM)
    rows = []
    for f in COMPONENT_HZ:
        column = excitation_db([f], [0.0], centre, level_per_erb_db=[51.0])
        rows.append(10 ** (column / 10))
    return np.array(rows).T
