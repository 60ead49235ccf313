"""The sound of a booth: one stream that all versions of a trial share."""

from __future__ import annotations

import threading
import time
from collections.abc import Sequence
from types import TracebackType
from typing import Any

import numpy as np

from abx.booth.mixer import Mixer, Samples
from abx.errors import InputError
from abx.session.blobs import HEADER, MAGIC

__all__ = ["BoothPlayer", "read_blob"]

START_WAIT_S = 2.0  # an audio server may take a while until it asks for the first block
END_WAIT_S = 2.0  # and may have gone by the end


def read_blob(blob: bytes | memoryview) -> tuple[list[Samples], int]:
    """Unpack a block of sound data.

    Returns
    -------
    list of ndarray, int
        Versions as ``(frames, channels)`` within ±1, and the sample rate.

    Raises
    ------
    InputError
        If the block is damaged.
    """
    if len(blob) < HEADER.size or blob[:4] != MAGIC:
        raise _damaged("it does not begin with the mark of sound data")
    _, n_versions, channels, rate, frames = HEADER.unpack_from(blob)
    if len(blob) != HEADER.size + 2 * n_versions * channels * frames:
        raise _damaged(f"it has {len(blob)} bytes")
    pcm = np.frombuffer(blob, dtype="<i2", offset=HEADER.size)
    parts = pcm.reshape(n_versions, frames, channels)
    return [np.asarray(part / np.float32(32768), dtype=np.float32) for part in parts], rate


def _damaged(problem: str) -> InputError:
    return InputError(
        where="sound data", problem=problem, remedy="render the stimuli again and restart"
    )


class BoothPlayer:
    """Play the versions of one trial through a local output.

    Parameters
    ----------
    versions : sequence of ndarray, each (frames, channels)
        Samples within ±1.
    rate : int
        Sample rate in Hz.
    device : int or str, optional
        Output device as sounddevice names it; the default output when omitted.
    gain : float, optional
        Linear level.
    latency : str or float, optional
        ``"low"``, ``"high"`` or seconds.

    Raises
    ------
    InputError
        On entering, if the device cannot play this.
    """

    def __init__(
        self,
        versions: Sequence[Samples],
        rate: int,
        *,
        device: int | str | None = None,
        gain: float = 1.0,
        latency: str | float = "low",
    ) -> None:
        self.mixer = Mixer(versions, rate, gain=gain)
        self.underruns = 0
        self._taken = 0
        self._silent_frames = 0
        self._device = device
        self._latency = latency
        self._stream: Any = None
        self._running = threading.Event()

    def __enter__(self) -> BoothPlayer:
        import sounddevice

        try:
            self._stream = sounddevice.OutputStream(
                samplerate=self.mixer.rate,
                channels=self.mixer.channels,
                dtype="float32",
                device=self._device,
                latency=self._latency,
                callback=self._callback,
            )
            self._stream.start()
            self._running.wait(START_WAIT_S)
        except (sounddevice.PortAudioError, ValueError) as error:
            raise InputError(
                where="audio output",
                problem=f"the device cannot play {self.mixer.rate} Hz, {error}",
                remedy="choose another device with --device, or check its connection",
            ) from error
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.mixer.pause()
        # The fade-out is in the hands of the audio thread. A stop may throw away what is still in
        # the buffers, so silence follows until the last of the sound has left them.
        silence = 2.0 * self.output_latency_s * self.mixer.rate
        deadline = time.monotonic() + END_WAIT_S
        while self._silent_frames < silence and time.monotonic() < deadline:
            time.sleep(0.005)
        self._stream.stop()
        self._stream.close()

    def take_underruns(self) -> int:
        """Return how many buffers came late since this was last asked."""
        late = self.underruns - self._taken
        self._taken += late
        return late

    @property
    def output_latency_s(self) -> float:
        """Latency the device reports, in seconds."""
        return float(self._stream.latency)

    def _callback(self, outdata: Samples, frames: int, _time: Any, status: Any) -> None:
        if status.output_underflow:
            self.underruns += 1
        outdata[:] = self.mixer.render(frames)
        self._silent_frames = self._silent_frames + frames if self.mixer.silent else 0
        self._running.set()
