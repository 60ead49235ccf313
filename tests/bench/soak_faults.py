"""Soak: thousands of trials while app processes and the database are killed at random.

    python tests/bench/soak_faults.py                  # SQLite, two app processes
    python tests/bench/soak_faults.py --postgresql     # PostgreSQL is killed as well

Listeners answer as fast as they can, repeat what was not acknowledged, double-click and reload.
At the end every answer a client had acknowledged has to be in the log exactly once, nothing else
may be there, and the log has to verify. Exit code 1 otherwise.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import threading
import time
from contextlib import ExitStack
from pathlib import Path
from random import Random

TESTS = Path(__file__).parents[1] / "abx"
sys.path[:0] = [str(TESTS), str(Path(__file__).parents[2])]

from fault_harness import AppProcess, Listener, check_every_answer, wait_for  # noqa: E402
from real_postgres import PostgresServer, postgres_server  # noqa: E402
from study_desk import STUDY, make_desk  # noqa: E402

from abx.store import open_store  # noqa: E402
from abx.verify_log import verify_log  # noqa: E402


class Killer(threading.Thread):
    """Kills an app process, or the database, every second or so, and starts it again."""

    def __init__(self, apps: list[AppProcess], server: PostgresServer | None, seed: int) -> None:
        super().__init__(daemon=True)
        self.apps = apps
        self.server = server
        self.rng = Random(seed)
        self.done = threading.Event()
        self.app_kills = 0
        self.database_kills = 0

    def run(self) -> None:
        while not self.done.wait(self.rng.uniform(0.5, 2.5)):
            if self.server is not None and self.rng.random() < 0.3:
                self.server.kill()
                self.server.start()
                self.database_kills += 1
                continue
            app = self.rng.choice(self.apps)
            app.kill()
            app.start()
            self.app_kills += 1
            app.wait()


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n")[0])
    parser.add_argument("--trials", type=int, default=5000)
    parser.add_argument("--listeners", type=int, default=12, help="at once")
    parser.add_argument("--postgresql", action="store_true")
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    text = STUDY.replace("trials = 4", "trials = 20")
    with tempfile.TemporaryDirectory() as folder, ExitStack() as stack:
        desk = make_desk(Path(folder) / "study", text=text)
        server = stack.enter_context(postgres_server()) if options.postgresql else None
        url = f"sqlite:///{folder}/log.db" if server is None else server.new_database()
        store = stack.enter_context(open_store(url))
        sessions = desk.sessions(store)
        apps = [AppProcess(desk.root, url) for _ in range(2)]
        for app in apps:
            app.start()
            stack.callback(app.stop)
        for app in apps:
            app.wait()
        killer = Killer(apps, server, options.seed)
        everybody: list[Listener] = []
        started = time.monotonic()
        killer.start()
        while sum(len(one.acknowledged) for one in everybody) < options.trials:
            tokens = []
            while len(tokens) < options.listeners:
                try:
                    tokens.append(sessions.begin(consent=True))
                except Exception:  # the database is down just now
                    time.sleep(0.1)
            group = [
                Listener([app.url for app in apps], token, len(everybody) + n, pause_s=0.02)
                for n, token in enumerate(tokens)
            ]
            for one in group:
                one.start()
            wait_for(group)
            everybody += group
        killer.done.set()
        killer.join()
        for app in apps:
            app.wait()
        answers = check_every_answer(store, sessions, everybody)
        acknowledged = sum(len(one.acknowledged) for one in everybody)
        failed = [
            check.words
            for check in verify_log(store, desk.study, desk.manifest, desk.root / "stimuli")
            if not check.passed
        ]
    print(
        f"{acknowledged} acknowledged answers, {answers} in the log, "
        f"{sum(one.retries for one in everybody)} repeated requests, "
        f"{killer.app_kills} kills of the app, {killer.database_kills} of the database, "
        f"{time.monotonic() - started:.0f} s; log: {'; '.join(failed) or 'holds'}"
    )
    return 1 if failed or answers != acknowledged else 0


if __name__ == "__main__":
    sys.exit(main())
