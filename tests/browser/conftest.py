"""Fixtures: a fresh context and page of the shared Chromium for each test."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from guards import patient
from playwright.sync_api import Browser, BrowserContext, Page

sys.path.insert(0, str(Path(__file__).parent))  # for the harness beside the tests


@pytest.fixture
def context(browser: Browser) -> Iterator[BrowserContext]:
    fresh = patient(browser.new_context(viewport={"width": 1280, "height": 800}))
    yield fresh
    fresh.close()


@pytest.fixture
def page(context: BrowserContext) -> Page:
    return context.new_page()
