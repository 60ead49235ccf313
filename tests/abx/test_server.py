"""The whole server as people start it: pages and routes in one process."""

from __future__ import annotations

import signal
import socket
import subprocess
import sys
from collections.abc import Iterator

import httpx
import pytest
import streamlit

from abx.errors import AbxError, InputError
from abx.web.server import app_from_environment, create_app, current
from helpers.guards import GUARD_S, wait_until
from helpers.http_server import running
from helpers.study_desk import Desk

SERVE = "import sys; from abx.web.server import serve; serve(sys.argv[1], port=int(sys.argv[2]))"


@pytest.fixture
def served(desk: Desk) -> Iterator[tuple[str, int, subprocess.Popen[bytes]]]:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    process = subprocess.Popen(
        [sys.executable, "-c", SERVE, str(desk.root), str(port)], stdout=subprocess.DEVNULL
    )
    url = f"http://127.0.0.1:{port}"

    def answers() -> bool:
        assert process.poll() is None, "the server ended by itself"
        try:
            httpx.get(f"{url}/listen/nobody/next", timeout=GUARD_S)
        except httpx.TransportError:
            return False
        return True

    try:
        wait_until(answers, "the server did not start")
        yield url, port, process
    finally:
        if process.poll() is None:
            process.terminate()
            process.wait(GUARD_S)


def test_pages_and_routes_answer_on_this_machine_only(
    served: tuple[str, int, subprocess.Popen[bytes]],
) -> None:
    url, port, process = served
    assert httpx.get(url, timeout=GUARD_S).status_code == 200
    reply = httpx.get(f"{url}/listen/nobody/next", timeout=GUARD_S)
    assert reply.status_code == 404
    assert "start again" in reply.json()["error"]
    for path in (
        "/study.toml",
        "/stimuli/manifest.json",
        "/earwitness.db",
        "/listen/../study.toml",
    ):
        body = httpx.get(url + path, timeout=GUARD_S).text
        assert "format = 1" not in body
        assert "SQLite" not in body
        assert "loudness_model" not in body
    others = [
        address[4][0]
        for address in socket.getaddrinfo(socket.gethostname(), port, socket.AF_INET)
        if not address[4][0].startswith("127.")
    ]
    for other in others:
        with pytest.raises(OSError, match="refused"):
            socket.create_connection((other, port), timeout=GUARD_S)
    process.send_signal(signal.SIGTERM)
    assert process.wait(GUARD_S) in (0, -signal.SIGTERM)


def test_sound_is_not_compressed(desk: Desk) -> None:
    """Its compressed size would tell what is inside; the pages' server compresses by itself."""
    app = create_app(desk.root)
    token = current().begin(consent=True)
    with running(app) as url, httpx.Client(base_url=url, timeout=GUARD_S) as client:
        client.headers["Accept-Encoding"] = "gzip, deflate, br, zstd"  # as browsers send
        for step in ("level", "next"):
            message = client.get(f"/listen/{token}/{step}")
            sound = client.get(message.json()["audio"])
            for reply in (message, sound):
                assert "content-encoding" not in reply.headers
                assert int(reply.headers["content-length"]) == len(reply.content)
            assert sound.num_bytes_downloaded == len(sound.content)


def test_a_study_without_stimuli_is_named(desk: Desk) -> None:

    (desk.root / "stimuli" / "manifest.json").unlink()
    with pytest.raises(InputError, match="manifest"):
        create_app(desk.root)


def test_an_app_for_several_processes(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("EARWITNESS_STUDY", raising=False)
    with pytest.raises(InputError, match="EARWITNESS_STUDY: the variable is not set"):
        app_from_environment()
    file = desk.root / "elsewhere.db"
    monkeypatch.setenv("EARWITNESS_STUDY", str(desk.root))
    monkeypatch.setenv("EARWITNESS_DATABASE", f"sqlite:///{file}")
    app_from_environment()
    assert current().study.title == "Saloon test"
    assert streamlit.config.get_option("browser.gatherUsageStats") is False
    assert streamlit.config.get_option("client.toolbarMode") == "minimal"
    assert streamlit.config.get_option("server.maxUploadSize") == 1
    assert str(streamlit.config.get_option("theme.light.primaryColor")).startswith("#")
    current().store.close()
    assert file.is_file()


def test_nothing_is_served_before_a_study_is_opened(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("abx.web.server._current", None)
    with pytest.raises(AbxError, match="start one with 'earwitness serve'"):
        current()
