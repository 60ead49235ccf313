"""Trial tables with placeholders for answers, as a plan has them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import combinations
from typing import Any

import pandas as pd

from analysis.planning.simulated_panel import StudyTemplate
from analysis.tables.trials import trial_table


def asked(
    listeners: int | Sequence[int],
    *,
    heard: Mapping[tuple[str, str], int] | None = None,
    method: str = "abx",
    stages: Sequence[str] = (),
    rounds: int = 1,
    controls: int = 0,
    groups: Sequence[str] = ("",),
    ties: bool = False,
) -> StudyTemplate:
    """Return what listeners are asked.

    Parameters
    ----------
    listeners : int or sequence of int
        How many; or by listener how many times everything is asked.
    heard : mapping of pair to int, optional
        Forced-choice trials of each pair and listener.
    stages : sequence of str, optional
        Stages of a paired round-robin, asked ``rounds`` times in turned order.
    controls : int, optional
        Obvious controls of each listener.
    """
    weights = [1] * listeners if isinstance(listeners, int) else list(listeners)
    rows: list[dict[str, Any]] = []
    for k, weight in enumerate(weights):
        who = {"listener": f"P{k:04d}", "session": f"P{k:04d}", "group": groups[k % len(groups)]}
        own = []
        for (i, j), trials in (heard or {}).items():
            own += [_forced(method, i, j, n) for n in range(trials * weight)]
            own += [_forced(method, i, f"lowpass:{i}", n, "obvious") for n in range(controls)]
        for n in range(rounds * weight):
            for i, j in combinations(stages, 2):
                a, b = (i, j) if (n + k) % 2 == 0 else (j, i)
                own.append({"method": "paired", "stage_a": a, "stage_b": b, "answer": "a"})
        rows += [who | {"trial": n + 1, "programme": "noise"} | row for n, row in enumerate(own)]
    frame = pd.DataFrame(rows)
    for name in ("stage_b", "stage_c", "stage_x", "control"):
        frame[name] = frame[name].fillna("") if name in frame else ""
    return StudyTemplate.of(trial_table(frame), ties=ties)


def _forced(method: str, i: str, j: str, n: int, control: str = "") -> dict[str, Any]:
    row: dict[str, Any] = {"method": method, "control": control}
    if method == "triangle":
        return row | {"stage_a": i, "stage_b": j, "stage_c": j, "answer": "a"}
    if method == "same-different":
        other = i if n % 2 else j
        return row | {"stage_a": i, "stage_b": other, "stage_x": j, "answer": "same"}
    return row | {"stage_a": i, "stage_b": j, "stage_x": i, "answer": "a"}
