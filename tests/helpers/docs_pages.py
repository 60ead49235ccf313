"""What a page of the documentation asks its reader to type and to save."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

DOCS = Path(__file__).parents[2] / "abx" / "docs"

_FENCE = re.compile(r"^ *(`{3,})([^`\n]*)\n(.*?)^ *\1 *$", re.MULTILINE | re.DOTALL)
_CAPTION = re.compile(r"^ *:caption: (.+)$", re.MULTILINE)
_OPTION = re.compile(r"^ *:[a-z-]+:.*\n?", re.MULTILINE)
_EXIT = re.compile(r"# exits with (\d+)")


@dataclass(frozen=True, slots=True)
class Block:
    """A fenced block: a command to run, a file to save, or something to look at."""

    kind: str
    text: str
    line: int
    file: str | None = None

    @property
    def exit_code(self) -> int:
        """The exit code the page promises; 0 unless a comment says otherwise."""
        found = _EXIT.search(self.text)
        return int(found[1]) if found else 0


def pages() -> list[Path]:
    """Return every page, in a fixed order."""
    return sorted(p for p in DOCS.rglob("*.md") if p.name != "README.md")


def blocks(page: Path) -> Iterator[Block]:
    """Return the fenced blocks of a page in order."""
    text = page.read_text(encoding="utf-8")
    for match in _FENCE.finditer(text):
        info, body = match[2].strip(), match[3]
        line = text.count("\n", 0, match.start()) + 1
        caption = _CAPTION.search(body) if info.startswith("{code-block}") else None
        if caption:
            yield Block("file", _OPTION.sub("", body).lstrip("\n"), line, caption[1].strip())
        else:
            yield Block(info, body, line)
