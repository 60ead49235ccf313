"""Fixtures: the invented example, whole and in parts."""

from __future__ import annotations

from typing import Any

import pytest

from helpers.report_example import add_decision, sample_evidence


@pytest.fixture
def evidence() -> dict[str, Any]:
    """Every block, with few rows where each row is drawn."""
    found = sample_evidence()
    found["responses"] = found["responses"][:1]
    found["schedule"] |= {"pairs": found["schedule"]["pairs"][:2], "n_trials": 32}
    preference = found["results"]["preference"]
    preference["pairs"] = preference["pairs"][:2]
    found["levels"] = found["levels"][:2]
    return found


@pytest.fixture(scope="session")
def full_evidence() -> dict[str, Any]:
    """The whole example, not to be changed."""
    return sample_evidence()


@pytest.fixture
def lean(evidence: dict[str, Any]) -> dict[str, Any]:
    """The same without the blocks whose figures take longest to draw."""
    for block in ("responses", "schedule", "levels"):
        del evidence[block]
    preference = evidence["results"]["preference"]
    preference["pairs"] = preference["mixed"]["listeners"] = []
    return evidence


@pytest.fixture
def decided(lean: dict[str, Any]) -> dict[str, Any]:
    """The lean evidence with the blocks of the later analyses."""
    return add_decision(lean)
