"""The player's output, captured inside Chromium's audio graph and compared with the stimuli."""

from __future__ import annotations

import base64
from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
import pytest
from playwright.sync_api import Page
from scipy.signal import butter, sosfiltfilt

from helpers.browser_harness import RATE, harness_app, pack_blob, running, to_int16

pytestmark = pytest.mark.browser

FADE = 240  # 5 ms at 48 kHz: ITU-R BS.1534-3 practice, as the design asks
START_RAMP = round(0.35 * RATE)
RING = 200  # frames over which the measure of a click rings


def noise(seed: int, seconds: float) -> np.ndarray:
    rng = np.random.default_rng(seed)
    return 0.25 * rng.uniform(-1, 1, (round(seconds * RATE), 2))


def sine(level_db: float, phase: float, seconds: float = 1.0, f_hz: float = 1000.0) -> np.ndarray:
    t = np.arange(round(seconds * RATE)) / RATE
    wave = 10 ** (level_db / 20) * np.sin(2 * np.pi * f_hz * t + phase)
    return np.column_stack([wave, wave])


NOISES = [noise(seed, 0.8) for seed in (11, 12, 13)]
SINES = [sine(-6, 0.0), sine(-6, np.pi / 2), sine(-9, 1.0)]


@pytest.fixture(scope="module")
def address() -> Iterator[str]:
    long = np.tile(noise(14, 1.0), (15, 1))
    sounds = {"noise": pack_blob(NOISES), "sine": pack_blob(SINES), "long": pack_blob([long] * 4)}
    with running(harness_app(sounds)) as url:
        yield url


@pytest.fixture
def harness(page: Page, address: str) -> Page:
    page.goto(address)
    page.wait_for_function("window.ready === true")
    return page


def samples(capture: dict) -> np.ndarray:
    """Captured output as ``(frames, channels)``, indexed from the context's frame 0."""
    data = np.frombuffer(base64.b64decode(capture["data"]), dtype="<f4").astype(float)
    data = data.reshape(-1, capture["channels"])
    return np.vstack([np.zeros((capture["first"], data.shape[1])), data])


def raised_cosine(n: int) -> np.ndarray:
    return 0.5 - 0.5 * np.cos(np.pi * np.arange(1, n + 1) / n)


def with_smooth_ends(version: np.ndarray) -> np.ndarray:
    out = to_int16(version) / 32768
    ramp = 0.5 - 0.5 * np.cos(np.pi * np.arange(FADE) / FADE)
    out[:FADE] *= ramp[:, None]
    out[-FADE:] *= ramp[::-1, None]
    return out


def model(versions: list[np.ndarray], log: dict, n_frames: int) -> np.ndarray:
    """What should come out: written down from the rule, not from the player's code."""
    gains = np.zeros((len(versions), n_frames))
    gains[log["first"], :] = 1.0
    current = log["first"]
    for switch in log["switches"]:
        at = switch["newSoundFrame"]
        gains[current, at:] = 0.0
        gains[current, at - FADE : at] = 1 - raised_cosine(FADE)
        gains[switch["to"], at:] = 1.0
        gains[switch["to"], at : at + FADE] = raised_cosine(FADE)
        current = switch["to"]
    start = log["start"]
    out = np.zeros((n_frames, versions[0].shape[1]))
    index = (np.arange(start, n_frames) - start) % len(versions[0])
    for gain, version in zip(gains, versions, strict=True):
        out[start:] += gain[start:, None] * with_smooth_ends(version)[index]
    ramp = np.ones(n_frames)
    ramp[start : start + START_RAMP] = raised_cosine(START_RAMP)
    return out * ramp[:, None]


PLAY_AND_SWITCH = """async ({ name, pauses }) => {
  const room = await openCapture(name);
  const engine = createEngine(room.context, room.blob, { destination: room.tap });
  await room.run(100);
  engine.play(0);
  const log = { first: 0, start: engine.startFrame, switches: [] };
  await room.run(500);
  let to = 0;
  for (const pause of pauses) {
    to = (to + 1 + (log.switches.length % 2)) % room.blob.nVersions;
    engine.select(to);
    log.switches.push({ to, ...engine.stats.lastSwitch });
    await room.run(pause);
  }
  await room.run(150);
  const capture = room.read();
  engine.dispose();
  await room.context.close();
  return { capture, log, late: engine.stats.late, recovered: engine.stats.recovered };
}"""
MOST_TAKES = 10


def undisturbed(harness: Page, script: str, argument: object = None) -> dict[str, Any]:
    """Take again where the page was held up so long that a curve had to be recovered.

    How that sounds has a test of its own.
    """
    for _ in range(MOST_TAKES):
        result: dict[str, Any] = harness.evaluate(script, argument)
        if not result["recovered"]:
            return result
    raise AssertionError(f"the machine held the page up in each of {MOST_TAKES} takes")


def played_and_switched(harness: Page, name: str, pauses: list[int]) -> dict[str, Any]:
    """Play and switch; switches that come late are marked in the log."""
    result = undisturbed(harness, PLAY_AND_SWITCH, {"name": name, "pauses": pauses})
    late = sum(switch["isLate"] for switch in result["log"]["switches"])
    print(f"late {late} of {len(pauses)} switches")
    assert result["late"] >= late, "a late switch that nobody counted"
    return result


def test_the_chosen_version_sounds_aligned_to_the_sample(harness: Page) -> None:
    pauses = [80 + 37 * (k % 5) for k in range(20)]
    result = played_and_switched(harness, "noise", pauses)
    captured = samples(result["capture"])
    expected = model(NOISES, result["log"], len(captured))
    error = np.abs(captured - expected).max(axis=1)
    frames = np.arange(len(captured))
    in_fade = np.zeros(len(captured), dtype=bool)
    in_fade[frames < result["log"]["start"] + START_RAMP] = True
    for switch in result["log"]["switches"]:
        in_fade[switch["newSoundFrame"] - FADE : switch["newSoundFrame"] + FADE] = True
        if switch["isLate"]:  # the fades came later than planned: only their place is unknown
            in_fade[switch["askedFrame"] : switch["fadedInFrame"]] = False
            error[switch["askedFrame"] : switch["fadedInFrame"]] = 0.0
    turns = (len(captured) - result["log"]["start"]) / len(NOISES[0])
    worst_fade_db = 20 * np.log10(error[in_fade].max() + 1e-12)
    print(
        f"20 switches, {turns:.1f} turns of the loop: steady error {error[~in_fade].max():.2e}, "
        f"worst in a fade {worst_fade_db:.1f} dBFS"
    )
    assert turns > 3
    assert error[~in_fade].max() < 1e-6
    assert worst_fade_db < -90


def click_level_db(signal: np.ndarray, switches: Sequence[dict[str, Any]] = ()) -> float:
    """Largest sample above 6 kHz: a 1 kHz tone and its 5 ms fades leave nothing there.

    Switches that are marked as late are left out: the machine held the page up after the frame
    had been chosen, and a curve began in its middle.
    """
    high = sosfiltfilt(butter(8, 6000, "highpass", fs=RATE, output="sos"), signal, axis=0)
    for switch in switches:
        if switch["isLate"]:
            high[switch["askedFrame"] - RING : switch["fadedInFrame"] + RING] = 0.0
    inside = high[1000:-1000]  # the filter's own edges are no part of the measurement
    return float(20 * np.log10(np.abs(inside).max() + 1e-12))


def test_no_click_on_a_sine_over_switches_and_loop_wraps(harness: Page) -> None:
    pauses = [60 + 23 * (k % 7) for k in range(20)]
    result = played_and_switched(harness, "sine", pauses)
    captured = samples(result["capture"])
    click = click_level_db(captured, result["log"]["switches"])
    hard = np.concatenate([SINES[0][:5012], SINES[1][5012:]])
    hard_click = click_level_db(hard)
    print(f"worst click {click:.1f} dBFS; the same switch without fades {hard_click:.1f} dBFS")
    assert click < -60
    assert hard_click > -30, "the measure must see a hard switch"


def test_rapid_switching_neither_clicks_nor_overlaps(harness: Page) -> None:
    pauses = [3 * (k % 3) for k in range(60)]
    result = played_and_switched(harness, "sine", pauses)
    captured = samples(result["capture"])
    click = click_level_db(captured, result["log"]["switches"])
    print(f"60 switches within {sum(pauses)} ms of pauses: worst click {click:.1f} dBFS")
    assert click < -60
    last = result["log"]["switches"][-1]
    tail = captured[last["newSoundFrame"] + FADE :]
    index = (last["newSoundFrame"] + FADE - result["log"]["start"] + np.arange(len(tail))) % RATE
    assert np.abs(tail - with_smooth_ends(SINES[last["to"]])[index]).max() < 1e-6


def test_a_key_switches_within_the_audio_graph_at_once(harness: Page) -> None:
    """How far ahead a switch is scheduled is the player's own choice and no matter of speed.

    6 ms ahead of the clock and 5 ms of fade-out: the new version begins 11 ms of sound after the
    key was handled, and later only where the machine holds the page up in between. How long the
    whole takes is measured in ``tests/bench``.
    """
    harness.evaluate("""async () => {
      const blob = parseBlob(await (await fetch("/sound/noise")).arrayBuffer());
      const context = new AudioContext({ sampleRate: blob.rate, latencyHint: "interactive" });
      const trial = { trial: "t", versions: ["a", "b", "x"], labels: { a: "A", b: "B", x: "X" },
        answers: [{ value: "a", label: "X is A" }], must_hear: ["a", "b", "x"] };
      const screen = createTrialScreen(trial, { context, blob, gain: 1 },
        { playing() {}, confirm() {} }, { shortcuts: true, keysOpen: false });
      document.getElementById("room").append(screen.node);
      window.switches = [];
      window.screenUnderTest = screen;
      window.closeRoom = () => { screen.dispose(); return context.close(); };
      window.contextNow = () => context.currentTime;
      document.addEventListener("keydown", (event) => {
        screen.key(event);
        const done = screen.engine.stats.lastSwitch;
        if (done) window.switches.push({ ...done, to: screen.engine.selected });
      });
    }""")
    keys = "bxaxbaxbab" * 2
    harness.keyboard.press("a")
    harness.wait_for_function("screenUnderTest.engine.position() > 0.4")
    for key in keys:
        harness.keyboard.press(key)
        # until the fade is over: a key within it has to wait for its end
        harness.wait_for_function(
            "screenUnderTest.engine.stats.lastSwitch.fadedInFrame / screenUnderTest.engine.rate"
            " < contextNow()"
        )
    switches = harness.evaluate("window.switches")
    harness.evaluate("closeRoom()")
    assert ["abx"[switch["to"]] for switch in switches] == list(keys)
    ahead_ms = [
        1000 * (switch["newSoundFrame"] - switch["askedFrame"]) / RATE
        for switch in switches
        if not switch["isLate"]
    ]
    print(f"{len(ahead_ms)} of {len(keys)} switches in time, {ahead_ms} ms ahead")
    assert min(ahead_ms) == pytest.approx(11.0)
    for switch in switches:  # late or not: never both at once
        assert switch["newSoundFrame"] - switch["askedFrame"] > FADE
        assert switch["fadedInFrame"] - switch["newSoundFrame"] == FADE


def test_a_marked_loop_plays_that_part_of_the_stimulus(harness: Page) -> None:
    result = undisturbed(
        harness,
        """async () => {
      const room = await openCapture("noise");
      const engine = createEngine(room.context, room.blob, { destination: room.tap });
      engine.play(1);
      await room.run(500);
      const tooShort = engine.setRegion({ start: 0.1, end: 0.2 });
      const region = engine.setRegion({ start: 0.15, end: 0.7 });
      const [start, offset] = [engine.startFrame, engine.startOffset];
      await room.run(1300);
      engine.pause();
      await room.run(200);
      const resumedFrom = engine.startOffset;
      engine.play();
      const again = engine.startFrame;
      await room.run(400);
      const capture = room.read();
      engine.dispose();
      await room.context.close();
      return { capture, tooShort, region, start, offset, again, resumedFrom,
        recovered: engine.stats.recovered };
    }""",
    )
    assert result["tooShort"]["end"] - result["tooShort"]["start"] == pytest.approx(0.5)
    first, last = round(0.15 * RATE), round(0.7 * RATE)
    assert result["region"] == {"start": first / RATE, "end": last / RATE}
    loop = with_smooth_ends(NOISES[1][first:last])
    captured = samples(result["capture"])
    ramp = round(0.05 * RATE)  # after a pause the sound comes back within 50 ms
    for start, offset, n in (
        (result["start"], result["offset"], RATE),
        (result["again"], result["resumedFrom"], RATE // 5),
    ):
        frames = np.arange(start + ramp, start + n)
        expected = loop[(frames - start + offset - first) % len(loop)]
        assert np.abs(captured[frames] - expected).max() < 1e-6


def test_four_versions_of_fifteen_seconds_load_whole(harness: Page) -> None:
    """How long that takes is measured in ``tests/bench``."""
    found = harness.evaluate("""async () => {
      const bytes = await (await fetch("/sound/long")).arrayBuffer();
      const blob = parseBlob(bytes);
      const context = new AudioContext({ sampleRate: blob.rate });
      const engine = createEngine(context, blob);
      const seconds = engine.duration;
      engine.dispose();
      await context.close();
      return [blob.nVersions, seconds, bytes.byteLength];
    }""")
    # 4 versions of 15 s, 48,000 frames a second of two channels of two bytes, and the header
    assert found == [4, 15, 16 + 4 * 15 * 48_000 * 2 * 2]


def test_a_late_start_is_recovered_without_a_click(harness: Page) -> None:
    """The page is held up between asking for the sound and asking for its ramp."""
    result = harness.evaluate("""async () => {
      const room = await openCapture("sine");
      const engine = createEngine(room.context, room.blob, { destination: room.tap });
      await room.run(100);
      const schedule = AudioParam.prototype.setValueCurveAtTime;
      let held = false;
      AudioParam.prototype.setValueCurveAtTime = function (...curve) {
        const until = performance.now() + 300;
        while (!held && performance.now() < until);
        held = true;
        return schedule.apply(this, curve);
      };
      engine.play(0);
      AudioParam.prototype.setValueCurveAtTime = schedule;
      await room.run(900);
      engine.select(1);
      const switches = [{ ...engine.stats.lastSwitch }];
      await room.run(200);
      engine.pause();
      await room.run(200);
      const capture = room.read();
      engine.dispose();
      await room.context.close();
      return { capture, recovered: engine.stats.recovered, switches };
    }""")
    captured = samples(result["capture"])
    assert result["recovered"] >= 1
    assert np.abs(captured).max() == pytest.approx(10 ** (-6 / 20), abs=0.01)
    assert click_level_db(captured, result["switches"]) < -60
    assert not captured[-2000:].any()
