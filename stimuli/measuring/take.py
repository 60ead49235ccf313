"""What came back through the microphone: found, cut out, and judged."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.fft as fft
from numpy.typing import NDArray

from stimuli.measuring.recording import count_clipped

__all__ = ["SLIP_FRAMES", "STEADY_SLIP_FRAMES", "Take", "TakeFault", "cut_take"]

Floats = NDArray[np.float64]

QUIETEST_PEAK_DBFS = -60.0
LOUDEST_PEAK_DBFS = -1.0
SLIP_FRAMES = 200  # parts of a sweep differ in frequency and so in delay, by a few milliseconds
STEADY_SLIP_FRAMES = 2  # parts of a steady noise do not
_PARTS = 4


@dataclass(frozen=True, slots=True)
class TakeFault:
    """Something wrong with a take.

    Attributes
    ----------
    kind : str
        ``"clipped"``, ``"too quiet"``, ``"too loud"``, ``"not found"`` or ``"dropout"``.
    words : str
        What was found and what to do.
    """

    kind: str
    words: str


@dataclass(frozen=True, slots=True, eq=False)
class Take:
    """One recorded take.

    Attributes
    ----------
    signal : ndarray, shape (frames,)
        The recording, cut to where the played signal lies, with ``tail_frames`` more.
    floor : ndarray, shape (frames,)
        The silence before it.
    played : ndarray, shape (frames,)
        The signal as played, at its level.
    rate : int
        Sample rate in Hz.
    delay_s : float
        Delay from playing to recording.
    peak_dbfs : float
        Highest sample of the recording.
    faults : tuple of TakeFault
        Empty for a good take.
    """

    signal: Floats
    floor: Floats
    played: Floats
    rate: int
    delay_s: float
    peak_dbfs: float
    faults: tuple[TakeFault, ...]


_NOT_SOUND = 100.0
"""A driver that stumbles may hand over bytes that are no samples: NaN, or 40 dB over full scale."""


def cut_take(
    recorded: Floats,
    played: Floats,
    rate: int,
    *,
    before: int,
    lost_buffers: int = 0,
    slip_frames: int = SLIP_FRAMES,
) -> Take:
    """Find the played signal in a recording and cut it out.

    Parameters
    ----------
    recorded : ndarray, shape (frames,)
        Whole recording.
    played : ndarray, shape (n,)
        The signal as played, which began ``before`` frames after the recording.
    rate : int
        Sample rate in Hz.
    before : int
        Frames of silence before the signal.
    lost_buffers : int
        Buffers that the sound system reported lost while recording.
    slip_frames : int
        Delay may differ between parts of the signal by so much; more means that sound was lost.

    Returns
    -------
    Take
    """
    broken = ~(np.abs(recorded) <= _NOT_SOUND)  # also true for what is not a number
    recorded = np.where(broken, 0.0, recorded)
    start, found = _find(recorded, played)
    start = max(start, before)  # sound cannot arrive before it was played
    signal = recorded[start:]
    if len(signal) < len(played):
        signal = np.pad(signal, (0, len(played) - len(signal)))
    # The very first buffers may be empty: noise floor only from the second half of the silence.
    floor = recorded[start - before // 2 : start - rate // 20]
    peak = float(np.abs(recorded).max())
    peak_dbfs = float(20 * np.log10(peak)) if peak > 0 else float("-inf")
    faults = _level_faults(recorded, peak_dbfs)
    if not faults:
        lags = _part_lags(recorded, played, start) if found else []
        if not lags:
            faults.append(TakeFault("not found", _NOT_FOUND))
        elif broken.any() or lost_buffers or max(lags) - min(lags) > slip_frames:
            faults.append(TakeFault("dropout", _DROPOUT))
    return Take(signal, floor, played, rate, (start - before) / rate, peak_dbfs, tuple(faults))


_NOT_FOUND = (
    "the test signal was not recognised in the recording: check that the loudspeakers play and "
    "the right input is chosen"
)


_DROPOUT = "sound was lost on the way: close other programs and take it again"


def _level_faults(recorded: Floats, peak_dbfs: float) -> list[TakeFault]:
    clipped = count_clipped(recorded)
    if clipped:
        words = f"{clipped} samples clipped: lower the input gain and take it again"
        return [TakeFault("clipped", words)]
    if peak_dbfs > LOUDEST_PEAK_DBFS:
        words = f"peak {peak_dbfs:.1f} dBFS: lower the input gain by 6 dB"
        return [TakeFault("too loud", words)]
    if peak_dbfs < QUIETEST_PEAK_DBFS:
        words = f"peak {peak_dbfs:.1f} dBFS: check microphone and cable, then raise the input gain"
        return [TakeFault("too quiet", words)]
    return []


def _part_lags(recorded: Floats, played: Floats, start: int) -> list[int]:
    """Delay of each part of the signal, for the parts that are found near where they belong.

    Parameters
    ----------
    recorded : ndarray, shape (frames,)
        The whole recording.
    played : ndarray, shape (n,)
        The signal as played.
    start : int
        Where the signal was found as a whole.
    """
    n = len(played) // _PARTS
    margin = 20 * SLIP_FRAMES
    lags = []
    for part in range(_PARTS):
        first = max(0, start + part * n - margin)
        stretch = recorded[first : start + (part + 1) * n + margin]
        if len(stretch) < n:
            continue
        lag, found = _find(stretch, played[part * n : (part + 1) * n], clear=4.5)
        if found:
            lags.append(first + lag - part * n)
    return lags


def _find(recorded: Floats, played: Floats, *, clear: float = 8.0) -> tuple[int, bool]:
    """Lag of the highest correlation, whitened so that a bass-heavy room does not smear it."""
    n_fft = fft.next_fast_len(len(recorded) + len(played), real=True)
    cross = fft.rfft(recorded, n_fft) * np.conj(fft.rfft(played, n_fft))
    magnitude = np.abs(cross)
    if not magnitude.any():
        return 0, False
    correlation = fft.irfft(cross / np.sqrt(magnitude * magnitude.max() + 1e-30), n_fft)
    correlation = np.abs(correlation[: max(1, len(recorded) - len(played) + 1)])
    lag = int(correlation.argmax())
    typical = float(np.sqrt(np.mean(correlation**2)))
    return lag, bool(correlation[lag] > clear * typical)
