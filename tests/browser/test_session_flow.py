"""A sitting in real Chromium against the real application, with everything that goes wrong."""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import BrowserContext, Page, Response, expect

from abx.web.server import open_sessions
from helpers.browser_harness import Listener, Server, served, violations
from helpers.browser_study import ABX, PAIRED, STAGES, write_study

pytestmark = pytest.mark.browser

SHORT = '[[tests]]\nmethod = "paired"\npairs = [["osprey", "plover"]]\ntrials = 3\npractice = 0\n'


@pytest.fixture(scope="module")
def both(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    root = tmp_path_factory.mktemp("both")
    with served(write_study(root, tests=ABX + PAIRED, familiarisation=True)) as server:
        yield server


@pytest.fixture(scope="module")
def short(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    with served(write_study(tmp_path_factory.mktemp("short"), tests=SHORT)) as server:
        yield server


def answers_of(root: Path, session_url: str) -> list[dict]:
    """Stored answers of the sitting whose token is in the address, read from the database."""
    token = session_url.split("s=")[1]
    sessions = open_sessions(root)
    try:
        sitting = sessions.sitting(token)
        rows = sessions.store.rows(sessions.study_id, kind="answer")
        return [row.content for row in rows if row.session == sitting.session]
    finally:
        sessions.store.close()


@pytest.fixture
def listener(page: Page, short: Server) -> Listener:
    return Listener(page, short.url, short.root)


def test_from_welcome_to_thank_you(page: Page, both: Server) -> None:
    seen: list[str] = []

    def remember(response: Response) -> None:
        if "/listen/" in response.url:
            assert response.headers["cache-control"] == "no-store"
            if "json" in response.headers["content-type"]:
                seen.append(response.text())

    page.on("response", remember)
    someone = Listener(page, both.url)
    someone.to_first_trial()
    assert someone.step() == "First listen 1 of 1"
    expect(page.get_by_role("heading", name="Get to know the sound")).to_be_visible()
    expect(page.locator(".answer")).to_have_count(0)
    expect(page.get_by_role("button", name="Go on")).to_be_disabled()
    faults = violations(page)
    someone.know_the_sound()
    assert someone.step() == "Practice 1 of 1"
    someone.answer(1)
    expect(page.get_by_role("heading", name=re.compile("Right|Not this time"))).to_be_visible()
    assert faults + violations(page) == []
    someone.go_on()
    steps = []
    for number in (1, 2, 1):
        someone.on_trial()
        steps.append(someone.step())
        shown = page.locator(".earwitness").inner_text() + page.content()
        assert not [stage for stage in (*STAGES, "Boathouse") if stage in shown]
        someone.answer(number)
        expect(page.locator(".saved")).to_have_text("Answer saved")
        expect(page.locator(".step")).not_to_have_text(steps[-1])
    expect(page.get_by_role("heading", name="Thank you")).to_be_visible()
    assert steps == [f"Question {k} of 3" for k in (1, 2, 3)]
    stored = answers_of(both.root, page.url)
    assert [one["phase"] for one in stored] == ["practice"] + 3 * ["test"]
    assert all(min(one["listened_s"].values()) >= 1.0 for one in stored)
    told = json.dumps(seen)
    assert not [stage for stage in (*STAGES, "Boathouse") if stage in told]
    page.reload()
    expect(page.get_by_role("heading", name="Thank you")).to_be_visible()


def test_answers_stay_locked_until_everything_was_heard(listener: Listener, short: Server) -> None:
    page = listener.page
    listener.to_first_trial()
    expect(page.locator(".answer").first).to_be_disabled()
    expect(page.locator(".hint")).to_contain_text("Still to hear: A and B")
    page.locator(".card").first.click()
    expect(page.locator(".hint")).to_contain_text("Still to hear: B.")
    page.keyboard.press("1")
    page.keyboard.press("Enter")
    expect(page.locator(".answer").first).to_be_disabled()
    assert answers_of(short.root, page.url) == []


TAB_ORDER = """() => {
  let node = document.activeElement;
  while (node.shadowRoot && node.shadowRoot.activeElement) node = node.shadowRoot.activeElement;
  return node.getAttribute("aria-label") || node.dataset.version || node.textContent.trim();
}"""


def test_keyboard_alone_is_enough(listener: Listener, short: Server) -> None:
    page = listener.page
    listener.to_first_trial()
    order = []
    for _ in range(6):  # the question has the focus; then as things stand on the screen
        page.keyboard.press("Tab")
        order.append(page.evaluate(TAB_ORDER))
    assert order == ["Play", "Loop begins at", "Loop ends at", "a", "b", "Keys"]
    page.get_by_role("heading").focus()
    page.keyboard.press("a")
    expect(page.locator(".card").nth(0)).to_have_class(re.compile("heard"))
    page.keyboard.press("ArrowRight")
    expect(page.locator(".card").nth(1)).to_have_attribute("aria-pressed", "true")
    expect(page.locator(".card").nth(1)).to_have_class(re.compile("heard"))
    page.keyboard.press("Space")
    expect(page.get_by_role("button", name="Play")).to_be_visible()
    page.keyboard.press("2")
    page.keyboard.press("Enter")
    expect(page.locator(".step")).to_have_text("Question 2 of 3")
    stored = answers_of(short.root, page.url)
    assert [one["answer"] for one in stored] == ["b"]
    assert stored[0]["switches"] == 1


def test_an_unsaved_answer_survives_a_reload(listener: Listener, short: Server) -> None:
    page = listener.page
    listener.to_first_trial()
    listener.hear_all()
    listener.choose(2)
    page.route("**/answer", lambda route: route.abort())
    listener.confirm()
    expect(page.get_by_role("alert").filter(has_text="connection is lost")).to_be_visible()
    page.unroute("**/answer")
    page.reload()
    expect(page.locator(".step")).to_have_text("Question 2 of 3")
    assert [a["answer"] for a in answers_of(short.root, page.url)] == ["b"]


def test_two_tabs_store_one_answer(
    context: BrowserContext, listener: Listener, short: Server
) -> None:
    first = listener.page
    listener.to_first_trial()
    other = Listener(context.new_page(), listener.url)
    other.page.goto(first.url)
    other.on_trial()
    listener.hear_all()
    other.hear_all()
    expect(first.get_by_role("alert").filter(has_text="another tab")).to_be_visible()
    listener.choose(1)
    other.choose(2)
    listener.confirm()
    expect(first.locator(".step")).to_have_text("Question 2 of 3")
    other.confirm()
    expect(other.page.get_by_role("heading", name="We go on")).to_be_visible()
    other.go_on()
    expect(other.page.locator(".step")).to_have_text("Question 2 of 3")
    assert [a["answer"] for a in answers_of(short.root, first.url)] == ["a"]


def test_a_killed_server_loses_nothing(page: Page, tmp_path: Path) -> None:
    with served(write_study(tmp_path, tests=SHORT)) as server:
        someone = Listener(page, server.url, server.root)
        someone.to_first_trial()
        server.kill()
        # The page around the player notices within about 3 s; its dialog would swallow a touch.
        page.wait_for_timeout(6_000)
        assert page.locator("[data-testid=stDialog], [inert]").count() == 0
        someone.hear_all()
        someone.choose(2)
        someone.confirm()
        expect(page.get_by_role("alert").filter(has_text="connection is lost")).to_be_visible()
        server.start()
        expect(page.locator(".step")).to_have_text("Question 2 of 3")
        assert [a["answer"] for a in answers_of(server.root, page.url)] == ["b"]


def test_staff_see_counts_until_they_close(context: BrowserContext, tmp_path: Path) -> None:
    root = write_study(tmp_path, tests=SHORT)
    sessions = open_sessions(root)
    sessions.set_passphrase("calm water at dawn")
    commitment = sessions.commitment
    sessions.store.close()
    with served(root) as server:
        someone = Listener(context.new_page(), server.url, server.root)
        someone.to_first_trial()
        answer_elsewhere(root, someone.page.url)
        someone.page.reload()
        expect(someone.page.locator(".step")).to_have_text("Question 2 of 3")
        someone.on_trial()
        staff = context.new_page()
        staff.goto(f"{server.url}/staff")
        sign_in(staff, "not this one")
        expect(staff.get_by_text("That passphrase is not right")).to_be_visible()
        sign_in(staff, "calm water at dawn")
        expect(staff.get_by_text("1 of 3")).to_be_visible()
        expect(staff.get_by_text(commitment)).to_be_visible()
        shown = staff.locator("body").inner_text()
        assert not [stage for stage in STAGES if re.search(stage, shown, re.IGNORECASE)]
        expect(staff.get_by_role("button", name="Close the study")).to_be_disabled()
        staff.get_by_text("I want to close the study for good").click()
        staff.get_by_role("button", name="Close the study").click()
        expect(staff.get_by_text("The study is closed")).to_be_visible()
        seed = staff.locator(".st-key-seed code").inner_text().strip()
        assert hashlib.sha256(bytes.fromhex(seed)).hexdigest() == commitment
        someone.hear_all()
        someone.choose(1)
        someone.confirm()
        expect(someone.page.get_by_role("heading", name="The study is closed")).to_be_visible()


def answer_elsewhere(root: Path, session_url: str) -> None:
    token = session_url.split("s=")[1]
    sessions = open_sessions(root)
    try:
        key = sessions.next_trial(token)["trial"]
        sessions.record_answer(token, key, "a", listened_s={"a": 2.0, "b": 2.0})
    finally:
        sessions.store.close()


def sign_in(page: Page, passphrase: str) -> None:
    page.get_by_label("Passphrase", exact=True).fill(passphrase)
    page.get_by_role("button", name="Sign in").click()
