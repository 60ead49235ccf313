"""The trial table: one row an answered trial, whoever gathered it.

Columns, in the file and in :attr:`TrialTable.frame`:

===================  ==========================================================================
listener             pseudonym
session              sitting
trial                order within the sitting, whole number from 1
method               abx, duo-trio, triangle, same-different, paired, rating, grading
programme            programme id; may be empty or absent
stage_a, _b, _c      stages by presented position (triangle three, rating only ``stage_a``)
stage_x              abx: what X was; duo-trio: the reference; same-different: may name the other
                     stage of the pair when both positions hold the same stage
answer               abx, duo-trio ``a``/``b``; triangle ``a``/``b``/``c`` (the odd one);
                     same-different ``same``/``different``; paired ``a``/``b``/``tie``;
                     rating 0 to 100; grading the grade of the stage less that of the hidden
                     reference, -4 to 4
control              empty, ``identical`` or ``obvious``
group                optional: the listener's group, the same in all rows of a listener
output               optional: what was listened with, ``headphones`` or so
simulated            optional, 0 or 1
response_s ...       optional numbers: response_s, switches, listened_*_s, level_residual_db
underruns            optional: how often the sound stuttered in this trial, empty where the player
                     did not count
===================  ==========================================================================

Anything else is kept untouched.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from analysis.errors import InputError
from analysis.tables import Faults, column_numbers, read_text_table

__all__ = [
    "ANSWERS",
    "CONTROLS",
    "FORCED_CHOICE",
    "METHODS",
    "TrialTable",
    "label_codes",
    "read_trials",
    "trial_table",
]

#: Stages a method needs, beyond ``stage_a``.
_STAGES = {
    "abx": ("stage_a", "stage_b", "stage_x"),
    "duo-trio": ("stage_a", "stage_b", "stage_x"),
    "triangle": ("stage_a", "stage_b", "stage_c"),
    "same-different": ("stage_a", "stage_b"),
    "paired": ("stage_a", "stage_b"),
    "rating": ("stage_a",),
    "grading": ("stage_a", "stage_b", "stage_x"),
}
METHODS = tuple(_STAGES)
FORCED_CHOICE = ("abx", "duo-trio", "triangle", "same-different")
ANSWERS = {
    "abx": ("a", "b"),
    "duo-trio": ("a", "b"),
    "triangle": ("a", "b", "c"),
    "same-different": ("same", "different"),
    "paired": ("a", "b", "tie"),
}
CONTROLS = ("", "identical", "obvious")
_REQUIRED = ("listener", "session", "trial", "method", "stage_a", "answer")
_STAGE_TEXT = ("stage_a", "stage_b", "stage_c", "stage_x")
_TEXT = ("listener", "session", "method", *_STAGE_TEXT, "programme", "group", "output")
#: Methods whose answer is a number, with its least, its most, and what it is called.
_SCALES = {
    "rating": (0.0, 100.0, "a number from 0 to 100", "a rating"),
    "grading": (-4.0, 4.0, "a number from -4 to 4", "a difference grade"),
}
_STRENGTH = 3
_NUMBERS = ("response_s", "switches", "level_residual_db")
_COUNTS = ("underruns",)


@dataclass(frozen=True, slots=True)
class TrialTable:
    """Checked trials.

    Attributes
    ----------
    frame : pandas.DataFrame
        One row a trial, in file order. Text columns are categorical with "" for empty cells;
        ``trial`` is an integer; ``rating`` holds the numeric answers of rating trials (0-100) and
        of grading trials (difference grades) and NaN elsewhere; ``correct`` is 1.0, 0.0 or NaN
        where a trial has no right answer.
    simulated : bool
        True when any row says so.
    source : str or None
        File name.
    """

    frame: pd.DataFrame
    simulated: bool
    source: str | None

    @property
    def n_trials(self) -> int:
        """Rows in the table, controls included."""
        return len(self.frame)

    @property
    def n_listeners(self) -> int:
        """Distinct listeners."""
        return int(self.frame["listener"].nunique())

    @property
    def groups(self) -> dict[str, int]:
        """Listeners by group, in sorted order; empty where no groups were noted."""
        known = self.frame.loc[self.frame["group"] != ""]
        counts = known.drop_duplicates("listener")["group"].astype(str).value_counts()
        return {str(name): int(n) for name, n in counts.sort_index().items()}

    def among(self, group: str) -> TrialTable | None:
        """Return the trials of one group of listeners; None where nobody is in it."""
        return self.keeping(self.frame["group"] == group)

    def keeping(self, rows: pd.Series) -> TrialTable | None:
        """Return some of the trials, without categories that are gone; None without rows."""
        kept = self.frame.loc[rows].reset_index(drop=True)
        if kept.empty:
            return None
        for name in _TEXT:
            kept[name] = kept[name].cat.remove_unused_categories()
        return TrialTable(kept, self.simulated, self.source)

    def of(self, *methods: str, controls: bool = False) -> pd.DataFrame:
        """Return the trials of some methods; control trials only when asked for."""
        keep = self.frame["method"].isin(methods)
        if not controls:
            keep &= self.frame["control"] == ""
        return self.frame.loc[keep]


def read_trials(path: str | Path) -> TrialTable:
    """Read and check a trial table.

    Parameters
    ----------
    path : str or pathlib.Path
        ``.csv`` (UTF-8; comma, semicolon or tab separated) or ``.parquet``.

    Returns
    -------
    TrialTable

    Raises
    ------
    InputError
        Anything that keeps the table from being analysed; names file, line, column and value.
    """
    path = Path(path)
    if path.suffix.lower() in {".parquet", ".pq"}:
        return _checked(_read_parquet(path), Faults(str(path)), ".")
    frame, faults, decimal = read_text_table(path)
    return _checked(frame, faults, decimal)


def trial_table(frame: pd.DataFrame, *, source: str | None = None) -> TrialTable:
    """Check trials that are already a data frame.

    Parameters
    ----------
    frame : pandas.DataFrame
        Columns as described in the module; not changed.
    source : str, optional
        Named in errors, whose rows count from 1.

    Returns
    -------
    TrialTable

    Raises
    ------
    InputError
        As :func:`read_trials`.
    """
    return _checked(frame.reset_index(drop=True), Faults(source), ".")


def _read_parquet(path: Path) -> pd.DataFrame:
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
            remedy="Write it again, or give the trials as CSV",
        ) from None


def _checked(raw: pd.DataFrame, faults: Faults, decimal: str) -> TrialTable:
    frame = raw.copy(deep=False)
    _check_columns(frame, faults)
    for name in _TEXT:
        frame[name] = _labels(frame, name)
    frame["control"] = _labels(frame, "control")
    _check_filled(frame, faults)
    _check_known(frame, "method", METHODS, faults)
    _check_known(frame, "control", CONTROLS, faults)
    frame["trial"] = _trial_numbers(frame["trial"], faults, decimal)
    _check_stages(frame, faults)
    frame["rating"], frame["answer"] = _answers(frame, faults, decimal)
    _check_unique(frame, faults)
    _check_group(frame, faults)
    _check_sense(frame, faults)
    frame["correct"] = _correct(frame)
    simulated = _simulated(frame, faults, decimal)
    for name in frame.columns:
        listened = str(name).startswith("listened_") and str(name).endswith("_s")
        if name in _NUMBERS or listened:
            frame[name] = column_numbers(frame[name], name=name, faults=faults, decimal=decimal)
        elif name == "strength":
            frame[name] = _check_strength(frame, faults, decimal)
        elif name in _COUNTS:
            frame[name] = _counts(frame[name], str(name), faults, decimal)
    return TrialTable(frame=frame, simulated=simulated, source=faults.source)


def _check_columns(frame: pd.DataFrame, faults: Faults) -> None:
    missing = [name for name in _REQUIRED if name not in frame.columns]
    if missing:
        have = ", ".join(str(name) for name in frame.columns) or "none"
        raise faults.table(
            f"column {missing[0]}",
            f"the column is missing (the table has: {have})",
            f"Add the column; a trial table needs {', '.join(_REQUIRED)}",
        )
    if frame.empty:
        raise faults.table(None, "the table holds no trials", "Give at least one answered trial")


def _labels(frame: pd.DataFrame, name: str) -> pd.Categorical[str]:
    """Return a column as categories of stripped text, "" where empty or absent."""
    if name not in frame.columns:
        return pd.Categorical.from_codes(
            np.zeros(len(frame), dtype=np.int8), categories=pd.Index([""])
        )
    codes, values = pd.factorize(frame[name], use_na_sentinel=True)
    texts = [_text(value) for value in values] + [""]
    categories = sorted(set(texts))
    position = {text: k for k, text in enumerate(categories)}
    lookup = np.array([position[text] for text in texts], dtype=np.int32)
    return pd.Categorical.from_codes(lookup[codes], categories=pd.Index(categories))


def _text(value: object) -> str:
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    return str(value).strip()


def _check_filled(frame: pd.DataFrame, faults: Faults) -> None:
    for name in ("listener", "session", "method", "stage_a"):
        empty = np.flatnonzero((frame[name] == "").to_numpy())
        if empty.size:
            raise faults.at(
                int(empty[0]), name, "the value is empty", "Fill it in or leave the row out"
            )


def _check_known(frame: pd.DataFrame, name: str, allowed: tuple[str, ...], faults: Faults) -> None:
    unknown = set(frame[name].cat.categories) - set(allowed)
    rows = np.flatnonzero(frame[name].isin(unknown).to_numpy()) if unknown else np.array([], int)
    if rows.size:
        row = int(rows[0])
        choices = ", ".join(value or "empty" for value in allowed)
        raise faults.at(
            row, name, f"{frame[name].iloc[row]!r} is not a known {name}", f"Use one of: {choices}"
        )


_MOST_TRIALS = 1_000_000_000
"""More is no order within a sitting but a slip, for instance two columns run together."""


def _trial_numbers(values: pd.Series, faults: Faults, decimal: str) -> np.ndarray:
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


def _counts(values: pd.Series, name: str, faults: Faults, decimal: str) -> np.ndarray:
    """Return whole numbers from 0, NaN where empty."""
    what = "a whole number from 0"
    numbers = column_numbers(values, name=name, faults=faults, decimal=decimal, what=what)
    bad = np.flatnonzero((numbers < 0) | (numbers != np.floor(numbers)) & ~np.isnan(numbers))
    if bad.size:
        row = int(bad[0])
        raise faults.at(
            row, name, f"{values.iloc[row]!r} is not {what}", f"Write {what}, or leave it empty"
        )
    return numbers


def _check_stages(frame: pd.DataFrame, faults: Faults) -> None:
    for method in METHODS:
        rows = (frame["method"] == method).to_numpy()
        if not rows.any():
            continue
        for name in _STAGES[method]:
            empty = np.flatnonzero(rows & (frame[name] == "").to_numpy())
            if empty.size:
                raise faults.at(
                    int(empty[0]),
                    name,
                    f"a trial of method {method} needs a stage here and the value is empty",
                    f"Fill in {', '.join(_STAGES[method])}",
                )


def _answers(
    frame: pd.DataFrame, faults: Faults, decimal: str
) -> tuple[np.ndarray, pd.Categorical[str]]:
    """Return numbers (NaN elsewhere) and the categorical answers ("" where it is a number)."""
    ratings = np.full(len(frame), np.nan)
    for method in _SCALES:
        rows = (frame["method"] == method).to_numpy()
        if rows.any():
            ratings[rows] = _rating_values(frame, rows, method, faults, decimal)
    rated = frame["method"].isin(_SCALES).to_numpy()
    chosen = pd.DataFrame({"answer": frame["answer"].where(~rated)})
    labels = _labels(chosen, "answer")
    names = np.asarray(labels.categories, dtype=object)
    for method, allowed in ANSWERS.items():
        rows = (frame["method"] == method).to_numpy()
        known = np.array([name in allowed for name in names])
        bad = np.flatnonzero(rows & ~known[labels.codes])
        if bad.size:
            row = int(bad[0])
            value = names[labels.codes[row]]
            problem = f"{value!r} is not an answer of method {method}" if value else "is empty"
            raise faults.at(
                row,
                "answer",
                problem if value else "the value is empty",
                f"Use one of: {', '.join(allowed)}",
            )
    return ratings, labels


def _rating_values(
    frame: pd.DataFrame, rated: np.ndarray, method: str, faults: Faults, decimal: str
) -> np.ndarray:
    least, most, what, name = _SCALES[method]
    answers = frame["answer"].where(rated)
    numbers = column_numbers(answers, name="answer", faults=faults, decimal=decimal, what=what)
    bad = np.flatnonzero(rated & ~((numbers >= least) & (numbers <= most)))
    if bad.size:
        row = int(bad[0])
        empty = np.isnan(numbers[row])
        problem = "the value is empty" if empty else f"{answers.iloc[row]!r} is not {what}"
        raise faults.at(row, "answer", problem, f"Write {what} for {name}")
    return numbers[rated]


def _check_unique(frame: pd.DataFrame, faults: Faults) -> None:
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


def _check_group(frame: pd.DataFrame, faults: Faults) -> None:
    """Refuse a listener who is in two groups, or in one only now and then."""
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


def label_codes(frame: pd.DataFrame, *names: str) -> tuple[list[str], list[np.ndarray]]:
    """Return categorical columns as integers over one common list of labels.

    Parameters
    ----------
    frame : pandas.DataFrame
        Checked trials.
    *names : str
        Categorical columns.

    Returns
    -------
    labels : list of str
        Sorted, so that integers compare as the labels do.
    codes : list of numpy.ndarray of int
        One per column.
    """
    used: set[str] = set()
    for name in names:
        used |= set(frame[name].cat.categories)
    labels = sorted(used)
    position = {label: k for k, label in enumerate(labels)}
    result = []
    for name in names:
        column = frame[name].cat
        lookup = np.array([position[label] for label in column.categories], dtype=np.int64)
        result.append(lookup[column.codes.to_numpy()])
    return labels, result


def _check_sense(frame: pd.DataFrame, faults: Faults) -> None:
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


def _correct(frame: pd.DataFrame) -> np.ndarray:
    _, (a, b, c, x) = label_codes(frame, "stage_a", "stage_b", "stage_c", "stage_x")
    method = {name: (frame["method"] == name).to_numpy() for name in FORCED_CHOICE}
    answer = frame["answer"]
    is_a, is_b = (answer == "a").to_numpy(), (answer == "b").to_numpy()
    correct = np.full(len(frame), np.nan)
    two = (method["abx"] | method["duo-trio"]) & (a != b)
    correct[two] = np.where(x == a, is_a, is_b)[two]
    triangle = method["triangle"] & ~((a == b) & (b == c))
    right = np.where(b == c, is_a, np.where(a == c, is_b, (answer == "c").to_numpy()))
    correct[triangle] = right[triangle]
    said_same = (answer == "same").to_numpy()
    correct[method["same-different"]] = (said_same == (a == b))[method["same-different"]]
    # A grade below the hidden reference's tells which was which; a draw does not.
    graded = (frame["method"] == "grading").to_numpy() & (a != b)
    correct[graded] = (frame["rating"].to_numpy() < 0)[graded]
    return correct


def _check_strength(frame: pd.DataFrame, faults: Faults, decimal: str) -> np.ndarray:
    """Return the graded strength of paired answers, which must agree with the answer's side."""
    what = f"a whole number from -{_STRENGTH} to {_STRENGTH}"
    numbers = column_numbers(
        frame["strength"], name="strength", faults=faults, decimal=decimal, what=what
    )
    paired = (frame["method"] == "paired").to_numpy()
    given = paired & ~np.isnan(numbers)
    outside = given & ((np.abs(numbers) > _STRENGTH) | (numbers != np.round(numbers)))
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


def _simulated(frame: pd.DataFrame, faults: Faults, decimal: str) -> bool:
    if "simulated" not in frame.columns:
        return False
    column = frame["simulated"]
    if pd.api.types.is_bool_dtype(column):
        return bool(column.any())
    flags = column_numbers(column, name="simulated", faults=faults, decimal=decimal, what="0 or 1")
    bad = np.flatnonzero(~np.isin(flags, (0.0, 1.0)) & ~np.isnan(flags))
    if bad.size:
        row = int(bad[0])
        raise faults.at(
            row, "simulated", f"{column.iloc[row]!r} is not 0 or 1", "Write 0 or 1, or leave empty"
        )
    return bool((flags == 1.0).any())
