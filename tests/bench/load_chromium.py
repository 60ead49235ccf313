"""Real Chromium tabs that sit through a study until told to stop; for the load run.

    python tests/bench/load_chromium.py SECONDS URL [URL ...]

Each address is a sitting's page, ``http://HOST:PORT/?s=TOKEN``. Prints one JSON object: for each
token the acknowledged answers, and the times from answer to acknowledgement in milliseconds as
the browser saw them.
"""

from __future__ import annotations

import json
import sys
import time
from pathlib import Path
from typing import Any

from playwright.sync_api import Browser, Error, Page, Request, sync_playwright

sys.path.insert(0, str(Path(__file__).parents[1]))  # for the browser's flags

from helpers.chromium import FLAGS

# Tabs in the background answer as promptly as the one in front.
_ALL_ALIKE = ["--disable-background-timer-throttling", "--disable-renderer-backgrounding"]


class RealTab:
    """One tab of the browser and what its network saw."""

    def __init__(self, browser: Browser, url: str) -> None:
        self.acknowledged: dict[str, str] = {}
        self.answer_ms: list[float] = []
        self.page: Page = browser.new_page()
        self.page.on("requestfinished", self._note)
        self.page.goto(url)
        for label in ("Play", "Hold it here", "Keep this level"):
            self.page.get_by_role("button", name=label).click()

    def _note(self, request: Request) -> None:
        if not request.url.endswith("/answer"):
            return
        reply = request.response()
        if reply is None or reply.status != 200:
            return
        timing = request.timing
        self.answer_ms.append(timing["responseEnd"] - max(timing["requestStart"], 0.0))
        sent: Any = request.post_data_json
        self.acknowledged[reply.json()["trial"]] = sent["answer"]

    def step(self) -> None:
        """Answer the question on the screen, or leave the pause; nothing while sound loads."""
        page = self.page
        go_on = page.locator(".main-button", has_text="Go on")
        if go_on.is_visible():
            go_on.click()
            return
        if not page.locator(".card").first.is_visible():
            page.wait_for_timeout(50)
            return
        for card in page.locator(".card").all():
            version = card.get_attribute("data-version")
            card.click()
            page.locator(f'.card.heard[data-version="{version}"]').wait_for()
        page.locator(".answer").first.click()
        page.get_by_role("button", name="Confirm answer").click()


def main() -> int:
    seconds, urls = float(sys.argv[1]), sys.argv[2:]
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path="/usr/bin/chromium", args=[*FLAGS, *_ALL_ALIKE]
        )
        tabs = {url.partition("?s=")[2]: RealTab(browser, url) for url in urls}
        print("ready", flush=True)
        until = time.monotonic() + seconds
        while time.monotonic() < until:
            for tab in tabs.values():
                try:
                    tab.step()
                except Error as error:  # the screen changed under the click
                    print(f"tab: {error.message.splitlines()[0]}", file=sys.stderr)
        for tab in tabs.values():
            tab.page.wait_for_timeout(1000)  # what is under way is acknowledged
        found = {
            token: {"acknowledged": tab.acknowledged, "answer_ms": tab.answer_ms}
            for token, tab in tabs.items()
        }
        browser.close()
    print(json.dumps(found), flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
