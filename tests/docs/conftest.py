"""The documentation's tests share one database server and one sound card."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from helpers.docs_shell import run
from helpers.guards import GUARD_S, wait_until
from helpers.real_postgres import postgres_server


@pytest.fixture
def postgres(postgres_session: dict[str, str]) -> Iterator[dict[str, str]]:
    """An empty server, as a page's reader has it."""
    yield postgres_session
    done = run("dropdb --if-exists --force wendlefay", Path.cwd(), postgres_session)
    assert done.returncode == 0, done.stderr


@pytest.fixture(scope="session")
def postgres_session() -> Iterator[dict[str, str]]:
    """A PostgreSQL server that commands find as the reader's do, by libpq's variables."""
    with postgres_server() as server:
        binaries = max(Path("/usr/lib/postgresql").glob("*/bin"))
        yield {
            "PGHOST": str(server.folder),
            "PGUSER": "postgres",
            "PATH": os.pathsep.join(
                [str(Path(sys.executable).parent), str(binaries), os.environ["PATH"]]
            ),
        }


@pytest.fixture(scope="session")
def sound_card(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, str]]:
    """A PulseAudio null sink whose monitor is the microphone."""
    folder = tmp_path_factory.mktemp("pulse")
    extra = {"XDG_RUNTIME_DIR": str(folder), "PULSE_SERVER": f"unix:{folder}/native"}
    env = {**os.environ, **extra, "HOME": str(folder)}
    first = ["nice", "-n", "-15"] if os.geteuid() == 0 else []  # sound does not wait
    command = [*first, "pulseaudio", "-n", "--daemonize=no", "--exit-idle-time=-1"]
    command += ["--disallow-exit=true", "--use-pid-file=no"]
    command += ["-L", f"module-native-protocol-unix socket={folder}/native auth-anonymous=1"]
    command += ["-L", "module-null-sink sink_name=saloon rate=48000 format=float32le channels=2"]
    quiet = subprocess.DEVNULL
    server = subprocess.Popen(command, env=env, stdout=quiet, stderr=quiet)
    try:
        info = ["pactl", "info"]
        wait_until(
            lambda: not subprocess.run(info, env=env, stdout=quiet, stderr=quiet).returncode,
            "PulseAudio did not start",
        )
        for kind, name in (("sink", "saloon"), ("source", "saloon.monitor")):
            subprocess.run(["pactl", f"set-default-{kind}", name], env=env, check=True)
        yield extra
    finally:
        server.terminate()
        server.wait(GUARD_S)
