"""Optional columns of the trial table, and what is odd in a table but can be used.

Faults are errors with their place. What is merely odd is a plain line: nothing is passed over in
silence.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from analysis.tables.names import alike
from analysis.tables.text_tables import Faults, column_numbers
from analysis.tables.trial_checks import check_strength

__all__ = ["odd_rows", "read_extras", "simulated_rows"]

_COUNTS = ("switches", "underruns")
#: Years in which people answered at a screen that knew the time. Earlier and later ones are what
#: programs write for "unknown" (0001, 9999), or slips.
_YEARS = (1970, 2100)
#: Before this year the time is that of a clock that was never set.
_CLOCK_SET = 1990
_CLOCK = r"[T ]\d{2}:?\d{2}(?::?\d{2}(?:[.,]\d+)?)?"
_ISO_TIME = rf"\d{{4}}-\d{{2}}-\d{{2}}(?:{_CLOCK}(?:Z|[+-]\d{{2}}(?::?\d{{2}})?)?)?"
_LONG_S = 3600.0
#: More than any number of a trial: sitting and trial in one number.
_SITTING = 2_000_000_000
_LONG_STUDY_YEARS = 5


def read_extras(frame: pd.DataFrame, faults: Faults, decimal: str) -> None:
    """Check the optional columns and put numbers in place of their text.

    Parameters
    ----------
    frame : pandas.DataFrame
        The table with its required columns read; changed.
    faults : Faults
    decimal : str
        Decimal sign of the text.

    Raises
    ------
    InputError
        A time that is no date and time of ISO 8601 between 1970 and 2100, seconds below 0 or not
        finite, a count or the number of a trial that is not whole, a strength on the wrong side.
    """
    for name in map(str, frame.columns):
        values = frame[name]
        if name == "response_s" or (name.startswith("listened_") and name.endswith("_s")):
            frame[name] = _seconds(values, name, faults, decimal)
        elif name in _COUNTS:
            frame[name] = _whole(values, name, 0, faults, decimal)
        elif name == "repeat_of":
            _whole(values, name, 1, faults, decimal)
        elif name == "level_residual_db":
            frame[name] = column_numbers(values, name=name, faults=faults, decimal=decimal)
        elif name == "strength":
            frame[name] = check_strength(frame, faults, decimal)
        elif name == "answered_at":
            _times(values, faults)


def _seconds(values: pd.Series, name: str, faults: Faults, decimal: str) -> np.ndarray:
    what = "a number of seconds from 0"
    numbers = column_numbers(values, name=name, faults=faults, decimal=decimal, what=what)
    bad = np.flatnonzero(numbers < 0)
    if bad.size:
        row = int(bad[0])
        problem = f"{values.iloc[row]!r} is not {what}"
        raise faults.at(row, name, problem, f"Write {what}, or leave it empty")
    return numbers


def _whole(values: pd.Series, name: str, least: int, faults: Faults, decimal: str) -> np.ndarray:
    """Return whole numbers, NaN where empty."""
    what = f"a whole number from {least}"
    numbers = column_numbers(values, name=name, faults=faults, decimal=decimal, what=what)
    bad = np.flatnonzero((numbers < least) | (numbers != np.floor(numbers)) & ~np.isnan(numbers))
    if bad.size:
        row = int(bad[0])
        problem = f"{values.iloc[row]!r} is not {what}"
        raise faults.at(row, name, problem, f"Write {what}, or leave it empty")
    return numbers


def simulated_rows(frame: pd.DataFrame, faults: Faults, decimal: str) -> np.ndarray:
    """Return which rows come from simulated listeners.

    Raises
    ------
    InputError
        A flag is not 0, 1 or empty.
    """
    if "simulated" not in frame.columns:
        return np.zeros(len(frame), dtype=bool)
    column = frame["simulated"]
    if pd.api.types.is_bool_dtype(column):
        return column.to_numpy(dtype=bool)
    flags = column_numbers(column, name="simulated", faults=faults, decimal=decimal, what="0 or 1")
    bad = np.flatnonzero(~np.isin(flags, (0.0, 1.0)) & ~np.isnan(flags))
    if bad.size:
        row = int(bad[0])
        raise faults.at(
            row, "simulated", f"{column.iloc[row]!r} is not 0 or 1", "Write 0 or 1, or leave empty"
        )
    return flags == 1.0


# times ---------------------------------------------------------------------------------


def _texts(values: pd.Series) -> pd.Series:
    """Return times as text, "" where empty."""
    return values.astype(object).where(values.notna(), "").astype(str).str.strip()


def _instants(values: pd.Series) -> pd.Series:
    return pd.to_datetime(_texts(values), errors="coerce", utc=True, format="ISO8601")


def _times(values: pd.Series, faults: Faults) -> None:
    text = _texts(values)
    given = (text != "").to_numpy()
    at = _instants(values)
    read = at.notna().to_numpy() & text.str.fullmatch(_ISO_TIME).to_numpy()
    year = at.dt.year.to_numpy(dtype=float, na_value=np.nan)
    sound = read & (year >= _YEARS[0]) & (year <= _YEARS[1])
    bad = np.flatnonzero(given & ~sound)
    if bad.size == 0:
        return
    row = int(bad[0])
    why = f"does not lie between {_YEARS[0]} and {_YEARS[1]}"
    shape = "is not a date and time of ISO 8601"
    raise faults.at(
        row,
        "answered_at",
        f"{text.iloc[row]!r} {why if read[row] else shape}",
        "Write the time of the answer in UTC, such as 2026-03-31T14:05:09Z, or leave it empty",
    )


# odd, but usable -----------------------------------------------------------------------


def odd_rows(frame: pd.DataFrame, simulated: np.ndarray, faults: Faults) -> list[str]:
    """Return a plain line for everything that is odd in a checked table.

    Parameters
    ----------
    frame : pandas.DataFrame
        The checked table.
    simulated : numpy.ndarray of bool
        Rows of simulated listeners.
    faults : Faults
        Tells the place of a row.

    Returns
    -------
    list of str
        Without file names, so that the same table gives the same lines anywhere.
    """
    notes = [
        *_alike_notes(frame, faults),
        *_programme_notes(frame, faults),
        *_time_notes(frame, faults),
        *_long_notes(frame, faults),
        *_repeat_notes(frame, faults),
    ]
    if simulated.any() and not simulated.all():
        notes.append(
            f"{int(simulated.sum())} of {len(frame)} rows are of simulated listeners, so that all "
            "results are marked simulated"
        )
    return notes


def _alike_notes(frame: pd.DataFrame, faults: Faults) -> list[str]:
    notes = []
    for name in ("session", "output"):
        found = alike({name: frame[name]}, faults)
        if found is not None:
            notes.append(f"column {name}: {found[1]}; they were taken for two")
    return notes


def _first(rows: np.ndarray, faults: Faults) -> str:
    """Return the place of the first of some rows, and how many there are."""
    where = faults.place(int(np.flatnonzero(rows)[0]))
    return where if rows.sum() == 1 else f"{where} and {int(rows.sum()) - 1} more"


def _programme_notes(frame: pd.DataFrame, faults: Faults) -> list[str]:
    empty = (frame["programme"] == "").to_numpy()
    if not empty.any() or empty.all():
        return []
    return [f"column programme is empty in some rows only ({_first(empty, faults)})"]


def _time_notes(frame: pd.DataFrame, faults: Faults) -> list[str]:
    if "answered_at" not in frame.columns:
        return []
    at, text = _instants(frame["answered_at"]), _texts(frame["answered_at"])
    if at.isna().all():
        return []
    notes = []
    early = (at.dt.year < _CLOCK_SET).to_numpy(dtype=bool, na_value=False)
    if early.any():
        where = _first(early, faults)
        notes.append(f"answered_at lies before {_CLOCK_SET} ({where}): was the clock set?")
    days = (text.str.len() == len("2026-03-31")).to_numpy()
    if days.any():
        where = _first(days, faults)
        notes.append(f"answered_at is a day without a time ({where}): no order within it is known")
    if (at.max() - at.min()).days > 365 * _LONG_STUDY_YEARS and not early.any():
        notes.append(
            f"answers lie more than {_LONG_STUDY_YEARS} years apart, from {at.min():%Y-%m-%d} to "
            f"{at.max():%Y-%m-%d}: is a date mistyped?"
        )
    return notes


def _long_notes(frame: pd.DataFrame, faults: Faults) -> list[str]:
    if "response_s" not in frame.columns:
        return []
    long = frame["response_s"].to_numpy(dtype=float) > _LONG_S
    if not long.any():
        return []
    most = float(frame["response_s"].max())
    return [f"response_s is over an hour ({_first(long, faults)}; the longest is {most:g} s)"]


def _repeat_notes(frame: pd.DataFrame, faults: Faults) -> list[str]:
    if "repeat_of" not in frame.columns:
        return []
    again = pd.to_numeric(frame["repeat_of"], errors="coerce").to_numpy(dtype=float)
    given = np.isfinite(again)
    if not given.any():
        return []
    sitting = frame.groupby(["listener", "session"], observed=True).ngroup().to_numpy(np.int64)
    own = sitting * _SITTING + frame["trial"].to_numpy(np.int64)
    meant = sitting * _SITTING + np.where(given, again, 0).astype(np.int64)
    lost = given & ~np.isin(meant, own)
    if not lost.any():
        return []
    return [f"repeat_of names a trial that its sitting does not have ({_first(lost, faults)})"]
