"""Load: many listeners at once against one or several app processes.

    python tests/bench/load_listeners.py --listeners 50
    python tests/bench/load_listeners.py --listeners 200 --processes 3 --postgresql
    python tests/bench/load_listeners.py --table

Every listener does over HTTP what a tab does: asks for the next trial, fetches its audio block,
answers after 1 to 3 seconds, repeats what was not acknowledged. Afterwards every acknowledged
answer is looked for in the log. Reported are the times from answer to acknowledgement, the
times to fetch a block, memory and processor time of the app processes.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import os
import socket
import subprocess
import sys
import tempfile
import time
from collections import Counter
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path
from random import Random

import numpy as np

TESTS = Path(__file__).parents[1] / "abx"
sys.path[:0] = [str(TESTS), str(Path(__file__).parents[2])]

from real_postgres import postgres_server  # noqa: E402
from study_desk import STUDY, Desk, make_desk  # noqa: E402

from abx.session import Sessions  # noqa: E402
from abx.store import open_store  # noqa: E402

SERVE = (
    "import sys; from abx.server import serve; "
    "serve(sys.argv[1], port=int(sys.argv[2]), database=sys.argv[3])"
)


@dataclass
class Tab:
    """One listener's tab: a kept-alive connection and what it saw."""

    host: str
    port: int
    token: str
    seed: int
    until: float
    acknowledged: dict[str, str] = field(default_factory=dict)
    answer_s: list[float] = field(default_factory=list)
    audio_s: list[float] = field(default_factory=list)
    audio_bytes: int = 0

    async def run(self) -> None:
        rng = Random(self.seed)
        await asyncio.sleep(rng.uniform(0, 2))
        message = await self._json("GET", f"/listen/{self.token}/next")
        while message["state"] in ("trial", "break") and time.monotonic() < self.until:
            if message["state"] == "break":
                message = await self._json("POST", message["resume"], {})
                continue
            started = time.monotonic()
            status, blob = await self._request("GET", message["audio"])
            assert status == 200, blob[:200]
            self.audio_s.append(time.monotonic() - started)
            self.audio_bytes += len(blob)
            await asyncio.sleep(rng.uniform(1, 3))
            answer = rng.choice(message["answers"])["value"]
            body = {
                "trial": message["trial"],
                "answer": answer,
                "response_s": 2.0,
                "switches": 4,
                "listened_s": dict.fromkeys(message["versions"], 1.0),
            }
            started = time.monotonic()
            reply = await self._json("POST", f"/listen/{self.token}/answer", body)
            self.answer_s.append(time.monotonic() - started)
            self.acknowledged[reply["trial"]] = answer
            message = reply["next"]

    async def _json(self, verb: str, path: str, body: object = None) -> dict:
        status, data = await self._request(verb, path, body)
        assert status == 200, data[:300]
        return json.loads(data)

    async def _request(self, verb: str, path: str, body: object = None) -> tuple[int, bytes]:
        """Speak just enough HTTP; a general client would fill a core of its own."""
        reader, writer = await asyncio.open_connection(self.host, self.port, limit=1 << 20)
        try:
            data = b"" if body is None else json.dumps(body).encode()
            head = f"{verb} {path} HTTP/1.1\r\nHost: {self.host}\r\nConnection: close\r\n"
            head += f"Content-Type: application/json\r\nContent-Length: {len(data)}\r\n\r\n"
            writer.write(head.encode() + data)
            await writer.drain()
            lines = (await reader.readuntil(b"\r\n\r\n")).decode().split("\r\n")
            status = int(lines[0].split()[1])
            length = next(
                int(line.split(":")[1])
                for line in lines
                if line.lower().startswith("content-length")
            )
            return status, await reader.readexactly(length)
        finally:
            writer.close()


@dataclass
class App:
    """One app process as people run it: pages and routes together."""

    root: Path
    database: str
    port: int = 0
    process: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> App:
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self.port = free.getsockname()[1]
        command = [sys.executable, "-c", SERVE, str(self.root), str(self.port), self.database]
        self.process = subprocess.Popen(
            command, stdout=subprocess.DEVNULL, cwd=Path(__file__).parents[2]
        )
        deadline = time.monotonic() + 120
        while True:
            try:
                socket.create_connection(("127.0.0.1", self.port), timeout=1).close()
                return self
            except OSError:
                assert self.process.poll() is None, "the app ended by itself"
                assert time.monotonic() < deadline, "the app did not start"
                time.sleep(0.1)

    def __exit__(self, *_: object) -> None:
        assert self.process is not None
        self.process.terminate()
        self.process.wait(timeout=30)

    def memory_mb(self) -> float:
        assert self.process is not None
        status = Path(f"/proc/{self.process.pid}/status").read_text()
        line = next(line for line in status.splitlines() if line.startswith("VmRSS"))
        return int(line.split()[1]) / 1024

    def cpu_s(self) -> float:
        assert self.process is not None
        fields = Path(f"/proc/{self.process.pid}/stat").read_text().rpartition(")")[2].split()
        return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def measure(
    desk: Desk, database: str, *, listeners: int, processes: int, seconds: float
) -> dict[str, float]:
    """Run one load and return its figures."""
    with open_store(database) as store, ExitStack() as stack:
        sessions = desk.sessions(store)
        tokens = [sessions.begin(consent=True) for _ in range(listeners)]
        apps = [stack.enter_context(App(desk.root, database)) for _ in range(processes)]
        warm_up(apps, sessions, tokens)
        memory_before = sum(app.memory_mb() for app in apps)
        cpu_before = sum(app.cpu_s() for app in apps)
        started = time.monotonic()
        tabs = [
            Tab("127.0.0.1", apps[n % processes].port, token, n, started + seconds)
            for n, token in enumerate(tokens)
        ]
        asyncio.run(_all(tabs))
        took_s = time.monotonic() - started
        memory = sum(app.memory_mb() for app in apps)
        cpu = sum(app.cpu_s() for app in apps) - cpu_before
        lost = count_lost(store.rows(sessions.study_id, kind="answer"), sessions, tabs)
    answers = np.array([s for tab in tabs for s in tab.answer_s]) * 1e3
    audio = np.array([s for tab in tabs for s in tab.audio_s]) * 1e3
    return {
        "listeners": listeners,
        "processes": processes,
        "answers": len(answers),
        "answers_per_s": len(answers) / took_s,
        "lost": lost,
        "ack_p50_ms": float(np.percentile(answers, 50)),
        "ack_p95_ms": float(np.percentile(answers, 95)),
        "ack_p99_ms": float(np.percentile(answers, 99)),
        "audio_p50_ms": float(np.percentile(audio, 50)),
        "audio_p99_ms": float(np.percentile(audio, 99)),
        "audio_mb_per_s": sum(tab.audio_bytes for tab in tabs) / 1e6 / took_s,
        "memory_mb": memory,
        "memory_mb_per_listener": (memory - memory_before) / listeners,
        "app_cores": cpu / took_s,
    }


async def _all(tabs: list[Tab]) -> None:
    await asyncio.gather(*(tab.run() for tab in tabs))


def warm_up(apps: list[App], sessions: Sessions, tokens: list[str]) -> None:
    """Fetch a few blocks from every process, so that stimuli are decoded once before."""

    async def fetch(app: App, token: str) -> None:
        tab = Tab("127.0.0.1", app.port, token, 0, 0.0)
        message = await tab._json("GET", f"/listen/{token}/next")
        await tab._request("GET", message["audio"])

    async def fetch_all() -> None:
        for app in apps:
            for token in tokens[:8]:
                await fetch(app, token)

    asyncio.run(fetch_all())


def count_lost(rows: list, sessions: Sessions, tabs: list[Tab]) -> int:
    """Count acknowledged answers that are missing, different or there twice."""
    stored: Counter[tuple[str, str, str]] = Counter()
    for row in rows:
        key = sessions._tokens.trial_key(row.session, row.content["number"])
        stored[row.session, key, row.content["answer"]] += 1
    lost = 0
    for tab in tabs:
        session = sessions.sitting(tab.token).session
        lost += sum(stored[session, key, answer] != 1 for key, answer in tab.acknowledged.items())
    return lost


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n")[0])
    parser.add_argument("--listeners", type=int, default=50)
    parser.add_argument("--processes", type=int, default=1)
    parser.add_argument("--postgresql", action="store_true")
    parser.add_argument("--seconds", type=float, default=30.0)
    parser.add_argument("--excerpt", type=float, default=15.0, help="seconds of each excerpt")
    parser.add_argument("--table", action="store_true", help="10, 25, 50, 100, 200 listeners")
    options = parser.parse_args()
    sizes = [10, 25, 50, 100, 200] if options.table else [options.listeners]
    text = STUDY.replace("trials = 4", "trials = 20")
    lost = 0
    with tempfile.TemporaryDirectory() as folder, ExitStack() as stack:
        desk = make_desk(Path(folder) / "study", text=text, seconds=options.excerpt)
        server = stack.enter_context(postgres_server()) if options.postgresql else None
        for size in sizes:
            database = f"sqlite:///{folder}/{size}.db" if server is None else server.new_database()
            figures = measure(
                desk,
                database,
                listeners=size,
                processes=options.processes,
                seconds=options.seconds,
            )
            lost += int(figures["lost"])
            print("  ".join(f"{name} {value:.5g}" for name, value in figures.items()), flush=True)
    return 1 if lost else 0


if __name__ == "__main__":
    sys.exit(main())
