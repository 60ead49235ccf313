"""What the sender of a table states about it: a small file of texts, quoted and never believed."""

from __future__ import annotations

import tomllib
from pathlib import Path

from abx.errors import InputError
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
    text = _text(file)
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


def _text(file: Path) -> str:
    try:
        raw = file.read_bytes()
    except OSError as error:
        raise InputError(
            source=str(file), problem=str(error.strerror or error), remedy="check the path"
        ) from error
    if len(raw) > _MOST_BYTES:
        raise InputError(
            source=file.name,
            problem=f"the file has {len(raw)} bytes",
            remedy="a statement is a few lines of text",
        )
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise InputError(
            source=file.name,
            problem=f"byte 0x{raw[error.start]:02x} is not UTF-8 text",
            remedy="save the file with UTF-8 encoding",
        ) from error
