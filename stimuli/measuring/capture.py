"""Play a test signal and record it: devices, one take a position, what was wrong with it.

The first buffers of a stream may be lost and the delay differs from run to run, on real sound
cards as on virtual ones. So every take has silence before and after, and the signal's place in
the recording is found by correlation. The silence before it is the noise floor.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import scipy.fft as fft
from numpy.typing import NDArray

from stimuli.files.errors import InputError
from stimuli.measuring.recording import (
    BandMeasurement,
    count_clipped,
    response_from_noise,
    response_from_sweep,
)
from stimuli.measuring.sweep import exponential_sweep
from stimuli.programme.demo_music import pink_noise
from stimuli.response.measured import Response

__all__ = [
    "Aborted",
    "AudioDevice",
    "Take",
    "TakeFault",
    "check_level",
    "list_devices",
    "measure_noise",
    "measure_sweep",
    "record_take",
]

Floats = NDArray[np.float64]
Progress = Callable[[float, float], None]
Drive = Literal["left", "right", "both"]

START_DBFS = -40.0
"""Level at which a level check begins: quiet, so that a wrong volume knob hurts nobody."""

QUIETEST_PEAK_DBFS = -60.0
LOUDEST_PEAK_DBFS = -1.0


_SLIP_FRAMES = 200  # parts of a sweep differ in frequency and so in delay, by a few milliseconds
_STEADY_SLIP_FRAMES = 2  # parts of a steady noise do not
_PARTS = 4

# A block size of our own choice, well below the latency, keeps ALSA's PulseAudio plugin from
# stumbling at every buffer, which it does when PortAudio chooses.
_BLOCK_FRAMES = 2048
_LATENCY_S = 0.4  # nothing here is interactive, so buffers may be long and safe


class Aborted(Exception):
    """The person at the microphone stopped the take."""


@dataclass(frozen=True, slots=True)
class AudioDevice:
    """A sound device.

    Attributes
    ----------
    index : int
        Number to choose it by.
    name, host : str
        Its name and its sound system's.
    inputs, outputs : int
        Channels.
    rate : float
        Usual sample rate in Hz.
    is_default_input, is_default_output : bool
        Chosen when no device is named.
    """

    index: int
    name: str
    host: str
    inputs: int
    outputs: int
    rate: float
    is_default_input: bool
    is_default_output: bool


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


def _sounddevice() -> Any:
    """Import sounddevice when it is needed: it loads PortAudio, which a server may not have."""
    try:
        import sounddevice
    except OSError as error:
        raise InputError(
            problem=f"PortAudio cannot be loaded ({error})",
            remedy="Install it (on Debian: apt install libportaudio2)",
        ) from error
    return sounddevice


def list_devices() -> tuple[AudioDevice, ...]:
    """Sound devices of this machine.

    Raises
    ------
    InputError
        If PortAudio is missing.
    """
    sd = _sounddevice()
    hosts = [host["name"] for host in sd.query_hostapis()]
    default_in, default_out = sd.default.device
    return tuple(
        AudioDevice(
            index=d["index"],
            name=d["name"],
            host=hosts[d["hostapi"]],
            inputs=d["max_input_channels"],
            outputs=d["max_output_channels"],
            rate=d["default_samplerate"],
            is_default_input=d["index"] == default_in,
            is_default_output=d["index"] == default_out,
        )
        for d in sd.query_devices()
    )


def record_take(
    signal: Floats,
    *,
    rate: int = 48000,
    level_dbfs: float = -30.0,
    drive: Drive = "both",
    device: int | str | tuple[int | str, int | str] | None = None,
    input_channel: int = 1,
    before_s: float = 1.5,
    after_s: float = 1.5,
    steady: bool = False,
    abort: threading.Event | None = None,
    progress: Progress | None = None,
) -> Take:
    """Play a mono test signal and record the microphone.

    Parameters
    ----------
    signal : ndarray, shape (frames,)
        Test signal with peak 1 or less.
    rate : int
        Sample rate in Hz.
    level_dbfs : float
        Peak level to play at.
    drive : {"left", "right", "both"}
        Which side plays.
    device : int, str or pair, optional
        Device, or (input, output); the system's default if None.
    input_channel : int
        Channel of the microphone, from 1.
    before_s, after_s : float
        Silence before and after; at least 1 s, see the module's words.
    steady : bool
        The signal is a steady noise, so that the loss of even a few frames can be told.
    abort : threading.Event, optional
        Set it to stop at once.
    progress : callable, optional
        Called with (seconds done, seconds in all).

    Returns
    -------
    Take
        With faults listed, not raised: the caller shows them and offers the take again.

    Raises
    ------
    Aborted
        If ``abort`` was set.
    InputError
        If the device cannot be opened as asked.
    """
    played = np.asarray(signal, dtype=float) * 10 ** (level_dbfs / 20)
    before, after = round(before_s * rate), round(after_s * rate)
    frames = before + len(played) + after
    output = np.zeros((frames, 2), dtype=np.float32)
    for side in {"left": (0,), "right": (1,), "both": (0, 1)}[drive]:
        output[before : before + len(played), side] = played
    recorded, lost = _play_and_record(output, rate, device, input_channel, abort, progress)
    slip = _STEADY_SLIP_FRAMES if steady else _SLIP_FRAMES
    return cut_take(recorded, played, rate, before=before, lost_buffers=lost, slip_frames=slip)


def _play_and_record(
    output: NDArray[np.float32],
    rate: int,
    device: int | str | tuple[int | str, int | str] | None,
    input_channel: int,
    abort: threading.Event | None,
    progress: Progress | None,
) -> tuple[Floats, int]:
    sd = _sounddevice()
    recorded = np.zeros(len(output), dtype=np.float32)
    at = lost = 0
    finished = threading.Event()

    def callback(indata: Any, outdata: Any, frames: int, _time: Any, status: Any) -> None:
        nonlocal at, lost
        # Losses only: a primed buffer is no fault, and while the stream settles nothing plays.
        if (status.input_overflow or status.output_underflow) and at > rate:
            lost += 1
        n = min(frames, len(output) - at)
        outdata[:n] = output[at : at + n]
        outdata[n:] = 0
        recorded[at : at + n] = indata[:n, input_channel - 1]
        at += n
        if at >= len(output):
            raise sd.CallbackStop

    try:
        stream = sd.Stream(
            samplerate=rate,
            channels=(input_channel, 2),
            dtype="float32",
            device=device,
            latency=_LATENCY_S,
            blocksize=_BLOCK_FRAMES,
            callback=callback,
            finished_callback=finished.set,
        )
    except (sd.PortAudioError, ValueError) as error:
        raise InputError(
            where=None if device is None else f"device {device}",
            problem=f"the sound device cannot be opened at {rate} Hz with {input_channel} in and "
            f"2 out ({error})",
            remedy="List the devices and choose one with a microphone input and two outputs",
        ) from error
    total = len(output) / rate
    with stream:
        while not finished.wait(0.1):
            if progress is not None:
                progress(at / rate, total)
            if abort is not None and abort.is_set():
                stream.abort()
                raise Aborted
    if progress is not None:
        progress(total, total)
    return recorded.astype(float), lost


_NOT_SOUND = 100.0
"""A driver that stumbles may hand over bytes that are no samples: NaN, or 40 dB over full scale."""


def cut_take(
    recorded: Floats,
    played: Floats,
    rate: int,
    *,
    before: int,
    lost_buffers: int = 0,
    slip_frames: int = _SLIP_FRAMES,
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
    margin = 20 * _SLIP_FRAMES
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


def measure_noise(
    *,
    seconds: float = 20.0,
    rate: int = 48000,
    fraction: int = 3,
    correction: Response | None = None,
    **options: Any,
) -> tuple[Take, BandMeasurement | None]:
    """One take of pink noise and its response.

    Parameters
    ----------
    seconds : float
        Length of the noise; the first 0.3 s settle the room and are not measured.
    rate, fraction, correction
        As for :func:`stimuli.measuring.recording.response_from_noise`.
    **options
        As for :func:`record_take`.

    Returns
    -------
    take : Take
    measurement : BandMeasurement or None
        None if the take has faults.
    """
    period = pink_noise(seconds=seconds, rate=rate)[:, 0]
    settle = round(0.3 * rate)
    signal = np.concatenate([period[-settle:], period])  # one whole period follows the settling
    ramp = round(0.1 * rate)
    signal[:ramp] *= 0.5 - 0.5 * np.cos(np.pi * np.arange(ramp) / ramp)
    take = record_take(signal / np.abs(signal).max(), rate=rate, steady=True, **options)
    if take.faults:
        return take, None
    measured = response_from_noise(
        take.signal[settle : settle + len(period)],
        rate,
        fraction=fraction,
        floor=take.floor,
        correction=correction,
    )
    return take, measured


def measure_sweep(
    *,
    seconds: float = 5.0,
    rate: int = 48000,
    fraction: int = 3,
    correction: Response | None = None,
    length_s: float = 0.5,
    **options: Any,
) -> tuple[Take, BandMeasurement | None, Floats | None]:
    """One take of an exponential sweep, its response and its impulse response.

    Parameters
    ----------
    seconds : float
        Length of the sweep.
    rate, fraction, correction, length_s
        As for :func:`stimuli.measuring.recording.response_from_sweep`.
    **options
        As for :func:`record_take`.
    """
    sweep = exponential_sweep(seconds=seconds, rate=rate)
    take = record_take(sweep, rate=rate, **options)
    if take.faults:
        return take, None, None
    measured, impulse = response_from_sweep(
        take.signal,
        take.played,
        rate,
        fraction=fraction,
        floor=take.floor,
        correction=correction,
        length_s=length_s,
    )
    return take, measured, impulse


def check_level(
    *, rate: int = 48000, level_dbfs: float = START_DBFS, **options: Any
) -> tuple[Take, float]:
    """Two seconds of quiet pink noise, to set the volume and the input gain.

    Returns
    -------
    take : Take
        With faults such as clipping.
    snr_db : float
        Level of the noise over the floor in the recording.
    """
    noise = pink_noise(seconds=2.0, rate=rate)[:, 0]
    take = record_take(
        noise / np.abs(noise).max(), rate=rate, level_dbfs=level_dbfs, steady=True, **options
    )
    heard = float(np.mean(take.signal[: len(noise)] ** 2))
    floor = float(np.mean(take.floor**2)) if len(take.floor) else 0.0
    snr = 10 * np.log10(max(heard, 1e-20) / max(floor, 1e-20))
    return take, float(snr)
