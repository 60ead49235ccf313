"""A sound card made of PulseAudio's null sink, and what went through it."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np

from helpers.guards import GUARD_S, wait_until

__all__ = ["FIRST", "Card", "in_front", "null_sink"]

# Sound must keep time while the machine does other work; without the right to ask, it just runs.
FIRST = ["nice", "-n", "-15"] if os.geteuid() == 0 else []
_FRAME = 2 * 4  # bytes: two channels of float32
_RATE = 48_000


class Card:
    """A null sink and its monitor."""

    def __init__(self, env: dict[str, str]) -> None:
        self._env = env

    def record(self, folder: Path, action: Callable[[], None]) -> np.ndarray:
        """Record everything that is played during ``action``; shape ``(frames, 2)``."""
        raw = folder / "recording.f32"
        format_ = ["--raw", "--format=float32le", "--rate=48000", "--channels=2"]
        with raw.open("wb") as out:
            recorder = subprocess.Popen(
                [*FIRST, "parec", "-d", "booth.monitor", "--latency-msec=20", *format_],
                env=self._env,
                stdout=out,
            )
            try:
                wait_until(lambda: raw.stat().st_size > 0, "the recorder did not start")
                action()
                wait_until(lambda: _is_over(raw), "the sound did not end")
            finally:
                recorder.terminate()
                recorder.wait(GUARD_S)
        data = np.fromfile(raw, "<f4")
        return data[: len(data) // 2 * 2].reshape(-1, 2).astype(float)


def _is_over(raw: Path) -> bool:
    """Whether half a second of silence has come after whatever was under way in the sink."""
    size, tail = raw.stat().st_size // _FRAME * _FRAME, _RATE // 2 * _FRAME
    if size < tail:
        return False
    with raw.open("rb") as file:
        file.seek(size - tail)
        return not any(file.read(tail))


@contextmanager
def null_sink(folder: Path) -> Iterator[Card]:
    """Run a sound server with a null sink of its own; PortAudio's default device meanwhile."""
    assert shutil.which("pulseaudio"), "install pulseaudio: bash tests/system-packages"
    env = dict(
        os.environ,
        XDG_RUNTIME_DIR=str(folder),
        PULSE_SERVER=f"unix:{folder}/native",
        HOME=str(folder),
    )
    command = [*FIRST, "pulseaudio", "-n", "--daemonize=no", "--exit-idle-time=-1"]
    command += ["--disallow-exit=true", "--use-pid-file=no"]
    command += ["-L", f"module-native-protocol-unix socket={folder}/native auth-anonymous=1"]
    command += ["-L", "module-null-sink sink_name=booth rate=48000 format=float32le channels=2"]
    quiet = subprocess.DEVNULL
    server = subprocess.Popen(command, env=env, stdout=quiet, stderr=quiet)
    before = {name: os.environ.get(name) for name in ("XDG_RUNTIME_DIR", "PULSE_SERVER")}
    try:
        wait_until(lambda: _pactl(env, "info") == 0, "PulseAudio did not start")
        _pactl(env, "set-default-sink", "booth")
        _pactl(env, "set-default-source", "booth.monitor")
        os.environ.update({name: env[name] for name in before})
        _restart_portaudio()
        yield Card(env)
    finally:
        for name, value in before.items():
            os.environ.pop(name, None)
            if value is not None:
                os.environ[name] = value
        server.terminate()
        server.wait(GUARD_S)


@contextmanager
def in_front() -> Iterator[None]:
    """Let this process go before others where that may be asked for; threads inherit it."""
    usual = os.getpriority(os.PRIO_PROCESS, 0)
    if FIRST:
        os.setpriority(os.PRIO_PROCESS, 0, -15)
    try:
        yield
    finally:
        os.setpriority(os.PRIO_PROCESS, 0, usual)


def _pactl(env: dict[str, str], *args: str) -> int:
    return subprocess.run(["pactl", *args], env=env, capture_output=True, check=False).returncode


def _restart_portaudio() -> None:
    """PortAudio lists devices once, when it starts; the server came up later."""
    import sounddevice

    sounddevice._terminate()
    sounddevice._initialize()
