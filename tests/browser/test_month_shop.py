"""A shop: 30 SIMULATED customers over three weeks, on one tablet in one tab.

Typed: ``new``, ``render``, ``plan``, ``passphrase``, ``serve`` (each week anew, with Ctrl-C in
between), ``close``, ``report``, ``verify``. On the tablet, in Chromium: start page, consent and
own result of ten customers. One of them answers everything at the screen; two more come back
after a reload, to the last two questions of the other kind and to the last one; one walks away
in the middle. The sittings of the other twenty are begun by the same call as the page's button.
Who does not answer at the screen sends the player's own requests, sound included. There is no
settable clock: three weeks are three days of serving.
"""

from __future__ import annotations

import csv
import json
from collections import Counter
from pathlib import Path

import numpy as np
import pytest
import soundfile
from playwright.sync_api import BrowserContext, Page, expect

from abx.demo.build import POSITIONS, STAGES, response_name, response_table
from helpers.month_people import Person, earwitness, opened, sit_down

pytestmark = [pytest.mark.browser, pytest.mark.walk]

WEEKS, A_WEEK = 3, 10
ON_THE_TABLET = {1, 2, 10, 11, 12, 17, 20, 21, 22, 30}
AT_THE_SCREEN = {1}
SECOND_KIND, RELOADS, WALKS_AWAY = 12, 21, 17
LEFT = {SECOND_KIND: 2, RELOADS: 1}
STAGE_IDS = ("as-found", "damped", "ceiling", "refit")


def prepare(folder: Path) -> Path:
    """Do what the shop does on the evening before."""
    stages = [option for stage in STAGE_IDS for option in ("--stage", stage)]
    title = "Ferry Wendlefay (SIMULATED customers)"
    earwitness("new", "wendlefay", "--title", title, *stages, "--listeners", 30, cwd=folder)
    root = folder / "wendlefay"
    missing = earwitness("plan", "wendlefay", cwd=folder, code=2)
    assert "as-found-p1.csv" in missing
    assert "12 more" in missing
    for stage in STAGES:
        for position in range(len(POSITIONS)):
            name = response_name(stage, position)
            if name.rsplit("-p", 1)[0] in STAGE_IDS:
                (root / "responses" / name).write_text(response_table(stage, position))
    noise = np.random.default_rng(2).uniform(-0.3, 0.3, (4 * 48_000, 2))
    soundfile.write(root / "programmes/excerpt-1.wav", noise, 48_000)
    assert "FAILS" not in earwitness("render", "wendlefay", cwd=folder)
    said = earwitness("plan", "wendlefay", cwd=folder)
    assert "30 listeners, 4 stages" in said
    earwitness("passphrase", "wendlefay", "--new", "seven quiet foxes", cwd=folder)
    return root


def begin(tablet: Page) -> str:
    """Read the start page, agree, and reach the level step; return the sitting's key."""
    tablet.get_by_role("button", name="I agree, begin").click()
    expect(tablet.get_by_role("button", name="Play")).to_be_visible()
    return tablet.url.split("s=")[1]


def keep_level(tablet: Page) -> None:
    for name in ("Play", "Hold it here", "Keep this level"):
        tablet.get_by_role("button", name=name, exact=True).click()


def on_the_tablet(tablet: Page, root: Path, url: str, number: int) -> None:
    person = Person(root, url, begin(tablet), seed=number)
    if number == WALKS_AWAY:
        assert person.answer_over_http(at_most=2) == 2
        tablet.goto(f"{url}/counter")  # where the watch for an empty chair leads, too
    else:
        if number in (SECOND_KIND, RELOADS):
            person.answer_over_http(leave=LEFT[number])
        elif number not in AT_THE_SCREEN:
            person.answer_over_http()
        if number in AT_THE_SCREEN:
            keep_level(tablet)
            assert person.answer_at_the_screen(tablet) >= 5
        else:
            tablet.reload()
        if number in (SECOND_KIND, RELOADS):
            keep_level(tablet)
            assert person.answer_at_the_screen(tablet) == LEFT[number]
        expect(tablet.get_by_role("heading", name="Thank you. Your own result")).to_be_visible()
        shown = tablet.locator("body").inner_text().lower()
        assert not [stage for stage in STAGE_IDS if stage in shown]
        tablet.get_by_role("button", name="Done").click()
    expect(tablet.get_by_role("button", name="I agree, begin")).to_be_visible()


def staff_see(context: BrowserContext, url: str, finished: int) -> None:
    staff = context.new_page()
    staff.goto(f"{url}/staff")
    staff.get_by_label("Passphrase").fill("seven quiet foxes")
    staff.get_by_role("button", name="Sign in").click()
    expect(staff.get_by_text(f"{finished} of 30")).to_be_visible()
    shown = staff.locator("body").inner_text().lower()
    assert not [stage for stage in STAGE_IDS if stage in shown]
    staff.close()


def test_thirty_customers_in_three_weeks(context: BrowserContext, tmp_path: Path) -> None:
    root = prepare(tmp_path)
    tablet = context.new_page()
    for week in range(WEEKS):
        with opened(root) as url:
            tablet.goto(f"{url}/counter")
            for customer in range(week * A_WEEK + 1, (week + 1) * A_WEEK + 1):
                if customer in ON_THE_TABLET:
                    on_the_tablet(tablet, root, url, customer)
                else:
                    Person(root, url, sit_down(root, visit=True), seed=customer).answer_over_http()
            finished = (week + 1) * A_WEEK - (customer >= WALKS_AWAY)
            staff_see(context, url, finished)
        tablet.goto("about:blank")
    assert "earwitness close" in earwitness("report", "wendlefay", cwd=tmp_path, code=1)
    said = earwitness("close", "wendlefay", "--yes", cwd=tmp_path)
    assert "29 of 30 planned listeners have finished, 1 began and did not finish." in said
    said = earwitness("report", "wendlefay", cwd=tmp_path)
    assert "29 listeners" in said or "30 listeners" in said
    check_what_came_out(root, context)
    assert "Every check holds." in earwitness("verify", "wendlefay", cwd=tmp_path)


def check_what_came_out(root: Path, context: BrowserContext) -> None:
    """Each answer is there once, comparisons are balanced, and the card opens offline."""
    with (root / "results/trials.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert len({row["listener"] for row in rows}) == WEEKS * A_WEEK
    keys = Counter((row["session"], row["trial"]) for row in rows)
    assert set(keys.values()) == {1}
    asked = Counter((row["stage_a"], row["stage_b"]) for row in rows if row["method"] == "paired")
    # 6 pairs in both orders, dealt evenly; 14 or 15 visits of 7 or 8 questions, repeats among
    # them in the other order, and one customer who left.
    assert len(asked) == 12
    assert max(asked.values()) - min(asked.values()) <= 6
    results = json.loads((root / "results/results.json").read_text("utf-8"))
    assert {claim["verdict"] for claim in results["claims"]} <= {"supported", "undecided"}
    page = context.new_page()
    failed: list[str] = []
    page.on("requestfailed", lambda request: failed.append(request.url))
    page.goto((root / "results/customer-card.html").as_uri())
    expect(page.get_by_role("heading").first).to_be_visible()
    assert not failed
    page.close()
