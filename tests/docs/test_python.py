"""Python in the documentation runs as it stands and prints what the page shows below it."""

from __future__ import annotations

import subprocess
import sys
from itertools import pairwise
from pathlib import Path

import pytest

from helpers.docs_pages import DOCS, Block, blocks, pages
from helpers.guards import GUARD_S

FOUND = [
    pytest.param(block, after, id=f"{page.relative_to(DOCS)}:{block.line}")
    for page in pages()
    for block, after in pairwise(blocks(page))
    if block.kind == "python"
]


def test_the_page_about_python_has_examples() -> None:
    assert sum("reference/python.md" in str(found.id) for found in FOUND) == 2


@pytest.mark.parametrize(("block", "after"), FOUND)
def test_python_prints_what_the_page_shows(block: Block, after: Block, tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", block.text],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        timeout=GUARD_S,
    )
    assert done.returncode == 0, done.stderr
    assert after.kind == "text"
    assert done.stdout == after.text
