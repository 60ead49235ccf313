"""How soon the player is ready and switches, in real Chromium, and whether the booth keeps time.

``python tests/bench/bench_player.py [--rounds 9] [--seconds 20]``

- four versions of 15 s, from the request to a player that is ready, against the browser's own way
  with the same sound: four WAV files, fetched and decoded at once. Rounds alternate;
- from a key to the first sample of the other version, against the time from the key to a handler
  that does nothing else;
- buffers that come late at the booth with the shortest latency, while versions are switched ten
  times a second, against a callback that only copies one version, each in turn.
"""

from __future__ import annotations

import argparse
import io
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from playwright.sync_api import Page, sync_playwright

TESTS = Path(__file__).parents[1]
sys.path[:0] = [
    *(str(TESTS / folder) for folder in ("", "bench", "booth")),
    str(TESTS.parent),
]

from figures import Figure, emit  # noqa: E402

from abx.booth.player import BoothPlayer  # noqa: E402
from helpers.browser_harness import RATE, harness_app, pack_blob, running  # noqa: E402
from helpers.chromium import FLAGS  # noqa: E402
from helpers.null_sink import in_front, null_sink  # noqa: E402

READY = """async () => {
  const begin = performance.now();
  const blob = parseBlob(await (await fetch("/sound/block")).arrayBuffer());
  const context = new AudioContext({ sampleRate: blob.rate });
  const engine = createEngine(context, blob);
  const ms = performance.now() - begin;
  engine.dispose();
  await context.close();
  return ms;
}"""

DECODED = """async () => {
  const begin = performance.now();
  const context = new AudioContext({ sampleRate: 48000 });
  const sources = await Promise.all([0, 1, 2, 3].map(async (version) => {
    const bytes = await (await fetch(`/sound/wav-${version}`)).arrayBuffer();
    const source = context.createBufferSource();
    source.buffer = await context.decodeAudioData(bytes);
    const gain = context.createGain();
    source.connect(gain).connect(context.destination);
    return source;
  }));
  const ms = performance.now() - begin;
  sources.forEach((source) => source.disconnect());
  await context.close();
  return ms;
}"""

KEYS = """async () => {
  const blob = parseBlob(await (await fetch("/sound/noise")).arrayBuffer());
  const context = new AudioContext({ sampleRate: blob.rate, latencyHint: "interactive" });
  const trial = { trial: "t", versions: ["a", "b"], labels: { a: "A", b: "B" },
    answers: [{ value: "a", label: "A" }], must_hear: ["a", "b"] };
  const screen = createTrialScreen(trial, { context, blob, gain: 1 },
    { playing() {}, confirm() {} }, { shortcuts: true, keysOpen: false });
  document.getElementById("room").append(screen.node);
  window.delays = [];
  window.screenUnderTest = screen;
  document.addEventListener("keydown", (event) => {
    const handlerMs = performance.now() - event.timeStamp;
    screen.key(event);
    const done = screen.engine.stats.lastSwitch;
    if (done) window.delays.push([handlerMs,
      handlerMs + (1000 * (done.newSoundFrame - done.askedFrame)) / blob.rate, done.isLate]);
  });
}"""


def noise(seconds: float) -> np.ndarray:
    return 0.2 * np.random.default_rng(5).uniform(-1, 1, (round(seconds * RATE), 2))


def wav(sound: np.ndarray) -> bytes:
    out = io.BytesIO()
    soundfile.write(out, sound, RATE, format="WAV", subtype="PCM_16")
    return out.getvalue()


def load_figure(page: Page, rounds: int) -> Figure:
    pairs = np.array([[page.evaluate(READY), page.evaluate(DECODED)] for _ in range(rounds)])
    ours, plain = np.median(pairs, axis=0)
    return Figure(
        "four versions of 15 s, from request to ready",
        f"{ours:.0f} ms",
        f"four WAV files fetched and decoded by the browser: {plain:.0f} ms",
        f"{plain / ours:.1f} times as fast",
        "under 1 s",
        bool(ours < 1000),
    )


def key_figure(page: Page, presses: int) -> Figure:
    page.evaluate(KEYS)
    page.keyboard.press("a")
    page.wait_for_function("screenUnderTest.engine.position() > 0.4")
    for number in range(presses):
        page.keyboard.press("ba"[number % 2])
        page.wait_for_timeout(40)
    found = np.array(page.evaluate("window.delays"), dtype=float)
    handler, total = np.median(found[:, 0]), np.median(found[:, 1])
    late = int(found[:, 2].sum())
    return Figure(
        "from a key to the first sample of the other version, fade-out included",
        f"median {total:.1f} ms, 99 % within {np.quantile(found[:, 1], 0.99):.1f} ms; "
        f"{late} of {len(found)} scheduled late",
        f"from the key to a handler that does nothing: {handler:.1f} ms",
        f"{total - handler:.1f} ms more",
        "at most 15 ms more",
        bool(total - handler < 15),
    )


class Copies(BoothPlayer):
    """The straightforward callback: one version, copied."""

    place = 0

    def _callback(self, outdata: Any, frames: int, _time: Any, status: Any) -> None:
        if status.output_underflow:
            self.underruns += 1
        sound = self.mixer._versions[0]
        outdata[:] = np.take(sound, range(self.place, self.place + frames), axis=0, mode="wrap")
        self.place = (self.place + frames) % len(sound)
        self._running.set()


def late_buffers(player: BoothPlayer, seconds: float) -> tuple[int, float]:
    with player:
        player.mixer.play()
        latency_s = player.output_latency_s
        until, number = time.monotonic() + seconds, 0
        while time.monotonic() < until:
            number += 1
            player.mixer.select(number % 3)
            time.sleep(0.1)
        late = player.underruns
        player.mixer.pause()
    return late, latency_s


def booth_figure(seconds: float) -> Figure:
    sounds = [noise(15.0).astype(np.float32) for _ in range(3)]
    ours = plain = 0
    latency_s = 0.0
    with tempfile.TemporaryDirectory() as folder, null_sink(Path(folder)), in_front():
        for _ in range(4):  # in turn, so that both meet what else the machine does
            late, latency_s = late_buffers(BoothPlayer(sounds, RATE), seconds / 4)
            ours += late
            plain += late_buffers(Copies(sounds, RATE), seconds / 4)[0]
    return Figure(
        f"late buffers of the booth in {seconds:.0f} s at a latency of {1000 * latency_s:.0f} ms, "
        "ten switches a second",
        str(ours),
        f"a callback that copies one version: {plain}",
        f"{ours - plain:+d}",
    )


def main() -> None:
    """Print one row each."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--rounds", type=int, default=9)
    parser.add_argument("--presses", type=int, default=200)
    parser.add_argument("--seconds", type=float, default=20.0)
    options = parser.parse_args()
    long, short = noise(15.0), noise(0.8)
    sounds = {"block": pack_blob([long] * 4), "noise": pack_blob([short, short[::-1]])}
    sounds |= {f"wav-{version}": wav(long) for version in range(4)}
    with running(harness_app(sounds)) as url, sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path="/usr/bin/chromium", args=FLAGS)
        page = browser.new_page()
        page.goto(url)
        page.wait_for_function("window.ready === true")
        emit([load_figure(page, options.rounds), key_figure(page, options.presses)])
        browser.close()
    emit([booth_figure(options.seconds)])


if __name__ == "__main__":
    main()
