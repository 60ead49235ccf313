"""Fractional-octave bands of IEC 61260-1:2014 (base 10) and band levels of a power spectrum.

Bands here are ideal: a band level is the power between the band's two edges, found by
integration. No band filter with its own skirts is involved, so class limits do not apply.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = [
    "OCTAVE_RATIO",
    "Bands",
    "band_power",
    "fractional_octave_bands",
    "pink_band_level_db",
    "third_octave_bands",
]

Floats = NDArray[np.float64]

OCTAVE_RATIO = 10.0**0.3
"""Octave frequency ratio G, base ten: IEC 61260-1:2014, formula (1)."""

REFERENCE_HZ = 1000.0
"""Reference frequency f_r: IEC 61260-1:2014, 5.3."""

# Nominal mid-band frequencies of one decade of 1/3-octave bands: ISO 266, IEC 61260-1 Annex E.
_NOMINAL_DECADE = (1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0)


@dataclass(frozen=True, slots=True, eq=False)
class Bands:
    """Adjacent fractional-octave bands.

    Attributes
    ----------
    mid_hz, low_hz, high_hz : ndarray, shape (n_bands,)
        Exact mid-band frequency and band edges in Hz, ascending.
    nominal_hz : ndarray, shape (n_bands,)
        Rounded names of the bands (31.5, 63, 125 ...), for labels only.
    fraction : int
        3 for 1/3-octave bands.
    """

    mid_hz: Floats
    low_hz: Floats
    high_hz: Floats
    nominal_hz: Floats
    fraction: int

    def __len__(self) -> int:
        return len(self.mid_hz)

    def inside(self, low_hz: float, high_hz: float) -> NDArray[np.bool_]:
        """Mark the bands that lie wholly between two frequencies.

        Edges count as inside to one part in a million, so that a valid band written down
        from band edges selects those same bands.
        """
        return (self.low_hz >= low_hz * (1 - 1e-6)) & (self.high_hz <= high_hz * (1 + 1e-6))

    def select(self, mask: NDArray[np.bool_]) -> Bands:
        """Keep the marked bands."""
        return Bands(
            self.mid_hz[mask],
            self.low_hz[mask],
            self.high_hz[mask],
            self.nominal_hz[mask],
            self.fraction,
        )


def third_octave_bands(low: float = 20.0, high: float = 20000.0) -> Bands:
    """1/3-octave bands whose mid-bands lie between two frequencies.

    Parameters
    ----------
    low, high : float
        Lowest and highest mid-band frequency in Hz; nominal values such as 31.5 and 12500
        select the bands of those names.

    Raises
    ------
    ValueError
        If ``low`` or ``high`` is not positive or no band lies between them.

    Examples
    --------
    >>> third_octave_bands(800, 1250).nominal_hz
    array([ 800., 1000., 1250.])
    """
    return fractional_octave_bands(3, low, high)


def fractional_octave_bands(fraction: int, low: float = 20.0, high: float = 20000.0) -> Bands:
    """1/``fraction``-octave bands by IEC 61260-1:2014, formulas (2) to (5).

    Parameters
    ----------
    fraction : int
        Bandwidth designator b: 1, 3, 6, 12, 24 ...
    low, high : float
        Lowest and highest mid-band frequency in Hz (see :func:`third_octave_bands`).

    Raises
    ------
    ValueError
        If a value is out of range or no band lies in it.
    """
    if fraction < 1:
        raise ValueError(f"fraction must be at least 1, got {fraction}")
    if not 0 < low <= high:
        raise ValueError(f"need 0 < low <= high, got low={low}, high={high}")
    # Nominal names stray up to 1.5 % from exact mid-bands; half of that band's width is ample.
    reach = OCTAVE_RATIO ** (0.25 / fraction)
    shift = 0.0 if fraction % 2 else 0.5  # even b: mid-bands straddle the reference, formula (3)
    step = np.log10(OCTAVE_RATIO) / fraction
    first = int(np.ceil(np.log10(low / reach / REFERENCE_HZ) / step - shift))
    last = int(np.floor(np.log10(high * reach / REFERENCE_HZ) / step - shift))
    if last < first:
        raise ValueError(f"no 1/{fraction}-octave mid-band lies between {low} and {high} Hz")
    index = np.arange(first, last + 1)
    mid = REFERENCE_HZ * 10.0 ** ((index + shift) * step)
    half = OCTAVE_RATIO ** (0.5 / fraction)
    nominal = _nominal(index, mid, fraction)
    return Bands(mid, mid / half, mid * half, nominal, fraction)


def _nominal(index: NDArray[np.int_], mid: Floats, fraction: int) -> Floats:
    if fraction not in (1, 3):
        return np.array([float(f"{f:.3g}") for f in mid])
    thirds = index * (3 // fraction)
    return np.array([_NOMINAL_DECADE[n % 10] * 10.0 ** (3 + n // 10) for n in thirds]).round(6)


def band_power(f_hz: ArrayLike, power: ArrayLike, bands: Bands) -> Floats:
    """Power of a line spectrum in each band; lines on an edge are shared by position.

    Parameters
    ----------
    f_hz : array_like, shape (n_lines,)
        Equally spaced line frequencies in Hz, ascending, as from ``rfftfreq``.
    power : array_like, shape (n_lines,)
        Power of each line, taken as spread evenly over one line spacing around ``f_hz``.
    bands : Bands
        Bands to integrate over.

    Returns
    -------
    ndarray, shape (n_bands,)
        Power in each band, in the units of ``power``.
    """
    f = np.asarray(f_hz, dtype=float)
    cumulative = np.concatenate([[0.0], np.cumsum(np.asarray(power, dtype=float))])
    spacing = f[1] - f[0]
    edges = np.concatenate([[f[0] - spacing / 2], f + spacing / 2])
    upper = np.interp(bands.high_hz, edges, cumulative)
    return np.asarray(upper - np.interp(bands.low_hz, edges, cumulative))


def pink_band_level_db(f_hz: ArrayLike, gain_power: ArrayLike, bands: Bands) -> Floats:
    """Level that a system gives pink noise, per band, relative to the noise itself.

    Pink noise has power density 1/f, so the level is the mean of ``|H|^2`` over the band
    on a logarithmic frequency axis.

    Parameters
    ----------
    f_hz : array_like, shape (n,)
        Frequencies in Hz, ascending; zero is skipped.
    gain_power : array_like, shape (n,)
        ``|H(f)|^2`` at those frequencies, fine enough to integrate by trapezoids.
    bands : Bands
        Bands inside the range of ``f_hz``.

    Returns
    -------
    ndarray, shape (n_bands,)
        Level in dB.
    """
    f = np.asarray(f_hz, dtype=float)
    g = np.asarray(gain_power, dtype=float)
    if f[0] <= 0:
        f, g = f[1:], g[1:]
    log_f = np.log(f)
    steps = 0.5 * (g[1:] + g[:-1]) * np.diff(log_f)
    cumulative = np.concatenate([[0.0], np.cumsum(steps)])
    # Within a step the integrand is linear, so the integral is quadratic: interpolate it as such.
    low = _integral_at(np.log(bands.low_hz), log_f, g, cumulative)
    high = _integral_at(np.log(bands.high_hz), log_f, g, cumulative)
    mean = (high - low) / np.log(bands.high_hz / bands.low_hz)
    return np.asarray(10 * np.log10(np.maximum(mean, 1e-30)))


def _integral_at(x: Floats, grid: Floats, values: Floats, cumulative: Floats) -> Floats:
    i = np.clip(np.searchsorted(grid, x) - 1, 0, len(grid) - 2)
    width = grid[i + 1] - grid[i]
    t = np.clip((x - grid[i]) / width, 0, 1)
    rise = values[i + 1] - values[i]
    return np.asarray(cumulative[i] + width * (values[i] * t + 0.5 * rise * t * t))
