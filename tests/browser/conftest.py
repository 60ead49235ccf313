"""Fixtures: one Chromium for all browser tests, a fresh context for each."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, sync_playwright

sys.path.insert(0, str(Path(__file__).parent))  # for the harness beside the tests

FLAGS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--autoplay-policy=no-user-gesture-required",
]


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path="/usr/bin/chromium", args=FLAGS)
        yield chromium
        chromium.close()


@pytest.fixture
def context(browser: Browser) -> Iterator[BrowserContext]:
    fresh = browser.new_context(viewport={"width": 1280, "height": 800})
    fresh.set_default_timeout(15_000)
    yield fresh
    fresh.close()


@pytest.fixture
def page(context: BrowserContext) -> Page:
    return context.new_page()
