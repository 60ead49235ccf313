"""The columns of the trial table, the words they may hold, and columns as categories."""

from __future__ import annotations

import numpy as np
import pandas as pd

from analysis.tables.names import plain_text

__all__ = [
    "ANSWERS",
    "CONTROLS",
    "FORCED_CHOICE",
    "GUESSING",
    "METHODS",
    "OPTIONAL",
    "REQUIRED",
    "SCALES",
    "STAGES_OF",
    "STAGE_COLUMNS",
    "STRENGTH",
    "TEXT",
    "label_codes",
    "labels",
]

#: Stages a method needs, beyond ``stage_a``.
STAGES_OF = {
    "abx": ("stage_a", "stage_b", "stage_x"),
    "duo-trio": ("stage_a", "stage_b", "stage_x"),
    "triangle": ("stage_a", "stage_b", "stage_c"),
    "same-different": ("stage_a", "stage_b"),
    "paired": ("stage_a", "stage_b"),
    "rating": ("stage_a",),
    "grading": ("stage_a", "stage_b", "stage_x"),
}
METHODS = tuple(STAGES_OF)
GUESSING = {"abx": 1 / 2, "duo-trio": 1 / 2, "triangle": 1 / 3, "same-different": 1 / 2}
"""Share of right answers by guessing evenly over the answers that a method offers."""
FORCED_CHOICE = tuple(GUESSING)
ANSWERS = {
    "abx": ("a", "b"),
    "duo-trio": ("a", "b"),
    "triangle": ("a", "b", "c"),
    "same-different": ("same", "different"),
    "paired": ("a", "b", "tie"),
}
CONTROLS = ("", "identical", "obvious")
REQUIRED = ("listener", "session", "trial", "method", "stage_a", "answer")
STAGE_COLUMNS = ("stage_a", "stage_b", "stage_c", "stage_x")
TEXT = ("listener", "session", "method", *STAGE_COLUMNS, "programme", "group", "output")
#: Methods whose answer is a number, with its least, its most, and what it is called.
SCALES = {
    "rating": (0.0, 100.0, "a number from 0 to 100", "a rating"),
    "grading": (-4.0, 4.0, "a number from -4 to 4", "a difference grade"),
}
#: Most of the graded strength of a preference.
STRENGTH = 3
#: Columns that are read where they are there; ``listened_..._s`` beside them.
OPTIONAL = (
    *("stage_b", "stage_c", "stage_x", "programme", "control", "group", "output", "simulated"),
    *("question", "repeat_of", "response_s", "switches", "level_residual_db", "underruns"),
    *("answered_at", "strength", "role", "position", "grade", "grade_reference", "excerpt"),
)


def labels(frame: pd.DataFrame, name: str) -> pd.Categorical[str]:
    """Return a column as categories of stripped text, "" where empty or absent."""
    if name not in frame.columns:
        return pd.Categorical.from_codes(
            np.zeros(len(frame), dtype=np.int8), categories=pd.Index([""])
        )
    codes, values = pd.factorize(frame[name], use_na_sentinel=True)
    texts = [plain_text(value).strip() for value in values] + [""]
    categories = sorted(set(texts))
    position = {text: k for k, text in enumerate(categories)}
    lookup = np.array([position[text] for text in texts], dtype=np.int32)
    return pd.Categorical.from_codes(lookup[codes], categories=pd.Index(categories))


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
