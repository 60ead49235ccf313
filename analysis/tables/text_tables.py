"""Reading text tables so that every complaint can name its line and column."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pandas as pd

from stimuli.files.errors import InputError

__all__ = ["PARQUET", "Faults", "column_numbers", "read_parquet", "read_text_table"]

#: Endings of files that are read as Parquet.
PARQUET = frozenset({".parquet", ".pq"})
_DELIMITERS = (",", ";", "\t")


class Faults:
    """Raises the first fault of a table in the table's own coordinates.

    Parameters
    ----------
    source : str or None
        File name for the message.
    line_of_row : numpy.ndarray or None
        Line of each row in a text file; None for data that came as a frame, whose rows are
        then counted from 1.
    """

    def __init__(self, source: str | None, *, line_of_row: np.ndarray | None = None) -> None:
        self.source = source
        self._line_of_row = line_of_row

    def place(self, row: int) -> str:
        """Return "line 12" for a file or "row 11" for a frame; `row` counts from 0."""
        if self._line_of_row is not None:
            return f"line {int(self._line_of_row[row])}"
        return f"row {row + 1}"

    def at(self, row: int, column: str, problem: str, remedy: str) -> InputError:
        """Return the error for one cell."""
        where = f"{self.place(row)}, column {column}"
        return InputError(source=self.source, where=where, problem=problem, remedy=remedy)

    def table(self, where: str | None, problem: str, remedy: str) -> InputError:
        """Return the error for the table as a whole or for one of its columns."""
        return InputError(source=self.source, where=where, problem=problem, remedy=remedy)


def _read_bytes(path: Path) -> str:
    try:
        raw = path.read_bytes()
    except FileNotFoundError:
        raise InputError(
            source=str(path), problem="there is no such file", remedy="Check the name and folder"
        ) from None
    except OSError as error:
        raise InputError(
            source=str(path),
            problem=f"the file cannot be read ({error.strerror})",
            remedy="Give a readable file, not a folder",
        ) from None
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        raise InputError(
            source=str(path),
            where=f"line {line}",
            problem="the file is not UTF-8 text",
            remedy="Save the table as CSV with UTF-8 encoding; a spreadsheet's own file is no CSV",
        ) from None


def _delimiter(path: Path, header: str) -> str:
    if re.fullmatch(r"\s*sep=.\s*", header):
        raise InputError(
            source=str(path),
            where="line 1",
            problem=f"{header.strip()!r} is a spreadsheet's note to itself and no header",
            remedy="Remove the line, so that the names of the columns come first",
        )
    return max(_DELIMITERS, key=header.count)


def read_text_table(path: Path) -> tuple[pd.DataFrame, Faults, str]:
    """Read a delimited table as text, keeping the line of every row.

    Parameters
    ----------
    path : pathlib.Path
        UTF-8 text, comma, semicolon or tab separated, header in the first line.

    Returns
    -------
    frame : pandas.DataFrame
        All columns as stripped text.
    faults : Faults
        Makes errors that name file and line.
    decimal : str
        ``","`` when the delimiter leaves room for decimal commas, else ``"."``.

    Raises
    ------
    InputError
        Missing, unreadable, empty or ragged file, a repeated column name, or rows that are
        separated otherwise than the header.
    """
    text = _read_bytes(path)
    if not text.strip():
        raise InputError(
            source=str(path),
            problem="the file is empty",
            remedy="Give a table with a header line and one row an answered trial",
        )
    delimiter = _delimiter(path, text.split("\n", 1)[0])
    frame = _parse(path, delimiter)
    frame.columns = pd.Index([str(name).strip() for name in frame.columns])
    _check_header(path, list(frame.columns))
    lines = np.arange(2, len(frame) + 2)
    blank = _blank_rows(frame)
    if blank.any():
        frame, lines = frame.loc[~blank].reset_index(drop=True), lines[~blank]
    faults = Faults(str(path), line_of_row=lines)
    _check_separated(frame, delimiter, faults)
    return frame, faults, "," if delimiter != "," else "."


def _check_separated(frame: pd.DataFrame, delimiter: str, faults: Faults) -> None:
    """Refuse rows that are separated otherwise than the header: all in their first cell."""
    if frame.shape[1] < 2 or frame.empty:
        return
    others = "|".join(mark for mark in _DELIMITERS if mark != delimiter)
    if frame.iloc[0, 1:].fillna("").ne("").any():
        return  # one row that is well separated is enough, and cheap to look at
    whole = all(frame[name].fillna("").eq("").all() for name in frame.columns[1:])
    if whole and frame[frame.columns[0]].fillna("").str.contains(others).all():
        raise faults.table(
            faults.place(0),
            f"the rows have one value where the table has {frame.shape[1]} columns",
            f"Separate values by {delimiter!r} as in the header",
        )


def read_parquet(path: Path) -> pd.DataFrame:
    """Read a Parquet table.

    Raises
    ------
    InputError
        There is no such file, or it is not a Parquet table.
    """
    if not path.is_file():
        raise InputError(
            source=str(path), problem="there is no such file", remedy="Check the name and folder"
        )
    import pyarrow as pa

    try:
        return pd.read_parquet(path)
    except (pa.ArrowException, OSError, ValueError):
        raise InputError(
            source=str(path),
            problem="the file is not a readable Parquet table",
            remedy="Write it again, or give the table as CSV",
        ) from None


def _parse(path: Path, delimiter: str) -> pd.DataFrame:
    try:
        frame = pd.read_csv(
            path,
            sep=delimiter,
            dtype=str,
            keep_default_na=False,
            na_filter=True,
            na_values=[],
            skip_blank_lines=False,
            encoding="utf-8-sig",
            index_col=False,
            header=None,
            on_bad_lines="error",
        )
    except pd.errors.ParserError as error:
        raise _ragged(path, str(error)) from None
    except pd.errors.EmptyDataError:
        raise InputError(
            source=str(path), problem="the file is empty", remedy="Give a table with a header line"
        ) from None
    header = frame.iloc[0]
    body = frame.iloc[1:].reset_index(drop=True)
    body.columns = pd.Index([str(name) for name in header])
    return body


def _ragged(path: Path, message: str) -> InputError:
    found = re.search(r"Expected (\d+) fields in line (\d+), saw (\d+)", message)
    if found is None:
        return InputError(
            source=str(path),
            problem="the table cannot be read as CSV",
            remedy="Check quotes and separators",
        )
    expected, line, seen = found.groups()
    return InputError(
        source=str(path),
        where=f"line {line}",
        problem=f"the row has {seen} values where the table has {expected} columns",
        remedy="Put quotes around values that contain the separator",
    )


def _check_header(path: Path, names: list[str]) -> None:
    for position, name in enumerate(names, start=1):
        if not name:
            raise InputError(
                source=str(path),
                where=f"line 1, column {position}",
                problem="a column has no name",
                remedy="Name every column in the header line",
            )
        if name in names[: position - 1]:
            raise InputError(
                source=str(path),
                where=f"line 1, column {name}",
                problem="the column occurs twice",
                remedy="Keep one of them",
            )


def _blank_rows(frame: pd.DataFrame) -> np.ndarray:
    blank = np.ones(len(frame), dtype=bool)
    for name in frame.columns:
        column = frame[name]
        blank &= (column.isna() | (column == "")).to_numpy()
        if not blank.any():
            break
    return blank


def column_numbers(
    values: pd.Series, *, name: str, faults: Faults, decimal: str = ".", what: str = "a number"
) -> np.ndarray:
    """Return a text or numeric column as floats; an empty cell becomes NaN.

    Raises
    ------
    InputError
        A cell is neither empty nor a finite number; names line, column and value.
    """
    if pd.api.types.is_numeric_dtype(values):
        numbers = values.to_numpy(dtype=float, na_value=np.nan)
        bad = np.isinf(numbers)
    else:
        # Few values repeat often in a trial table, so each distinct text is read once.
        codes, distinct = pd.factorize(values, use_na_sentinel=False)
        text = pd.Series(distinct).astype(str).str.strip()
        nothing = (pd.Series(distinct).isna() | (text == "")).to_numpy()
        plain = text.str.replace(",", ".", regex=False) if decimal == "," else text
        parsed = pd.to_numeric(plain, errors="coerce").to_numpy(dtype=float).copy()
        parsed[nothing] = np.nan
        bad = (~nothing & ~np.isfinite(parsed))[codes]
        numbers = parsed[codes]
    if bad.any():
        row = int(np.flatnonzero(bad)[0])
        raise faults.at(row, name, f"{values.iloc[row]!r} is not {what}", f"Write {what}")
    return numbers
