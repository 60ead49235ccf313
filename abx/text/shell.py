"""Commands as they are shown to people, ready to be copied into a shell."""

from __future__ import annotations

import os
import re
import shlex
import subprocess
from pathlib import Path

__all__ = ["command_line"]

_SAFE = re.compile(r"[A-Za-z0-9_@%+=:,./-]+", re.ASCII)
_QUOTABLE = re.compile(r"[^\"$`\\!\x00-\x1f\x7f]+")


def command_line(name: str, *words: str | Path) -> str:
    """Return a command of earwitness with its words quoted where a shell needs it.

    Parameters
    ----------
    name : str
        Name of the command.
    *words : str or Path
        Its arguments. A path that begins with a hyphen is written as ``./-...``, since it would
        be read as an option.

    Examples
    --------
    >>> command_line("render", Path("van, 2nd try"))
    'earwitness render "van, 2nd try"'
    >>> command_line("report", Path("-6 dB"), "--rehearsal")
    'earwitness report "./-6 dB" --rehearsal'
    """
    return " ".join(["earwitness", name, *map(_quoted, words)])


def _quoted(word: str | Path) -> str:
    text = str(word)
    if isinstance(word, Path) and text.startswith("-"):
        text = os.path.join(os.curdir, text)
    if os.name == "nt":
        return subprocess.list2cmdline([text])
    if _SAFE.fullmatch(text):
        return text
    # Double quotes where they do, since commands stand between single quotes in sentences.
    return f'"{text}"' if _QUOTABLE.fullmatch(text) else shlex.quote(text)
