"""Python in the documentation runs as it stands and prints what the page shows below it."""

from __future__ import annotations

import re
import subprocess
import sys
from itertools import pairwise
from pathlib import Path

import pytest

import analysis
import stimuli
from helpers.docs_pages import DOCS, blocks, pages
from helpers.guards import GUARD_S

_CUT = "--- the next block ---"


def _examples(page: Path) -> list[tuple[str, str]]:
    """Return a page's blocks of Python, each with what the page shows right below it."""
    found = [*blocks(page), None]
    return [
        (block.text, after.text if after is not None and after.kind == "text" else "")
        for block, after in pairwise(found)
        if block is not None and block.kind == "python"
    ]


PAGES = {page.relative_to(DOCS).as_posix(): page for page in pages() if _examples(page)}


def test_the_pages_about_python_have_examples() -> None:
    counts = {name: len(_examples(page)) for name, page in PAGES.items()}
    assert counts == {
        "reference/python.md": 3,
        "tutorials/forecast.md": 3,
        "tutorials/table-to-verdict.md": 4,
    }


@pytest.mark.parametrize("name", PAGES)
def test_python_prints_what_the_page_shows(name: str, tmp_path: Path) -> None:
    """The blocks of a page run one after the other in one session, like cells of a notebook."""
    examples = _examples(PAGES[name])
    code = f"\nprint({_CUT!r})\n".join(text for text, _ in examples)
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", code],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        timeout=GUARD_S,
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.split(f"{_CUT}\n") == [shown for _, shown in examples]


def test_every_public_name_is_in_the_reference() -> None:
    page = (DOCS / "reference" / "api.md").read_text(encoding="utf-8")
    listed = re.findall(r"^\.\. auto(?:function|class):: (\w+)\.(\w+)$", page, re.MULTILINE)
    # InputError is one class, told of once.
    public = {(d.__name__, name) for d in (stimuli, analysis) for name in d.__all__}
    assert len(listed) == len(set(listed))
    assert set(listed) == public - {("analysis", "InputError")}
