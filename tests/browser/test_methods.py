"""Every method from the first page to thank-you, with everything going wrong in each trial."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from playwright.sync_api import BrowserContext, Page, expect

from abx.methods import method_ids
from abx.web.server import open_sessions
from helpers.browser_harness import Listener, Server, served, violations
from helpers.browser_study import write_study

pytestmark = [pytest.mark.browser, pytest.mark.walk]

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


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    with served(write_study(tmp_path_factory.mktemp("methods"), tests=TESTS)) as one:
        yield one


def rate(page: Page, values: list[str]) -> None:
    sliders = page.locator(".slider")
    expect(sliders).to_have_count(len(values))
    for slider, value in zip(sliders.all(), values, strict=True):
        slider.fill(value)


def answer(someone: Listener, question: str) -> object:
    """Give an answer of the screen's own kind; returns what has to be stored."""
    page = someone.page
    if "compared with the reference" in question:
        rate(page, ["81", "40"])
        page.locator(".slider").last.press("ArrowRight")
        expect(page.locator(".rated").last).to_have_text("41 Fair")
        assert violations(page) == []
        return {"a": 81.0, "b": 41.0}
    if "is the reference" in question:
        rate(page, ["4.5", "3.2"])
        someone.confirm()
        expect(page.get_by_role("alert")).to_have_text(
            "Give 5.0 to the one you take for the reference."
        )
        rate(page, ["5", "3.2"])
        return {"a": 5.0, "b": 3.2}
    choice = page.locator(".answer").last
    choice.click()
    return choice.get_attribute("data-answer")


def meet_trouble(someone: Listener, other: Listener, question: str) -> None:
    """Reload, go back and open a second tab in the middle of a trial: it is still the same."""
    page = someone.page
    address = page.url
    step = someone.step()
    page.locator(".card").first.click()
    page.locator(".card.heard").wait_for()
    page.reload()
    someone.on_trial()
    assert page.locator(".card.heard").count() == 0
    page.go_back()
    if page.url == "about:blank":  # further back than our pages; a person would come forward
        page.go_forward()
    expect(page).to_have_url(address)
    someone.on_trial()
    other.page.goto(address)
    other.on_trial()
    for one in (someone, other):
        assert (one.step(), one.page.get_by_role("heading").inner_text()) == (step, question)
    page.locator(".card").first.click()
    other.page.locator(".card").first.click()  # one session must not sound twice
    page.get_by_role("alert").filter(has_text="another tab").wait_for()
    expect(page.get_by_role("button", name="Play")).to_be_visible()


def test_every_method_with_everything_going_wrong(
    context: BrowserContext, page: Page, server: Server
) -> None:
    assert set(PLANS) == set(method_ids())
    someone, other = Listener(page, server.url), Listener(context.new_page(), server.url)
    someone.to_first_trial()
    token = page.url.split("s=")[1]
    expected: dict[str, object] = {}
    for number in range(1, len(PLANS) + 1):
        expect(page.locator(".step")).to_have_text(f"Question {number} of {len(PLANS)}")
        someone.on_trial()
        question = page.get_by_role("heading").inner_text()
        meet_trouble(someone, other, question)
        if page.locator(".slider").count():
            expect(page.locator(".slider").last).to_be_disabled()
        else:
            expect(page.locator(".answer").first).to_be_disabled()
        someone.hear_all()
        expected[question] = answer(someone, question)
        context.set_offline(True)
        page.get_by_role("button", name="Confirm answer").dblclick()
        page.get_by_role("alert").filter(has_text="connection is lost").wait_for()
        context.set_offline(False)
        expect(page.locator(".step")).not_to_have_text(f"Question {number} of {len(PLANS)}")
    expect(page.get_by_role("heading", name="Thank you")).to_be_visible()
    assert violations(page) == []
    sessions = open_sessions(server.root)
    slot = sessions.slot(sessions.sitting(token).slot)
    rows = sessions.store.rows(sessions.study_id, kind="answer")
    sessions.store.close()
    stored = {t.method: row.content["answer"] for t, row in zip(slot.trials, rows, strict=True)}
    by_method = {
        "abx": "Is X the same as A or the same as B?",
        "duo-trio": "Which one is the same as the reference?",
        "grading": "One of A and B is the reference. How much does the other differ from it?",
        "paired": "How do A and B compare?",
        "rating": "How good is each version, compared with the reference?",
        "same-different": "Are A and B the same or different?",
        "triangle": "Which one is different from the other two?",
    }
    assert stored == {method: expected[question] for method, question in by_method.items()}
    assert stored["paired"] == "b3"
