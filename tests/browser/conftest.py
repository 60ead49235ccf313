"""Fixtures: a fresh context and page of the shared Chromium for each test."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, BrowserContext, Page

from helpers.guards import patient


@pytest.fixture
def context(browser: Browser) -> Iterator[BrowserContext]:
    fresh = patient(browser.new_context(viewport={"width": 1280, "height": 800}))
    yield fresh
    fresh.close()


@pytest.fixture
def page(context: BrowserContext) -> Page:
    return context.new_page()
