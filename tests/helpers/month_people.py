"""SIMULATED people for the walks of a month: at the real screens, and over the player's routes.

They answer from what the stages measure, through the simulator's model of a listener, since
nobody is there to hear anything. To do so they look up the sealed schedule in the store: a thing
that no page offers, and that only a test on the same machine can do.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import httpx
import numpy as np
from playwright.sync_api import Page, expect

from abx.methods import get_method
from abx.session.simulate import SimulatedListener, _Percept, perception_from_manifest
from abx.study.trial import Trial
from abx.web.server import open_sessions
from helpers.browser_harness import PROJECT, Listener, free_port
from helpers.guards import GUARD_S, wait_until


def earwitness(*args: object, cwd: Path, code: int = 0) -> str:
    """Type a command and read what it says; a wrong exit code is a failure."""
    done = subprocess.run(
        [sys.executable, "-W", "error", "-m", "abx.cli", *map(str, args)],
        cwd=cwd,
        env={**os.environ, "PYTHONPATH": str(PROJECT), "NO_COLOR": "1"},
        capture_output=True,
        text=True,
        stdin=subprocess.DEVNULL,
        timeout=GUARD_S,
        check=False,
    )
    said = done.stdout + done.stderr
    assert done.returncode == code, f"earwitness {' '.join(map(str, args))}\n{said}"
    assert "Traceback" not in said
    return said


@contextmanager
def opened(root: Path) -> Iterator[str]:
    """Type ``earwitness serve`` in the morning and press Ctrl-C in the evening."""
    port = free_port()
    log = (root / "server.log").open("ab")
    server = subprocess.Popen(
        [sys.executable, "-m", "abx.cli", "serve", str(root), "--port", str(port)],
        env={**os.environ, "PYTHONPATH": str(PROJECT)},
        stdout=log,
        stderr=log,
        stdin=subprocess.DEVNULL,
    )
    log.close()
    url = f"http://127.0.0.1:{port}"
    try:
        wait_until(lambda: _answers(server, url, root), lambda: _said(root))
        yield url
    finally:
        server.send_signal(signal.SIGINT)
        server.wait(GUARD_S)
    assert server.returncode in (0, 130), _said(root)


def _said(root: Path) -> str:
    return (root / "server.log").read_text()


def _answers(server: subprocess.Popen[bytes], url: str, root: Path) -> bool:
    assert server.poll() is None, _said(root)
    try:
        return httpx.get(f"{url}/_stcore/health", timeout=GUARD_S).is_success
    except httpx.HTTPError:
        return False


class Person:
    """One simulated person in a sitting of a running study.

    Parameters
    ----------
    root, url : Path, str
        The study and its server.
    token : str
        Key of the sitting, from the page's address.
    seed : int
        Seed of how this person hears and decides.
    """

    def __init__(self, root: Path, url: str, token: str, *, seed: int) -> None:
        self.url = url
        self.base = f"{url}/listen/{token}"
        self.rng = np.random.default_rng(seed)
        self.traits = SimulatedListener.drawn(self.rng)
        sessions = open_sessions(root)
        try:
            self.perception = perception_from_manifest(sessions)
            slot = sessions.slot(sessions.sitting(token).slot)
            self.trials = {
                (trial.phase, _shown(trial, slot.trials)): trial for trial in slot.trials
            }
        finally:
            sessions.store.close()

    def next(self) -> dict[str, Any]:
        """Ask what the player asks when its page opens."""
        reply: dict[str, Any] = httpx.get(f"{self.base}/next", timeout=GUARD_S).json()
        return reply

    def decide(self, message: dict[str, Any]) -> Any:
        """Decide on an answer to the question that is open."""
        trial = self.trials[message["phase"], message["number"]]
        percept = _Percept(self.perception, self.traits, self.rng)
        return get_method(trial.method).simulate(trial, percept)

    def answer_over_http(self, *, leave: int = 0, at_most: int | None = None) -> int:
        """Answer by the player's own requests, sound included; return how many.

        ``leave`` questions are left for somebody at the screen; ``at_most`` ends it earlier.
        """
        answered, message = 0, self.next()
        with httpx.Client(timeout=GUARD_S) as client:
            while message["state"] in ("trial", "break"):
                if message["state"] == "break":
                    message = client.post(f"{self.base}/resume").json()
                    continue
                left = message["of"] - message["number"] + 1
                if message["phase"] == "test" and (left <= leave or answered == at_most):
                    break
                sound = client.get(f"{self.url}{message['audio']}")
                assert sound.content[:4] == b"EWA1"
                body: dict[str, Any] = {"trial": message["trial"]}
                body["listened_s"] = dict.fromkeys(message["versions"], 3.0)
                if message["phase"] != "familiarisation":
                    body |= {"answer": self.decide(message), "response_s": 9.0, "switches": 4}
                    answered += message["phase"] == "test"
                reply = client.post(f"{self.base}/answer", json=body)
                assert reply.status_code == 200, reply.text
                message = reply.json()["next"]
        return answered

    def answer_at_the_screen(self, page: Page, *, at_most: int | None = None) -> int:
        """Go through the player as a person does; return how many test questions."""
        someone, answered = Listener(page, self.url), 0
        while (message := self.next())["state"] in ("trial", "break") and answered != at_most:
            if message["state"] == "break":
                someone.go_on()
                continue
            someone.on_trial()
            step = someone.step()
            someone.hear_all()
            if message["phase"] == "familiarisation":
                page.get_by_role("button", name="Go on", exact=True).click()
            else:
                answer = self.decide(message)
                self._give(page, answer)
                someone.confirm()
                if self._is_told(message, answer):
                    someone.go_on()
                answered += message["phase"] == "test"
            expect(page.locator(".step", has_text=step)).to_have_count(0)
        return answered

    def _is_told(self, message: dict[str, Any], answer: Any) -> bool:
        """Tell whether the player says, after practice, that it was right or not."""
        trial = self.trials[message["phase"], message["number"]]
        right = get_method(trial.method).correct(trial, answer)
        return trial.phase == "practice" and right is not None

    @staticmethod
    def _give(page: Page, answer: Any) -> None:
        if isinstance(answer, dict):
            for slider, value in zip(page.locator(".slider").all(), answer.values(), strict=True):
                slider.fill(f"{value:.0f}")
        else:
            page.locator(f'.answer[data-answer="{answer}"]').click()


def sit_down(root: Path, *, visit: bool = False) -> str:
    """Begin a sitting as the page's button does; return its key."""
    sessions = open_sessions(root)
    try:
        output = "counter headphones" if visit else "headphones"
        return sessions.begin(
            consent=True,
            visit=visit,
            familiarise=sessions.study.plan.familiarisation,
            hearing="not asked" if visit else "normal",
            output=output,
        )
    finally:
        sessions.store.close()


def _shown(trial: Trial, trials: Sequence[Trial]) -> int:
    """Return the number that the player shows: practice and questions are counted apart."""
    before = [t for t in trials if t.phase == trial.phase and t.number <= trial.number]
    return len(before)
