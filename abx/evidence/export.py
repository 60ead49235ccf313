"""The trial table: one row an answered trial, for our analysis and for anybody else's."""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from abx.errors import StillOpen, StoreError
from abx.methods import get_method
from abx.schedule.panel import Slot, make_slot, rehearsal_seed

if TYPE_CHECKING:
    from abx.store import LogRow, Store
    from abx.study.model import Study

__all__ = ["COLUMNS", "find_study_id", "safe_cell", "trial_rows", "write_table"]

COLUMNS = (
    "listener",
    "session",
    "trial",
    "method",
    "programme",
    "stage_a",
    "stage_b",
    "stage_c",
    "stage_x",
    "answer",
    "control",
    "question",
    "repeat_of",
    "response_s",
    "switches",
    "listened_a_s",
    "listened_b_s",
    "listened_c_s",
    "listened_x_s",
    "answered_at",
    "group",
    "output",
    "simulated",
)
"""Columns that are always there, in this order; methods may add more."""

_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")


def find_study_id(store: Store, study: Study) -> str:
    """Return the id of the newest opened version of a study file in a store.

    Raises
    ------
    StoreError
        If the study was never opened in this store.
    """
    found = []
    for study_id in store.studies():
        opened = store.row_by_key(study_id, "study-opened")
        if opened is not None and opened.content.get("study_sha256") == study.sha256:
            found.append((opened.at, study_id))
    if not found:
        raise StoreError(
            "This database holds no answers to this version of the study file. "
            "If the file was edited after the study was opened, restore it."
        )
    return max(found)[1]


def trial_rows(store: Store, study: Study, *, simulated: bool | None = None) -> pd.DataFrame:
    """Return the trial table of a study.

    Parameters
    ----------
    store : Store
        Open store.
    study : Study
        The study file as it was opened.
    simulated : bool, optional
        Only simulated or only real listeners; both when omitted.

    Returns
    -------
    DataFrame
        Columns :data:`COLUMNS`. ``trial`` counts the rows of a sitting from 1 (a rating gives a
        row for each stimulus), ``question`` is the number in the schedule, where practice counts
        as well; practice itself is left out. ``repeat_of`` is the ``trial`` that a row repeats,
        ``simulated`` is 0 or 1. Where anybody listened in the booth there is one more,
        ``underruns``: how often the sound stuttered in the trial, missing for other players.

    Raises
    ------
    StillOpen
        If answers of people are asked for before the study is closed.
    StoreError
        If the study was never opened in this store.
    """
    study_id = find_study_id(store, study)
    sittings = {
        row.session: row.content
        for row in store.rows(study_id, kind="session-begun")
        if row.body is not None and simulated in (None, row.content["simulated"])
    }
    if store.row_by_key(study_id, "study-closed") is None and any(
        not sitting["simulated"] for sitting in sittings.values()
    ):
        raise StillOpen(
            "The study is still open. Answers of people can be seen once it is closed, "
            "so that nobody steers it by its totals; close it with 'earwitness close'."
        )
    _settle_groups(sittings)
    slots = _Slots(store, study, study_id)
    underruns = _underruns(store, study_id)
    rows: list[dict[str, Any]] = []
    for row in store.rows(study_id, kind="answer"):
        if row.session in sittings and row.body is not None:
            found = _rows_of_answer(row, sittings[row.session], slots)
            marked = underruns.get((row.session, row.content["number"]))
            rows += found if marked is None else [one | {"underruns": marked} for one in found]
    return _as_frame(rows)


def _underruns(store: Store, study_id: str) -> dict[tuple[str, int], int]:
    """Sum the booth's under-runs by sitting and number of the question in the schedule."""
    found: Counter[tuple[str, int]] = Counter()
    for row in store.rows(study_id, kind="playback-note"):
        if row.body is not None:
            found[row.session, row.content["trial"]] += row.content["underruns"]
    return dict(found)


def _settle_groups(sittings: dict[str, dict[str, Any]]) -> None:
    """Give every sitting of a listener the group that they chose first."""
    chosen: dict[str, str] = {}
    for sitting in sittings.values():
        if sitting.get("group"):
            chosen.setdefault(sitting["listener"], sitting["group"])
    for sitting in sittings.values():
        sitting["group"] = chosen.get(sitting["listener"], "")


def write_table(frame: pd.DataFrame, path: str | Path) -> Path:
    """Write a table as CSV or, for ``.parquet``, as Parquet.

    Cells of CSV that a spreadsheet would take for a formula get a leading apostrophe.
    """
    path = Path(path)
    if path.suffix == ".parquet":
        plain = frame
        if "answer" in frame and len(set(frame["answer"].map(type))) > 1:
            # Ratings answer in numbers, other methods in letters: one column, one type.
            plain = frame.assign(answer=frame["answer"].map(str))
        plain.to_parquet(path, index=False)
        return path
    safe = frame.copy()
    for column in safe.columns:
        if not pd.api.types.is_numeric_dtype(safe[column]):
            safe[column] = safe[column].map(safe_cell)
    safe.to_csv(path, index=False, lineterminator="\n")
    return path


def safe_cell(value: object) -> object:
    """Return text that no spreadsheet runs as a formula; numbers pass unchanged."""
    if isinstance(value, str) and value.startswith(_FORMULA_STARTS):
        return "'" + value
    return value


class _Slots:
    """The slots of a study, each made once."""

    def __init__(self, store: Store, study: Study, study_id: str) -> None:
        vault = store.vault(study_id)
        if vault is None:
            raise StoreError("The database has lost the seed of this study's schedule.")
        self._study = study
        self._seeds = {False: vault.seed, True: rehearsal_seed(vault.seed)}
        self._made: dict[tuple[int, bool], Slot] = {}

    def get(self, index: int, simulated: bool) -> Slot:
        key = (index, simulated)
        if key not in self._made:
            self._made[key] = make_slot(self._study, self._seeds[simulated], index)
        return self._made[key]


def _rows_of_answer(row: LogRow, sitting: dict[str, Any], slots: _Slots) -> list[dict[str, Any]]:
    body = row.content
    if body["phase"] != "test":
        return []
    trial = slots.get(sitting["slot"], sitting["simulated"]).trials[body["number"] - 1]
    common = {
        "listener": sitting["listener"],
        "session": row.session,
        "question": trial.number,
        "method": trial.method,
        "programme": trial.programme,
        "control": trial.control,
        "repeat_of": trial.repeat_of,
        "response_s": body["response_s"],
        "switches": body["switches"],
        "answered_at": row.at,
        "group": sitting["group"],
        "output": sitting["output"],
        "simulated": int(sitting["simulated"]),
    }
    method = get_method(trial.method)
    return [common | extra for extra in method.rows(trial, body["answer"], body["listened_s"])]


def _number(rows: list[dict[str, Any]]) -> None:
    """Count each sitting's rows, and let repeats refer to that count."""
    counted: Counter[str] = Counter()
    first_row: dict[tuple[str, int], int] = {}
    for row in rows:
        session = row["session"]
        counted[session] += 1
        row["trial"] = counted[session]
        first_row.setdefault((session, row["question"]), row["trial"])
        if row["repeat_of"] is not None:
            row["repeat_of"] = first_row[session, row["repeat_of"]]


def _as_frame(rows: list[dict[str, Any]]) -> pd.DataFrame:
    extra = sorted({name for row in rows for name in row} - set(COLUMNS))
    _number(rows)
    frame = pd.DataFrame(rows, columns=[*COLUMNS, *extra])
    for column in (*("stage_a", "stage_b", "stage_c", "stage_x"), "control", "group", "output"):
        frame[column] = frame[column].astype(object).fillna("").astype(str)
    for column in ("trial", "question", "simulated"):
        frame[column] = frame[column].astype("int64")
    for column in {"repeat_of", "switches", "underruns"}.intersection(frame.columns):
        frame[column] = frame[column].astype("Int64")
    return frame
