"""The documents of a panel too small for most verdicts, where other rules of the tests apply.

Below 12 listeners exact tails count beside the t between listeners, errors do not collapse, some
pairs are given in one order more often than in the other, and no claim can be decided.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from helpers.recomputed import alike
from helpers.recomputed.pages import DOCUMENTS, faults, marked
from helpers.recomputed.study import Recomputed


@pytest.fixture(scope="module")
def pages(demo: tuple[Path, Any]) -> dict[str, str]:
    results = demo[0] / "rehearsal" / "results"
    return {name: (results / f"{name}.html").read_text("utf-8") for name in DOCUMENTS}


def test_every_number_is_found_again(demo: tuple[Path, Any], pages: dict[str, str]) -> None:
    study = Recomputed(demo[0])
    wrong = {name: faults(study, html) for name, html in pages.items()}
    assert wrong == {name: [] for name in DOCUMENTS}
    printed = {n.pointer: n.value for html in pages.values() for n in marked(html)}
    told, shared = alike.contradictions(study.words, printed)
    assert told == []
    assert shared > 30
