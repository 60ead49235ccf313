"""The stage table: cost, factors and measured figures of every stage, and which are made.

A *made stage* is an experiment made of measured stages: a region swap, a partial step, a copy set
to the target, an anchor. People can hear it and nobody can buy it. The column ``made`` says so; it
is the only thing that does. Tables without that column are read as they were before there was one:
stages with a factor ``region_...`` or ``dose`` are taken as made, and a note says it.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from analysis.tables.names import (
    did_you_mean,
    odd_columns,
    plain_text,
    refuse_alike,
    refuse_nothing,
)
from analysis.tables.prices import read_currency, read_hourly_rate
from analysis.tables.text_tables import (
    PARQUET,
    Faults,
    column_numbers,
    read_parquet,
    read_text_table,
)

__all__ = [
    "DOSE_FACTOR",
    "MADE_KINDS",
    "REGION_FACTOR",
    "StageTable",
    "read_stages",
    "stage_table",
]

#: Begins the factors of a region-swap experiment; no step to take.
REGION_FACTOR = "region_"
#: The factor of partial steps; no step to take.
DOSE_FACTOR = "dose"
#: What the column ``made`` may hold for a stage that is an experiment; ``yes`` where it is not
#: said which.
MADE_KINDS = ("region swap", "partial step", "corrected copy", "anchor", "yes")
_MEASURED = ("", "no")
_SAME = {"0": "no", "false": "no", "1": "yes", "true": "yes", "made": "yes"}
_COLUMNS = ("stage", "label", "made", "cost", "labour_h", "currency", "hourly_rate")
_PREFIXES = ("factor_", "metric_")
_REPEAT = "_repeat_sd"
_THOUSANDS = r"[1-9]\d{0,2}[.,]\d{3}"


@dataclass(frozen=True, slots=True)
class StageTable:
    """Checked stages, one row each.

    Attributes
    ----------
    frame : pandas.DataFrame
        ``stage``, ``label``, ``made`` (one of :data:`MADE_KINDS`, empty for a measured stage),
        ``cost`` (currency units, NaN unknown), ``labour_h`` (hours, NaN unknown; both NaN for
        made stages), text columns ``factor_<name>``, numbers ``metric_<name>`` and
        ``metric_<name>_repeat_sd``.
    source : str or None
        File name.
    notes : tuple of str
        What is odd and was read all the same, a plain line each.
    currency : str
        How money is written; "" where the table does not say.
    hourly_rate : float or None
        Money for an hour of labour, in the same currency; None where unknown.
    """

    frame: pd.DataFrame
    source: str | None
    notes: tuple[str, ...] = ()
    currency: str = ""
    hourly_rate: float | None = None

    @property
    def factors(self) -> tuple[str, ...]:
        """Names of the factors, those of experiments included."""
        return tuple(c[len("factor_") :] for c in self.frame.columns if c.startswith("factor_"))

    @property
    def step_factors(self) -> tuple[str, ...]:
        """Names of the factors that a step can change: those of experiments left out."""
        return tuple(name for name in self.factors if not _of_experiment(name))

    @property
    def metrics(self) -> tuple[str, ...]:
        """Names of the measured figures, repeat SDs left out."""
        return tuple(
            c[len("metric_") :]
            for c in self.frame.columns
            if c.startswith("metric_") and not c.endswith(_REPEAT)
        )

    @property
    def made(self) -> dict[str, str]:
        """The made stages, and what each is."""
        own = self.frame[self.frame["made"] != ""]
        return dict(zip(own["stage"], own["made"], strict=True))


def _of_experiment(factor: str) -> bool:
    return factor.startswith(REGION_FACTOR) or factor == DOSE_FACTOR


def read_stages(path: str | Path) -> StageTable:
    r"""Read and check a stage table.

    Parameters
    ----------
    path : str or pathlib.Path
        ``.csv`` or ``.parquet``, with the columns ``stage`` (required), ``label``, ``made``,
        ``cost``, ``labour_h``, ``currency``, ``hourly_rate``, ``factor_*``, ``metric_*`` and
        ``metric_*_repeat_sd``. An empty cost or time is unknown, not 0.

    Returns
    -------
    StageTable

    Raises
    ------
    InputError
        Missing column, empty or repeated stage, two stages that differ in capitals or spaces only,
        text where a number belongs, negative cost, an unknown word under ``made``, two currencies
        or hourly rates, an hourly rate without any hours.

    Examples
    --------
    >>> import tempfile
    >>> from pathlib import Path
    >>> from analysis import read_stages
    >>> table = Path(tempfile.mkdtemp(), "stages.csv")
    >>> _ = table.write_text("stage,cost,metric_deviation_sd_db\nas-built,0,5.1\ndamped,180,3.9")
    >>> read_stages(table).metrics
    ('deviation_sd_db',)
    """
    path = Path(path)
    if path.suffix.lower() in PARQUET:
        return _checked(read_parquet(path), Faults(str(path)), ".")
    frame, faults, decimal = read_text_table(path)
    return _checked(frame, faults, decimal)


def stage_table(frame: pd.DataFrame, *, source: str | None = None) -> StageTable:
    """Check stages that are already a data frame; as :func:`read_stages`."""
    return _checked(frame.reset_index(drop=True), Faults(source), ".")


def _checked(raw: pd.DataFrame, faults: Faults, decimal: str) -> StageTable:
    notes = odd_columns(raw, _COLUMNS, _PREFIXES, faults, name_all=True)
    if "stage" not in raw.columns:
        raise faults.table("column stage", "the column is missing", "Add a column with stage ids")
    if raw.empty:
        raise faults.table(None, "the table holds no stages", "Give one row a stage")
    frame = pd.DataFrame({"stage": _ids(raw, faults)})
    label = raw["label"] if "label" in raw.columns else frame["stage"]
    text = _text(label)
    frame["label"] = text.where(text != "", frame["stage"])
    frame["made"] = _made(raw, faults)
    for name in ("cost", "labour_h"):
        frame[name] = _amounts(raw, name, faults, decimal)
        notes += _odd_amounts(raw, name, faults, frame[name])
    for name in (str(column) for column in raw.columns):
        if name.startswith("factor_"):
            frame[name] = _text(raw[name])
        elif name.startswith("metric_"):
            frame[name] = _figures(raw, name, faults, decimal)
    notes += _mark_by_factors(frame) if "made" not in raw.columns else []
    notes += _unused_prices(frame)
    frame.loc[frame["made"] != "", ["cost", "labour_h"]] = np.nan
    hours = frame["labour_h"].to_numpy(dtype=float)
    return StageTable(
        frame=frame,
        source=faults.source,
        notes=tuple(notes),
        currency=read_currency(raw, faults),
        hourly_rate=read_hourly_rate(raw, hours, faults, decimal),
    )


def _text(values: pd.Series) -> pd.Series:
    """Return cells as stripped text, "" where empty; whole numbers without their ``.0``."""
    return pd.Series(["" if pd.isna(v) else plain_text(v).strip() for v in values], dtype="str")


def _ids(raw: pd.DataFrame, faults: Faults) -> pd.Series:
    ids = _text(raw["stage"])
    empty = np.flatnonzero((ids == "").to_numpy())
    if empty.size:
        raise faults.at(int(empty[0]), "stage", "the value is empty", "Write the stage id")
    refuse_nothing("stage", raw["stage"], faults, person=False)
    twice = np.flatnonzero(ids.duplicated().to_numpy())
    if twice.size:
        row = int(twice[0])
        name = ids.iloc[row]
        first = faults.place(int(np.flatnonzero((ids == name).to_numpy())[0]))
        problem = f"{name!r} occurs twice, first in {first}"
        raise faults.at(row, "stage", problem, "Keep one row a stage")
    refuse_alike({"stage": raw["stage"]}, "stage", faults)
    return ids


def _made(raw: pd.DataFrame, faults: Faults) -> pd.Series:
    """Return the kind of every made stage, "" for measured ones."""
    if "made" not in raw.columns:
        return pd.Series([""] * len(raw), dtype="str")
    words = (
        _text(raw["made"])
        .str.lower()
        .str.replace("-", " ", regex=False)
        .map(lambda word: _SAME.get(word, word))
    )
    known = words.isin((*MADE_KINDS, *_MEASURED)).to_numpy()
    if not known.all():
        row = int(np.flatnonzero(~known)[0])
        raise faults.at(
            row,
            "made",
            f"{raw['made'].iloc[row]!r} is not a kind of made stage",
            f"Leave it empty for a stage that was measured; for an experiment write one of: "
            f"{', '.join(MADE_KINDS)}",
        )
    return words.where(~words.isin(_MEASURED), "")


def _mark_by_factors(frame: pd.DataFrame) -> list[str]:
    """Mark the made stages of a table from before there was a column for it."""
    kinds: dict[str, list[str]] = {"region swap": [], "partial step": []}
    for column in frame.columns:
        factor = column.removeprefix("factor_")
        if column.startswith("factor_") and _of_experiment(factor):
            kinds["partial step" if factor == DOSE_FACTOR else "region swap"].append(column)
    for kind, columns in kinds.items():
        carries = (frame[columns] != "").any(axis=1) & (frame["made"] == "")
        frame.loc[carries, "made"] = kind
    marked = frame.loc[frame["made"] != "", "stage"].tolist()
    if not marked:
        return []
    return [
        f"there is no column 'made', so stages with a factor {REGION_FACTOR}... or {DOSE_FACTOR} "
        f"are taken as made, nothing to buy: {', '.join(marked)}; add the column to say otherwise"
    ]


def _unused_prices(frame: pd.DataFrame) -> list[str]:
    """Name made stages that have a price: nobody can buy them."""
    priced = (frame["made"] != "") & ((frame["cost"] > 0) | (frame["labour_h"] > 0))
    if not priced.any():
        return []
    names = ", ".join(frame.loc[priced, "stage"])
    return [f"made stages are nothing to buy, so cost and hours are not used of: {names}"]


def _figures(raw: pd.DataFrame, name: str, faults: Faults, decimal: str) -> np.ndarray:
    """Return a column of measured figures, or of their repeat SDs, which are not negative."""
    own = name.removeprefix("metric_").removesuffix(_REPEAT)
    if not own:
        raise faults.table(f"column {name}", "the figure has no name", "Write metric_NAME")
    if not name.endswith(_REPEAT):
        return column_numbers(raw[name], name=name, faults=faults, decimal=decimal)
    if f"metric_{own}" not in raw.columns:
        known = [c.removeprefix("metric_") for c in map(str, raw.columns) if c != name]
        raise faults.table(
            f"column {name}",
            f"it is the repeat SD of metric_{own}, which is not there",
            f"Add the column metric_{own}, or correct the name{did_you_mean(own, known)}",
        )
    return _not_negative(raw, name, faults, decimal)


def _amounts(raw: pd.DataFrame, name: str, faults: Faults, decimal: str) -> np.ndarray:
    if name not in raw.columns:
        return np.full(len(raw), np.nan)
    return _not_negative(raw, name, faults, decimal)


def _odd_amounts(raw: pd.DataFrame, name: str, faults: Faults, read: pd.Series) -> list[str]:
    """Name the first amount that may be thousands: 1.200 is one and a fifth here."""
    if name not in raw.columns or pd.api.types.is_numeric_dtype(raw[name]):
        return []
    text = _text(raw[name])
    rows = np.flatnonzero(text.str.fullmatch(_THOUSANDS).to_numpy(dtype=bool))
    if not rows.size:
        return []
    k = int(rows[0])
    return [
        f"{name} {text.iloc[k]!r} ({faults.place(k)}) was read as {read.iloc[k]:g}; if thousands "
        "are meant, write no separator"
    ]


def _not_negative(raw: pd.DataFrame, name: str, faults: Faults, decimal: str) -> np.ndarray:
    numbers = column_numbers(raw[name], name=name, faults=faults, decimal=decimal)
    negative = np.flatnonzero(numbers < 0)
    if negative.size:
        row = int(negative[0])
        raise faults.at(row, name, f"{numbers[row]:g} is negative", "Write 0 or more")
    return numbers
