"""A small real HTTP server for the player's own tests: its modules, a capture tap, sound.

The end-to-end tests use the real application instead; this server exists so that the
audio engine can be measured with stimuli of known content.
"""

from __future__ import annotations

import asyncio
import socket
import struct
import subprocess
import sys
import threading
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import uvicorn
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page, expect
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response
from starlette.routing import Route

from abx.web.player import _HERE as PLAYER_DIR
from abx.web.server import open_sessions
from helpers.guards import GUARD_S, wait_until

RATE = 48_000
PROJECT = Path(__file__).parents[2]

TAP = """
class Tap extends AudioWorkletProcessor {
  process(inputs, outputs) {
    const input = inputs[0];
    const block = input.map((channel) => channel.slice());
    this.port.postMessage({ frame: currentFrame, block });
    input.forEach((channel, index) => outputs[0][index] && outputs[0][index].set(channel));
    return true;
  }
}
registerProcessor("tap", Tap);
"""

HARNESS = """
import { createEngine, parseBlob } from "/player/engine.js";
import { createTrialScreen } from "/player/trial.js";
window.createTrialScreen = createTrialScreen;
window.parseBlob = parseBlob;
window.createEngine = createEngine;
window.openCapture = async (name) => {
  const blob = parseBlob(await (await fetch(`/sound/${name}`)).arrayBuffer());
  const context = new AudioContext({ sampleRate: blob.rate, latencyHint: "interactive" });
  await context.audioWorklet.addModule("/tap.js");
  const tap = new AudioWorkletNode(context, "tap", {
    channelCount: blob.channels, channelCountMode: "explicit", outputChannelCount: [blob.channels],
  });
  tap.connect(context.destination);
  const blocks = [];
  tap.port.onmessage = (event) => blocks.push(event.data);
  await context.resume();
  const captured = () => (blocks.length ? blocks[blocks.length - 1].frame + 128 : 0);
  /* Waits for sound, not for the clock: until so many milliseconds more have been captured. */
  const run = async (ms) => {
    const until = captured() + Math.round((ms * blob.rate) / 1000);
    while (captured() < until) await wait(5);
  };
  const read = () => {
    const first = blocks[0].frame;
    const last = blocks[blocks.length - 1];
    const frames = last.frame + 128 - first;
    const data = new Float32Array(frames * blob.channels);
    for (const { frame, block } of blocks) {
      block.forEach((channel, c) => channel.forEach((x, i) => {
        data[(frame - first + i) * blob.channels + c] = x;
      }));
    }
    let text = "";
    const bytes = new Uint8Array(data.buffer);
    for (let i = 0; i < bytes.length; i += 0x8000) {
      text += String.fromCharCode(...bytes.subarray(i, i + 0x8000));
    }
    return { first, data: btoa(text), channels: blob.channels };
  };
  return { blob, context, tap, run, read };
};
window.wait = (ms) => new Promise((resolve) => setTimeout(resolve, ms));
window.ready = true;
"""


def pack_blob(versions: list[np.ndarray], rate: int = RATE) -> bytes:
    """Pack float versions ``(frames, channels)`` of one length as the server does."""
    frames, channels = versions[0].shape
    head = b"EWA1" + struct.pack("<HHII", len(versions), channels, rate, frames)
    return head + b"".join(to_int16(version).tobytes() for version in versions)


def to_int16(version: np.ndarray) -> np.ndarray:
    return np.round(version * 32768).clip(-32768, 32767).astype("<i2")


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def _harness_page(request: Request) -> HTMLResponse:
    return HTMLResponse(
        "<!doctype html><html lang=en><title>Capture</title><body><div id=room></div>"
        f'<script type="module">{HARNESS}</script></body></html>'
    )


def _script(text: str) -> Response:
    return Response(text, media_type="text/javascript", headers={"Cache-Control": "no-store"})


def harness_app(sounds: dict[str, bytes]) -> Starlette:
    """Serve the player's modules, the capture tap and named sound blocks."""

    def module(request: Request) -> Response:
        return _script((PLAYER_DIR / request.path_params["name"]).read_text(encoding="utf-8"))

    def sound(request: Request) -> Response:
        return Response(sounds[request.path_params["name"]], media_type="application/octet-stream")

    return Starlette(
        routes=[
            Route("/", _harness_page),
            Route("/tap.js", lambda request: _script(TAP)),
            Route("/player/{name}", module),
            Route("/sound/{name}", sound),
        ]
    )


@contextmanager
def running(app: object) -> Iterator[str]:
    """Run an ASGI app on a free port of this machine; yields its address."""
    port = free_port()
    server = uvicorn.Server(
        uvicorn.Config(
            app, host="127.0.0.1", port=port, log_level="warning", ws="websockets-sansio"
        )
    )
    started = threading.Event()

    async def serve() -> None:
        task = asyncio.create_task(server.serve())
        while not server.started and not task.done():
            await asyncio.sleep(0.01)
        started.set()
        await task

    thread = threading.Thread(target=lambda: asyncio.run(serve()), daemon=True)
    thread.start()
    assert started.wait(GUARD_S), "the test server did not start"
    try:
        yield f"http://127.0.0.1:{port}"
    finally:
        server.should_exit = True
        thread.join(GUARD_S)
        assert not thread.is_alive(), "the test server did not stop"


class Server:
    """The real application in a process of its own, on a port that stays the same."""

    def __init__(self, root: Path, serve: str = "abx.web.server.serve") -> None:
        self.root = root
        self._module, self._function = serve.rsplit(".", 1)
        self.port = free_port()
        self.url = f"http://127.0.0.1:{self.port}"
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        log = (self.root / "server.log").open("ab")
        code = f"from {self._module} import {self._function} as serve; "
        code += f"serve({str(self.root)!r}, port={self.port})"
        self._process = subprocess.Popen(
            [sys.executable, "-c", code], stdout=log, stderr=log, cwd=PROJECT
        )
        log.close()
        wait_until(self.answers, self.said)

    def said(self) -> str:
        return (self.root / "server.log").read_text()

    def answers(self) -> bool:
        assert self._process is not None
        assert self._process.poll() is None, self.said()
        try:
            with urllib.request.urlopen(f"{self.url}/_stcore/health", timeout=GUARD_S) as reply:
                return bool(reply.status == 200)
        except (urllib.error.URLError, OSError):
            return False

    def kill(self) -> None:
        assert self._process is not None
        self._process.kill()
        self._process.wait(GUARD_S)

    def stop(self) -> None:
        if self._process is not None and self._process.poll() is None:
            self._process.terminate()
            self._process.wait(GUARD_S)


@contextmanager
def served(root: Path, serve: str = "abx.web.server.serve") -> Iterator[Server]:
    server = Server(root, serve)
    server.start()
    try:
        yield server
    finally:
        server.stop()


def new_sitting(root: Path) -> str:
    sessions = open_sessions(root)
    try:
        return sessions.begin(consent=True, hearing="normal", output="loudspeakers")
    finally:
        sessions.store.close()


# Rules of the Recommendation only; others concern the skeleton of the page around ours.
AXE_OPTIONS = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]}


def violations(page: Page) -> list[str]:
    """Faults that axe-core finds in what the page shows now."""
    found = Axe().run(page, options=AXE_OPTIONS).response["violations"]
    return [f"{v['id']}: {node['html'][:160]}" for v in found for node in v["nodes"]]


class Listener:
    """Somebody at the screen: goes through the pages the way a person does."""

    def __init__(self, page: Page, url: str, root: Path | None = None) -> None:
        self.page = page
        self.url = url
        self.root = root

    def agree_first(self) -> None:
        page = self.page
        page.goto(self.url)
        page.get_by_text("I have read this and I agree").click()
        page.get_by_role("button", name="Go on", exact=True).click()
        page.get_by_text("As far as I know").wait_for()

    def agree(self, output: str) -> None:
        page = self.page
        if not page.get_by_text("As far as I know").is_visible():
            self.agree_first()
        page.get_by_text("As far as I know").click()
        page.get_by_text(output).click()
        page.get_by_role("button", name="Go on to the sound").click()

    def welcome_to_level(self) -> None:
        page = self.page
        self.agree("Loudspeakers in a room")
        expect(page.get_by_role("heading", name="Set the level")).to_be_visible()
        expect(page.get_by_role("button", name="Play")).to_be_visible()

    def keep_level(self) -> None:
        self.page.get_by_role("button", name="Play").click()
        self.page.get_by_role("button", name="Hold it here").click()
        self.page.get_by_role("button", name="Keep this level").click()

    def to_first_trial(self) -> None:
        """Reach the first trial: by a link to a sitting begun before, or through the pages."""
        if self.root is None:
            self.welcome_to_level()
        else:
            self.page.goto(f"{self.url}/?s={new_sitting(self.root)}")
        self.keep_level()
        self.on_trial()

    def know_the_sound(self) -> None:
        """Hear every version of every set that comes before the questions."""
        while self.step().startswith("First listen"):
            before = self.step()
            self.hear_all()
            self.go_on()
            expect(self.page.locator(".step")).not_to_have_text(before)
            self.on_trial()

    def on_trial(self) -> None:
        expect(self.page.locator(".card").first).to_be_visible()

    def hear_all(self) -> None:
        for card in self.page.locator(".card").all():
            version = card.get_attribute("data-version")
            card.click()
            # wait_for looks at every frame; expect would look again after a second only
            self.page.locator(f'.card.heard[data-version="{version}"]').wait_for()

    def choose(self, number: int = 1) -> None:
        self.page.locator(".answer").nth(number - 1).click()

    def confirm(self) -> None:
        self.page.get_by_role("button", name="Confirm answer").click()

    def answer(self, number: int = 1) -> None:
        self.on_trial()
        self.hear_all()
        self.choose(number)
        self.confirm()

    def step(self) -> str:
        return self.page.locator(".step").inner_text()

    def go_on(self) -> None:
        self.page.locator(".main-button", has_text="Go on").click()
