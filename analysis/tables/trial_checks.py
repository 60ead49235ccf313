"""What a trial table must hold to be analysed: each fault with its place and a remedy."""

from __future__ import annotations

import numpy as np
import pandas as pd

from analysis.tables.names import did_you_mean, refuse_alike, refuse_nothing
from analysis.tables.text_tables import Faults, column_numbers
from analysis.tables.trial_columns import (
    ANSWERS,
    METHODS,
    REQUIRED,
    SCALES,
    STAGE_COLUMNS,
    STAGES_OF,
    STRENGTH,
    label_codes,
    labels,
)

__all__ = [
    "check_columns",
    "check_filled",
    "check_group",
    "check_known",
    "check_names",
    "check_sense",
    "check_stages",
    "check_strength",
    "check_unique",
    "read_answers",
    "trial_numbers",
]

#: Columns that hold names of one kind.
_ONE_NAME = {
    "stage": STAGE_COLUMNS,
    "listener": ("listener",),
    "programme": ("programme",),
    "group": ("group",),
}


def check_columns(frame: pd.DataFrame, faults: Faults) -> None:
    """Refuse a table without a required column or without rows.

    Raises
    ------
    InputError
        If a column is missing, or the table is empty.
    """
    missing = [name for name in REQUIRED if name not in frame.columns]
    if missing:
        have = ", ".join(str(name) for name in frame.columns) or "none"
        raise faults.table(
            f"column {missing[0]}",
            f"the column is missing (the table has: {have})",
            f"Add the column; a trial table needs {', '.join(REQUIRED)}",
        )
    if frame.empty:
        raise faults.table(None, "the table holds no trials", "Give at least one answered trial")


def check_names(frame: pd.DataFrame, faults: Faults) -> None:
    """Refuse names that are two spellings of one, and words for nothing in place of a name."""
    for name in ("listener", "session", *STAGE_COLUMNS, "programme", "group", "output"):
        if name in frame.columns:
            person = name in ("listener", "session")
            refuse_nothing(name, frame[name], faults, person=person)
    for what, names in _ONE_NAME.items():
        columns = {name: frame[name] for name in names if name in frame.columns}
        refuse_alike(columns, what, faults)


def check_filled(frame: pd.DataFrame, faults: Faults) -> None:
    """Refuse rows without a listener, a sitting, a method or a stage.

    Raises
    ------
    InputError
        If a value is empty; the error names the row.
    """
    for name in ("listener", "session", "method", "stage_a"):
        empty = np.flatnonzero((frame[name] == "").to_numpy())
        if empty.size:
            raise faults.at(
                int(empty[0]), name, "the value is empty", "Fill it in or leave the row out"
            )


def check_known(frame: pd.DataFrame, name: str, allowed: tuple[str, ...], faults: Faults) -> None:
    """Refuse a word that a column does not know.

    Raises
    ------
    InputError
        If a value is none of those known; the error names the row.
    """
    unknown = set(frame[name].cat.categories) - set(allowed)
    rows = np.flatnonzero(frame[name].isin(unknown).to_numpy()) if unknown else np.array([], int)
    if rows.size:
        row = int(rows[0])
        choices = ", ".join(value or "empty" for value in allowed)
        raise faults.at(
            row,
            name,
            f"{frame[name].iloc[row]!r} is not a known {name}",
            f"Use one of: {choices}{did_you_mean(str(frame[name].iloc[row]), allowed)}",
        )


_MOST_TRIALS = 1_000_000_000
"""More is no order within a sitting but a slip, for instance two columns run together."""


def trial_numbers(values: pd.Series, faults: Faults, decimal: str) -> np.ndarray:
    """Return the numbers of trials, whole and from 1.

    Raises
    ------
    InputError
        If one is no whole number above 0; the error names the row.
    """
    what = "a whole number from 1"
    numbers = column_numbers(values, name="trial", faults=faults, decimal=decimal, what=what)
    whole = (numbers >= 1) & (numbers <= _MOST_TRIALS) & (numbers == np.floor(numbers))
    bad = np.flatnonzero(~whole)
    if bad.size:
        row = int(bad[0])
        shown = "the value is empty" if np.isnan(numbers[row]) else f"{values.iloc[row]!r} is not"
        problem = shown if shown.endswith("empty") else f"{shown} {what} to {_MOST_TRIALS}"
        raise faults.at(row, "trial", problem, f"Write {what}, the order within the sitting")
    return numbers.astype(np.int64)


def check_stages(frame: pd.DataFrame, faults: Faults) -> None:
    """Refuse trials without the stages that their method needs.

    Raises
    ------
    InputError
        If a stage that the method needs is missing; the error names the row.
    """
    for method in METHODS:
        rows = (frame["method"] == method).to_numpy()
        if not rows.any():
            continue
        for name in STAGES_OF[method]:
            empty = np.flatnonzero(rows & (frame[name] == "").to_numpy())
            if empty.size:
                raise faults.at(
                    int(empty[0]),
                    name,
                    f"a trial of method {method} needs a stage here and the value is empty",
                    f"Fill in {', '.join(STAGES_OF[method])}",
                )


def read_answers(
    frame: pd.DataFrame, faults: Faults, decimal: str
) -> tuple[np.ndarray, pd.Categorical[str]]:
    """Return numbers (NaN elsewhere) and the categorical answers ("" where it is a number).

    Raises
    ------
    InputError
        If an answer does not fit its method; the error names the row.
    """
    ratings = np.full(len(frame), np.nan)
    for method in SCALES:
        rows = (frame["method"] == method).to_numpy()
        if rows.any():
            ratings[rows] = _rating_values(frame, rows, method, faults, decimal)
    rated = frame["method"].isin(SCALES).to_numpy()
    chosen = pd.DataFrame({"answer": frame["answer"].where(~rated)})
    said = labels(chosen, "answer")
    names = np.asarray(said.categories, dtype=object)
    for method, allowed in ANSWERS.items():
        rows = (frame["method"] == method).to_numpy()
        known = np.array([name in allowed for name in names])
        bad = np.flatnonzero(rows & ~known[said.codes])
        if bad.size:
            row = int(bad[0])
            value = names[said.codes[row]]
            problem = f"{value!r} is not an answer of method {method}" if value else "is empty"
            raise faults.at(
                row,
                "answer",
                problem if value else "the value is empty",
                f"Use one of: {', '.join(allowed)}{did_you_mean(str(value), allowed)}",
            )
    return ratings, said


def _rating_values(
    frame: pd.DataFrame, rated: np.ndarray, method: str, faults: Faults, decimal: str
) -> np.ndarray:
    least, most, what, name = SCALES[method]
    answers = frame["answer"].where(rated)
    numbers = column_numbers(answers, name="answer", faults=faults, decimal=decimal, what=what)
    bad = np.flatnonzero(rated & ~((numbers >= least) & (numbers <= most)))
    if bad.size:
        row = int(bad[0])
        empty = np.isnan(numbers[row])
        problem = "the value is empty" if empty else f"{answers.iloc[row]!r} is not {what}"
        raise faults.at(row, "answer", problem, f"Write {what} for {name}")
    return numbers[rated]


def check_unique(frame: pd.DataFrame, faults: Faults) -> None:
    """Refuse a trial that was given before.

    Raises
    ------
    InputError
        If a trial stands there twice; the error names the row.
    """
    keys = ["listener", "session", "trial"]
    repeated = np.flatnonzero(frame.duplicated(keys).to_numpy())
    if repeated.size == 0:
        return
    row = int(repeated[0])
    listener, session, trial = (frame[name].iloc[row] for name in keys)
    same = (frame["listener"] == listener) & (frame["session"] == session)
    first = int(np.flatnonzero((same & (frame["trial"] == trial)).to_numpy())[0])
    raise faults.at(
        row,
        "trial",
        f"listener {listener!r}, session {session!r}, trial {trial} was already given "
        f"in {faults.place(first)}",
        "Number the trials of a sitting without repeats, or remove the row that is a copy",
    )


def check_group(frame: pd.DataFrame, faults: Faults) -> None:
    """Refuse a listener who is in two groups, or in one only now and then.

    Raises
    ------
    InputError
        If a listener is in two groups, or in one only now and then; the error names the row.
    """
    if (frame["group"] == "").all():
        return
    first = ~frame.duplicated("listener").to_numpy()
    home = dict(zip(frame["listener"][first], frame["group"][first], strict=True))
    own = frame["group"].astype(str)
    moved = np.flatnonzero((own != frame["listener"].map(home).astype(str)).to_numpy())
    if moved.size == 0:
        return
    row = int(moved[0])
    listener = frame["listener"].iloc[row]
    begun = int(np.flatnonzero((frame["listener"] == listener).to_numpy())[0])
    here, there = (f"in group {g!r}" if g else "in no group" for g in (own[row], own[begun]))
    raise faults.at(
        row,
        "group",
        f"listener {listener!r} is {here}, but {there} in {faults.place(begun)}",
        "Give a listener one group throughout, or call the column something else",
    )


def check_sense(frame: pd.DataFrame, faults: Faults) -> None:
    """Refuse stages that do not make a question of the method.

    Raises
    ------
    InputError
        If they do not; the error names the row.
    """
    _, (a, b, c, x) = label_codes(frame, "stage_a", "stage_b", "stage_c", "stage_x")
    method = {name: (frame["method"] == name).to_numpy() for name in METHODS}
    identical = (frame["control"] == "identical").to_numpy()
    two = method["abx"] | method["duo-trio"] | method["grading"]
    odd_ones = ((a == b) & (b != c)) | ((a == c) & (a != b)) | ((b == c) & (a != b))
    all_same = np.where(method["triangle"], (a == b) & (b == c), a == b)
    paired = two | method["paired"]
    rules = (
        (two & (x != a) & (x != b), "stage_x", "is neither stage_a nor stage_b"),
        (paired & ~identical & (a == b), "stage_b", "is the same stage as stage_a"),
        (
            method["triangle"] & ~identical & ~odd_ones,
            "stage_c",
            "leaves no odd one: a triangle has one stage twice and another once",
        ),
        (
            identical & ~method["rating"] & ~all_same,
            "control",
            "marks an identical control, but the stages differ",
        ),
    )
    for broken, name, problem in rules:
        rows = np.flatnonzero(broken)
        if rows.size:
            row = int(rows[0])
            raise faults.at(
                row,
                name,
                f"{frame[name].iloc[row]!r} {problem}",
                "Correct the stages, or mark the row's control as identical if it was one",
            )


def check_strength(frame: pd.DataFrame, faults: Faults, decimal: str) -> np.ndarray:
    """Return the graded strength of paired answers, which must agree with the answer's side.

    Raises
    ------
    InputError
        If one is out of range or on the other side; the error names the row.
    """
    what = f"a whole number from -{STRENGTH} to {STRENGTH}"
    numbers = column_numbers(
        frame["strength"], name="strength", faults=faults, decimal=decimal, what=what
    )
    paired = (frame["method"] == "paired").to_numpy()
    given = paired & ~np.isnan(numbers)
    outside = given & ((np.abs(numbers) > STRENGTH) | (numbers != np.round(numbers)))
    answer = frame["answer"]
    side = np.select([(answer == "a").to_numpy(), (answer == "b").to_numpy()], [1.0, -1.0], 0.0)
    against = given & (np.sign(numbers) != side)
    for broken, problem, remedy in (
        (outside, f"is not {what}", f"Write {what}: 3 much better in A, -3 much better in B"),
        (against, "is on another side than the answer", "Correct one of the two"),
    ):
        rows = np.flatnonzero(broken)
        if rows.size:
            row = int(rows[0])
            shown = f"{frame['strength'].iloc[row]!r} {problem}"
            raise faults.at(row, "strength", shown, remedy)
    return np.where(paired, numbers, np.nan)
