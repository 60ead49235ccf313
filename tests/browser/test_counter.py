"""The shop's counter: own result in plain words, back to the start when nobody is there."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from playwright.sync_api import Page, expect

from abx.web.server import open_sessions
from helpers.browser_harness import Listener, Server, served, violations
from helpers.browser_study import STAGES, write_study

pytestmark = pytest.mark.browser

TESTS = """
[[tests]]
method = "paired"
pairs = [["osprey", "plover"]]
trials = 8
practice = 0
"""


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    with served(write_study(tmp_path_factory.mktemp("counter"), tests=TESTS)) as one:
        yield one


def answer_all_but_one(server: Server, token: str) -> None:
    """Prefer one stage in six of the first seven questions, the other in one."""
    sessions = open_sessions(server.root)
    try:
        slot = sessions.slot(sessions.sitting(token).slot)
        for number, trial in enumerate(slot.trials[:7]):
            liked = "a" if trial.plays("a") == STAGES[0] else "b"
            answer = liked if number else {"a": "b", "b": "a"}[liked]
            key = sessions.next_trial(token)["trial"]
            sessions.record_answer(token, key, answer, listened_s={"a": 2.0, "b": 2.0})
    finally:
        sessions.store.close()


def test_a_customer_sees_their_own_result_and_nothing_else(page: Page, server: Server) -> None:
    page.goto(f"{server.url}/counter")
    page.get_by_role("button", name="I agree, begin").click()
    expect(page.get_by_role("heading", name="Set the level")).to_be_visible()
    token = page.url.split("s=")[1]
    answer_all_but_one(server, token)
    page.reload()
    someone = Listener(page, server.url)
    someone.keep_level()
    expect(page.locator(".step")).to_have_text("Question 8 of 8")
    sessions = open_sessions(server.root)
    last = sessions.slot(sessions.sitting(token).slot).trials[7]
    sessions.store.close()
    someone.answer(1 if last.plays("a") == STAGES[0] else 2)
    expect(page.get_by_text("you chose the same one 7 times")).to_be_visible()
    expect(page.get_by_text("guessing does that 1 time in 14")).to_be_visible()
    code = page.get_by_role("img", name="Square code with the words above")
    expect(code).to_be_visible()
    assert code.evaluate("(image) => image.naturalWidth") > 100
    shown = page.locator("body").inner_text()
    assert not [stage for stage in STAGES if stage in shown.lower()]
    assert page.locator("a[href*=staff]").count() == 0
    assert violations(page) == []
    page.get_by_role("button", name="Done").click()
    expect(page.get_by_role("button", name="I agree, begin")).to_be_visible()
    assert "s=" not in page.url


def test_nobody_there_brings_the_start_page_back(page: Page, server: Server) -> None:
    page.clock.install()
    page.goto(f"{server.url}/counter")
    page.get_by_role("button", name="I agree, begin").click()
    page.clock.run_for(2000)
    expect(page.get_by_role("button", name="Play")).to_be_visible()
    page.clock.fast_forward(91_000)
    expect(page.get_by_role("alertdialog")).to_be_visible()
    assert violations(page) == []
    page.get_by_role("button", name="I am still here").click()
    expect(page.get_by_role("alertdialog")).to_be_hidden()
    page.clock.fast_forward(91_000)
    expect(page.get_by_role("alertdialog")).to_be_visible()
    page.clock.fast_forward(16_000)
    page.clock.run_for(2000)
    expect(page.get_by_role("button", name="I agree, begin")).to_be_visible()
    assert "s=" not in page.url


@pytest.mark.parametrize("path", ["counter", "staff"])
def test_pages_beside_the_player_pass_axe(page: Page, server: Server, path: str) -> None:
    page.goto(f"{server.url}/{path}")
    expect(page.get_by_role("heading").first).to_be_visible()
    assert violations(page) == []
