"""Names in tables: which are too alike to be two, and which are a program's word for nothing.

Two spellings that differ in capitals or spaces only are nearly always one stage, one listener or
one programme written twice. Taken for two they split the answers in silence, so they are refused.
Words such as ``NaN`` come out of programs where a value was missing: taken for a name they make one
listener of several, so they are refused as well.
"""

from __future__ import annotations

import difflib
import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from analysis.tables.missing_words import ANY_SPELLING, AS_PROGRAMS_SPELL
from analysis.tables.text_tables import Faults

__all__ = [
    "ROLE_STAGES",
    "Spelling",
    "alike",
    "did_you_mean",
    "folded",
    "how_alike",
    "odd_columns",
    "plain_text",
    "refuse_alike",
    "refuse_nothing",
]

#: What rating trials name in place of a stage: these stand for no stage of a table.
ROLE_STAGES = ("hidden-reference", "low-anchor", "mid-anchor")


def folded(name: str) -> str:
    """Return what all spellings of a name have in common.

    Capitals, spaces and characters that cannot be seen are left out, and characters that Unicode
    can write in several ways are written in one (NFKC).
    """
    text = unicodedata.normalize("NFKC", name).casefold()
    return "".join(
        c for c in text if not c.isspace() and unicodedata.category(c) not in ("Cc", "Cf")
    )


def plain_text(value: object) -> str:
    """Return a cell as text as it stands; whole numbers without their ``.0``."""
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    return str(value)


def did_you_mean(word: str, known: Iterable[str], *, least: float = 0.6) -> str:
    """Return ". Did you mean 'x'?", to end a remedy with, or nothing where no name is near.

    Parameters
    ----------
    word : str
        What was written.
    known : iterable of str
        Names that are there; one that differs in capitals or spaces only comes first.
    least : float, optional
        How alike they must be, 0 to 1 (:func:`difflib.get_close_matches`).
    """
    names = list(known)
    same = [name for name in names if folded(name) == folded(word)]
    near = same or difflib.get_close_matches(word, names, n=1, cutoff=least)
    return f". Did you mean {near[0]!r}?" if near else ""


def odd_columns(
    frame: pd.DataFrame,
    known: Iterable[str],
    prefixes: tuple[str, ...],
    faults: Faults,
    *,
    name_all: bool = False,
) -> list[str]:
    """Hold the names of columns against those that are read.

    Parameters
    ----------
    frame : pandas.DataFrame
        The raw table.
    known : iterable of str
        Columns that are read.
    prefixes : tuple of str
        Beginnings of further columns that are read.
    faults : Faults
        Makes the error.
    name_all : bool, optional
        Name every column that is not read, in one line.

    Returns
    -------
    list of str
        A line for each unread column whose name is close to a known one that is not there.

    Raises
    ------
    InputError
        A column's name differs from a known one, or from another column's, in capitals or spaces
        only: it would be left unread in silence.
    """
    known, columns = tuple(known), [str(name) for name in frame.columns]
    notes, others = [], []
    for position, name in enumerate(columns):
        wanted = _wanted(name, known, prefixes) or next(
            (other for other in columns[:position] if folded(other) == folded(name)), None
        )
        if wanted is not None:
            raise faults.table(
                f"column {name}",
                f"{name!r} differs from {wanted!r} only in {how_alike(name, wanted)}",
                f"Call the column {wanted!r}, or give it a name of its own",
            )
        if name not in known and not name.startswith(prefixes or (" ",)):
            near = did_you_mean(name, set(known) - set(columns), least=0.8)
            if near:
                notes.append(f"column {name!r} is not read{near}")
            else:
                others.append(name)
    if others and name_all:
        notes.append(f"columns that are not read: {', '.join(others)}")
    return notes


def _wanted(name: str, known: tuple[str, ...], prefixes: tuple[str, ...]) -> str | None:
    """Return the known name that a column's name should have been."""
    same = next((one for one in known if one != name and folded(one) == folded(name)), None)
    if same is not None or name in known:
        return same
    lower = name.strip().casefold()
    begins = next((one for one in prefixes if lower.startswith(one)), None)
    if begins is None or name.startswith(begins):
        return None
    return begins + name.strip()[len(begins) :]


@dataclass(frozen=True, slots=True)
class Spelling:
    """One way in which a name is written, and where it stands first."""

    text: str
    column: str
    row: int


def _spellings(name: str, values: pd.Series) -> list[Spelling]:
    """Return the distinct texts of a column with the first row of each; empty cells left out."""
    codes, distinct = pd.factorize(values, use_na_sentinel=False)
    first = np.empty(len(distinct), dtype=np.int64)
    first[codes[::-1]] = np.arange(len(codes) - 1, -1, -1)  # the last to be written stays
    found = [
        Spelling(plain_text(value), name, int(row))
        for value, row in zip(distinct, first, strict=True)
        if not pd.isna(value)
    ]
    return sorted((one for one in found if one.text.strip()), key=lambda one: one.row)


def refuse_alike(columns: Mapping[str, pd.Series], what: str, faults: Faults) -> None:
    """Refuse two spellings of one name.

    Parameters
    ----------
    columns : mapping of str to pandas.Series
        Raw columns that hold names of one kind. Within a column every difference counts. Spaces
        around a name that a column has throughout are its layout: they do not count between
        columns.
    what : str
        The kind of name, for the message: "stage", "listener".
    faults : Faults
        Makes the error.

    Raises
    ------
    InputError
        Names both spellings and the row in which each stands first.
    """
    found = alike(columns, faults)
    if found is not None:
        one, problem = found
        raise faults.at(
            one.row,
            one.column,
            problem,
            f"Write one {what} in one way throughout; two different ones need names that differ "
            "in more than that",
        )


def alike(columns: Mapping[str, pd.Series], faults: Faults) -> tuple[Spelling, str] | None:
    """Return the first two spellings of one name, the later one and words for both, or None."""
    met: dict[str, Spelling] = {}
    for name, values in columns.items():
        inside: dict[str, Spelling] = {}
        for one in _spellings(name, values):
            key = folded(one.text)
            for other, layout in ((inside.get(key), False), (met.get(key), True)):
                if other is not None and _differ(one.text, other.text, layout=layout):
                    return one, _both(one, other, faults)
            inside.setdefault(key, one)
        for key, one in inside.items():
            met.setdefault(key, one)
    return None


def _both(one: Spelling, other: Spelling, faults: Faults) -> str:
    return (
        f"{one.text!r} and {other.text!r} ({faults.place(other.row)}, column {other.column}) "
        f"differ only in {how_alike(one.text, other.text)}"
    )


def _differ(one: str, other: str, *, layout: bool) -> bool:
    return one.strip() != other.strip() if layout else one != other


def how_alike(one: str, other: str) -> str:
    """Say in what two spellings of one name differ."""
    if _squeezed(one) == _squeezed(other):
        return "spaces"
    if one.casefold() == other.casefold():
        return "capitals"
    if _squeezed(one).casefold() == _squeezed(other).casefold():
        return "capitals and spaces"
    return "characters that look alike or cannot be seen"


def _squeezed(text: str) -> str:
    return "".join(text.split())


def refuse_nothing(name: str, values: pd.Series, faults: Faults, *, person: bool) -> None:
    """Refuse a word that programs write for a missing value.

    Parameters
    ----------
    name : str
        Column.
    values : pandas.Series
        Its raw cells.
    faults : Faults
        Makes the error.
    person : bool
        A listener or sitting, which every row must have: then any spelling is refused. Elsewhere
        only what programs write; a stage may be called "none".

    Raises
    ------
    InputError
        Names row, column and word.
    """
    for one in _spellings(name, values):
        word = one.text.strip()
        if not folded(word):
            problem, remedy = f"{one.text!r} holds nothing that can be seen", "Write a name"
        elif person and word.casefold() in ANY_SPELLING:
            problem = f"{word!r} is what programs write for a missing value"
            remedy = f"Write the {name}'s name; whoever is really called so needs a pseudonym"
        elif not person and word in AS_PROGRAMS_SPELL:
            problem = f"{word!r} is what programs write for a missing value"
            remedy = "Leave the cell empty where nothing belongs there, or write a name"
        else:
            continue
        raise faults.at(one.row, one.column, problem, remedy)
