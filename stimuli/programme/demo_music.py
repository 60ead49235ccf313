"""Demo programmes made by our own code: three short pieces and pink noise, always the same.

The pieces differ in style and spectrum, so that stages differ audibly in different regions:

``kite-street``
    Band at 112 beats a minute: kick, snare, hats, bass guitar, plucked chords, a sung line.
``low-tide``
    Slow electronic piece: bass from 37 Hz, wide pads, sparse drums.
``paper-lanterns``
    Plucked strings and a voice, shaker and ride cymbal: bright, hardly any bass.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy.signal import fftconvolve

from stimuli.programme import instruments as play

__all__ = ["demo_programmes", "pink_noise", "synthesise"]

Floats = NDArray[np.float64]

_PEAK = 10 ** (-3 / 20)


def demo_programmes() -> tuple[str, ...]:
    """Names of the demo programmes that :func:`synthesise` knows."""
    return tuple(_PIECES)


def synthesise(name: str, *, seconds: float = 20.0, rate: int = 48000) -> Floats:
    """Play one of the demo programmes.

    Parameters
    ----------
    name : str
        One of :func:`demo_programmes`.
    seconds : float
        Length; the arrangement repeats after its eight bars.
    rate : int
        Sample rate in Hz, 32000 or more.

    Returns
    -------
    ndarray, shape (frames, 2)
        Stereo, peak -3 dBFS, the same samples on every call.

    Raises
    ------
    ValueError
        If the name is not known.
    """
    if name not in _PIECES:
        raise ValueError(f"name ({name!r}) must be one of {', '.join(_PIECES)}")
    mix = _PIECES[name](seconds, rate)
    fade = min(len(mix) // 4, round(0.01 * rate))
    mix[:fade] *= np.linspace(0, 1, fade)[:, None]
    mix[-fade:] *= np.linspace(1, 0, fade)[:, None]
    return np.asarray(mix * (_PEAK / np.abs(mix).max()))


def pink_noise(*, seconds: float = 20.0, rate: int = 48000, seed: int = 20) -> Floats:
    """Pink noise that is exactly pink and loops without a seam.

    Parameters
    ----------
    seconds, rate, seed : float, int, int
        Length in seconds, sample rate in Hz, seed of the phases.

    Returns
    -------
    ndarray, shape (frames, 2)
        The same signal on both sides (heard in the middle), peak -3 dBFS.

    Notes
    -----
    A sum of sines at every multiple of 1/length with power exactly 1/f and random phases:
    Gaussian to the ear, but each band's level is exact over one period instead of being a
    chance value. Below 10 Hz there is nothing.
    """
    n = round(seconds * rate)
    f = np.fft.rfftfreq(n, 1 / rate)
    magnitude = np.zeros(len(f))
    audible = f >= 10.0
    magnitude[audible] = f[audible] ** -0.5
    phases = np.random.default_rng(seed).uniform(0, 2 * np.pi, len(f))
    spectrum = magnitude * np.exp(1j * phases)
    if n % 2 == 0:
        spectrum[-1] = 0.0  # a line at half the rate has no free phase
    x = np.fft.irfft(spectrum, n)
    x *= _PEAK / np.abs(x).max()
    return np.repeat(x[:, None], 2, axis=1)


class _Mixer:
    """A stereo tape: sounds are laid down at times, with level and place."""

    def __init__(self, seconds: float, rate: int) -> None:
        self.rate = rate
        self.tape = np.zeros((round(seconds * rate), 2))

    def lay(self, sound: Floats, at_s: float, *, gain: float = 1.0, pan: float = 0.0) -> None:
        """Add a mono sound; ``pan`` runs from -1 (left) to 1, at constant power."""
        start = round(at_s * self.rate)
        stop = min(len(self.tape), start + len(sound))
        if stop <= start:
            return
        angle = (pan + 1) * np.pi / 4
        part = gain * sound[: stop - start]
        self.tape[start:stop, 0] += part * np.cos(angle) * np.sqrt(2)
        self.tape[start:stop, 1] += part * np.sin(angle) * np.sqrt(2)

    def room(self, *, seconds: float, wet: float, seed: int = 3) -> Floats:
        """Return the tape with reverberation: decaying noise, different on each side."""
        n = round(seconds * self.rate)
        t = np.arange(n) / self.rate
        noise = np.random.default_rng(seed).standard_normal((n, 2))
        tail = noise * np.exp(-6.9 * t / seconds)[:, None]
        tail[: round(0.012 * self.rate)] = 0.0
        tail *= wet / np.sqrt((tail**2).sum(axis=0))
        bright = self.tape - 0.7 * np.vstack([np.zeros((1, 2)), self.tape[:-1]])  # thin the bass
        return np.asarray(self.tape + fftconvolve(bright, tail, axes=0)[: len(self.tape)])


def _hz(midi: float) -> float:
    return float(440.0 * 2 ** ((midi - 69) / 12))


def _kite_street(seconds: float, rate: int) -> Floats:
    mixer = _Mixer(seconds, rate)
    beat = 60 / 112
    kick = play.kick(rate, f_hz=52)
    snare = play.snare(rate)
    hats = play.hat(rate), play.hat(rate, open_s=0.16)
    crash = play.cymbal(rate)
    roots = (45, 41, 48, 43)  # A minor, F, C, G
    chords = ((57, 60, 64), (57, 60, 65), (55, 60, 64), (55, 59, 62))
    bass = {m: play.bass_note(_hz(m - 12), 0.9 * beat, rate, bright=1.25) for m in roots}
    fifth = {m: play.bass_note(_hz(m - 5), 0.45 * beat, rate, bright=1.25) for m in roots}
    strums = [[play.pluck(_hz(m), 1.4 * beat, rate, seed=m) for m in chord] for chord in chords]
    bars = int(np.ceil(seconds / (4 * beat)))
    for bar in range(bars):
        at, chord = bar * 4 * beat, bar % 4
        if bar % 4 == 0:
            mixer.lay(crash, at, gain=0.5, pan=0.35)
        for hit in (0, 1.5, 2) if bar % 2 == 0 else (0, 2, 2.75):
            mixer.lay(kick, at + hit * beat, gain=1.0)
        for hit in (1, 3):
            mixer.lay(snare, at + hit * beat, gain=0.75, pan=-0.08)
        for eighth in range(8):
            sound = hats[1] if eighth == 7 else hats[0]
            mixer.lay(sound, at + eighth * beat / 2, gain=0.3 + 0.15 * (eighth % 2 == 0), pan=0.3)
        for hit in (0, 1.5, 2.5, 3):
            mixer.lay(bass[roots[chord]], at + hit * beat, gain=0.6)
        mixer.lay(fifth[roots[chord]], at + 3.5 * beat, gain=0.5)
        for i, hit in enumerate((0.5, 1.5, 2.5, 3.5)):
            for j, note in enumerate(strums[chord]):
                place = -0.55 if i % 2 == 0 else 0.5
                mixer.lay(note, at + hit * beat + 0.012 * j, gain=0.34, pan=place)
    melody = ((0, 1.5, 76, "a"), (1.5, 1, 74, "e"), (2.5, 1.5, 72, "o"), (4, 2, 69, "a"),
              (8, 1.5, 72, "o"), (9.5, 1, 74, "a"), (10.5, 1.5, 76, "e"),
              (12, 3, 74, "a"))  # fmt: skip
    line = _melody(melody, beat, 16, seconds, rate)
    mixer.lay(line, 0.0, gain=0.62)
    return mixer.room(seconds=0.9, wet=0.22)


def _low_tide(seconds: float, rate: int) -> Floats:
    mixer = _Mixer(seconds, rate)
    beat = 60 / 76
    kick = play.kick(rate, f_hz=41, seconds=0.7, click=0.12)
    clap = play.snare(rate, seconds=0.25, seed=31, tone_hz=240)
    hats = play.hat(rate, open_s=0.03, seed=32), play.hat(rate, open_s=0.2, seed=33)
    roots = (26, 29, 24, 31)  # D at 37 Hz, F, C, G
    chords = ((62, 65, 69, 72), (60, 65, 69, 72), (60, 64, 67, 71), (62, 65, 67, 71))
    pads = [
        [play.pad_chord([_hz(m) for m in chord], 4 * beat, rate, seed=s + i) for s in (50, 70)]
        for i, chord in enumerate(chords)
    ]
    subs = {m: play.bass_note(_hz(m), 1.4 * beat, rate, bright=0.6, decay_s=2.0) for m in roots}
    drops = [play.pluck(_hz(m), 2 * beat, rate, seed=m, damping=0.992) for m in (86, 81, 84, 79)]
    bars = int(np.ceil(seconds / (4 * beat)))
    for bar in range(bars):
        at, chord = bar * 4 * beat, bar % 4
        for side, pad in zip((-0.8, 0.8), pads[chord], strict=True):
            mixer.lay(pad, at, gain=0.3, pan=side)
        for hit in (0, 2.5):
            mixer.lay(kick, at + hit * beat, gain=0.9)
            mixer.lay(subs[roots[chord]], at + (hit + 0.02) * beat, gain=0.75)
        mixer.lay(clap, at + 2 * beat, gain=0.4)
        for step in range(16):
            if step % 4 != 0:
                mixer.lay(hats[0], at + step * beat / 4, gain=0.12 + 0.08 * (step % 2), pan=-0.3)
        mixer.lay(hats[1], at + 3.5 * beat, gain=0.2, pan=0.4)
        for i, hit in enumerate((0.75, 1.5, 2.25, 3.25)):
            mixer.lay(drops[(i + bar) % 4], at + hit * beat, gain=0.25, pan=0.6 - 0.4 * i)
    return mixer.room(seconds=2.4, wet=0.35, seed=34)


def _paper_lanterns(seconds: float, rate: int) -> Floats:
    mixer = _Mixer(seconds, rate)
    beat = 60 / 96
    shaker = play.hat(rate, open_s=0.035, seed=41)
    ride = play.cymbal(rate, seconds=1.6, seed=42)
    brush = play.snare(rate, seconds=0.22, seed=43, tone_hz=230)
    patterns = (
        (50, 57, 62, 66, 69, 66, 62, 57),  # D
        (47, 54, 59, 62, 66, 62, 59, 54),  # B minor
        (43, 55, 59, 62, 67, 62, 59, 55),  # G
        (45, 57, 61, 64, 69, 64, 61, 57),  # A
    )
    pitches = {m for pattern in patterns for m in pattern}
    strings = {
        m: play.pluck(_hz(m), 2.2 * beat, rate, seed=100 + m, damping=0.9975) for m in pitches
    }
    bars = int(np.ceil(seconds / (4 * beat)))
    for bar in range(bars):
        at, pattern = bar * 4 * beat, patterns[bar % 4]
        for eighth, m in enumerate(pattern):
            place = -0.45 + 0.12 * eighth
            mixer.lay(strings[m], at + eighth * beat / 2, gain=0.6, pan=place)
        for m in pattern[1:5:2]:
            mixer.lay(strings[m], at, gain=0.35, pan=-0.6)
        for step in range(8):
            mixer.lay(shaker, at + (step + 0.03 * (step % 2)) * beat / 2, gain=0.3, pan=0.5)
        for hit in (1, 3):
            mixer.lay(brush, at + hit * beat, gain=0.3)
        for hit in (0, 2, 3):
            mixer.lay(ride, at + hit * beat, gain=0.22, pan=-0.4)
    melody = ((0, 1, 69, "o"), (1, 1, 71, "a"), (2, 2, 74, "a"), (4, 1.5, 73, "e"),
              (5.5, 2, 71, "o"), (8, 1, 67, "i"), (9, 1, 69, "a"), (10, 2, 71, "o"),
              (12, 3.5, 69, "a"))  # fmt: skip
    mixer.lay(_melody(melody, beat, 16, seconds, rate), 0.0, gain=0.7, pan=0.1)
    return mixer.room(seconds=1.3, wet=0.3, seed=44)


def _melody(
    notes: tuple[tuple[float, float, int, str], ...],
    beat: float,
    period_beats: int,
    seconds: float,
    rate: int,
) -> Floats:
    timed = []
    for turn in range(int(np.ceil(seconds / (period_beats * beat)))):
        for start, length, midi, vowel in notes:
            at = (turn * period_beats + start) * beat
            if at < seconds:
                timed.append((at, 0.96 * length * beat, _hz(midi), vowel))
    return play.vowel_line(timed, seconds, rate)


_PIECES: dict[str, Callable[[float, int], Floats]] = {
    "kite-street": _kite_street,
    "low-tide": _low_tide,
    "paper-lanterns": _paper_lanterns,
}
