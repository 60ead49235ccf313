"""What a spectrum does to the ear: excitation patterns, and the difference of two of them.

Rounded-exponential auditory filters after Glasberg & Moore (1990) Hear Res 47:103 in the form of
ANSI S3.4-2007, 3.5: with ``g = |f - fc| / fc`` a filter weighs power by ``(1 + p g) exp(-p g)``,
and its lower side widens with level, which is upward spread of masking.

The *excitation difference* D is the measure of Moore & Tan (2004) J Audio Eng Soc 52:900 for the
loss of naturalness by a linear filter. It is not a preference score: it says how strange the
spectrum has become, not whether people mind. Known limits: it overrates plain band limiting (keep
bandwidth as a figure of its own) and treats peaks and dips alike.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stimuli.levels.erb import ANSI

__all__ = [
    "COMPONENT_HZ",
    "EarSpectrum",
    "ExcitationDifference",
    "erb_n_hz",
    "excitation_db",
    "excitation_difference",
    "pink_spectrum",
    "signal_spectrum",
]

Floats = NDArray[np.float64]

_STEP_CAM = 0.1
COMPONENT_HZ = ANSI.to_hz(np.arange(0.5, 42.0, _STEP_CAM))
"""Frequencies of the components under every pattern: 12.7 Hz to 20.8 kHz, ten to an ERB."""

LEVEL_DB = 65.0
"""Overall level in dB SPL at which spectra are compared, unless another is asked for."""

# Moore & Tan 2004: sharpening of the filters, floor, weights of level and slope, loss of weight
# towards high frequencies. Read in one research implementation that cites the paper's pages.
_SHARPENING, _FLOOR_DB, _LEVEL_SHARE, _TREBLE_LOSS = 1.5, 32.0, 0.4, 0.5
_CHANNELS_CAM = np.arange(1.0, 40.01, 0.5)
_EXPONENT = 0.3  # compression of intensity to loudness, Stevens' power law
_AUDIBLE_HZ = (20.0, 20000.0)


def erb_n_hz(f_hz: ArrayLike) -> Floats:
    """Equivalent rectangular bandwidth of the normal auditory filter, in Hz.

    ``24.673 (0.004368 f + 1)``: Glasberg & Moore 1990 with the digits of ANSI S3.4-2007.
    """
    return np.asarray(24.673 * (ANSI.per_hz * np.asarray(f_hz, dtype=float) + 1))


def excitation_db(
    f_hz: ArrayLike,
    level_db: ArrayLike,
    centre_hz: ArrayLike,
    *,
    level_per_erb_db: ArrayLike | None = None,
    sharpening: float = 1.0,
) -> Floats:
    """Excitation in dB at filters centred on given frequencies.

    Parameters
    ----------
    f_hz, level_db : array_like, shape (n,)
        Components: frequency in Hz and level in dB SPL.
    centre_hz : array_like, shape (m,)
        Centres of the filters.
    level_per_erb_db : array_like, shape (n,), optional
        Level in dB within one ERB around each component, which sets the lower skirt; by default
        the component's own, right for tones that stand apart.
    sharpening : float
        Factor on the filters' slopes.

    Returns
    -------
    ndarray, shape (m,)
    """
    f, fc = np.asarray(f_hz, dtype=float), np.asarray(centre_hz, dtype=float)
    level = np.asarray(level_db, dtype=float)
    drive = level if level_per_erb_db is None else np.asarray(level_per_erb_db, dtype=float)
    upper = 4 * fc / erb_n_hz(fc)
    slope = 0.35 * upper / float(4000 / erb_n_hz(1000.0))
    lower = np.maximum(upper[:, None] - slope[:, None] * (drive[None, :] - 51), 0.1)
    g = f[None, :] / fc[:, None] - 1
    p = sharpening * np.where(g < 0, lower, upper[:, None])
    pg = p * np.abs(g)
    weight = np.where(np.abs(g) > 2, 0.0, (1 + pg) * np.exp(-pg))
    return np.asarray(10 * np.log10(np.maximum(weight @ 10 ** (level / 10), 1e-30)))


@dataclass(frozen=True, slots=True, eq=False)
class EarSpectrum:
    """A long-term spectrum on :data:`COMPONENT_HZ`.

    Attributes
    ----------
    name : str
        What it is a spectrum of.
    level_db : ndarray, shape (n_components,)
        Level of each component in dB SPL.
    """

    name: str
    level_db: Floats

    @property
    def overall_db(self) -> float:
        """Level of the whole in dB SPL."""
        return float(10 * np.log10(np.sum(10 ** (self.level_db / 10))))

    def filtered(self, gain_db: ArrayLike) -> EarSpectrum:
        """Return the spectrum after a filter, gains in dB at :data:`COMPONENT_HZ`."""
        return EarSpectrum(self.name, self.level_db + np.asarray(gain_db, dtype=float))

    def shifted(self, by_db: float) -> EarSpectrum:
        """Return the spectrum louder by some dB."""
        return EarSpectrum(self.name, self.level_db + by_db)

    def pattern_db(self, centre_hz: ArrayLike, *, sharpening: float = 1.0) -> Floats:
        """Excitation pattern at filters centred on given frequencies, in dB."""
        power = 10 ** (self.level_db / 10)
        window = np.ones(round(1 / _STEP_CAM))
        around = 10 * np.log10(np.maximum(np.convolve(power, window, mode="same"), 1e-30))
        return excitation_db(
            COMPONENT_HZ,
            self.level_db,
            centre_hz,
            level_per_erb_db=around,
            sharpening=sharpening,
        )


def pink_spectrum(*, level_db: float = LEVEL_DB) -> EarSpectrum:
    """Pink noise from 20 Hz to 20 kHz at an overall level in dB SPL."""
    heard = (COMPONENT_HZ >= _AUDIBLE_HZ[0]) & (COMPONENT_HZ <= _AUDIBLE_HZ[1])
    power = np.where(heard, erb_n_hz(COMPONENT_HZ) / COMPONENT_HZ, 1e-12)
    return _at_level("pink noise", power, level_db)


def signal_spectrum(
    signal: Floats, rate: float, *, name: str = "signal", level_db: float = LEVEL_DB
) -> EarSpectrum:
    """Long-term power spectrum of a signal, put to an overall level.

    Parameters
    ----------
    signal : ndarray, shape (frames, channels)
        Samples; powers of the channels add.
    rate : float
        Samples per second.
    name : str
        Kept with the spectrum.
    level_db : float
        Overall level in dB SPL between 20 Hz and 20 kHz.

    Raises
    ------
    ValueError
        The signal is silent or not two-dimensional.
    """
    from scipy.signal import welch

    if signal.ndim != 2:
        raise ValueError(f"signal must have shape (frames, channels), got {signal.shape}")
    f, density = welch(signal, rate, nperseg=min(16384, len(signal)), axis=0)
    cumulative = np.concatenate([[0.0], np.cumsum(density.sum(axis=1))])
    edges = np.concatenate([f - f[1] / 2, [f[-1] + f[1] / 2]])
    half = erb_n_hz(COMPONENT_HZ) * _STEP_CAM / 2
    upper = np.interp(COMPONENT_HZ + half, edges, cumulative)
    power = upper - np.interp(COMPONENT_HZ - half, edges, cumulative)
    heard = (COMPONENT_HZ >= _AUDIBLE_HZ[0]) & (COMPONENT_HZ <= _AUDIBLE_HZ[1])
    if not np.sum(power[heard]) > 0:
        raise ValueError("the signal is silent between 20 Hz and 20 kHz")
    return _at_level(name, np.where(heard, power, 0.0), level_db)


def _at_level(name: str, power: Floats, level_db: float) -> EarSpectrum:
    scaled = power / power.sum() * 10 ** (level_db / 10)
    return EarSpectrum(name, 10 * np.log10(np.maximum(scaled, 1e-12)))


@dataclass(frozen=True, slots=True, eq=False)
class ExcitationDifference:
    """Difference of two excitation patterns after loudness alignment.

    Attributes
    ----------
    d : float
        Moore & Tan's D: ``0.4 SD(|W d1|) + 0.6 SD(|W d2|)`` over channels, W falling above ERB
        number 17.5.
    level_sd_db, slope_sd_db : float
        The two SDs: of level differences d1, and of differences d2 between channels half an ERB
        apart.
    alignment_db : float
        Level to add to the test, as given, so that it is as loud as the reference, as given.
    centre_hz, difference_db : ndarray, shape (n_channels,)
        Channels inside the valid band, and d1 there.
    spectrum : str
        What was passed through both.
    level_db : float
        Overall level of the reference in dB SPL.
    """

    d: float
    level_sd_db: float
    slope_sd_db: float
    alignment_db: float
    centre_hz: Floats
    difference_db: Floats
    spectrum: str
    level_db: float


def excitation_difference(
    test_db: ArrayLike,
    reference_db: ArrayLike | float = 0.0,
    *,
    spectrum: EarSpectrum | None = None,
    valid_hz: tuple[float, float] = _AUDIBLE_HZ,
    align: bool = True,
) -> ExcitationDifference:
    """Compare two filters by what they do to a spectrum in the ear.

    Parameters
    ----------
    test_db, reference_db : array_like, shape (n_components,), or float
        Gains in dB at :data:`COMPONENT_HZ`; only their difference in shape matters when aligned.
    spectrum : EarSpectrum, optional
        What is heard through both; pink noise at 65 dB SPL by default.
    valid_hz : tuple of float
        Channels centred outside are left out.
    align : bool
        Give both the same loudness first (power law with exponent 0.3 over the excitation
        pattern). Without it D depends on a level difference too.

    Returns
    -------
    ExcitationDifference

    Raises
    ------
    ValueError
        Fewer than three channels lie in the valid band.

    References
    ----------
    * Moore & Tan, J. Audio Eng. Soc. 52(9), 900-914 (2004): the measure.
    * Moore & Tan, J. Acoust. Soc. Am. 114(1), 408-419 (2003): the ratings behind it.
    """
    heard = pink_spectrum() if spectrum is None else spectrum
    centre = ANSI.to_hz(_CHANNELS_CAM)
    inside = (centre >= valid_hz[0]) & (centre <= valid_hz[1])
    if inside.sum() < 3:
        raise ValueError(f"fewer than three channels lie between {valid_hz[0]} and {valid_hz[1]}")
    cam, centre = _CHANNELS_CAM[inside], centre[inside]
    # The reference keeps the stated level, so that D of a pair does not hang on dB offsets.
    before = heard.filtered(np.broadcast_to(reference_db, COMPONENT_HZ.shape))
    put_back = heard.overall_db - before.overall_db
    reference = before.shifted(put_back).pattern_db(centre, sharpening=_SHARPENING)
    after = heard.filtered(test_db)
    start = heard.overall_db - after.overall_db if align else put_back
    pattern, moved = _aligned(after.shifted(start), reference, centre, align=align)
    first = pattern - np.maximum(reference, _FLOOR_DB)
    slope = np.diff(first)
    weight = np.where(cam <= 17.5, 1.0, 1 - _TREBLE_LOSS * (cam - 17.5) / 46)
    level_sd = float(np.std(np.abs(weight * first), ddof=1))
    slope_sd = float(np.std(np.abs(weight[:-1] * slope), ddof=1))
    return ExcitationDifference(
        d=_LEVEL_SHARE * level_sd + (1 - _LEVEL_SHARE) * slope_sd,
        level_sd_db=level_sd,
        slope_sd_db=slope_sd,
        alignment_db=start + moved - put_back,
        centre_hz=centre,
        difference_db=first,
        spectrum=heard.name,
        level_db=heard.overall_db,
    )


def _floored(heard: EarSpectrum, centre_hz: Floats) -> Floats:
    return np.maximum(heard.pattern_db(centre_hz, sharpening=_SHARPENING), _FLOOR_DB)


def _loudness(pattern_db: Floats) -> float:
    compressed = 10 ** (_EXPONENT * pattern_db / 10) - 10 ** (_EXPONENT * _FLOOR_DB / 10)
    return float(np.maximum(compressed, 0.0).sum())


def _aligned(
    after: EarSpectrum, reference: Floats, centre_hz: Floats, *, align: bool
) -> tuple[Floats, float]:
    """Shift the test until it is as loud as the reference: secant steps on the logarithm.

    The first step takes the slope of the power law; the filters' dependence on level makes the
    true one flatter.
    """
    wanted, moved, slope = _loudness(reference), 0.0, _EXPONENT / 10
    pattern = _floored(after, centre_hz)
    now = _loudness(pattern)
    for _ in range(20 if align else 0):
        if now <= 0 or wanted <= 0:
            break
        step = float(np.log10(wanted / now)) / slope
        moved += step
        pattern = _floored(after.shifted(moved), centre_hz)
        before, now = now, _loudness(pattern)
        if abs(step) < 1e-4:
            break
        if now > 0 and (gained := float(np.log10(now / before)) / step) > 0:
            slope = gained
    return pattern, moved
