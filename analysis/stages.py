"""The stage table: cost, factors and measured figures of every stage."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from analysis.tables import Faults, column_numbers, read_text_table

__all__ = ["StageTable", "read_stages", "stage_table"]


@dataclass(frozen=True, slots=True)
class StageTable:
    """Checked stages, one row each.

    Attributes
    ----------
    frame : pandas.DataFrame
        ``stage``, ``label``, ``cost`` (currency units, NaN unknown), ``labour_h`` (hours, NaN
        unknown), text columns ``factor_<name>``, numbers ``metric_<name>`` and
        ``metric_<name>_repeat_sd``.
    source : str or None
        File name.
    """

    frame: pd.DataFrame
    source: str | None

    @property
    def factors(self) -> tuple[str, ...]:
        """Names of the factors."""
        return tuple(c[len("factor_") :] for c in self.frame.columns if c.startswith("factor_"))

    @property
    def metrics(self) -> tuple[str, ...]:
        """Names of the measured figures, repeat SDs left out."""
        return tuple(
            c[len("metric_") :]
            for c in self.frame.columns
            if c.startswith("metric_") and not c.endswith("_repeat_sd")
        )


def read_stages(path: str | Path) -> StageTable:
    """Read and check a stage table (CSV).

    Parameters
    ----------
    path : str or pathlib.Path
        Columns ``stage`` (required), ``label``, ``cost``, ``labour_h``, ``factor_*``,
        ``metric_*`` and ``metric_*_repeat_sd``.

    Returns
    -------
    StageTable

    Raises
    ------
    InputError
        Missing column, empty or repeated stage, text where a number belongs, negative cost.
    """
    frame, faults, decimal = read_text_table(Path(path))
    return _checked(frame, faults, decimal)


def stage_table(frame: pd.DataFrame, *, source: str | None = None) -> StageTable:
    """Check stages that are already a data frame; as :func:`read_stages`."""
    return _checked(frame.reset_index(drop=True), Faults(source), ".")


def _checked(raw: pd.DataFrame, faults: Faults, decimal: str) -> StageTable:
    if "stage" not in raw.columns:
        raise faults.table("column stage", "the column is missing", "Add a column with stage ids")
    if raw.empty:
        raise faults.table(None, "the table holds no stages", "Give one row a stage")
    frame = pd.DataFrame({"stage": raw["stage"].fillna("").astype(str).str.strip()})
    empty = np.flatnonzero((frame["stage"] == "").to_numpy())
    if empty.size:
        raise faults.at(int(empty[0]), "stage", "the value is empty", "Write the stage id")
    twice = np.flatnonzero(frame["stage"].duplicated().to_numpy())
    if twice.size:
        row = int(twice[0])
        name = frame["stage"].iloc[row]
        raise faults.at(row, "stage", f"{name!r} occurs twice", "Keep one row a stage")
    label = raw["label"] if "label" in raw.columns else frame["stage"]
    text = label.fillna("").astype(str).str.strip()
    frame["label"] = text.where(text != "", frame["stage"])
    for name in ("cost", "labour_h"):
        frame[name] = _amounts(raw, name, faults, decimal)
    for name in (str(column) for column in raw.columns):
        if name.startswith("factor_"):
            frame[name] = raw[name].fillna("").astype(str).str.strip()
        elif name.startswith("metric_"):
            frame[name] = column_numbers(raw[name], name=name, faults=faults, decimal=decimal)
    return StageTable(frame=frame, source=faults.source)


def _amounts(raw: pd.DataFrame, name: str, faults: Faults, decimal: str) -> np.ndarray:
    if name not in raw.columns:
        return np.full(len(raw), np.nan)
    numbers = column_numbers(raw[name], name=name, faults=faults, decimal=decimal)
    negative = np.flatnonzero(numbers < 0)
    if negative.size:
        row = int(negative[0])
        raise faults.at(row, name, f"{numbers[row]:g} is negative", "Write 0 or more")
    return numbers
