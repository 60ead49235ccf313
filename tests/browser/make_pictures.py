"""Make the pictures of the documentation from the real application.

Usage: python tests/browser/make_pictures.py OUTPUT-FOLDER

Builds the demonstration, serves it, walks through it in Chromium as a listener, a customer at
the counter and the owner at the desk do, and takes parts of the rehearsal's report.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))  # for the helpers

from PIL import Image
from playwright.sync_api import Page, sync_playwright

from abx import cli
from helpers.browser_harness import Listener, served
from helpers.chromium import FLAGS
from helpers.month_people import Person

#: Sections of the report that are shown.
SECTIONS = ("short", "preference", "responses", "deviation")


def main(folder: Path) -> None:
    """Write every picture into a folder."""
    folder.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as temporary:
        study = Path(temporary) / "study"
        assert cli._run(["--quiet", "demo", str(study)]) == 0
        with sync_playwright() as playwright:
            browser = playwright.chromium.launch(executable_path="/usr/bin/chromium", args=FLAGS)
            page = browser.new_page(viewport={"width": 1024, "height": 768})
            report_pictures(page, study, folder)
            with served(study) as server:
                listener_pictures(Listener(page, server.url), folder)
                counter_pictures(page, server.url, study, folder)
            with served(study, "abx.web.desk.server.serve_desk") as server:
                desk_picture(page, server.url, folder)
            browser.close()
    for picture in folder.glob("*.png"):
        shrink(picture)


def shrink(picture: Path) -> None:
    """Keep 128 colours: screens have few, and the repository stays small."""
    with Image.open(picture) as image:
        few = image.convert("RGB").quantize(128, dither=Image.Dither.NONE)
    few.save(picture, optimize=True)


def report_pictures(page: Page, study: Path, folder: Path) -> None:
    """Take parts of the rehearsal's report."""
    page.goto((study / "rehearsal/results/report.html").resolve().as_uri())
    for name in SECTIONS:
        part = page.locator(f"section#{name}")
        if name == "preference":  # the whole of it is several pages
            part = part.locator("figure").first
        part.screenshot(path=folder / f"report-{name}.png")


def listener_pictures(listener: Listener, folder: Path) -> None:
    """Walk from the welcome to the first trial and take each screen."""
    page = listener.page
    page.goto(listener.url)
    page.get_by_text("I have read this and I agree").wait_for()
    page.screenshot(path=folder / "welcome.png")
    listener.welcome_to_level()
    listener.keep_level()
    listener.on_trial()
    listener.know_the_sound()
    listener.hear_all()
    page.screenshot(path=folder / "trial.png")


def counter_pictures(page: Page, url: str, study: Path, folder: Path) -> None:
    """Take the tablet's start page and what a SIMULATED customer sees at the end."""
    page.goto(f"{url}/counter")
    page.get_by_role("button", name="I agree, begin").wait_for()
    page.screenshot(path=folder / "counter.png")
    page.get_by_role("button", name="I agree, begin").click()
    page.get_by_role("button", name="Play").wait_for()
    Person(study, url, page.url.split("s=")[1], seed=1).answer_over_http()
    page.reload()
    page.get_by_role("button", name="Done").wait_for()
    page.screenshot(path=folder / "own-result.png")


def desk_picture(page: Page, url: str, folder: Path) -> None:
    """Take the desk's page of responses."""
    page.set_viewport_size({"width": 1280, "height": 900})
    page.goto(f"{url}/responses")
    page.get_by_role("heading", name="Responses").first.wait_for()
    page.locator("canvas, svg.marks").first.wait_for()
    page.wait_for_timeout(1500)  # the chart grows into its place
    page.screenshot(path=folder / "desk.png")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
