"""Soak: thousands of trials while everything that can fail fails at random moments.

    python tests/bench/soak_faults.py                  # SQLite, two app processes
    python tests/bench/soak_faults.py --postgresql     # PostgreSQL is killed as well

Faults: kill -9 of either app process and of PostgreSQL; kills while a new database is being
migrated; with SQLite also a disk that is full (a small file system filled to the last byte) and a
database file that is read-only; one process's clock jumps by days all the time. Listeners answer as
fast as they can, repeat what was not acknowledged, double-click and reload. At the end every answer
a client had acknowledged has to be in the log exactly once, nothing else may be there, and the log
has to verify. Exit code 1 otherwise. Needs root for the full disk and the read-only file.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from random import Random

sys.path[:0] = [str(folder) for folder in Path(__file__).parents[1:3]]

from abx.errors import StoreError  # noqa: E402
from abx.evidence.log_check import check_log  # noqa: E402
from abx.session.sessions import Sessions  # noqa: E402
from abx.store import open_store  # noqa: E402
from helpers.fault_harness import AppProcess, Listener, check_every_answer, wait_for  # noqa: E402
from helpers.real_postgres import PostgresServer, postgres_server  # noqa: E402
from helpers.study_desk import STUDY, make_desk  # noqa: E402

_DISK_BYTES = 48_000_000
# Root may write read-only files; without these rights it is like everybody else.
_NO_OVERRIDE = [
    "setpriv",
    "--bounding-set=-dac_override,-dac_read_search",
    "--inh-caps=-dac_override,-dac_read_search",
]


@contextmanager
def small_disk(folder: Path) -> Iterator[Path]:
    """A file system of its own, small enough to be filled."""
    folder.mkdir()
    size = f"size={_DISK_BYTES}"
    subprocess.run(["mount", "-t", "tmpfs", "-o", size, "tmpfs", str(folder)], check=True)
    try:
        yield folder
    finally:
        subprocess.run(["umount", "-l", str(folder)], check=True)


class Trouble(threading.Thread):
    """Makes something fail every second or so, and mends it."""

    def __init__(
        self, apps: list[AppProcess], server: PostgresServer | None, disk: Path, seed: int
    ) -> None:
        super().__init__(daemon=True)
        self.apps = apps
        self.server = server
        self.disk = disk
        self.rng = Random(seed)
        self.done = threading.Event()
        self.counts: Counter[str] = Counter()
        self.fault: BaseException | None = None

    def run(self) -> None:
        kinds = {"app killed": self.kill_app}
        if self.server is not None:
            kinds["database killed"] = self.kill_database
        else:
            kinds |= {"disk full": self.fill_disk, "file read-only": self.forbid_writing}
        try:
            while not self.done.wait(self.rng.uniform(0.5, 2.5)):
                kind = self.rng.choice(sorted(kinds))
                kinds[kind]()
                self.counts[kind] += 1
        except BaseException as error:
            self.fault = error

    def kill_app(self) -> None:
        app = self.rng.choice(self.apps)
        app.kill()
        app.start()
        app.wait()

    def kill_database(self) -> None:
        assert self.server is not None
        self.server.kill()
        self.server.start()

    def fill_disk(self) -> None:
        ballast = self.disk / "ballast"
        with ballast.open("wb", buffering=0) as file, contextlib.suppress(OSError):
            while True:
                file.write(bytes(4096))
        time.sleep(self.rng.uniform(0.3, 1.5))
        ballast.unlink()

    def forbid_writing(self) -> None:
        """Start the apps anew on a read-only file, and again once it can be written."""
        for mode in (0o444, 0o644):
            for app in self.apps:
                app.kill()
            (self.disk / "log.db").chmod(mode)
            for app in self.apps:
                app.start()
            for app in self.apps:
                app.wait()
            time.sleep(self.rng.uniform(0.3, 1.0) if mode == 0o444 else 0.0)


def interrupt_migration(app: AppProcess, rng: Random, times: int) -> int:
    """Kill the app while it makes the tables of a new database; returns how often."""
    for _ in range(times):
        app.start()
        time.sleep(rng.uniform(0.8, 3.0))
        app.kill()
    return times


def begin_all(sessions: Sessions, count: int) -> list[str]:
    """Begin sittings, patiently."""
    tokens: list[str] = []
    while len(tokens) < count:
        try:
            tokens.append(sessions.begin(consent=True))
        except StoreError:  # the database is down, or full, just now
            time.sleep(0.1)
    return tokens


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n")[0])
    parser.add_argument("--trials", type=int, default=5000)
    parser.add_argument("--listeners", type=int, default=12, help="at once")
    parser.add_argument("--postgresql", action="store_true")
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    text = STUDY.replace("trials = 4", "trials = 20")
    rng = Random(options.seed)
    with tempfile.TemporaryDirectory() as folder, ExitStack() as stack:
        desk = make_desk(Path(folder) / "study", text=text)
        disk = Path(folder) / "disk"
        server = stack.enter_context(postgres_server()) if options.postgresql else None
        if server is None:
            stack.enter_context(small_disk(disk))
        url = f"sqlite:///{disk}/log.db" if server is None else server.new_database()
        prefix = _NO_OVERRIDE if os.geteuid() == 0 and server is None else []
        apps = [
            AppProcess(desk.root, url, prefix=prefix, jumping=jumping) for jumping in (True, False)
        ]
        interrupted = interrupt_migration(apps[0], rng, 4)
        store = stack.enter_context(open_store(url))
        sessions = desk.sessions(store)
        for app in apps:
            app.start()
            stack.callback(app.stop)
        for app in apps:
            app.wait()
        trouble = Trouble(apps, server, disk, options.seed)
        everybody: list[Listener] = []
        started = time.monotonic()
        trouble.start()
        while sum(len(one.acknowledged) for one in everybody) < options.trials:
            tokens = begin_all(sessions, options.listeners)
            group = [
                Listener([app.url for app in apps], token, len(everybody) + n, pause_s=0.02)
                for n, token in enumerate(tokens)
            ]
            for one in group:
                one.start()
            wait_for(group)
            everybody += group
            print(sum(len(one.acknowledged) for one in everybody), dict(trouble.counts), flush=True)
            if trouble.fault is not None:
                raise trouble.fault
        trouble.done.set()
        trouble.join()
        for app in apps:
            app.wait()
        answers = check_every_answer(store, sessions, everybody)
        acknowledged = sum(len(one.acknowledged) for one in everybody)
        failed = [
            check.words
            for check in check_log(store, desk.study, desk.manifest, desk.root / "stimuli")
            if not check.passed
        ]
    faults = ", ".join(f"{kind} {count} times" for kind, count in sorted(trouble.counts.items()))
    print(
        f"{acknowledged} acknowledged answers, {answers} in the log, "
        f"{sum(one.retries for one in everybody)} repeated requests; {faults}, "
        f"migration interrupted {interrupted} times, one clock jumping throughout; "
        f"{time.monotonic() - started:.0f} s; log: {'; '.join(failed) or 'holds'}"
    )
    return 1 if failed or answers != acknowledged else 0


if __name__ == "__main__":
    sys.exit(main())
