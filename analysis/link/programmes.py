"""The link programme by programme: what a stage does to one excerpt, and how it is liked there.

A stage is still the unit. The same stages under three programmes are not three times as many
stages, so the one test here shuffles the stages of all programmes together. No plan names a figure
of the programme table: all are exploratory, and their p-values are adjusted together. The primary
metric of a sealed plan, over the whole study, is what :mod:`analysis.link.block` tests. Made stages
do not count.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from math import factorial
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from analysis.link.permutation import (
    EXACT_STAGES,
    SAMPLES,
    order_test,
    rank_correlations,
    settled,
    stage_orders,
)
from analysis.link.regression import FEWEST_STAGES, worth_covariance
from analysis.models.bradley_terry import PairModelFit, fit_pair_model
from analysis.panels.multiplicity import holm
from analysis.panels.number_words import p_words
from analysis.tables.counts import components, split_pair_counts
from analysis.tables.names import odd_columns, refuse_alike, refuse_nothing
from analysis.tables.stages import StageTable
from analysis.tables.text_tables import Faults, column_numbers, read_text_table
from analysis.tables.trials import TrialTable

__all__ = ["ProgrammeTable", "programme_link_rows", "programme_table", "read_programmes"]


#: Scatter between programmes is called more than sampling from this multiple on.
_CLEAR = 1.25


@dataclass(frozen=True, slots=True)
class ProgrammeTable:
    """Checked figures of what every stage does to every programme.

    Attributes
    ----------
    frame : pandas.DataFrame
        ``programme``, ``stage`` and numbers ``metric_<name>``; one row a pair of the two.
    source : str or None
        File name.
    notes : tuple of str
        What is odd and was read all the same, a plain line each.
    """

    frame: pd.DataFrame
    source: str | None
    notes: tuple[str, ...] = ()

    @property
    def metrics(self) -> tuple[str, ...]:
        """Names of the figures, in the order of the table."""
        return tuple(
            str(c)[len("metric_") :] for c in self.frame.columns if str(c).startswith("metric_")
        )


def read_programmes(path: str | Path) -> ProgrammeTable:
    """Read and check a programme table (CSV).

    Parameters
    ----------
    path : str or pathlib.Path
        Columns ``programme``, ``stage`` and ``metric_*``.

    Raises
    ------
    InputError
        Missing column, empty or repeated row, text where a number belongs, two programmes or
        stages that differ in capitals or spaces only.
    """
    frame, faults, decimal = read_text_table(Path(path))
    return _checked(frame, faults, decimal)


def programme_table(frame: pd.DataFrame, *, source: str | None = None) -> ProgrammeTable:
    """Check figures that are already a data frame; as :func:`read_programmes`."""
    return _checked(frame.reset_index(drop=True), Faults(source), ".")


def _checked(raw: pd.DataFrame, faults: Faults, decimal: str) -> ProgrammeTable:
    names = ("programme", "stage")
    notes = odd_columns(raw, names, ("metric_",), faults, name_all=True)
    for name in names:
        if name not in raw.columns:
            raise faults.table(
                f"column {name}", "the column is missing", "Give a row for each programme and stage"
            )
    frame = pd.DataFrame({name: raw[name].fillna("").astype(str).str.strip() for name in names})
    for name in names:
        empty = np.flatnonzero((frame[name] == "").to_numpy())
        if empty.size:
            raise faults.at(int(empty[0]), name, "the value is empty", f"Write the {name}'s id")
        refuse_nothing(name, raw[name], faults, person=False)
        refuse_alike({name: raw[name]}, name, faults)
    twice = np.flatnonzero(frame.duplicated(list(names)).to_numpy())
    if twice.size:
        row = int(twice[0])
        programme, stage = frame.iloc[row]
        problem = f"{stage!r} with {programme!r} occurs twice"
        raise faults.at(row, "stage", problem, "Keep one row for each programme and stage")
    for name in (str(column) for column in raw.columns):
        if name.startswith("metric_"):
            frame[name] = column_numbers(raw[name], name=name, faults=faults, decimal=decimal)
    return ProgrammeTable(frame, faults.source, tuple(notes))


def programme_link_rows(
    trials: TrialTable, programmes: ProgrammeTable | None, stages: StageTable | None = None
) -> list[dict[str, Any]]:
    """Return the ``link_programmes`` block, one row a figure of the programme table.

    Parameters
    ----------
    trials : TrialTable
        Paired answers with programmes.
    programmes : ProgrammeTable or None
    stages : StageTable, optional
        Says which stages are made; these do not count.

    Returns
    -------
    list of dict
        ``metric``, ``n_programmes``, ``n_stages``, ``n_trials``, ``n_listeners``;
        ``programmes``: by programme ``n_stages``, ``n_trials``, ``n_listeners``, ``spearman``,
        ``p_exact``, ``slope`` (least squares, None below six stages) and ``points``;
        ``mean_spearman`` and its ``p_exact``, all programmes shuffled by the same order of stages,
        with ``p_adjusted`` (Holm over all figures of the table) and ``n_adjusted``;
        ``exploratory``, always true;
        ``inside``: what is left of worths and figure once the means of stages and of programmes
        are taken out: ``worth_sd``, ``sampling_sd`` (the scatter that chance alone gives),
        ``correlation``; ``words``. Empty without two programmes that link three stages.
    """
    if programmes is None or not programmes.metrics:
        return []
    fits, made = _fits(trials), {} if stages is None else stages.made
    found = [_row(name, fits, programmes, made) for name in programmes.metrics]
    rows = [row for row in found if row is not None]
    p = holm(np.array([row["p_exact"] for row in rows]))
    for row, adjusted in zip(rows, p, strict=True):
        row |= {"exploratory": True, "p_adjusted": float(adjusted)}
        row["n_adjusted"] = int(np.isfinite(p).sum())
        row["words"] = _words(row)
    return rows


def _fits(trials: TrialTable) -> dict[str, PairModelFit]:
    """Fit the worths of every programme, over the stages that it links."""
    parts = split_pair_counts(trials.of("paired"), by="programme")
    fits = {}
    for name, part in parts.items():
        linked = components(part)
        if name and linked and len(linked[0]) > 2:
            inside = part.only(linked[0])
            if inside.n_listeners > 1:
                fits[name] = fit_pair_model(inside)
    return fits


def _row(
    metric: str, fits: dict[str, PairModelFit], table: ProgrammeTable, made: Collection[str]
) -> dict[str, Any] | None:
    column = table.frame.set_index(["programme", "stage"])[f"metric_{metric}"].dropna()
    known = {
        p: [s for s in fit.stages if (p, s) in column.index and s not in made]
        for p, fit in fits.items()
    }
    names = [p for p, stages in known.items() if len(stages) > 2]
    common = sorted(set.intersection(*(set(known[p]) for p in names))) if len(names) > 1 else []
    if len(common) < 3:
        return None
    x = np.array([[float(column[p, s]) for s in common] for p in names])
    y, sampling = np.empty(x.shape), np.empty(len(names))
    for k, name in enumerate(names):
        y[k], sampling[k] = _centred(fits[name], common)
    joint = _joint_order(x, settled(y))
    inside = _inside(x, y, sampling)
    return {
        "metric": metric,
        "method": "Bradley-Terry worths by programme, stages shuffled in all programmes together",
        "n_programmes": len(names),
        "n_stages": len(common),
        "n_trials": sum(fits[p].n_trials for p in names),
        "n_listeners": max(fits[p].n_listeners for p in names),
        "programmes": [
            _programme(name, fits[name], common, x[k], y[k]) for k, name in enumerate(names)
        ],
        **joint,
        "inside": inside,
    }


def _centred(fit: PairModelFit, stages: list[str]) -> tuple[np.ndarray, float]:
    """Return worths of some stages about their mean, and the mean variance of sampling."""
    part = [fit.stages.index(name) for name in stages]
    n = len(part)
    centre = np.eye(n) - 1 / n
    covariance = worth_covariance(fit)[0][np.ix_(part, part)]
    worth = fit.log_worth[part]
    return worth - worth.mean(), float(np.trace(centre @ covariance @ centre) / n)


def _programme(
    name: str, fit: PairModelFit, stages: list[str], x: np.ndarray, y: np.ndarray
) -> dict[str, Any]:
    order = order_test(x, settled(y))
    centred = x - x.mean()
    fitted = len(stages) >= FEWEST_STAGES and float(centred @ centred) > 0
    return {
        "programme": name,
        "n_stages": len(stages),
        "n_trials": fit.n_trials,
        "n_listeners": fit.n_listeners,
        "spearman": order.spearman,
        "p_exact": order.p_value,
        "slope": float(centred @ y / (centred @ centred)) if fitted else None,
        "points": [
            {"stage": stage, "x": float(a), "y": float(b)}
            for stage, a, b in zip(stages, x, y, strict=True)
        ],
    }


def _joint_order(x: np.ndarray, y: np.ndarray) -> dict[str, Any]:
    """Test the mean rank correlation, one order of the stages at a time in all programmes."""
    n = x.shape[1]
    observed = float(rank_correlations(x, y).mean())
    if np.isnan(observed):
        return {"mean_spearman": observed, "p_exact": float("nan"), "p_exact_is_exact": False}
    exact = n <= EXACT_STAGES
    orders = stage_orders(n, factorial(n) if exact else SAMPLES)
    shuffled = np.mean([rank_correlations(a[orders], b) for a, b in zip(x, y, strict=True)], axis=0)
    extreme = int((np.abs(shuffled) >= abs(observed) - 1e-12).sum())
    add = 0 if exact else 1
    return {
        "mean_spearman": observed,
        "p_exact": (extreme + add) / (len(orders) + add),
        "p_exact_is_exact": exact,
    }


def _inside(x: np.ndarray, y: np.ndarray, sampling: np.ndarray) -> dict[str, Any]:
    """Describe what differs between programmes: stage and programme means taken out."""
    programmes, stages = x.shape
    free = (programmes - 1) * (stages - 1)
    a, b = (v - v.mean(axis=0) - v.mean(axis=1, keepdims=True) + v.mean() for v in (x, y))
    size = float(np.sqrt((a * a).sum() * (b * b).sum()))
    return {
        "worth_sd": float(np.sqrt((b * b).sum() / free)),
        # Centring over n stages leaves (n - 1) / n of a variance in each of them.
        "sampling_sd": float(np.sqrt(sampling.mean() * stages / (stages - 1))),
        "correlation": float((a * b).sum()) / size if size > 0 else float("nan"),
        "n_cells": programmes * stages,
    }


def _words(row: dict[str, Any]) -> str:
    single = ", ".join(
        f"{_signed(one['spearman'])} with {one['programme']}" for one in row["programmes"]
    )
    inside = row["inside"]
    more = inside["worth_sd"] > _CLEAR * inside["sampling_sd"]
    differ = "beyond" if more else "within"
    few = ""
    if row["n_stages"] < FEWEST_STAGES:
        few = f" {row['n_stages']} stages cannot show that an order is more than luck."
    n = row["n_adjusted"]
    tried = f", adjusted for {n} figures" if n > 1 else ""
    return (
        f"Exploratory, since no plan names a figure by programme: rank correlation of "
        f"{row['metric']} and worth over {row['n_stages']} stages: {single}; mean "
        f"{_signed(row['mean_spearman'])} (permutation {p_words(row['p_adjusted'])}{tried}, the "
        f"same stages in all programmes).{few} Beyond the stage itself worths differ between "
        f"programmes by {inside['worth_sd']:.2f} logits, {differ} chance variation "
        f"(SD {inside['sampling_sd']:.2f})."
    )


def _signed(correlation: float) -> str:
    return "undefined" if np.isnan(correlation) else f"{correlation:+.2f}"
