"""Audio sent by a real web server in front, under the opaque addresses as they are."""

from __future__ import annotations

import os
import re
import shutil
import socket
import subprocess
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
from starlette.applications import Starlette

from abx.errors import InputError
from abx.session.sessions import Sessions
from abx.session.spool import PREFIX, VARIABLE, Spool, spool_from_environment
from abx.web.routes import make_routes
from helpers.guards import GUARD_S, wait_until
from helpers.http_server import answer_body, running
from helpers.sound_block import unpack

GUIDE = Path(__file__).parents[2] / "abx" / "docs" / "guides" / "several-processes.md"
NGINX = shutil.which("nginx", path="/usr/sbin:/usr/bin:/usr/local/bin")


def documented(app_port: int, port: int, folder: Path) -> str:
    """The configuration of the guide, with this test's ports and folder."""
    text = GUIDE.read_text(encoding="utf-8")
    block = re.search(r":caption: earwitness-proxy.conf\n\n(.*?)```", text, re.DOTALL)
    assert block is not None
    changed = re.sub(r"    server 127.0.0.1:861\d;\n", "", block[1]).replace(
        "consistent;", f"consistent; server 127.0.0.1:{app_port};", 1
    )
    changed = re.sub(r"#[^\n]*", "", changed)
    changed = changed.replace("listen 127.0.0.1:8610;", f"listen 127.0.0.1:{port};")
    assert "/dev/shm/earwitness-sound/" in changed
    return changed.replace("/dev/shm/earwitness-sound/", f"{folder}/")


@pytest.fixture
def proxy(local_sessions: Sessions) -> Iterator[tuple[str, Path]]:
    """The routes behind a real nginx; yields its address and the folder of sound."""
    assert NGINX is not None, "no nginx: install it"
    folder = Path("/dev/shm") / f"ew-sound-{os.getpid()}"
    folder.mkdir(mode=0o755)
    work = folder.with_name(folder.name + "-nginx")
    work.mkdir()
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    app = Starlette(routes=make_routes(lambda: local_sessions, spool=Spool(folder)))
    with running(app) as url:
        config = work / "nginx.conf"
        inner = documented(int(url.rsplit(":", 1)[1]), port, folder)
        config.write_text(
            f"pid {work}/pid; error_log {work}/error.log; daemon off; worker_processes 1;\n"
            f"events {{}}\nhttp {{ access_log off;\n{inner}\n}}\n"
        )
        command = [NGINX, "-c", str(config), "-p", str(work)]
        process = subprocess.Popen(command, stderr=subprocess.DEVNULL)
        try:
            wait_for_port(port, process, work / "error.log")
            yield f"http://127.0.0.1:{port}", folder
        finally:
            process.terminate()
            process.wait(GUARD_S)
            shutil.rmtree(folder)
            shutil.rmtree(work)


def wait_for_port(port: int, process: subprocess.Popen[bytes], log: Path) -> None:
    def listens() -> bool:
        assert process.poll() is None, log.read_text()
        try:
            socket.create_connection(("127.0.0.1", port), timeout=GUARD_S).close()
        except OSError:
            return False
        return True

    wait_until(listens, "nginx did not start")


def test_nginx_sends_the_sound(proxy: tuple[str, Path], local_sessions: Sessions) -> None:
    url, folder = proxy
    token = local_sessions.begin(consent=True)
    with httpx.Client(base_url=url, timeout=GUARD_S) as client:
        message = client.get(f"/listen/{token}/next").json()
        sound = client.get(message["audio"])
        _, samples = unpack(memoryview(sound.content))
        assert len(samples) == len(message["versions"])
        assert len(list(folder.iterdir())) == 1, "it went through the folder"
        assert sound.headers["cache-control"] == "no-store"
        assert sound.headers["x-content-type-options"] == "nosniff"
        assert sound.headers["referrer-policy"] == "no-referrer"
        assert {"etag", "last-modified", "x-accel-redirect"}.isdisjoint(sound.headers)
        (name,) = (path.name for path in folder.iterdir())
        assert client.get(PREFIX + name).status_code == 404, "the folder itself is not open"
        assert client.get(message["audio"][:-1]).status_code == 404
        reply = client.post(f"/listen/{token}/answer", json=answer_body(message)).json()
        assert reply["acknowledged"] is True
        assert client.get(message["audio"]).status_code == 404, "its question is answered"


def test_sent_files_are_removed(tmp_path: Path) -> None:
    spool = Spool(tmp_path)
    old = tmp_path / spool.put(memoryview(b"old")).removeprefix(PREFIX)
    os.utime(old, (1, 1))
    spool._swept_s = 0.0
    new = tmp_path / spool.put(memoryview(b"new")).removeprefix(PREFIX)
    assert sorted(tmp_path.iterdir()) == [new]
    assert new.read_bytes() == b"new"


def test_the_environment_asks_for_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv(VARIABLE, raising=False)
    assert spool_from_environment() is None
    monkeypatch.setenv(VARIABLE, str(tmp_path / "missing"))
    with pytest.raises(InputError, match=r"EARWITNESS_SOUND_FOLDER: .*not a folder"):
        spool_from_environment()
    monkeypatch.setenv(VARIABLE, str(tmp_path))
    assert isinstance(spool_from_environment(), Spool)
