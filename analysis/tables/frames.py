"""A data frame of somebody's own becomes a trial table: the least columns, the rest filled in."""

from __future__ import annotations

import numpy as np
import pandas as pd

from analysis.tables.names import did_you_mean, plain_text
from analysis.tables.trial_columns import ANSWERS, METHODS, STAGES_OF
from analysis.tables.trials import TrialTable, trial_table
from stimuli.files.errors import InputError

__all__ = ["trials_from"]


def trials_from(
    frame: pd.DataFrame, *, method: str = "paired", source: str | None = None
) -> TrialTable:
    """Make a trial table of a data frame with the least columns, and check it.

    Parameters
    ----------
    frame : pandas.DataFrame
        One row an answered trial; not changed. Needed are ``listener``, the stages that the method
        presents (``stage_a`` and ``stage_b`` for paired preference, by the place in which they
        stood) and ``answer``: ``"a"``, ``"b"`` or ``"tie"``, or the name of the preferred stage.
        Where ``method`` is not a column, all rows are of one method; without ``session`` each
        listener came once; without ``trial`` the rows of a sitting are in the order in which they
        were answered. Other columns of the trial table are read, further ones are kept.
    method : str, optional
        Method of all rows where the frame has no such column: ``"paired"``, ``"abx"``,
        ``"duo-trio"``, ``"triangle"``, ``"same-different"``, ``"rating"`` or ``"grading"``.
    source : str, optional
        Name of the data for error messages, whose rows count from 1.

    Returns
    -------
    TrialTable
        Ready for :func:`analysis.run.analyse`.

    Raises
    ------
    InputError
        A column is missing, a value cannot be used, or an answer can be read in two ways; says
        which and what to do. Also everything that :func:`analysis.tables.trials.read_trials`
        refuses.

    Notes
    -----
    ``stage_a`` must be what stood in the first place. Where the same stage stands there in every
    row, a liking and a habit of place cannot be told apart, and claims stay undecided.

    Examples
    --------
    >>> import pandas as pd
    >>> from analysis import trials_from
    >>> answers = pd.DataFrame(
    ...     {
    ...         "listener": ["Ada", "Ada", "Ben", "Ben"],
    ...         "stage_a": ["damped", "as-built", "damped", "as-built"],
    ...         "stage_b": ["as-built", "damped", "as-built", "damped"],
    ...         "answer": ["damped", "damped", "damped", "tie"],
    ...     }
    ... )
    >>> trials = trials_from(answers)
    >>> trials.n_trials, trials.n_listeners
    (4, 2)
    >>> trials.frame["trial"].tolist(), trials.frame["answer"].tolist()
    ([1, 2, 1, 2], ['a', 'b', 'a', 'tie'])
    """
    if not isinstance(frame, pd.DataFrame):
        raise InputError(
            source=source,
            problem=f"a {type(frame).__name__} is not a pandas.DataFrame",
            remedy="Make one with pandas.DataFrame(...), or read a file with read_trials",
        )
    if method not in METHODS:
        raise InputError(
            source=source,
            where="method",
            problem=f"{method!r} is not a known method",
            remedy=f"Use one of: {', '.join(METHODS)}{did_you_mean(method, METHODS)}",
        )
    _check_least(frame, method, source)
    filled = frame.reset_index(drop=True)
    if "method" not in filled:
        filled["method"] = method
    if "session" not in filled:
        filled["session"] = "1"
    if "trial" not in filled:
        sitting = filled.groupby(["listener", "session"], sort=False, dropna=False)
        filled["trial"] = sitting.cumcount() + 1
    filled["answer"] = _by_place(filled, source)
    return trial_table(filled, source=source)


def _check_least(frame: pd.DataFrame, method: str, source: str | None) -> None:
    """Refuse a frame without the columns that nothing can stand in for."""
    stages = ("stage_a",) if "method" in frame else STAGES_OF[method]
    needed = ("listener", *stages, "answer")
    missing = [name for name in needed if name not in frame]
    if not missing:
        return
    have = [str(name) for name in frame.columns]
    spare = [name for name in have if name not in needed]
    raise InputError(
        source=source,
        where=f"column {missing[0]}",
        problem=f"the column is missing (the frame has: {', '.join(have) or 'none'})",
        remedy=f"trials_from needs the columns {', '.join(needed)}: add what is missing, or name "
        f"your own with frame.rename(columns={{'yours': '{missing[0]}'}})"
        f"{did_you_mean(missing[0], spare)}",
    )


def _by_place(frame: pd.DataFrame, source: str | None) -> pd.Series:
    """Return the answers, with the place of the preferred stage where its name was written."""
    answer = frame["answer"]
    rows = (frame["method"] == "paired").to_numpy()
    if not rows.any() or "stage_b" not in frame:
        return answer
    said, first, second = (
        frame[name].astype(object).map(plain_text).str.strip()
        for name in ("answer", "stage_a", "stage_b")
    )
    places = said.isin(ANSWERS["paired"]).to_numpy()
    named = np.select([said == first, said == second], ["a", "b"], "")
    named[~rows | (first == second).to_numpy()] = ""
    unlike = np.flatnonzero(places & (named != "") & (named != said.to_numpy()))
    if unlike.size:
        row = int(unlike[0])
        raise InputError(
            source=source,
            where=f"row {row + 1}, column answer",
            problem=f"{said[row]!r} is both a place and the name of the stage in place "
            f"{named[row]}",
            remedy="Rename the stages, so that 'a', 'b' and 'tie' can only mean the places",
        )
    return answer.astype(object).where(named == "", pd.Series(named, index=frame.index))
