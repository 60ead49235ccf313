"""A real PostgreSQL server from the system's binaries, for tests."""

from __future__ import annotations

import contextlib
import itertools
import os
import pwd
import shutil
import signal
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

__all__ = ["PostgresServer", "postgres_server"]

_GUARD_S = 600.0  # whatever takes longer hangs; a busy machine may take its time


def _binaries() -> Path:
    found = sorted(
        Path("/usr/lib/postgresql").glob("*/bin"), key=lambda path: int(path.parent.name)
    )
    if not found:
        raise FileNotFoundError("no PostgreSQL in /usr/lib/postgresql: install 'postgresql'")
    return found[-1]


@dataclass
class PostgresServer:
    """A running server in a folder of its own, reachable by a Unix socket only."""

    folder: Path
    durable: bool = False
    process: subprocess.Popen[bytes] | None = None
    _names: Iterator[int] = field(default_factory=itertools.count)

    def url(self, database: str) -> str:
        return f"postgresql://postgres@/{database}?host={self.folder}"

    def new_database(self) -> str:
        """Create an empty database and return its URL."""
        import psycopg

        name = f"db{next(self._names)}"
        with psycopg.connect(
            host=str(self.folder), user="postgres", dbname="postgres", autocommit=True
        ) as connection:
            connection.execute(f"CREATE DATABASE {name}")
        return self.url(name)

    def start(self) -> None:
        command = [
            str(_binaries() / "postgres"),
            "-D",
            str(self.folder / "data"),
            "-k",
            str(self.folder),
            "-c",
            "listen_addresses=",
            "-c",
            "max_connections=60",
            "-c",
            # Only a power cut needs it; a killed server does not, and tests cut no power.
            f"fsync={'on' if self.durable else 'off'}",
        ]
        with (self.folder / "server.log").open("ab") as log:
            self.process = subprocess.Popen(
                as_postgres(command), stdout=log, stderr=log, start_new_session=True
            )
        self._wait()

    def _wait(self) -> None:
        import psycopg

        deadline = time.monotonic() + _GUARD_S
        while True:
            try:
                psycopg.connect(
                    host=str(self.folder), user="postgres", dbname="postgres", connect_timeout=60
                ).close()
                return
            except psycopg.OperationalError:
                if time.monotonic() > deadline:
                    raise RuntimeError((self.folder / "server.log").read_text()) from None
                time.sleep(0.05)

    def server_pid(self) -> int:
        """Return the process id of the server itself (not of the wrapper that started it)."""
        return int((self.folder / "data" / "postmaster.pid").read_text().split()[0])

    def kill(self) -> None:
        """Kill the server and its workers at once, as far as that goes without a power cut."""
        assert self.process is not None
        server = self.server_pid()
        workers = _children(server)  # before they lose their parent
        os.kill(server, signal.SIGKILL)
        for worker in workers:
            with contextlib.suppress(ProcessLookupError):
                os.kill(worker, signal.SIGKILL)
        self.process.wait()
        (self.folder / "data" / "postmaster.pid").unlink(missing_ok=True)

    def stop(self) -> None:
        if self.process is not None and self.process.poll() is None:
            os.kill(self.server_pid(), signal.SIGQUIT)
            self.process.wait(timeout=_GUARD_S)


def _children(parent: int) -> list[int]:
    """Return the processes started by a process, still known by their parent's number."""
    found = []
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            with contextlib.suppress(OSError):
                fields = (entry / "stat").read_text().rpartition(")")[2].split()
                if int(fields[1]) == parent:
                    found.append(int(entry.name))
    return found


def as_postgres(command: list[str]) -> list[str]:
    """Run as the system's postgres user where we are root, which the server refuses."""
    if os.geteuid() != 0:
        return command
    return ["runuser", "-u", "postgres", "--", *command]


@contextmanager
def postgres_server(*, durable: bool = False) -> Iterator[PostgresServer]:
    """Run a server; ``durable`` waits for the disk at each commit, as a real one does."""
    folder = Path(tempfile.mkdtemp(prefix="ew-pg-"))
    if os.geteuid() == 0:
        owner = pwd.getpwnam("postgres")
        os.chown(folder, owner.pw_uid, owner.pw_gid)
    initdb = [
        str(_binaries() / "initdb"),
        "-D",
        str(folder / "data"),
        "-U",
        "postgres",
        "-A",
        "trust",
        "-E",
        "UTF8",
        "--locale=C",
        "--no-sync",
    ]
    try:
        subprocess.run(as_postgres(initdb), check=True, capture_output=True, cwd="/")
        server = PostgresServer(folder, durable)
        server.start()
        try:
            yield server
        finally:
            server.stop()
    finally:
        shutil.rmtree(folder, ignore_errors=True)
