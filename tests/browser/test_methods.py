"""Every method from its question to the stored answer, in one sitting."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from axe_playwright_python.sync_playwright import Axe
from browser_harness import Listener, Server, served
from browser_study import write_study
from playwright.sync_api import Page, expect

from abx.methods import method_ids
from abx.server import open_sessions

pytestmark = pytest.mark.browser

PAIR = 'pairs = [["osprey", "heron"]]'
SET = 'stages = ["osprey", "heron"]\nreference = "osprey"'
PLANS = {
    "abx": PAIR,
    "duo-trio": PAIR,
    "grading": SET,
    "paired": f"{PAIR}\nstrength = true",
    "rating": f"{SET}\nanchors = false",
    "same-different": PAIR,
    "triangle": PAIR,
}
TESTS = "\n".join(
    f'[[tests]]\nmethod = "{method}"\n{plan}\ntrials = 1\npractice = 0\n'
    for method, plan in PLANS.items()
)
RULES = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]}


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    with served(write_study(tmp_path_factory.mktemp("methods"), tests=TESTS)) as one:
        yield one


def rate(page: Page, values: list[str]) -> None:
    sliders = page.locator(".slider")
    expect(sliders).to_have_count(len(values))
    for slider, value in zip(sliders.all(), values, strict=True):
        slider.fill(value)


def test_every_method_stores_what_was_answered(page: Page, server: Server) -> None:
    assert set(PLANS) == set(method_ids())
    someone = Listener(page, server.url, server.root)
    someone.to_first_trial()
    token = page.url.split("s=")[1]
    expected: dict[str, object] = {}
    for number in range(1, len(PLANS) + 1):
        expect(page.locator(".step")).to_have_text(f"Question {number} of {len(PLANS)}")
        someone.on_trial()
        question = page.get_by_role("heading").inner_text()
        if "compared with the reference" in question:
            expect(page.locator(".slider").first).to_be_disabled()
        someone.hear_all()
        if "compared with the reference" in question:
            rate(page, ["81", "40"])
            page.locator(".slider").last.press("ArrowRight")
            expect(page.locator(".rated").last).to_have_text("41 Fair")
            found = Axe().run(page, options=RULES).response["violations"]
            assert [violation["id"] for violation in found] == []
            expected["rating"] = {"a": 81.0, "b": 41.0}
        elif "is the reference" in question:
            rate(page, ["4.5", "3.2"])
            someone.confirm()
            expect(page.get_by_role("alert")).to_have_text(
                "Give 5.0 to the one you take for the reference."
            )
            rate(page, ["5", "3.2"])
            expected["grading"] = {"a": 5.0, "b": 3.2}
        else:
            choice = page.locator(".answer").last
            expected[question] = choice.get_attribute("data-answer")
            choice.click()
        someone.confirm()
        expect(page.locator(".step")).not_to_have_text(f"Question {number} of {len(PLANS)}")
    expect(page.get_by_role("heading", name="Thank you")).to_be_visible()
    sessions = open_sessions(server.root)
    slot = sessions.slot(sessions.sitting(token).slot)
    rows = sessions.store.rows(sessions.study_id, kind="answer")
    sessions.store.close()
    stored = {t.method: row.content["answer"] for t, row in zip(slot.trials, rows, strict=True)}
    assert stored == {
        "abx": expected["Is X the same as A or the same as B?"],
        "duo-trio": expected["Which one is the same as the reference?"],
        "grading": expected["grading"],
        "paired": expected["How do A and B compare?"],
        "rating": expected["rating"],
        "same-different": expected["Are A and B the same or different?"],
        "triangle": expected["Which one is different from the other two?"],
    }
    assert stored["paired"] == "b3"
