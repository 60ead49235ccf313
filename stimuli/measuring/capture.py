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
from numpy.typing import NDArray

from stimuli.files.errors import InputError
from stimuli.measuring.recording import BandMeasurement, response_from_noise, response_from_sweep
from stimuli.measuring.sweep import exponential_sweep
from stimuli.measuring.take import SLIP_FRAMES, STEADY_SLIP_FRAMES, Take, cut_take
from stimuli.programme.demo_music import pink_noise
from stimuli.response.measured import Response

__all__ = [
    "Aborted",
    "AudioDevice",
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
    slip = STEADY_SLIP_FRAMES if steady else SLIP_FRAMES
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
