"""Text tables as instruments write them: any common encoding, delimiter and decimal sign."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from stimuli.files.errors import InputError

__all__ = ["NumberTable", "read_number_table"]

COMMENT_SIGNS = ("#", "*", ";", "%", '"')
_NUMBER = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?")
_NOT_FINITE = re.compile(r"[+-]?(nan|inf|infinity|#n/a|n/a|-)", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class NumberTable:
    """Rows of numbers with the lines they came from.

    Attributes
    ----------
    rows : tuple of tuple of float
        All rows have the same number of columns.
    lines : tuple of int
        1-based line of each row in the file.
    source : str
        File name for messages.
    sha256 : str
        Hash of the file's bytes.
    """

    rows: tuple[tuple[float, ...], ...]
    lines: tuple[int, ...]
    source: str
    sha256: str


def read_number_table(path: str | Path, *, min_columns: int, max_columns: int) -> NumberTable:
    """Read a table of numbers; see :func:`stimuli.response.measured.read_response` for the format.

    Raises
    ------
    InputError
        If the file cannot be read or a line is not a row of numbers; names file and line.
    """
    path = Path(path)
    raw = _read_bytes(path)
    # Not splitlines: it also ends a line at signs that editors show inside one.
    lines = re.split(r"\r\n|\r|\n", _decode(raw, path.name))
    data = [(n, text.strip()) for n, text in enumerate(lines, start=1)]
    data = [(n, text) for n, text in data if text and not text.startswith(COMMENT_SIGNS)]
    if data and _is_header(data[0][1]):
        data = data[1:]
    if not data:
        raise InputError(
            source=path.name,
            problem="the file holds no rows of numbers",
            remedy="Give one row a frequency: frequency in Hz, then level in dB",
        )
    split = _splitter([text for _, text in data])
    rows: list[tuple[float, ...]] = []
    for n, text in data:
        row = tuple(_number(field, path.name, n) for field in split(text))
        _check_columns(row, rows, min_columns, max_columns, path.name, n, text)
        rows.append(row)
    digest = hashlib.sha256(raw).hexdigest()
    return NumberTable(tuple(rows), tuple(n for n, _ in data), path.name, digest)


_MOST_BYTES = 32_000_000
"""Half a million points; reading more would only fill the memory."""


def _read_bytes(path: Path) -> bytes:
    try:
        size = path.stat().st_size
        if size > _MOST_BYTES:
            raise InputError(
                source=str(path),
                problem=f"the file has {size / 1e6:.0f} MB; no table of a response is that large",
                remedy="Check that it is the right file, or export fewer points",
            )
        raw = path.read_bytes()
    except FileNotFoundError:
        raise InputError(
            source=str(path), problem="the file does not exist", remedy="Check the name and folder"
        ) from None
    except OSError as error:
        raise InputError(
            source=str(path), problem=f"the file cannot be read ({error.strerror})"
        ) from error
    if not raw.strip(b"\x00 \r\n\t\xef\xbb\xbf\xff\xfe"):
        raise InputError(
            source=path.name, problem="the file is empty", remedy="Export the measurement again"
        )
    return raw


def _decode(raw: bytes, source: str) -> str:
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        encodings = ["utf-16"]
    elif raw[1:200:2].count(0) > 20:
        encodings = ["utf-16-le"]
    elif raw[0:200:2].count(0) > 20:
        encodings = ["utf-16-be"]
    else:
        encodings = ["utf-8-sig", "cp1252", "latin-1"]
    for encoding in encodings:
        try:
            text = raw.decode(encoding)
        except UnicodeDecodeError:
            continue
        if "\x00" not in text:
            return text
    raise InputError(
        source=source,
        problem="the file is not text",
        remedy="Export the measurement as a text table, not as a project or sound file",
    )


def _is_header(text: str) -> bool:
    fields = [field for field in re.split(r"[;,\t ]+", text) if field]
    wordy = any(re.match(r"[A-Za-zµ°\[(]", field) for field in fields)
    starts_with_number = bool(fields) and _NUMBER.fullmatch(fields[0]) is not None
    finite = not any(_NOT_FINITE.fullmatch(field) for field in fields)
    return wordy and not starts_with_number and finite


def _splitter(texts: list[str]) -> Callable[[str], list[str]]:
    """Choose how to cut rows: by the strongest delimiter present, comma last.

    A comma may be a decimal sign, so a comma cuts rows only where blanks do not already give
    two or more numbers.
    """
    if any(";" in text for text in texts):
        return _by(";")
    if any("\t" in text for text in texts):
        return _by("\t")
    if any("," in text for text in texts):
        blanks = [text.split() for text in texts]
        if all(len(row) > 1 and all(_NUMBER.fullmatch(f) for f in row) for row in blanks):
            return str.split
        return _by(",")
    return str.split


def _by(delimiter: str) -> Callable[[str], list[str]]:
    def split(text: str) -> list[str]:
        fields = [field.strip().strip('"') for field in text.split(delimiter)]
        while fields and not fields[-1]:  # a delimiter at the end of the row
            fields.pop()
        return fields

    return split


def _number(field: str, source: str, line: int) -> float:
    if _NUMBER.fullmatch(field):
        return float(field.replace(",", "."))
    if not field:
        raise InputError(
            source=source,
            where=f"line {line}",
            problem="a value is missing",
            remedy="Fill it in or remove the row",
        )
    if _NOT_FINITE.fullmatch(field):
        raise InputError(
            source=source,
            where=f"line {line}",
            problem=f"{field!r} is not a finite number",
            remedy="Remove the row: a point without a level says nothing",
        )
    raise InputError(
        source=source,
        where=f"line {line}",
        problem=f"{field[:40]!r} stands where a number belongs",
        remedy="Mark words as a comment with # at the start of the line, or remove them",
    )


def _check_columns(
    row: tuple[float, ...],
    earlier: list[tuple[float, ...]],
    least: int,
    most: int,
    source: str,
    line: int,
    text: str,
) -> None:
    place = f"line {line}"
    if len(row) < least:
        raise InputError(
            source=source,
            where=place,
            problem=f"only {len(row)} column found, {least} are needed: {text[:40]!r}",
            remedy="Give frequency in Hz and level in dB, separated by comma, semicolon, "
            "tab or blanks",
        )
    if len(row) > most:
        ambiguous = len(row) == 2 * least and "," in text and "." not in text
        hint = (
            "Decimal commas and separating commas cannot be told apart: separate columns by "
            "semicolons or tabs"
            if ambiguous
            else "Keep frequency, level and, if you have it, phase"
        )
        raise InputError(
            source=source,
            where=place,
            problem=f"{len(row)} columns found, at most {most} are expected: {text[:40]!r}",
            remedy=hint,
        )
    if earlier and len(row) != len(earlier[0]):
        raise InputError(
            source=source,
            where=place,
            problem=f"{len(row)} columns found where the rows before have {len(earlier[0])}",
            remedy="Give every row the same columns",
        )
