"""Blocks that take long on large tables: what each will take, and leaving them out.

The seconds are those of one core of a two-core server of 2024 (``tests/bench/bench_statistics.py``
measures them), from the counts that decide: a plain warning before a long wait, not a promise.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from analysis.models.mixed_preference import enough_for_own_worths
from analysis.preference.group_test import N_BOOTSTRAP
from analysis.tables.trials import FORCED_CHOICE, TrialTable, label_codes
from stimuli.files.errors import InputError

__all__ = ["OPTIONAL", "long_blocks", "parse_without"]

#: What may be left out, by the word that asks for it.
OPTIONAL = {
    "groups": "groups of listeners who want different things",
    "tastes": "how far listeners differ, each with worths of their own",
    "programmes": "whether the preference depends on the programme",
    "grades": "words and strengths as ordered steps",
    "resampling": "resampled panels: chances of being first, orders of steps, budgets",
}
#: A block that takes longer than this says so.
_LONG_S = 20.0


def parse_without(names: Iterable[str]) -> frozenset[str]:
    """Return the blocks to leave out.

    Raises
    ------
    InputError
        A name that is not in :data:`OPTIONAL`.
    """
    asked = frozenset(names)
    for name in sorted(asked - OPTIONAL.keys()):
        raise InputError(
            where="without",
            problem=f"{name!r} cannot be left out",
            remedy=f"Choose from: {', '.join(OPTIONAL)}",
        )
    return asked


@dataclass(frozen=True, slots=True)
class _Sizes:
    """Counts that decide how long the answers of one kind take."""

    trials: int
    listeners: int
    stages: int
    pairs: int
    own: int
    programmes: int

    @property
    def step(self) -> float:
        """Seconds of one Newton step of one set of counts."""
        return 4e-10 * self.stages**3 + 4e-8 * self.pairs + 5e-6


def _sizes(frame: pd.DataFrame) -> _Sizes | None:
    if frame.empty:
        return None
    labels, (a, b) = label_codes(frame, "stage_a", "stage_b")
    _, (listener,) = label_codes(frame, "listener")
    _, (programme,) = label_codes(frame, "programme")
    pair = np.minimum(a, b) * len(labels) + np.maximum(a, b)
    return _Sizes(
        trials=len(frame),
        listeners=len(np.unique(listener)),
        stages=len(np.unique(np.append(a, b))),
        pairs=len(np.unique(pair)),
        own=len(np.unique(listener * len(labels) ** 2 + pair)),
        programmes=len(np.unique(programme)),
    )


def _paired_seconds(n: _Sizes, graded: int) -> dict[str, float]:
    free = n.stages - 1
    factor = free * (free + 1) / 2 if enough_for_own_worths(n.listeners, n.trials, n.stages) else 1
    each = 6e-9 * n.listeners * n.stages**3 + 1e-6 * n.own
    return {
        # Twelve starts of two and of three groups, some 200 rounds each; then as many simulated
        # panels as there may be.
        "groups": 200 * 60 * (3 * n.step + 5e-10 * n.pairs * n.listeners)
        + N_BOOTSTRAP * (0.015 + 2.5e-5 * n.listeners * n.stages),
        "tastes": (60 + 2 * (free + factor)) * each,
        "programmes": 500 * n.programmes * 6 * n.step,
        "grades": _grades_seconds(min(graded, 14 * n.own), n.stages + 6),
        "resampling": 10_000 * 4.5 * n.step,
    }


def _grades_seconds(rows: int, parameters: int) -> float:
    return 6e-7 * rows * (60 + 4 * parameters)


def _seconds(trials: TrialTable) -> dict[str, float]:
    """Return what each block will take."""
    total = dict.fromkeys(OPTIONAL, 0.0)
    paired = trials.of("paired")
    found = _sizes(paired)
    if found is not None:
        graded = int(paired["strength"].notna().sum()) if "strength" in paired.columns else 0
        total |= _paired_seconds(found, graded)
    for method in FORCED_CHOICE:
        n = _sizes(trials.of(method))
        if n is not None:
            small, large = sorted((n.listeners, n.pairs))
            total["tastes"] += 500 * (1e-10 * small**2 * large + 1e-8 * small * large)
    for method in ("rating", "grading"):
        n = _sizes(trials.of(method))
        if n is not None:
            rows = min(n.trials, 5 * n.listeners * n.stages)
            total["grades"] += _grades_seconds(rows, n.stages + 4)
    return total


def _words(seconds: float) -> str:
    """Return a rough time in words."""
    if seconds < 90:
        return f"{round(seconds, -1):.0f} s"
    minutes = seconds / 60
    return f"{minutes:.0f} min" if minutes < 90 else f"{minutes / 60:.0f} h"


def long_blocks(trials: TrialTable, without: frozenset[str]) -> list[dict[str, Any]]:
    """Return the blocks that take long or are left out, each with a sentence about it.

    Parameters
    ----------
    trials : TrialTable
    without : frozenset of str
        From :func:`parse_without`.

    Returns
    -------
    list of dict
        ``block`` (the word that leaves it out), ``what``, ``expected_s``, ``left_out``,
        ``sentence``; empty where nothing takes longer than 20 s and all is asked for.
    """
    rows = []
    for name, seconds in _seconds(trials).items():
        out, what = name in without, OPTIONAL[name]
        if not out and seconds <= _LONG_S:
            continue
        sentence = f"This may take {_words(seconds)}: {what}. --without {name} leaves it out."
        if out:
            sentence = f"Left out, as asked: {what}."
        rows.append(
            {
                "block": name,
                "what": what,
                "expected_s": float(f"{seconds:.1g}"),
                "left_out": out,
                "sentence": sentence,
            }
        )
    return rows
