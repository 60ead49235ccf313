"""Two more loudness models beside BS.1770, computed from long-term power spectra.

They are kept next to the declared model so that a reader sees how far "equally loud" depends
on the model, which for bass-heavy stages is more than its tolerance.

The ERB-band sum was compared once with Zwicker's loudness level (ISO 532-1, stationary, as
implemented in mosqito 1.2.1) on 20 stimuli: four programmes through five stages that differ by up
to 6 dB between models. Residuals agreed in sign wherever they mattered, within 0.43 dB rms and
0.75 dB at worst. That library was not made a dependency: it takes seconds to import and longer
for each stimulus than all the rest of rendering.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stimuli.levels.erb import GLASBERG_MOORE

__all__ = [
    "LISTENING_LEVEL_DB",
    "a_weighted_level_db",
    "a_weighting_db",
    "erb_sum_loudness",
    "loudness_difference_db",
    "model_names",
]

Floats = NDArray[np.float64]

# IEC 61672-1:2013 Annex E, formula (E.6): poles of the A weighting, and its gain at 1 kHz.
_F1, _F2, _F3, _F4 = 20.598997057618316, 107.65264864304629, 737.8622307362901, 12194.217147998012
_A1000_DB = -1.999655535667262

LISTENING_LEVEL_DB = 75.0
"""Sound pressure level assumed for the ERB-band sum unless said otherwise, in dB re 20 uPa."""


def model_names(listening_level_db: float = LISTENING_LEVEL_DB) -> dict[str, str]:
    """Describe the further models in words, by the names they are stored under."""
    return {
        "a_weighted": "A-weighted level of the long-term spectrum (IEC 61672-1)",
        "erb_sum": f"simple loudness sum over ERB bands at {listening_level_db:g} dB SPL: power "
        "law above the threshold in quiet, no masking between bands, no temporal effects",
    }


# ISO 226:2023 Table 1: threshold of hearing T_f in dB, free field.
_THRESHOLD = np.array(
    [[20, 78.1], [25, 68.7], [31.5, 59.5], [40, 51.1], [50, 44.0], [63, 37.5], [80, 31.5],
     [100, 26.5], [125, 22.1], [160, 17.9], [200, 14.4], [250, 11.4], [315, 8.6], [400, 6.2],
     [500, 4.4], [630, 3.0], [800, 2.2], [1000, 2.4], [1250, 3.5], [1600, 1.7], [2000, -1.3],
     [2500, -4.2], [3150, -6.0], [4000, -5.4], [5000, -1.5], [6300, 6.0], [8000, 12.6],
     [10000, 13.9], [12500, 12.3]]
)  # fmt: skip

_EXPONENT = 0.3  # compression of intensity to loudness, Stevens' power law
_STEP_CAM = 0.5
_CENTRES_CAM = np.arange(1.5, 39.0, _STEP_CAM)


def a_weighting_db(f_hz: ArrayLike) -> Floats:
    """Weigh by the A curve of IEC 61672-1:2013 Annex E, formula (E.6): dB, 0 dB at 1 kHz.

    Parameters
    ----------
    f_hz : array_like
        Frequencies in Hz, above zero.
    """
    f2 = np.asarray(f_hz, dtype=float) ** 2
    poles = (f2 + _F1**2) * np.sqrt((f2 + _F2**2) * (f2 + _F3**2)) * (f2 + _F4**2)
    return np.asarray(20 * np.log10(_F4**2 * f2**2 / poles) - _A1000_DB)


def a_weighted_level_db(f_hz: ArrayLike, power: ArrayLike) -> float:
    """Level of a line spectrum under the A weighting, in dB re the spectrum's unit power."""
    f = np.asarray(f_hz, dtype=float)
    p = np.asarray(power, dtype=float)
    heard = f > 0
    weighted = float(np.sum(p[heard] * 10 ** (a_weighting_db(f[heard]) / 10)))
    return float(10 * np.log10(weighted)) if weighted > 0 else float("-inf")


def erb_sum_loudness(f_hz: ArrayLike, power: ArrayLike) -> float:
    """Loudness summed over ERB bands, in arbitrary units.

    Each band, one ERB wide, contributes ``(E + E0)^0.3 - E0^0.3`` where E is its power and E0
    the power of the threshold in quiet there (ISO 226:2023). A simple sum for comparing spectra
    of nearly equal level; not a standardised loudness.

    Parameters
    ----------
    f_hz : array_like, shape (n,)
        Equally spaced line frequencies in Hz.
    power : array_like, shape (n,)
        Power of each line re (20 uPa)^2.
    """
    return _loudness(_excitation(f_hz, power))


def _excitation(f_hz: ArrayLike, power: ArrayLike) -> Floats:
    """Power in each of the ERB-wide bands."""
    number = GLASBERG_MOORE.number(f_hz)
    cumulative = np.cumsum(np.asarray(power, dtype=float))
    upper = np.interp(_CENTRES_CAM + 0.5, number, cumulative)
    return np.asarray(upper - np.interp(_CENTRES_CAM - 0.5, number, cumulative))


def _loudness(excitation: Floats) -> float:
    centre_hz = GLASBERG_MOORE.to_hz(_CENTRES_CAM)
    quiet_db = np.interp(np.log(centre_hz), np.log(_THRESHOLD[:, 0]), _THRESHOLD[:, 1])
    quiet = 10 ** (quiet_db / 10)
    return float(np.sum((excitation + quiet) ** _EXPONENT - quiet**_EXPONENT) * _STEP_CAM)


def loudness_difference_db(f_hz: ArrayLike, power: ArrayLike, reference: float) -> float:
    """Gain in dB by which a spectrum is louder than a reference loudness in the ERB-band sum.

    Parameters
    ----------
    f_hz, power : array_like, shape (n,)
        As for :func:`erb_sum_loudness`.
    reference : float
        Loudness to compare with, from :func:`erb_sum_loudness`.

    Returns
    -------
    float
        Minus the gain that would make the spectrum as loud as the reference.
    """
    gains = np.linspace(-24, 24, 97)
    excitation = _excitation(f_hz, power)
    loudness = [_loudness(excitation * 10 ** (g / 10)) for g in gains]
    return -float(np.interp(reference, loudness, gains))
