"""Play and record for real: PulseAudio null sinks with a known filter between them."""

import os
import shutil
import subprocess
import sys
import threading
import time

import numpy as np
import pytest
from guards import GUARD_S, wait_until
from scipy.signal import butter, sosfreqz

from stimuli.response.bands import pink_band_level_db

pytestmark = pytest.mark.loopback

RATE = 48000
# Sound must keep time while the rest of the suite works; without the right to ask, it just runs.
FIRST = ["nice", "-n", "-15"] if os.geteuid() == 0 else []
FILTER = """
import sys
import numpy as np
from scipy.signal import butter, sosfilt
sos = np.vstack([butter(2, 80, "highpass", fs=48000, output="sos"),
                 butter(1, 6000, "lowpass", fs=48000, output="sos")])
state = np.zeros((len(sos), 2, 2))
read, write = sys.stdin.buffer.read, sys.stdout.buffer
while True:
    raw = read(8 * 1024)
    if not raw:
        break
    x = np.frombuffer(raw, dtype="<f4").reshape(-1, 2).astype(float)
    y, state = sosfilt(sos, x, axis=0, zi=state)
    write.write((0.5 * y).astype("<f4").tobytes())
    write.flush()
"""


def known_levels(bands):
    sos = np.vstack(
        [
            butter(2, 80, "highpass", fs=RATE, output="sos"),
            butter(1, 6000, "lowpass", fs=RATE, output="sos"),
        ]
    )
    grid = np.geomspace(bands.low_hz[0], bands.high_hz[-1], 20001)
    _, h = sosfreqz(sos, worN=2 * np.pi * grid / RATE)
    return pink_band_level_db(grid, np.abs(h) ** 2, bands)


class Path:
    """What is played on ``speaker`` is filtered and comes out of ``cabin``, which is recorded."""

    def __init__(self, env):
        self.env = env
        self._chain = []

    def start(self):
        """Begin anew: a chain that stumbled once keeps its backlog and delays all later sound."""
        self.stop()
        layout = ["--raw", "--format=float32le", "--rate=48000", "--channels=2",
                  "--latency-msec=100"]  # fmt: skip
        catch = subprocess.Popen([*FIRST, "parec", "-d", "speaker.monitor", *layout], env=self.env,
                                 stdout=subprocess.PIPE)  # fmt: skip
        box = subprocess.Popen([*FIRST, sys.executable, "-c", FILTER], stdin=catch.stdout,
                               stdout=subprocess.PIPE)  # fmt: skip
        throw = subprocess.Popen(
            [*FIRST, "pacat", "-d", "cabin", *layout], env=self.env, stdin=box.stdout
        )
        self._chain = [catch, box, throw]
        for pipe in (catch.stdout, box.stdout):
            pipe.close()
        wait_until(self._flows, "the chain does not run")
        time.sleep(1.0)  # let the pipe fill; a take that comes too early is taken again

    def _flows(self):
        """Both ends of the chain are connected."""
        ends = [self.pactl("list", "short", kind) for kind in ("source-outputs", "sink-inputs")]
        return all(end.stdout.strip() for end in ends)

    def stop(self):
        for process in self._chain:
            process.terminate()
            process.wait(GUARD_S)
        self._chain = []

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
         "-L", sink + "speaker", "-L", sink + "cabin"],
        env=env, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    path = Path(env)
    before = {k: os.environ.get(k) for k in ("XDG_RUNTIME_DIR", "PULSE_SERVER")}
    try:
        wait_until(lambda: path.pactl("info").returncode == 0, "PulseAudio did not start")
        path.pactl("set-default-sink", "speaker")
        path.pactl("set-default-source", "cabin.monitor")
        os.environ.update(XDG_RUNTIME_DIR=env["XDG_RUNTIME_DIR"], PULSE_SERVER=env["PULSE_SERVER"])
        _restart_portaudio()
        yield path
    finally:
        for key, value in before.items():
            os.environ.pop(key, None)
            if value is not None:
                os.environ[key] = value
        path.stop()
        server.terminate()
        server.wait(GUARD_S)


@pytest.fixture
def cabin(sound_server):
    sound_server.start()
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


def undisturbed(cabin, measure, tries=20):
    """Take again after a stumble, as a person would: the machine may be busy with other work."""
    for _ in range(tries):
        result = measure()
        # A gap in the stream makes the filter in the path overshoot, which can clip as well.
        stumbles = {"dropout", "not found", "too quiet", "clipped"}
        if not {fault.kind for fault in result[0].faults} & stumbles:
            break
        cabin.start()
    return result


def repeatable(cabin, measure, tries=20):
    """Take until two takes agree within 0.1 dB: a loss in a sweep's bass can go unseen in one."""
    before = None
    for _ in range(tries):
        result = undisturbed(cabin, measure)
        measured = result[1]
        if measured is None:
            continue
        if before is not None and np.abs(before - measured.level_db).max() < 0.1:
            return result
        before = measured.level_db
        cabin.start()  # anew: two takes through one chain would share its backlog
    raise AssertionError("no two takes agreed")


def test_devices_are_listed(sound_server):
    from stimuli.measuring.capture import list_devices

    devices = list_devices()
    pulse = [d for d in devices if d.name == "pulse"]
    assert pulse
    assert pulse[0].inputs >= 1
    assert pulse[0].outputs >= 2


def test_pink_noise_measures_the_filter_in_the_path(cabin):
    from stimuli.measuring.capture import measure_noise

    progress = []
    take, measured = undisturbed(
        cabin,
        lambda: measure_noise(
            seconds=4.0,
            device="pulse",
            after_s=2.5,
            progress=lambda done, total: progress.append((done, total)),
        ),
    )
    assert take.faults == ()
    assert np.abs(error_of(measured)).max() < 0.3
    assert measured.valid_hz[0] < 40
    assert progress[-1][0] == progress[-1][1]


def test_sweep_measures_the_filter_in_the_path(cabin):
    from stimuli.measuring.capture import measure_sweep

    take, measured, impulse = repeatable(
        cabin, lambda: measure_sweep(seconds=2.0, device="pulse", drive="left", after_s=2.5)
    )
    assert take.faults == ()
    assert np.abs(error_of(measured)).max() < 0.3
    at_1k = np.abs(measured.bands.mid_hz - 1000).argmin()
    # the path halves the sound, one channel of two is driven and the input mixes both: -12 dB
    assert measured.level_db[at_1k] == pytest.approx(-12.15, abs=0.3)
    assert len(impulse) == round(0.5 * RATE)


def test_level_check_is_quiet_and_sees_the_signal(cabin):
    from stimuli.measuring.capture import check_level

    take, snr_db = undisturbed(cabin, lambda: check_level(device="pulse", after_s=2.5))
    assert take.faults == ()
    assert take.peak_dbfs < -40
    assert snr_db > 20


def test_silent_path_is_reported(cabin):
    from stimuli.measuring.capture import record_take

    cabin.pactl("set-sink-mute", "speaker", "1")
    try:
        take = record_take(np.sin(np.arange(48000) / 5), device="pulse")
    finally:
        cabin.pactl("set-sink-mute", "speaker", "0")
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
