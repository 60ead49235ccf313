"""What the sender of a table states about it: a small file of texts, quoted and never believed."""

from __future__ import annotations

import tomllib
from pathlib import Path

from abx.errors import InputError
from abx.text.files import read_utf8
from abx.text.toml_lines import LazyLines
from abx.text.toml_reader import Reader

__all__ = ["STATED", "read_statement"]

STATED = (*("source", "sound", "blind", "loudness", "order", "listeners", "left_out", "claims"),)
"""What can be stated, in the order in which a report quotes it."""

_MOST_CHARACTERS = 500
_MOST_BYTES = 100_000


def read_statement(path: str | Path) -> dict[str, str]:
    """Read what the sender of a trial table states.

    Parameters
    ----------
    path : str or Path
        TOML with any of the keys in :data:`STATED`, each a text of at most 500 characters.

    Returns
    -------
    dict of str to str
        What was stated, in the order of :data:`STATED`.

    Raises
    ------
    InputError
        If the file cannot be read, is not TOML, or holds another key or something that is no text.
    """
    file = Path(path)
    text = read_utf8(
        file,
        kind="a statement",
        most_bytes=_MOST_BYTES,
        too_large="a statement is a few lines of text",
        missing="check the path",
    )
    try:
        data = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError, ValueError) as error:
        raise InputError(
            source=file.name,
            problem=f"not TOML: {error}",
            remedy='write one line for each statement, for instance blind = "by hand, behind a '
            'curtain"',
        ) from error
    root = Reader(data, (), LazyLines(text), file.name)
    root.only(STATED)
    return {key: root.text(key, max_length=_MOST_CHARACTERS) for key in STATED if key in data}
