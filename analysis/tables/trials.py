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

from analysis.tables.names import odd_columns
from analysis.tables.text_tables import PARQUET, Faults, read_parquet, read_text_table
from analysis.tables.trial_checks import (
    check_columns,
    check_filled,
    check_group,
    check_known,
    check_names,
    check_sense,
    check_stages,
    check_unique,
    read_answers,
    trial_numbers,
)
from analysis.tables.trial_columns import (
    ANSWERS,
    CONTROLS,
    FORCED_CHOICE,
    METHODS,
    OPTIONAL,
    REQUIRED,
    TEXT,
    label_codes,
    labels,
)
from analysis.tables.trial_extras import odd_rows, read_extras, simulated_rows

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
    notes : tuple of str
        What is odd and was read all the same, a plain line each.
    """

    frame: pd.DataFrame
    simulated: bool
    source: str | None
    notes: tuple[str, ...] = ()

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
        for name in TEXT:
            kept[name] = kept[name].cat.remove_unused_categories()
        return TrialTable(kept, self.simulated, self.source, self.notes)

    def of(self, *methods: str, controls: bool = False) -> pd.DataFrame:
        """Return the trials of some methods; control trials only when asked for."""
        keep = self.frame["method"].isin(methods)
        if not controls:
            keep &= self.frame["control"] == ""
        return self.frame.loc[keep]


def read_trials(path: str | Path) -> TrialTable:
    r"""Read and check a trial table.

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

    Examples
    --------
    >>> import tempfile
    >>> from pathlib import Path
    >>> from analysis import read_trials
    >>> table = Path(tempfile.mkdtemp(), "trials.csv")
    >>> lines = [
    ...     "listener,session,trial,method,stage_a,stage_b,answer",
    ...     "Ada,1,1,paired,damped,as-built,a",
    ...     "Ada,1,2,paired,as-built,damped,b",
    ... ]
    >>> _ = table.write_text("\n".join(lines))
    >>> trials = read_trials(table)
    >>> trials.n_trials, trials.n_listeners
    (2, 1)
    """
    path = Path(path)
    if path.suffix.lower() in PARQUET:
        return _checked(read_parquet(path), Faults(str(path)), ".")
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


def _checked(raw: pd.DataFrame, faults: Faults, decimal: str) -> TrialTable:
    frame = raw.copy(deep=False)
    notes = odd_columns(frame, (*REQUIRED, *OPTIONAL), ("listened_",), faults)
    check_columns(frame, faults)
    check_names(frame, faults)
    for name in TEXT:
        frame[name] = labels(frame, name)
    frame["control"] = labels(frame, "control")
    check_filled(frame, faults)
    check_known(frame, "method", METHODS, faults)
    check_known(frame, "control", CONTROLS, faults)
    frame["trial"] = trial_numbers(frame["trial"], faults, decimal)
    check_stages(frame, faults)
    frame["rating"], frame["answer"] = read_answers(frame, faults, decimal)
    check_unique(frame, faults)
    check_group(frame, faults)
    check_sense(frame, faults)
    frame["correct"] = _correct(frame)
    simulated = simulated_rows(frame, faults, decimal)
    read_extras(frame, faults, decimal)
    notes += odd_rows(frame, simulated, faults)
    return TrialTable(frame, bool(simulated.any()), faults.source, tuple(notes))


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
