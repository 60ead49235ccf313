"""Which excerpt tells? Moments of a track that excite the stages' differences, and clean loops.

Two stages may differ by 8 dB below 60 Hz and sound alike for as long as the bass player rests. So
each moment of a track is heard, by excitation patterns, through every stage; its score is how far
the patterns lie apart. Stages are made equally loud over the surroundings of each moment, as they
will be over the excerpt: a passage of nothing but bass hardly tells, however much bass differs.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import scipy.fft as fft
from numpy.typing import NDArray
from scipy.signal import sosfreqz

from stimuli.figures.excitation import COMPONENT_HZ, erb_n_hz, erb_number_to_hz, excitation_db
from stimuli.figures.pictures import as_written
from stimuli.files.errors import InputError
from stimuli.filters.stages import StageSpec
from stimuli.levels.loudness import k_weighting_sos
from stimuli.programme.reading import ProgrammeReader, ProgrammeSpec, read_programme

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["Excerpt", "TellingTrack", "draw_telling", "propose_excerpts", "telling_moments"]

Floats = NDArray[np.float64]
Progress = Callable[[float, float], None]

_CHANNELS_CAM = np.arange(1.5, 39.1, 1.0)
_FLOOR_DB = 32.0  # excitation below this counts as silence, as in Moore and Tan (2004)
_LEVEL_DB = 65.0  # the whole track's level
_STEP_CAM = 0.1

_MOMENT_S = 0.25
_WINDOW_S = 0.5
_FLUX_S = 0.025  # a whole number of them to a moment
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


@dataclass(frozen=True, slots=True)
class Excerpt:
    """A proposed excerpt.

    Attributes
    ----------
    start_s, length_s : float
        Where it lies in the file.
    telling_db : float
        Mean score over it.
    seam_db : float
        Mean difference of band levels across the loop's seam: small is clean.
    strongest_hz : float
        Channel that contributes most.
    """

    start_s: float
    length_s: float
    telling_db: float
    seam_db: float
    strongest_hz: float


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
        time_s=_MOMENT_S * np.arange(0.5, len(moments)),
        score_db=score,
        channel_db=channel,
        centre_hz=erb_number_to_hz(_CHANNELS_CAM),
        pairs=pairs,
        flux_time_s=_FLUX_S * np.arange(0.0, len(bands)),
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
    hop = round(_MOMENT_S * rate)
    moments, bands = [], []
    for piece in _windows(reader.blocks(), hop, round(_WINDOW_S * rate)):
        moments.append(_component_power(piece, rate))
        bands.append(_band_levels(piece[:hop], rate))
        if progress is not None:
            progress(len(moments) * _MOMENT_S, reader.length_s)
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
    n = round(_FLUX_S * rate)
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
    span = max(1, round(around_s / _MOMENT_S))
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
    centre = erb_number_to_hz(_CHANNELS_CAM)
    rows = []
    for f in COMPONENT_HZ:
        column = excitation_db([f], [0.0], centre, level_per_erb_db=[51.0])
        rows.append(10 ** (column / 10))
    return np.array(rows).T


def propose_excerpts(
    spec: ProgrammeSpec,
    track: TellingTrack,
    *,
    length_s: float = 12.0,
    count: int = 3,
    rate: int = 48000,
) -> tuple[Excerpt, ...]:
    """Propose the most telling excerpts that loop cleanly.

    Parameters
    ----------
    spec : ProgrammeSpec
        The track that was scored.
    track : TellingTrack
        From :func:`telling_moments`.
    length_s : float
        Wanted length; the found one is within a fifth of it. BS.1534-3 advises about 10 s and
        not more than 12 s.
    count : int
        Number of proposals; they do not overlap, so there may be fewer.
    rate : int
        Sample rate for reading, in Hz.

    Returns
    -------
    tuple of Excerpt
        Best first. Starts and ends lie on onsets; across the seam the sound goes on as alike as
        can be found, and the end is moved by up to 10 ms so that the waveforms meet in phase.

    Raises
    ------
    InputError
        If the track is shorter than the wanted length.
    """
    total = track.flux_time_s[-1] + _FLUX_S
    if total < 0.8 * length_s + 0.5:
        raise InputError(
            source=str(spec.path),
            problem=f"the track is {total:.1f} s long, an excerpt of {length_s:g} s is wanted",
            remedy="Choose a longer track or a shorter excerpt",
        )
    found: list[Excerpt] = []
    for candidate in _ranked(track, length_s):
        apart = all(
            candidate.start_s >= e.start_s + e.length_s or e.start_s >= candidate.start_s
            + candidate.length_s for e in found
        )  # fmt: skip
        if apart:
            found.append(candidate)
        if len(found) == count:
            break
    return tuple(
        replace(
            e,
            start_s=e.start_s + spec.start_s,
            length_s=e.length_s + _phase_shift(spec, e, rate),
        )
        for e in found
    )


_BEFORE, _AFTER = 8, 20  # fine frames compared around the seam: 0.2 s and 0.5 s


def _ranked(track: TellingTrack, length_s: float) -> list[Excerpt]:
    """Best loop for every onset, most telling first; a rough seam costs its own decibels."""
    onsets = _onsets(track.flux)
    last = len(track.flux) - _AFTER
    candidates = []
    for i in onsets:
        ends = onsets[(onsets >= i + 0.8 * length_s / _FLUX_S)
                      & (onsets <= i + 1.2 * length_s / _FLUX_S) & (onsets < last)]  # fmt: skip
        if i < _BEFORE or not ends.size:
            continue
        seams = [_seam(track.bands_db, i, int(e)) for e in ends]
        best = int(np.argmin(seams))
        candidates.append(_excerpt(track, i, int(ends[best]), seams[best]))
    if not candidates:
        candidates = [_without_onsets(track, length_s)]
    return sorted(candidates, key=lambda e: -(e.telling_db - 0.1 * e.seam_db))


def _onsets(flux: Floats) -> NDArray[np.int_]:
    """Frames where the onset strength peaks above its surroundings."""
    around = np.convolve(flux, np.ones(21) / 21, mode="same")
    peak = (flux[1:-1] > flux[:-2]) & (flux[1:-1] >= flux[2:]) & (flux[1:-1] > 1.5 * around[1:-1])
    return np.flatnonzero(peak) + 1


def _seam(bands_db: Floats, start: int, end: int) -> float:
    """Mean level difference between what the ear expects at the seam and what comes.

    Levels more than 40 dB under the track's loudest are left out.
    """
    a = bands_db[start - _BEFORE : start + _AFTER]
    b = bands_db[end - _BEFORE : end + _AFTER]
    floor = bands_db.max() - 40
    return float(np.abs(np.maximum(a, floor) - np.maximum(b, floor)).mean())


def _excerpt(track: TellingTrack, start: int, end: int, seam_db: float) -> Excerpt:
    first, stop = start * _FLUX_S, end * _FLUX_S
    inside = (track.time_s >= first) & (track.time_s <= stop)
    strongest = int(track.channel_db[inside].mean(axis=0).argmax())
    return Excerpt(
        start_s=float(first),
        length_s=float(stop - first),
        telling_db=float(track.score_db[inside].mean()),
        seam_db=seam_db,
        strongest_hz=float(track.centre_hz[strongest]),
    )


def _without_onsets(track: TellingTrack, length_s: float) -> Excerpt:
    """Most telling stretch of sound that has no onsets to cut at, such as noise."""
    n = min(len(track.score_db), max(1, round(length_s / _MOMENT_S)))
    means = np.convolve(track.score_db, np.ones(n) / n, mode="valid")
    start = round(int(means.argmax()) * _MOMENT_S / _FLUX_S)
    end = min(start + round(length_s / _FLUX_S), len(track.flux) - _AFTER)
    start = max(start, _BEFORE)
    return _excerpt(track, start, end, _seam(track.bands_db, start, end))


def _phase_shift(spec: ProgrammeSpec, excerpt: Excerpt, rate: int) -> float:
    """Seconds to move the end so that the waveform there is most like that at the start."""
    reach, half = round(0.01 * rate), round(0.02 * rate)
    middle = (reach + half) / rate
    pieces = []
    for at in (excerpt.start_s, excerpt.start_s + excerpt.length_s):
        begin = max(0.0, spec.start_s + at - 0.5)
        piece = read_programme(
            ProgrammeSpec(spec.id, spec.path, begin, 1.0, mono=True), rate
        ).samples
        centre = round((spec.start_s + at - begin) * rate)
        pieces.append(piece[max(0, centre - round(middle * rate)) :][: 2 * round(middle * rate)])
    start, end = pieces[0].mean(axis=1), pieces[1].mean(axis=1)
    template = start[reach : reach + 2 * half]
    if len(template) < 2 * half or len(end) < 2 * (reach + half):
        return 0.0
    windows = np.lib.stride_tricks.sliding_window_view(end, 2 * half)
    energy = np.sqrt((windows**2).sum(axis=1) + 1e-12)
    return float((int((windows @ template / energy).argmax()) - reach) / rate)


def draw_telling(track: TellingTrack, excerpts: Sequence[Excerpt] = ()) -> Figure:
    """Draw the score over time, the proposals, and which frequencies make it.

    Parameters
    ----------
    track : TellingTrack
        From :func:`telling_moments`.
    excerpts : sequence of Excerpt
        Shaded and numbered; times as in the track.

    Returns
    -------
    Figure
    """
    from matplotlib.figure import Figure

    figure = Figure(figsize=(9.0, 5.0), layout="constrained")
    top, bottom = figure.subplots(2, 1, sharex=True)
    top.plot(track.time_s, track.score_db, color="#0072b2", lw=1.2)
    for i, e in enumerate(excerpts, start=1):
        top.axvspan(e.start_s, e.start_s + e.length_s, color="#e69f00", alpha=0.3, lw=0)
        top.text(e.start_s, top.get_ylim()[1], f" {i}", va="top", fontsize=10)
    top.set_ylabel("distance between stages (dB)")
    top.grid(True, alpha=0.25)
    image = bottom.pcolormesh(
        track.time_s, track.centre_hz, track.channel_db.T, cmap="magma", shading="nearest"
    )
    bottom.set_yscale("log")
    bottom.set_ylabel("frequency (Hz)")
    as_written([bottom.set_xlabel(f"time in {track.programme} (s)")])
    figure.colorbar(image, ax=bottom, label="dB")
    return figure
