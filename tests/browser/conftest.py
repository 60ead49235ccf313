"""Fixtures: a fresh context and page of the shared Chromium for each test."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, expect

sys.path.insert(0, str(Path(__file__).parent))  # for the harness beside the tests

# Waiting is no measurement: a busy machine may take its time with a page. What has to be quick
# is measured by the tests that say so.
expect.set_options(timeout=15_000)


@pytest.fixture
def context(browser: Browser) -> Iterator[BrowserContext]:
    fresh = browser.new_context(viewport={"width": 1280, "height": 800})
    fresh.set_default_timeout(15_000)
    yield fresh
    fresh.close()


@pytest.fixture
def page(context: BrowserContext) -> Page:
    return context.new_page()
