"""Waiting in tests: for what has to happen, never for a time.

The guards end a test that hangs. They are no measure of speed: a machine with other work may take
its time, and what has to be quick is measured in ``tests/bench``, side by side with something else.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import TypeVar

__all__ = ["GUARD_S", "PAGE_MS", "patient", "wait_until"]

GUARD_S = 600.0
"""Whatever takes longer than this hangs."""

PAGE_MS = 180_000
"""The same for one step of a page."""

_T = TypeVar("_T")


def wait_until(condition: Callable[[], object], otherwise: str | Callable[[], str]) -> None:
    """Wait until a condition holds; ``otherwise`` says what did not happen.

    Parameters
    ----------
    condition : callable
        Looked at every 20 ms; may raise what ends the test at once.
    otherwise : str or callable
        Words for the end of the guard; called then.
    """
    deadline = time.monotonic() + GUARD_S
    while not condition():
        if time.monotonic() > deadline:
            raise AssertionError(otherwise if isinstance(otherwise, str) else otherwise())
        time.sleep(0.02)


def patient(context_or_page: _T) -> _T:
    """Let a browser's context or page take its time."""
    context_or_page.set_default_timeout(PAGE_MS)  # type: ignore[attr-defined]
    return context_or_page
