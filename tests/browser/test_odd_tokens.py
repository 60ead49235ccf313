"""Whatever letters a token has, its listener and its customer get to the end of their page."""

from __future__ import annotations

from collections.abc import Iterator
from urllib.parse import quote

import pytest
from playwright.sync_api import Page, expect

from abx.web.server import open_sessions
from helpers.browser_harness import Listener, Server, served
from helpers.browser_study import write_study
from helpers.nasty_words import NASTY_TOKENS

pytestmark = pytest.mark.browser

ONE = '[[tests]]\nmethod = "paired"\npairs = [["osprey", "plover"]]\ntrials = 1\npractice = 0\n'
OF_CUSTOMERS = ("two underlines inside", "an underline last", "dashes alone")
OF_LISTENERS = ("two underlines first", "two underlines last", "underlines alone")


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    with served(write_study(tmp_path_factory.mktemp("odd"), tests=ONE)) as one:
        yield one


def begin(server: Server, monkeypatch: pytest.MonkeyPatch, token: str, *, visit: bool) -> None:
    monkeypatch.setattr("abx.session.sessions.new_session_token", lambda: token)
    sessions = open_sessions(server.root)
    try:
        assert sessions.begin(consent=True, visit=visit) == token
    finally:
        sessions.store.close()


def answer_the_only_question(page: Page, server: Server) -> None:
    someone = Listener(page, server.url)
    someone.keep_level()
    someone.answer(1)


@pytest.mark.parametrize("kind", OF_CUSTOMERS)
def test_a_customer_comes_to_their_own_result(
    page: Page, server: Server, monkeypatch: pytest.MonkeyPatch, kind: str
) -> None:
    token = NASTY_TOKENS[kind]
    begin(server, monkeypatch, token, visit=True)
    page.goto(f"{server.url}/counter?s={token}")
    answer_the_only_question(page, server)
    expect(page.get_by_role("heading", name="Thank you. Your own result")).to_be_visible()
    page.get_by_role("button", name="Done").click()
    expect(page.get_by_role("button", name="I agree, begin")).to_be_visible()


@pytest.mark.parametrize("kind", OF_LISTENERS)
def test_a_listener_comes_to_their_withdrawal_code(
    page: Page, server: Server, monkeypatch: pytest.MonkeyPatch, kind: str
) -> None:
    token = NASTY_TOKENS[kind]
    begin(server, monkeypatch, token, visit=False)
    page.goto(f"{server.url}/?s={token}")
    answer_the_only_question(page, server)
    expect(page.get_by_role("heading", name="Thank you")).to_be_visible()
    expect(page.get_by_role("heading", name="If you change your mind")).to_be_visible()


@pytest.mark.parametrize("path", ["", "counter"])
@pytest.mark.parametrize("typed", ["..", "a/b", "a?b#c"])
def test_what_cannot_be_a_token_is_said_not_to_be_found(
    page: Page, server: Server, path: str, typed: str
) -> None:
    page.goto(f"{server.url}/{path}?s={quote(typed, safe='')}")
    expect(page.get_by_role("heading", name="This session was not found")).to_be_visible()
    page.get_by_role("button", name="Start again").click()
    begin_button = "I agree, begin" if path else "Go on"
    expect(page.get_by_role("button", name=begin_button)).to_be_visible()
