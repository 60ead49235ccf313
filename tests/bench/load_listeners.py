"""Load: many listeners at once against one or several app processes.

    python tests/bench/load_listeners.py --listeners 50 --chromium 2
    python tests/bench/load_listeners.py --listeners 200 --processes 3 --postgresql --chromium 2
    python tests/bench/load_listeners.py --table --processes 3 --postgresql

Every listener does on the wire what a tab does (``load_tab.py``): opens the page's websocket,
asks for the next trial, fetches its audio block, answers after 1 to 3 seconds. Excerpts are 4 s
long: nobody answers a question about longer ones that soon. With ``--chromium`` a few tabs of a
real browser answer beside them; what they saw is counted apart. Afterwards every acknowledged
answer is looked for in the log. Reported are the times from answer to acknowledgement, the times
to fetch a block, memory and processor time of the app processes. PostgreSQL waits for its disk at
each commit (``fsync`` and ``synchronous_commit`` on), SQLite too (``synchronous=FULL``).

Listeners, app processes, database and browser share this machine; ``client_cores`` says how much of
it the listeners took, which in a real study are other people's computers.
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
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

sys.path[:0] = [str(folder) for folder in list(Path(__file__).parents)[:3]]

from load_tab import Tab, Wire  # noqa: E402

from abx.session.sessions import Sessions  # noqa: E402
from abx.store import open_store  # noqa: E402
from helpers.real_postgres import PostgresServer, postgres_server  # noqa: E402
from helpers.study_desk import STUDY, Desk, make_desk  # noqa: E402

SERVE = (
    "import sys; from abx.web.server import serve; "
    "serve(sys.argv[1], port=int(sys.argv[2]), database=sys.argv[3])"
)


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


@dataclass(frozen=True)
class Load:
    """What is asked of the app processes."""

    listeners: int
    processes: int
    seconds: float
    chromium: int


def measure(desk: Desk, database: str, load: Load) -> dict[str, float]:
    """Run one load and return its figures."""
    with open_store(database) as store, ExitStack() as stack:
        sessions = desk.sessions(store)
        tokens = [sessions.begin(consent=True) for _ in range(load.listeners)]
        apps = [stack.enter_context(App(desk.root, database)) for _ in range(load.processes)]
        real, wired = tokens[: load.chromium], tokens[load.chromium :]
        tabs = [Tab(apps[n % load.processes].port, token, n) for n, token in enumerate(wired)]
        figures = asyncio.run(_drive(apps, tabs, real, load.seconds))
        seen = {tab.token: tab.acknowledged for tab in tabs}
        for token, tab in figures.pop("real").items():
            seen[token] = tab["acknowledged"]
            figures["real_ms"] += tab["answer_ms"]
        rows = store.rows(sessions.study_id, kind="answer")
        lost = count_lost(rows, sessions, seen)
    answers = np.array([s for tab in tabs for s in tab.answer_s]) * 1e3
    audio = np.array([s for tab in tabs for s in tab.audio_s]) * 1e3
    real_ms = np.array(figures.pop("real_ms") or [np.nan])
    return {
        "listeners": load.listeners,
        "processes": load.processes,
        "answers": sum(len(one) for one in seen.values()),
        "lost": lost,
        "answers_per_s": len(answers) / load.seconds,
        "ack_p50_ms": float(np.percentile(answers, 50)),
        "ack_p95_ms": float(np.percentile(answers, 95)),
        "ack_p99_ms": float(np.percentile(answers, 99)),
        "ack_max_ms": float(answers.max()),
        "chromium_answers": int(np.isfinite(real_ms).sum()),
        "chromium_p50_ms": float(np.percentile(real_ms, 50)),
        "chromium_max_ms": float(real_ms.max()),
        "audio_p50_ms": float(np.percentile(audio, 50)),
        "audio_p99_ms": float(np.percentile(audio, 99)),
        "audio_mb_per_s": sum(tab.audio_bytes for tab in tabs) / 1e6 / load.seconds,
        **figures,
    }


async def _drive(
    apps: list[App], tabs: list[Tab], real: list[str], seconds: float
) -> dict[str, Any]:
    """Warm up, open every page, then answer for a while; figures of the app processes."""
    for app in apps:
        await _warm_up(app, tabs[:8])
    memory_empty = sum(app.memory_mb() for app in apps)
    for tab in tabs:  # one after another: opening a page costs a run of its script
        await tab.open()
    browser = await _start_chromium(apps, real, seconds) if real else None
    cpu, own = sum(app.cpu_s() for app in apps), time.process_time()
    started = time.monotonic()
    peak = asyncio.create_task(_peak_memory(apps))
    await asyncio.gather(*(tab.run(started + seconds) for tab in tabs))
    took_s = time.monotonic() - started
    peak.cancel()
    figures: dict[str, Any] = {
        "memory_mb": await peak_of(peak),
        "app_cores": (sum(app.cpu_s() for app in apps) - cpu) / took_s,
        "client_cores": (time.process_time() - own) / took_s,
    }
    figures["memory_mb_per_listener"] = (figures["memory_mb"] - memory_empty) / len(tabs)
    output = b"{}"
    if browser is not None:
        output, _ = await browser.communicate()
        assert browser.returncode == 0, "the browser's run failed"
    figures["real"] = json.loads(output)
    figures["real_ms"] = []
    for tab in tabs:
        await tab.close()
    return figures


async def _peak_memory(apps: list[App]) -> float:
    peak = 0.0
    try:
        while True:
            peak = max(peak, sum(app.memory_mb() for app in apps))
            await asyncio.sleep(1)
    except asyncio.CancelledError:
        return peak


async def peak_of(task: asyncio.Task[float]) -> float:
    return await task


async def _start_chromium(
    apps: list[App], tokens: list[str], seconds: float
) -> asyncio.subprocess.Process:
    script = str(Path(__file__).with_name("load_chromium.py"))
    urls = [
        f"http://127.0.0.1:{apps[n % len(apps)].port}/?s={token}" for n, token in enumerate(tokens)
    ]
    process = await asyncio.create_subprocess_exec(
        sys.executable, script, str(seconds), *urls, stdout=asyncio.subprocess.PIPE
    )
    assert process.stdout is not None
    assert (await process.stdout.readline()) == b"ready\n", "the browser did not start"
    return process


async def _warm_up(app: App, tabs: list[Tab]) -> None:
    """Fetch a few blocks, so that stimuli are decoded before, as after the first listeners."""
    loop = asyncio.get_running_loop()
    _, wire = await loop.create_connection(Wire, "127.0.0.1", app.port)
    for tab in tabs:
        _, data, _ = await wire.request("GET", f"/listen/{tab.token}/next")
        await wire.request("GET", json.loads(data)["audio"], keep=False)


def count_lost(rows: list, sessions: Sessions, seen: dict[str, dict[str, str]]) -> int:
    """Count acknowledged answers that are missing, different or there twice."""
    stored: Counter[tuple[str, str, str]] = Counter()
    for row in rows:
        key = sessions._tokens.trial_key(row.session, row.content["number"])
        stored[row.session, key, row.content["answer"]] += 1
    lost = 0
    for token, acknowledged in seen.items():
        session = sessions.sitting(token).session
        lost += sum(stored[session, key, answer] != 1 for key, answer in acknowledged.items())
    return lost


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n")[0])
    parser.add_argument("--listeners", type=int, default=50)
    parser.add_argument("--processes", type=int, default=1)
    parser.add_argument("--postgresql", action="store_true")
    parser.add_argument("--seconds", type=float, default=30.0)
    parser.add_argument("--excerpt", type=float, default=4.0, help="seconds of each excerpt")
    parser.add_argument("--chromium", type=int, default=0, help="real tabs among the listeners")
    parser.add_argument(
        "--commit-delay-ms", type=float, default=0.0, help="slow PostgreSQL's disk down by this"
    )
    parser.add_argument(
        "--table",
        nargs="*",
        type=int,
        metavar="LISTENERS",
        help="several sizes and a table of them; 10, 25, 50, 100 and 200 unless given",
    )
    options = parser.parse_args()
    sizes = [options.listeners]
    if options.table is not None:
        sizes = options.table or [10, 25, 50, 100, 200]
    text = STUDY.replace("trials = 4", "trials = 20")
    lost, rows = 0, []
    with tempfile.TemporaryDirectory() as folder, ExitStack() as stack:
        desk = make_desk(Path(folder) / "study", text=text, seconds=options.excerpt)
        server = stack.enter_context(postgres_server(durable=True)) if options.postgresql else None
        if server is not None and options.commit_delay_ms:
            slow_down(server, options.commit_delay_ms)
        for size in sizes:
            database = f"sqlite:///{folder}/{size}.db" if server is None else server.new_database()
            load = Load(size, options.processes, options.seconds, options.chromium)
            figures = measure(desk, database, load)
            lost += int(figures["lost"])
            print("  ".join(f"{name} {value:.5g}" for name, value in figures.items()), flush=True)
            rows.append(table_row(figures, "SQLite" if server is None else "PostgreSQL"))
    if options.table is not None:
        print(HEAD + "\n".join(rows))
    return 1 if lost else 0


def slow_down(server: PostgresServer, delay_ms: float) -> None:
    """Have every commit wait before it goes to the disk, as a slower disk would make it."""
    import psycopg

    with psycopg.connect(server.url("postgres"), autocommit=True) as connection:
        connection.execute(f"ALTER SYSTEM SET commit_delay TO {delay_ms * 1e3:.0f}")  # in µs
        connection.execute("ALTER SYSTEM SET commit_siblings TO 0")
        connection.execute("SELECT pg_reload_conf()")


HEAD = """\
| listeners | processes | database | answers a second | p50 | p95 | p99 | sound MB/s | \
app memory | a listener | lost |
|---|---|---|---|---|---|---|---|---|---|---|
"""


def table_row(figures: dict[str, float], database: str) -> str:
    """Return the row of the documentation's table."""
    cells = [
        f"{figures['listeners']:.0f}",
        f"{figures['processes']:.0f}",
        database,
        f"{figures['answers_per_s']:.0f}",
        *(f"{figures[f'ack_{name}_ms']:.0f} ms" for name in ("p50", "p95", "p99")),
        f"{figures['audio_mb_per_s']:.0f}",
        f"{figures['memory_mb']:.0f} MB",
        f"{figures['memory_mb_per_listener']:.1f} MB",
        f"{figures['lost']:.0f} of {figures['answers']:.0f}",
    ]
    return f"| {' | '.join(cells)} |"


if __name__ == "__main__":
    sys.exit(main())
