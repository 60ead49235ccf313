"""Nothing leaves the machine: neither the app process nor any of its pages calls anybody."""

from __future__ import annotations

import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import urlsplit

import pytest
from playwright.sync_api import Page, expect

from abx.session.withdrawal import withdrawal_code
from abx.web.server import open_sessions
from helpers.browser_harness import PROJECT, Listener, Server, new_sitting
from helpers.browser_study import PAIRED, write_study
from helpers.guards import wait_until

pytestmark = pytest.mark.browser

WATCH = """
import sys
def watch(event, details):
    if event in ("socket.connect", "socket.getaddrinfo", "socket.sendto", "urllib.Request"):
        with open({log!r}, "a") as file:
            print(event, details[1:] if event == "socket.connect" else details, file=file)
sys.addaudithook(watch)
open({log!r}, "a").close()
from abx.web.server import serve
serve({root!r}, port={port})
"""


class WatchedServer(Server):
    """The real application; every address it asks for is written down."""

    @property
    def log(self) -> Path:
        return self.root / "calls.log"

    def start(self) -> None:
        code = WATCH.format(log=str(self.log), root=str(self.root), port=self.port)
        with (self.root / "server.log").open("ab") as log:
            self._process = subprocess.Popen(
                [sys.executable, "-c", code], stdout=log, stderr=log, cwd=PROJECT
            )
        wait_until(self.answers, self.said)


@pytest.fixture
def server(tmp_path: Path) -> Iterator[WatchedServer]:
    watched = WatchedServer(write_study(tmp_path / "study", tests=PAIRED))
    try:
        watched.start()
        yield watched
    finally:
        watched.stop()


def test_nothing_leaves_the_machine(page: Page, server: WatchedServer) -> None:
    called: set[str] = set()
    page.on("request", lambda request: called.add(urlsplit(request.url).netloc))
    page.on("websocket", lambda socket: called.add(urlsplit(socket.url).netloc))
    for path in ("counter", "staff", "withdraw"):
        page.goto(f"{server.url}/{path}")
        expect(page.get_by_role("heading").first).to_be_visible()
    someone = Listener(page, server.url, server.root)
    someone.to_first_trial()
    someone.answer()
    page.wait_for_load_state("networkidle")  # usage statistics would be sent by now
    page.wait_for_timeout(2500)
    assert called - {""} == {urlsplit(server.url).netloc}
    outside = [
        line
        for line in server.log.read_text().splitlines()
        if not re.search(r"127\.0\.0\.1|localhost|::1|/run/|\.sock|'/", line)
    ]
    assert outside == []


def test_the_watch_notices_a_call(tmp_path: Path) -> None:
    code = WATCH.split("from abx")[0].format(log=str(tmp_path / "log"))
    code += "import socket\nsocket.socket(type=socket.SOCK_DGRAM).connect(('192.0.2.1', 9))\n"
    subprocess.run([sys.executable, "-c", code], check=False)
    assert "192.0.2.1" in (tmp_path / "log").read_text()


def test_a_listener_takes_answers_back_in_the_browser(page: Page, server: WatchedServer) -> None:
    sessions = open_sessions(server.root)
    token = new_sitting(server.root)
    code = withdrawal_code(sessions, token)
    page.goto(f"{server.url}/withdraw")
    page.get_by_label("Withdrawal code").fill(code)
    page.get_by_role("button", name="Remove the answers").click()
    expect(page.get_by_text("tick the box")).to_be_visible()
    page.get_by_text("Remove the answers for good").click()
    page.get_by_role("button", name="Remove the answers").click()
    expect(page.get_by_text("1 sitting of L-")).to_be_visible()
    assert sessions.store.rows(sessions.study_id, kind="session-begun")[0].body is None
    sessions.store.close()


def test_the_code_is_shown_at_the_end(page: Page, server: WatchedServer) -> None:
    someone = Listener(page, server.url, server.root)
    someone.to_first_trial()
    steps = ["Question 1 of 2", "Question 2 of 2"]
    for step in steps:
        expect(page.locator(".step")).to_have_text(step)
        someone.answer()
    expect(page.get_by_role("heading", name="Thank you")).to_be_visible()
    expect(page.get_by_role("heading", name="If you change your mind")).to_be_visible()
    token = page.url.split("s=")[1]
    sessions = open_sessions(server.root)
    expect(page.get_by_text(withdrawal_code(sessions, token), exact=True)).to_be_visible()
    sessions.store.close()
    page.screenshot(path=str(server.root / "end.png"), full_page=True)
