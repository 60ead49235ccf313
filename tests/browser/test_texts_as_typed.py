"""What people typed stands on the page as they typed it, in real Chromium."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, Page, expect

from helpers.browser_harness import served
from helpers.guards import patient
from helpers.words_page import TEXTS, TYPED

pytestmark = pytest.mark.browser

SHOWN = """(prefix) => [...document.querySelectorAll(`[class*="st-key-${prefix}-"]`)].map((box) => {
  const number = Number(box.className.match(new RegExp(`st-key-${prefix}-(\\\\d+)`))[1]);
  const parts = [...box.querySelectorAll("[data-testid=stMarkdownContainer]")];
  const extra = box.querySelectorAll("em, strong, del, .katex, img, script, ul, ol, h2, table");
  return [number, (parts.length ? parts : [box]).map((part) => part.innerText), extra.length];
})"""


@pytest.fixture(scope="module")
def page(browser: Browser, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Page]:
    with served(tmp_path_factory.mktemp("words"), "tests.helpers.words_page.serve") as server:
        opened = patient(browser.new_page())
        opened.goto(server.url)
        last = opened.locator(f".st-key-error-{len(TEXTS) - 1}")
        expect(last.get_by_test_id("stMarkdownContainer")).to_be_visible()
        expect(opened.get_by_test_id("stSkeleton")).to_have_count(0)
        yield opened
        opened.close()


def _plain(text: str) -> str:
    return " ".join(text.replace("\u2060", "").split())


@pytest.mark.parametrize(
    ("kind", "texts"), [("error", TEXTS), ("title", TYPED), ("answer", TYPED), ("code", TYPED)]
)
def test_a_text_is_shown_as_it_was_typed(page: Page, kind: str, texts: tuple[str, ...]) -> None:
    found = {number: (parts, extra) for number, parts, extra in page.evaluate(SHOWN, kind)}
    assert sorted(found) == list(range(len(texts)))
    lead = "The command: " if kind == "code" else ""
    wrong = [
        (text, parts)
        for number, text in enumerate(texts)
        # The pages' server changes the mark of its icons before it reads anything, code included.
        if not (kind == "code" and ":material/" in text)
        for parts in found[number][0]
        if _plain(parts) != _plain(lead + text)
    ]
    assert wrong == []


def test_nothing_typed_becomes_a_picture_a_formula_or_a_list(page: Page) -> None:
    """What looks like an address becomes a link to it, which is no harm: its letters stay."""
    assert [TEXTS[number] for number, _, extra in page.evaluate(SHOWN, "error") if extra] == []
