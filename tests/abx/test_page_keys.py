"""Every token, however it is spelt, gives a page that works."""

from __future__ import annotations

import re
import sys
from itertools import product
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from streamlit.testing.v1 import AppTest

import abx.web.pages.context
from abx.session.sessions import Sessions
from abx.text.tokens import address_part, element_key, new_session_token
from abx.web.pages import Context, provide
from abx.web.pages.words import as_typed
from helpers.nasty_words import NASTY_TOKENS, URL_SAFE
from helpers.study_desk import answer_open_trial

KEY = re.compile(r"[a-z]+-[0-9a-f]{32}")


def _counter() -> None:
    from abx.web.pages.counter import counter_page

    counter_page()


def _listener() -> None:
    from abx.web.pages.listener import listener_page

    listener_page()


@pytest.fixture
def served(local_sessions: Sessions, monkeypatch: pytest.MonkeyPatch) -> Sessions:
    # A screen that was run stays the main module; processes started later would run it too.
    monkeypatch.setitem(sys.modules, "__main__", sys.modules["__main__"])
    monkeypatch.setattr(abx.web.pages.context, "_context", None)
    provide(Context(sessions=local_sessions, title="Saloon test"))
    return local_sessions


def _faults(app: AppTest) -> list[str]:
    return [fault.message for fault in app.exception]


def _go_through(sessions: Sessions, token: str) -> None:
    """Hear every set, answer every question."""
    while (message := sessions.next_trial(token))["state"] in ("trial", "break"):
        if message.get("phase") != "familiarisation":
            answer_open_trial(sessions, token)
            continue
        heard = dict.fromkeys(message["versions"], 1.5)
        sessions.record_answer(token, message["trial"], "heard", listened_s=heard)


@pytest.mark.parametrize("token", NASTY_TOKENS.values(), ids=NASTY_TOKENS)
def test_a_customer_at_the_counter_gets_their_page_whatever_the_token(
    served: Sessions, monkeypatch: pytest.MonkeyPatch, token: str
) -> None:
    monkeypatch.setattr("abx.session.sessions.new_session_token", lambda: token)
    app = AppTest.from_function(_counter, default_timeout=60).run()
    app.button[0].click().run()
    assert app.query_params["s"] in (token, [token])
    assert _faults(app) == []
    _go_through(served, token)
    app.run()
    assert _faults(app) == []
    assert [one.value for one in app.title] == ["Thank you. Your own result"]


@pytest.mark.parametrize("kind", ["two underlines inside", "an underline last", "dashes alone"])
def test_a_listener_gets_their_page_whatever_the_token(
    served: Sessions, monkeypatch: pytest.MonkeyPatch, kind: str
) -> None:
    token = NASTY_TOKENS[kind]
    monkeypatch.setattr("abx.session.sessions.new_session_token", lambda: token)
    served.begin(consent=True)
    app = AppTest.from_function(_listener, default_timeout=60)
    app.query_params["s"] = token
    assert _faults(app.run()) == []
    assert not app.title, "the welcome page was shown instead of the player"


def test_a_key_has_no_mark_of_the_pages_server_for_any_pair_of_letters() -> None:
    """The server of the pages splits identifiers at two underlines."""
    keys = set()
    for first, second in product(URL_SAFE, repeat=2):
        for token in (first + second, f"x{first}{second}y", f"{first}{second}" * 21 + first):
            keys.add(element_key("player", token))
    assert len(keys) == 3 * len(URL_SAFE) ** 2
    assert all(KEY.fullmatch(key) for key in keys)


@given(st.lists(st.text(), max_size=3), st.lists(st.text(), max_size=3))
def test_any_texts_give_a_key_of_their_own(one: list[str], other: list[str]) -> None:
    assert KEY.fullmatch(element_key("label", *one))
    assert (element_key("label", *one) == element_key("label", *other)) == (one == other)


@given(st.text(st.characters()))
def test_any_text_of_an_address_is_one_step_of_a_path(text: str) -> None:
    """A token that somebody typed must not lead to another page of the server."""
    assert re.fullmatch(r"[A-Za-z0-9_-]+", address_part(text))


def test_tokens_stay_as_they_are_in_addresses() -> None:
    for token in (*NASTY_TOKENS.values(), new_session_token(), "desk-kite-street"):
        assert address_part(token) == token
    for odd in ("", ".", "..", "a/b", "a?b", "a#b", "a%2Fb", "a b", "ä"):
        assert address_part(odd) != odd
    assert address_part(".") != address_part("..")


def test_new_tokens_have_letters_and_digits_only() -> None:
    """Mail and chat programs cut a dash or an underline off the end of an address."""
    tokens = [new_session_token() for _ in range(300)]
    assert all(re.fullmatch("[0-9a-f]{64}", token) for token in tokens)  # 256 bits
    assert len(set(tokens)) == len(tokens)


# texts of the study on the pages ---------------------------------------------------------


def _staff() -> None:
    from abx.web.pages.staff import staff_page

    staff_page()


def test_the_studys_title_is_no_markdown_to_the_staff_page(
    served: Sessions, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What each mark becomes is looked at in a browser; here, that no text gets by unmarked."""
    title = "From $500 to $900, *now* :tada:"
    provide(Context(sessions=served, title=title))
    app = AppTest.from_function(_staff, default_timeout=60)
    app.session_state["staff"] = True
    app.run()
    assert _faults(app) == []
    assert app.title[0].value == as_typed(title)
    assert not set("$*") & set(app.title[0].value)


def test_what_people_typed_is_shown_through_one_door() -> None:
    """No page hands an error's words to Markdown by itself."""
    pages = Path(abx.web.pages.context.__file__).parent
    raw = re.compile(
        r"st\.(error|success|warning|info|write|markdown|title)\((str\(|f\"[^\"]*\{error)"
    )
    found = [p.name for p in pages.glob("*.py") if raw.search(p.read_text(encoding="utf-8"))]
    assert found == []
