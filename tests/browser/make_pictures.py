"""Make the pictures of the documentation from the real application.

Usage: python tests/browser/make_pictures.py OUTPUT-FOLDER

Builds the demonstration, serves it, walks through it in Chromium as a listener does, and
takes parts of the rehearsal's report.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))  # for the harness beside this script
sys.path.insert(0, str(Path(__file__).parents[1]))  # for the browser's flags

from browser_harness import Listener, served
from conftest import FLAGS
from PIL import Image
from playwright.sync_api import Page, sync_playwright

from abx import cli

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
        page.locator(f"section#{name}").screenshot(path=folder / f"report-{name}.png")


def listener_pictures(listener: Listener, folder: Path) -> None:
    """Walk from the welcome to the first trial and take each screen."""
    page = listener.page
    page.goto(listener.url)
    page.get_by_text("I have read this and I agree").wait_for()
    page.screenshot(path=folder / "welcome.png")
    listener.to_first_trial()
    listener.hear_all()
    page.screenshot(path=folder / "trial.png")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
