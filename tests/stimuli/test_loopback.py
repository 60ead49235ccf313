"""Play and record for real: a PulseAudio null sink with a known filter before it."""

import os
import shutil
import subprocess
import threading

import numpy as np
import pytest
import soundfile
from scipy.signal import butter, sosfilt, sosfreqz

from helpers.guards import GUARD_S, wait_until
from stimuli.response.bands import pink_band_level_db

pytestmark = pytest.mark.loopback

RATE = 48000
# Sound must keep time while the rest of the suite works; without the right to ask, it just runs.
FIRST = ["nice", "-n", "-15"] if os.geteuid() == 0 else []
SOS = np.vstack(
    [
        butter(2, 80, "highpass", fs=RATE, output="sos"),
        butter(1, 6000, "lowpass", fs=RATE, output="sos"),
    ]
)
IMPULSE = sosfilt(SOS, np.eye(1, 8192)[0])
# PulseAudio scales a response to this peak; given with it, an edition that does not is the same.
GAIN = 0.4 / np.abs(IMPULSE).max()


def known_levels(bands):
    grid = np.geomspace(bands.low_hz[0], bands.high_hz[-1], 20001)
    _, h = sosfreqz(SOS, worN=2 * np.pi * grid / RATE)
    return pink_band_level_db(grid, np.abs(h) ** 2, bands)


class Path:
    """What is played is filtered within the sound server and comes out of ``saloon``.

    Within the server, since sound handed from program to program goes missing on a busy machine.
    """

    def __init__(self, env):
        self.env = env

    def filter(self, folder):
        """Put the known filter before ``saloon``: a response to convolve with, left to left."""
        response = folder / "response.wav"
        heard = np.column_stack([GAIN * IMPULSE, np.zeros_like(IMPULSE)])
        soundfile.write(response, heard, RATE, subtype="FLOAT")
        loaded = self.pactl(
            "load-module", "module-virtual-surround-sink", "sink_name=speaker",
            "sink_master=saloon", f"hrir={response}", f"rate={RATE}", "channels=2",
            "channel_map=front-left,front-right",
        )  # fmt: skip
        assert loaded.returncode == 0, loaded.stderr.decode()

    def pactl(self, *args):
        return subprocess.run(["pactl", *args], env=self.env, capture_output=True, check=False)


@pytest.fixture(scope="module")
def sound_server(tmp_path_factory):
    assert shutil.which("pulseaudio"), "install pulseaudio: bash tests/system-packages"
    folder = tmp_path_factory.mktemp("pulse")
    env = dict(os.environ, XDG_RUNTIME_DIR=str(folder), PULSE_SERVER=f"unix:{folder}/native",
               HOME=str(folder))  # fmt: skip
    sink = "module-null-sink rate=48000 format=float32le channels=2 sink_name="
    server = subprocess.Popen(
        [*FIRST, "pulseaudio", "-n",
         "--daemonize=no", "--exit-idle-time=-1", "--disallow-exit=true",
         "--use-pid-file=no",
         "-L", f"module-native-protocol-unix socket={folder}/native auth-anonymous=1",
         "-L", sink + "saloon"],
        env=env, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    path = Path(env)
    before = {k: os.environ.get(k) for k in ("XDG_RUNTIME_DIR", "PULSE_SERVER")}
    try:
        wait_until(lambda: path.pactl("info").returncode == 0, "PulseAudio did not start")
        path.filter(folder)
        path.pactl("set-default-sink", "speaker")
        path.pactl("set-default-source", "saloon.monitor")
        os.environ.update(XDG_RUNTIME_DIR=env["XDG_RUNTIME_DIR"], PULSE_SERVER=env["PULSE_SERVER"])
        _restart_portaudio()
        yield path
    finally:
        for key, value in before.items():
            os.environ.pop(key, None)
            if value is not None:
                os.environ[key] = value
        server.terminate()
        server.wait(GUARD_S)


@pytest.fixture
def saloon(sound_server):
    usual = os.getpriority(os.PRIO_PROCESS, 0)
    if FIRST:
        os.setpriority(os.PRIO_PROCESS, 0, -15)  # PortAudio's thread inherits it
    yield sound_server
    os.setpriority(os.PRIO_PROCESS, 0, usual)


def _restart_portaudio():
    """PortAudio lists devices once, when it starts; the server came up later."""
    import sounddevice

    sounddevice._terminate()
    sounddevice._initialize()


def error_of(measured):
    error = measured.level_db - known_levels(measured.bands)
    error = error[measured.bands.inside(*measured.valid_hz)]
    return error - (error.max() + error.min()) / 2


def undisturbed(measure, tries=20):
    """Take again after a stumble, as a person would: the machine may be busy with other work."""
    for _ in range(tries):
        result = measure()
        # A gap in the stream makes the filter in the path overshoot, which can clip as well.
        stumbles = {"dropout", "not found", "too quiet", "clipped"}
        if not {fault.kind for fault in result[0].faults} & stumbles:
            break
    return result


def repeatable(measure, tries=20):
    """Take until two takes agree within 0.1 dB: a loss in a sweep's bass can go unseen in one."""
    before = None
    for _ in range(tries):
        result = undisturbed(measure)
        measured = result[1]
        if measured is None:
            continue
        if before is not None and np.abs(before - measured.level_db).max() < 0.1:
            return result
        before = measured.level_db
    raise AssertionError("no two takes agreed")


def test_devices_are_listed(sound_server):
    from stimuli.measuring.capture import list_devices

    devices = list_devices()
    pulse = [d for d in devices if d.name == "pulse"]
    assert pulse
    assert pulse[0].inputs >= 1
    assert pulse[0].outputs >= 2


def test_pink_noise_measures_the_filter_in_the_path(saloon):
    from stimuli.measuring.capture import measure_noise

    progress = []
    take, measured = undisturbed(
        lambda: measure_noise(
            seconds=4.0,
            device="pulse",
            after_s=1.0,
            progress=lambda done, total: progress.append((done, total)),
        ),
    )
    assert take.faults == ()
    assert np.abs(error_of(measured)).max() < 0.3
    assert measured.valid_hz[0] < 40
    assert progress[-1][0] == progress[-1][1]


def test_sweep_measures_the_filter_in_the_path(saloon):
    from stimuli.measuring.capture import measure_sweep

    take, measured, impulse = repeatable(
        lambda: measure_sweep(seconds=2.0, device="pulse", drive="left", after_s=1.0)
    )
    assert take.faults == ()
    assert np.abs(error_of(measured)).max() < 0.3
    at_1k = np.abs(measured.bands.mid_hz - 1000).argmin()
    # one channel of two is driven and the input mixes both: 6 dB less than the filter leaves
    expected_db = known_levels(measured.bands)[at_1k] + 20 * np.log10(GAIN / 2)
    assert measured.level_db[at_1k] == pytest.approx(expected_db, abs=0.1)
    assert len(impulse) == round(0.5 * RATE)


def test_level_check_is_quiet_and_sees_the_signal(saloon):
    from stimuli.measuring.capture import check_level

    take, snr_db = undisturbed(lambda: check_level(device="pulse", after_s=1.0))
    assert take.faults == ()
    assert take.peak_dbfs < -40
    assert snr_db > 20


def test_silent_path_is_reported(saloon):
    from stimuli.measuring.capture import record_take

    saloon.pactl("set-sink-mute", "speaker", "1")
    try:
        take = record_take(np.sin(np.arange(48000) / 5), device="pulse")
    finally:
        saloon.pactl("set-sink-mute", "speaker", "0")
    assert [fault.kind for fault in take.faults] == ["too quiet"]


def test_abort_stops_at_once(sound_server):
    from stimuli.measuring.capture import Aborted, record_take

    abort, told = threading.Event(), []

    def progress(done, total):
        told.append((done, total))
        if done > 0.2:
            abort.set()

    with pytest.raises(Aborted):
        record_take(np.zeros(60 * RATE), device="pulse", abort=abort, progress=progress)
    asked = next(k for k, (done, _) in enumerate(told) if done > 0.2)
    assert asked == len(told) - 1, "it went on after it was asked to stop"
    assert told[-1][0] < told[-1][1]


def test_unknown_device_is_refused(sound_server):
    from stimuli.files.errors import InputError
    from stimuli.measuring.capture import record_take

    with pytest.raises(InputError, match="device nowhere: the sound device cannot be opened"):
        record_take(np.zeros(100), device="nowhere")
