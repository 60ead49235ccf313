"""Which excerpt tells? Moments of a track that excite the stages' differences, and clean loops.

Two stages may differ by 8 dB below 60 Hz and sound alike for as long as the bass player rests. So
each moment of a track is heard, by excitation patterns, through every stage; its score is how far
the patterns lie apart. Stages are made equally loud over the surroundings of each moment, as they
will be over the excerpt: a passage of nothing but bass hardly tells, however much bass differs.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from stimuli.figures.pictures import as_written
from stimuli.files.errors import InputError
from stimuli.programme.reading import ProgrammeSpec, read_programme
from stimuli.programme.telling import FLUX_S, MOMENT_S, TellingTrack

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["Excerpt", "draw_telling", "propose_excerpts"]

Floats = NDArray[np.float64]
Progress = Callable[[float, float], None]


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
    total = track.flux_time_s[-1] + FLUX_S
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
        ends = onsets[(onsets >= i + 0.8 * length_s / FLUX_S)
                      & (onsets <= i + 1.2 * length_s / FLUX_S) & (onsets < last)]  # fmt: skip
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
    first, stop = start * FLUX_S, end * FLUX_S
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
    n = min(len(track.score_db), max(1, round(length_s / MOMENT_S)))
    means = np.convolve(track.score_db, np.ones(n) / n, mode="valid")
    start = round(int(means.argmax()) * MOMENT_S / FLUX_S)
    end = min(start + round(length_s / FLUX_S), len(track.flux) - _AFTER)
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
