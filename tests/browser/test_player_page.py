"""The player's page: accessible, large enough to touch, quick to load, loops as marked."""

from __future__ import annotations

import re
from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, Page, expect

from helpers.browser_harness import Listener, Server, served, violations
from helpers.browser_study import ABX, PAIRED, write_study
from helpers.guards import patient

pytestmark = pytest.mark.browser

# WCAG 2.2 success criterion 2.5.5 (enhanced): targets of at least 44 by 44 CSS pixels.
TARGET_PX = 44


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    tests = ABX + PAIRED
    with served(write_study(tmp_path_factory.mktemp("page"), tests=tests, seconds=4.0)) as one:
        yield one


def small_targets(page: Page) -> list[str]:
    boxes = page.evaluate("""() => {
      const roots = [...document.querySelectorAll("*")].filter((n) => n.shadowRoot);
      const controls = "button, summary, [role=slider], input";
      const all = roots.flatMap((n) => [...n.shadowRoot.querySelectorAll(controls)]);
      return all.filter((n) => n.getClientRects().length).map((n) => {
        const box = n.getBoundingClientRect();
        return [n.className.baseVal ?? n.className ?? n.tagName, box.width, box.height];
      });
    }""")
    assert boxes, "the measure must find the player's controls"
    return [str(box) for box in boxes if min(box[1], box[2]) < TARGET_PX]


@pytest.mark.parametrize(("scheme", "size"), [("light", (1280, 800)), ("dark", (390, 844))])
def test_every_screen_passes_axe(
    browser: Browser, server: Server, scheme: str, size: tuple[int, int]
) -> None:
    context = patient(
        browser.new_context(color_scheme=scheme, viewport={"width": size[0], "height": size[1]})
    )
    page = context.new_page()
    someone = Listener(page, server.url)
    page.goto(server.url)
    page.get_by_text("I have read this and I agree").wait_for()
    found = {"welcome": violations(page)}
    someone.agree_first()
    found["about you"] = violations(page)
    someone.welcome_to_level()
    found["level"] = violations(page) + small_targets(page)
    page.get_by_role("button", name="Play").click()
    found["level rising"] = violations(page) + small_targets(page)
    page.get_by_role("button", name="Hold it here").click()
    page.get_by_role("button", name="Keep this level").click()
    someone.on_trial()
    page.get_by_text("Keys", exact=True).click()
    found["trial"] = violations(page) + small_targets(page)
    someone.hear_all()
    someone.choose()
    found["trial answered"] = violations(page) + small_targets(page)
    context.close()
    assert {name: bad for name, bad in found.items() if bad} == {}


def test_the_listener_marks_a_loop_with_keys(page: Page, server: Server) -> None:
    someone = Listener(page, server.url, server.root)
    someone.to_first_trial()
    expect(page.get_by_text("Loop: all 0:04.0")).to_be_visible()
    end = page.get_by_role("slider", name="Loop ends at")
    end.focus()
    for _ in range(3):
        page.keyboard.press("PageDown")
    expect(page.get_by_text("Loop: 0:00.0 to 0:01.0")).to_be_visible()
    for _ in range(9):
        page.keyboard.press("ArrowLeft")
    expect(page.get_by_text("Loop: 0:00.0 to 0:00.5")).to_be_visible()  # never below 0.5 s
    page.keyboard.press("a")
    expect(page.locator(".card").first).to_have_class(re.compile("heard"))
    page.get_by_role("button", name="Whole excerpt").click()
    expect(page.get_by_text("Loop: all 0:04.0")).to_be_visible()


def test_the_listener_marks_a_loop_by_dragging(page: Page, server: Server) -> None:
    Listener(page, server.url, server.root).to_first_trial()
    grip = page.locator(".handle-end").bounding_box()
    face = page.locator(".face").bounding_box()
    assert grip is not None
    assert face is not None
    page.mouse.move(grip["x"] + grip["width"] / 2, grip["y"] + grip["height"] / 2)
    page.mouse.down()
    centre = (face["x"] + face["width"] / 2, face["y"] + face["height"] / 2)
    radius = face["width"] * 120 / 292
    page.mouse.move(centre[0] - radius, centre[1], steps=8)  # nine o'clock: three quarters
    page.mouse.up()
    expect(page.get_by_text("Loop: 0:00.0 to 0:03.0")).to_be_visible()
