"""Instruments of the demo music: short deterministic sounds, mono, float64, about full scale."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.signal import butter, lfilter, sosfilt

__all__ = [
    "bass_note",
    "cymbal",
    "hat",
    "kick",
    "pad_chord",
    "pluck",
    "snare",
    "vowel_line",
]

Floats = NDArray[np.float64]


def _time(seconds: float, rate: int) -> Floats:
    return np.arange(round(seconds * rate)) / rate


def _fade_ends(x: Floats, rate: int, *, in_s: float = 0.002, out_s: float = 0.01) -> Floats:
    n_in, n_out = max(1, round(in_s * rate)), max(1, round(out_s * rate))
    y = x.copy()
    y[:n_in] *= np.linspace(0, 1, n_in)
    y[-n_out:] *= np.linspace(1, 0, n_out)
    return y


def _highpass(x: Floats, f_hz: float, rate: int) -> Floats:
    return np.asarray(sosfilt(butter(2, f_hz, "highpass", fs=rate, output="sos"), x))


def _bandpass(x: Floats, low: float, high: float, rate: int) -> Floats:
    return np.asarray(sosfilt(butter(2, [low, high], "bandpass", fs=rate, output="sos"), x))


def kick(rate: int, *, f_hz: float = 48.0, seconds: float = 0.45, click: float = 0.35) -> Floats:
    """Bass drum: a sine falling fast to its note, with a beater click."""
    t = _time(seconds, rate)
    # Phase is the integral of f (1 + 3.2 exp(-t / 0.028)).
    phase = 2 * np.pi * f_hz * (t + 3.2 * 0.028 * (1 - np.exp(-t / 0.028)))
    body = np.sin(phase) * np.exp(-t / (0.28 * seconds))
    noise = np.random.default_rng(11).standard_normal(len(t)) * np.exp(-t / 0.004)
    beater = _bandpass(noise, 1500, 6000, rate) * click
    return _fade_ends(body + beater, rate, in_s=0.0004)


def snare(rate: int, *, seconds: float = 0.3, seed: int = 12, tone_hz: float = 186.0) -> Floats:
    """Snare drum: two membrane modes and the rattle of the wires."""
    t = _time(seconds, rate)
    membrane = np.sin(2 * np.pi * tone_hz * t) + 0.6 * np.sin(2 * np.pi * 1.78 * tone_hz * t + 1)
    noise = np.random.default_rng(seed).standard_normal(len(t))
    wires = _highpass(noise, 1400, rate) * np.exp(-t / 0.085)
    return _fade_ends(0.5 * membrane * np.exp(-t / 0.06) + 0.45 * wires, rate, in_s=0.0004)


_METAL = np.array([2.0, 3.0, 4.16, 5.43, 6.79, 8.21, 9.47, 11.3])


def _metal(t: Floats, f_hz: float) -> Floats:
    tones = np.sin(2 * np.pi * f_hz * _METAL[:, None] * t + np.arange(8)[:, None])
    return np.asarray(tones.sum(axis=0) / 8)


def hat(rate: int, *, open_s: float = 0.05, seed: int = 13) -> Floats:
    """Hi-hat: high noise with a metallic ring; ``open_s`` is its decay."""
    t = _time(min(6 * open_s, 0.6), rate)
    noise = np.random.default_rng(seed).standard_normal(len(t))
    sound = _highpass(noise + 2 * _metal(t, 811.0), 6500, rate)
    return _fade_ends(0.4 * sound * np.exp(-t / open_s), rate, in_s=0.0003)


def cymbal(rate: int, *, seconds: float = 2.2, seed: int = 14) -> Floats:
    """Crash or ride cymbal: a bright burst with a long decay that darkens."""
    t = _time(seconds, rate)
    noise = np.random.default_rng(seed).standard_normal(len(t))
    bright = _highpass(noise, 5000, rate) * np.exp(-t / (0.16 * seconds))
    wash = _bandpass(noise, 700, 7000, rate) * np.exp(-t / (0.28 * seconds))
    ring = _metal(t, 377.0) * np.exp(-t / (0.35 * seconds))
    return _fade_ends(0.35 * bright + 0.2 * wash + 0.3 * ring, rate, out_s=0.1)


def bass_note(
    f_hz: float, seconds: float, rate: int, *, bright: float = 1.0, decay_s: float = 1.2
) -> Floats:
    """Bass guitar or synthesiser bass: harmonics whose upper ones die away sooner."""
    t = _time(seconds, rate)
    n = np.arange(1, 13)
    level = n ** (-1.5 / bright)
    decay = decay_s / (1 + 0.45 * (n - 1))
    tones = np.sin(2 * np.pi * f_hz * n[:, None] * t + 0.3 * n[:, None])
    sound = (level[:, None] * np.exp(-t / decay[:, None]) * tones).sum(axis=0)
    return _fade_ends(0.6 * sound, rate, in_s=0.004, out_s=min(0.03, seconds / 4))


def pluck(
    f_hz: float, seconds: float, rate: int, *, seed: int = 1, damping: float = 0.996
) -> Floats:
    """Plucked string: a burst circulating in a damped delay line (Karplus and Strong 1983)."""
    n = round(seconds * rate)
    period = rate / f_hz - 0.5  # the averaging of two samples delays by half a sample
    whole = int(period)
    share = period - whole
    burst = np.random.default_rng(seed).uniform(-1, 1, whole + 1)
    burst = np.convolve(burst, [0.5, 0.5], mode="same")
    x = np.zeros(n)
    x[: min(n, len(burst))] = burst[:n]
    # Loop: two-sample mean, then linear interpolation for the fraction of the period.
    loop = damping * np.convolve([0.5, 0.5], [1 - share, share])
    a = np.zeros(whole + 3)
    a[0] = 1.0
    a[whole : whole + 3] -= loop
    y = lfilter([1.0], a, x)
    return _fade_ends(y / (np.abs(y).max() + 1e-9), rate, in_s=0.0005, out_s=0.05)


def pad_chord(
    notes_hz: list[float], seconds: float, rate: int, *, bright_hz: float = 1800.0, seed: int = 5
) -> Floats:
    """Sustained chord of detuned saw-like voices under a soft low-pass."""
    t = _time(seconds, rate)
    rng = np.random.default_rng(seed)
    sound = np.zeros(len(t))
    for f in notes_hz:
        for detune in (-0.0035, 0.0, 0.0041):
            count = int(min(24, 9000 / f))
            n = np.arange(1, count + 1)
            level = 1 / n / (1 + (n * f / bright_hz) ** 2)
            # One voice is periodic: build it as a polynomial of one complex rotation.
            turn = np.exp(2j * np.pi * (f * (1 + detune) * t + rng.random()))
            total = np.zeros(len(t), dtype=complex)
            for amplitude in level[::-1]:
                total = total * turn + amplitude
            sound += (total * turn).imag
    envelope = np.minimum(1, t / 0.25) * np.minimum(1, (t[-1] - t) / 0.35 + 1e-9)
    return np.asarray(sound * envelope / (2.2 * np.sqrt(len(notes_hz) * 3)))


# Formants of sung vowels: frequency, bandwidth, level in dB (rounded textbook values, from
# memory; the demo only needs a voice-like colour).
_VOWELS = {
    "a": ((730, 80, 0), (1100, 90, -4), (2600, 120, -14), (3300, 150, -18)),
    "o": ((460, 70, 0), (830, 80, -7), (2500, 120, -22), (3200, 150, -26)),
    "e": ((520, 70, 0), (1750, 100, -10), (2500, 120, -13), (3400, 150, -17)),
    "i": ((300, 60, 0), (2250, 110, -14), (3000, 130, -17), (3500, 160, -20)),
}


def _formant_gain(f_hz: NDArray[np.floating], vowel: str) -> Floats:
    gain = np.zeros(len(f_hz))
    for centre, width, level in _VOWELS[vowel]:
        gain += 10 ** (level / 20) / np.sqrt(1 + ((f_hz - centre) / width) ** 2)
    return gain


def vowel_line(
    notes: list[tuple[float, float, float, str]], seconds: float, rate: int, *, seed: int = 7
) -> Floats:
    """Sung line without words.

    Parameters
    ----------
    notes : list of (start_s, length_s, f_hz, vowel)
        Notes in order; a note's harmonics are shaped by the formants of its vowel.
    seconds : float
        Length of the line.
    """
    line = np.zeros(round(seconds * rate))
    breath = np.random.default_rng(seed).standard_normal(len(line))
    for start_s, length_s, f, vowel in notes:
        t = _time(length_s, rate)
        vibrato = 0.006 * np.minimum(1, t / 0.5) * np.sin(2 * np.pi * 5.3 * t)
        scoop = -0.03 * np.exp(-t / 0.05)
        phase = 2 * np.pi * np.cumsum(f * (1 + vibrato + scoop)) / rate
        harmonics = np.arange(1, int(5000 / f) + 1)
        level = _formant_gain(f * harmonics, vowel) / harmonics**0.6
        turn = np.exp(1j * phase)
        total = np.zeros(len(t), dtype=complex)
        for amplitude in level[::-1]:
            total = total * turn + amplitude
        voice = (total * turn).imag / np.sqrt((level**2).sum())
        first = round(start_s * rate)
        air = 0.03 * breath[first : first + len(t)]
        envelope = np.minimum(1, t / 0.06) * np.minimum(1, (t[-1] - t) / 0.12 + 1e-9)
        stop = min(len(line), first + len(t))
        voice[: len(air)] += air
        line[first:stop] += (voice * envelope)[: stop - first]
    return 0.5 * line
