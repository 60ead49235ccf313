"""One Chromium for all tests that need one: two drivers in one process get in each other's way."""

from __future__ import annotations

import signal
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from hypothesis import HealthCheck, settings

import analysis
import stimuli
from helpers.built_once import built_once
from helpers.chromium import FLAGS
from helpers.docs_shell import DEMO, run
from helpers.guards import PAGE_MS

if TYPE_CHECKING:
    from playwright.sync_api import Browser

# An example that takes long on a busy machine is no fault of what it tries.
settings.register_profile("patient", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("patient")

# A run that was started in the background inherits that Ctrl-C is ignored, and would pass that on
# to the commands it stops by Ctrl-C.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)


@pytest.fixture(scope="session")
def demonstration(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """What ``earwitness demo`` leaves behind, run once for all tests and all workers."""

    def build(folder: Path) -> str:
        done = run(DEMO, folder, {})
        assert done.returncode == 0, done.stdout + done.stderr
        return done.stdout

    folder, _ = built_once(tmp_path_factory, "demonstration", build)
    return folder / "earwitness-demo"


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    from playwright.sync_api import expect, sync_playwright

    expect.set_options(timeout=PAGE_MS)
    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path="/usr/bin/chromium", args=FLAGS)
        yield chromium
        chromium.close()


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Keep the tests of a file on one worker, where they share what the file built.

    The examples of the doors run in ``tests/test_door.py``, with no names but their own.
    """
    homes = stimuli._HOMES | analysis._HOMES
    doors = {f"{home}.{name}" for name, home in homes.items()}
    again = [item for item in items if item.nodeid.rpartition("::")[2] in doors]
    items[:] = [item for item in items if item not in again]
    config.hook.pytest_deselected(items=again)
    for item in items:
        if item.get_closest_marker("xdist_group") is None:
            item.add_marker(pytest.mark.xdist_group(item.nodeid.split("::")[0]))
