"""Listeners that never give up against servers that are killed: who counts is the client.

Used by the fault tests here and by the soak in ``tests/bench``.
"""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from random import Random

import httpx

from abx.session.sessions import Sessions
from abx.store import Store

__all__ = ["AppProcess", "Listener", "check_every_answer", "run_listeners"]

_RETRY_S = 0.05
_GUARD_S = 600.0  # whatever takes longer hangs; a busy machine may take its time


@dataclass
class AppProcess:
    """The trial loop in a process of its own, to be killed and started again."""

    root: Path
    database: str
    port: int = 0
    prefix: list[str] = field(default_factory=list)
    jumping: bool = False
    process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        if not self.port:
            with socket.socket() as free:
                free.bind(("127.0.0.1", 0))
                self.port = free.getsockname()[1]
        command = [
            *self.prefix,
            sys.executable,
            str(Path(__file__).with_name("app_process.py")),
            str(self.root),
            self.database,
            str(self.port),
            *(["jumping"] if self.jumping else []),
        ]
        self.process = subprocess.Popen(command)

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def wait(self) -> None:
        deadline = time.monotonic() + _GUARD_S
        while True:
            try:
                httpx.get(f"{self.url}/listen/nobody/next", timeout=60)
                return
            except httpx.TransportError:
                assert self.process is not None
                assert self.process.poll() is None, "the app ended by itself"
                assert time.monotonic() < deadline, "the app did not start"
                time.sleep(0.02)

    def kill(self) -> None:
        assert self.process is not None
        os.kill(self.process.pid, signal.SIGKILL)
        self.process.wait()

    def stop(self) -> None:
        if self.process is not None and self.process.poll() is None:
            self.process.terminate()
            self.process.wait(timeout=_GUARD_S)


def _set() -> threading.Event:
    event = threading.Event()
    event.set()
    return event


@dataclass
class Listener(threading.Thread):
    """One tab: answers, repeats what was not acknowledged, notes what was.

    Before the last question it reloads the page until ``may_finish`` is set, so that there is
    somebody under way for as long as a test needs one.
    """

    urls: list[str]
    token: str
    seed: int
    pause_s: float = 0.0
    may_finish: threading.Event = field(default_factory=_set)
    acknowledged: dict[str, str] = field(default_factory=dict)
    latencies_s: list[float] = field(default_factory=list)
    retries: int = 0
    fault: BaseException | None = None

    def __post_init__(self) -> None:
        super().__init__(daemon=True)

    def __hash__(self) -> int:
        return id(self)

    def run(self) -> None:
        try:
            with httpx.Client(timeout=60) as client:
                self._listen(client)
        except BaseException as error:
            self.fault = error

    def _listen(self, client: httpx.Client) -> None:
        rng = Random(self.seed)
        message = self._call(client, rng, "GET", "next")
        while message["state"] != "done":
            if message["state"] == "break":
                message = self._call(client, rng, "POST", "resume")
                continue
            assert message["state"] == "trial", message
            is_last = message["phase"] == "test" and message["number"] == message["of"]
            if is_last and not self.may_finish.wait(_RETRY_S):
                message = self._call(client, rng, "GET", "next")
                continue
            answer = rng.choice(message["answers"])["value"]
            body = {
                "trial": message["trial"],
                "answer": answer,
                "response_s": 2.5,
                "switches": 3,
                "listened_s": dict.fromkeys(message["versions"], 1.0),
            }
            if self.pause_s:
                time.sleep(rng.uniform(0.5, 1.5) * self.pause_s)
            started = time.monotonic()
            reply = self._call(client, rng, "POST", "answer", body)
            self.latencies_s.append(time.monotonic() - started)
            assert reply["acknowledged"] is True
            assert reply["trial"] not in self.acknowledged, "one trial, one acknowledgement"
            self.acknowledged[reply["trial"]] = answer
            if rng.random() < 0.1:  # a double click
                again = self._call(client, rng, "POST", "answer", body)
                assert again["trial"] == reply["trial"]
            message = (
                reply["next"] if rng.random() < 0.9 else self._call(client, rng, "GET", "next")
            )

    def _call(
        self,
        client: httpx.Client,
        rng: Random,
        verb: str,
        what: str,
        body: dict[str, object] | None = None,
    ) -> dict:
        deadline = time.monotonic() + _GUARD_S
        while True:
            url = f"{rng.choice(self.urls)}/listen/{self.token}/{what}"
            try:
                reply = client.request(verb, url, json=body)
                if reply.status_code == 200:
                    return reply.json()
                assert reply.status_code in (500, 503), (reply.status_code, reply.text)
            except httpx.TransportError:
                pass
            assert time.monotonic() < deadline, "the app did not come back"
            self.retries += 1
            time.sleep(_RETRY_S)


def run_listeners(listeners: list[Listener]) -> None:
    """Start them, wait for them, pass on what went wrong."""
    for listener in listeners:
        listener.start()
    wait_for(listeners)


def wait_for(listeners: list[Listener]) -> None:
    for listener in listeners:
        listener.join(timeout=2 * _GUARD_S)
        assert not listener.is_alive(), "a listener never finished"
        if listener.fault is not None:
            raise listener.fault


def check_every_answer(store: Store, sessions: Sessions, listeners: list[Listener]) -> int:
    """Hold what the clients had acknowledged against the log: all of it, exactly once.

    Returns the number of answers.
    """
    rows = store.rows(sessions.study_id, kind="answer")
    stored = Counter(row.key for row in rows)
    assert set(stored.values()) <= {1}, "an answer is there twice"
    by_session: dict[str, dict[str, str]] = {}
    for row in rows:
        key = sessions._tokens.trial_key(row.session, row.content["number"])
        by_session.setdefault(row.session, {})[key] = row.content["answer"]
    for listener in listeners:
        session = sessions.sitting(listener.token).session
        assert by_session[session] == listener.acknowledged
    return len(rows)
