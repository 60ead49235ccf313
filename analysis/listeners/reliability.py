"""Whether listeners agree with themselves and with each other."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from analysis.listeners.consistence import panel_agreement, triads_of
from analysis.listeners.repeats import Repeats, group_ids, in_order, repeat_counts, turns
from analysis.listeners.steadiness import drift, rating_drift, rating_f
from analysis.tables.trials import TrialTable, label_codes

__all__ = [
    "reliability_block",
]


@dataclass(frozen=True, slots=True)
class _Paired:
    """Paired trials as integers, in the order they were answered."""

    stages: list[str]
    listeners: list[str]
    programmes: list[str]
    listener: np.ndarray
    programme: np.ndarray
    low: np.ndarray
    high: np.ndarray
    vote: np.ndarray


def _paired(table: TrialTable) -> _Paired:
    frame = table.of("paired")
    frame = frame.iloc[in_order(frame)]
    stages, (a, b) = label_codes(frame, "stage_a", "stage_b")
    listeners, (listener,) = label_codes(frame, "listener")
    programmes, (programme,) = label_codes(frame, "programme")
    vote = np.select(
        [(frame["answer"] == "a").to_numpy(), (frame["answer"] == "b").to_numpy()],
        [1.0, 0.0],
        default=0.5,
    )
    vote = np.where(a > b, 1 - vote, vote)
    low, high = np.minimum(a, b), np.maximum(a, b)
    return _Paired(stages, listeners, programmes, listener, programme, low, high, vote)


def _round_robins(paired: _Paired) -> dict[str, list[dict[str, Any]]]:
    """Return the complete round-robins of each listener.

    Those within a programme come first; of a listener who has none there, those over all
    programmes together, for in many plans a listener hears every pair once and the pieces change.
    """
    if not len(paired.vote):
        return {}
    found: dict[str, list[dict[str, Any]]] = {}
    for row in _robins_of(paired, paired.programme, mixed=False):
        found.setdefault(row["listener"], []).append(row)
    over: dict[str, list[dict[str, Any]]] = {}
    for row in _robins_of(paired, np.zeros_like(paired.programme), mixed=True):
        over.setdefault(row["listener"], []).append(row)
    return over | found


def _robins_of(paired: _Paired, within: np.ndarray, *, mixed: bool) -> list[dict[str, Any]]:
    """Return the complete round-robins: the n-th answer to every pair within some programmes.

    Figures are null where a "no preference" leaves the round-robin open.
    """
    turn = turns(group_ids(paired.listener, within, paired.low, paired.high))
    group = group_ids(paired.listener, within, turn)
    n_groups, size = int(group.max()) + 1, len(paired.stages)
    answers = np.bincount(group, minlength=n_groups)
    heard = np.zeros((n_groups, size), dtype=bool)
    heard[group, paired.low] = heard[group, paired.high] = True
    n = heard.sum(axis=1)
    open_ = np.bincount(group, weights=paired.vote == 0.5, minlength=n_groups) > 0
    winner = np.where(paired.vote == 1, paired.low, paired.high)
    wins = np.bincount(group * size + winner, minlength=n_groups * size).reshape(n_groups, size)
    triads = n * (n - 1) * (n - 2) // 6 - (wins * (wins - 1) // 2).sum(axis=1)
    first_row = np.unique(group, return_index=True)[1]
    rows = []
    for g in np.flatnonzero((n >= 3) & (answers == n * (n - 1) // 2)):
        found = None if open_[g] else triads_of(int(n[g]), int(triads[g]))
        at = first_row[g]
        rows.append(
            {
                "listener": paired.listeners[paired.listener[at]],
                "programme": None if mixed else paired.programmes[paired.programme[at]] or None,
                "repetition": int(turn[at]) + 1,
                "n_trials": int(answers[g]),
                "n_stages": int(n[g]),
                "circular_triads": None if found is None else found.triads,
                "most": None if found is None else found.most,
                "expected": None if found is None else found.expected,
                "zeta": None if found is None else found.zeta,
                "p_value": None if found is None else found.p_value,
            }
        )
    return rows


def _control_counts(table: TrialTable) -> dict[tuple[str, str], tuple[int, int, int]]:
    """Return scored and passed controls by listener and kind.

    Obvious controls are passed by the right answer; identical ones by "same", "no preference" or
    equal grades.
    A control without a right answer (two letters for one sound) is not scored.
    """
    frame = table.frame.loc[table.frame["control"] != ""]
    identical = (frame["control"] == "identical").to_numpy()
    answer, method = frame["answer"], frame["method"]
    calm = np.select(
        [method == "same-different", method == "grading"],
        [answer == "same", frame["rating"] == 0],
        answer == "tie",
    ).astype(float)
    ties_offered = bool((table.frame["answer"] == "tie").any())
    scorable = method.isin(["same-different", "grading"]) | ((method == "paired") & ties_offered)
    passed = np.where(identical, np.where(scorable, calm, np.nan), frame["correct"].to_numpy())
    result = pd.DataFrame(
        {
            "listener": frame["listener"].to_numpy(dtype=object),
            "control": frame["control"].to_numpy(dtype=object),
            "given": 1,
            "scored": np.isfinite(passed).astype(int),
            "passed": np.nan_to_num(passed),
        }
    )
    sums = result.groupby(["listener", "control"])[["given", "scored", "passed"]].sum()
    return {
        (str(listener), str(kind)): (int(given), int(scored), int(good))
        for (listener, kind), given, scored, good in zip(
            sums.index, sums["given"], sums["scored"], sums["passed"], strict=True
        )
    }


def reliability_block(table: TrialTable) -> dict[str, Any]:
    """Return the ``reliability`` block of the analysis.

    Parameters
    ----------
    table : TrialTable

    Returns
    -------
    dict
        ``listeners`` (repeat agreement, controls passed, circular triads and zeta), ``kendall_u``
        for the panel, and ``agreement`` by programme.
    """
    paired = _paired(table)
    robins = _round_robins(paired)
    repeats, controls = repeat_counts(table), _control_counts(table)
    counts = table.frame["listener"].value_counts()
    rated = rating_f(table.of("rating"))
    names = sorted(str(name) for name, n in counts.items() if n)
    overall = _agreement_block(paired, None)
    heard = sorted({paired.programmes[k] for k in np.unique(paired.programme)} - {""})
    return {
        "method": "repeats, controls, circular triads, Kendall's u",
        "n_trials": table.n_trials,
        "n_listeners": table.n_listeners,
        "listeners": [
            _listener_row(
                name, int(counts[name]), repeats, controls, robins.get(name, []), rated.get(name)
            )
            for name in names
        ],
        "kendall_u": overall["u"],
        "panel": overall,
        "drift": drift(table),
        "drift_ratings": rating_drift(table),
        "agreement": [_agreement_block(paired, programme) for programme in heard],
    }


def _listener_row(
    name: str,
    n_trials: int,
    repeats: dict[str, Repeats],
    controls: dict[tuple[str, str], tuple[int, int, int]],
    own: list[dict[str, Any]],
    rated: dict[str, float] | None,
) -> dict[str, Any]:
    again = repeats.get(name, Repeats(0, 0, ()))
    closed = [row for row in own if row["zeta"] is not None]
    return {
        "listener": name,
        "n_trials": n_trials,
        "n_repeats": again.n_repeats,
        "repeat_agreement": again.n_alike / again.n_repeats if again.n_repeats else None,
        "repeat_chance": again.chance,
        "repeat_p_value": again.p_value,
        "rating_f": rated,
        "controls": {
            kind: _control_row(controls.get((name, kind), (0, 0, 0)))
            for kind in ("identical", "obvious")
        },
        "circular_triads": sum(row["circular_triads"] for row in closed) if closed else None,
        "circular_chance": sum(row["expected"] for row in closed) if closed else None,
        "zeta": float(np.mean([row["zeta"] for row in closed])) if closed else None,
        "round_robins": own,
    }


def _control_row(counts: tuple[int, int, int]) -> dict[str, Any]:
    given, scored, good = counts
    return {"given": given, "scored": scored, "passed": good if scored else None}


def _agreement_block(paired: _Paired, programme: str | None) -> dict[str, Any]:
    rows = np.ones(len(paired.vote), dtype=bool)
    if programme is not None:
        rows = paired.programme == paired.programmes.index(programme)
    person = group_ids(paired.listener[rows]) if rows.any() else np.zeros(0, dtype=int)
    n_listeners = int(person.max(initial=-1)) + 1
    empty = {
        "programme": programme,
        "u": None,
        "n_listeners": n_listeners,
        "n_trials": int(rows.sum()),
    }
    if n_listeners < 2:
        return empty
    pair = group_ids(paired.low[rows], paired.high[rows])
    n_pairs = int(pair.max()) + 1
    cell, shape = person * n_pairs + pair, (n_listeners, n_pairs)
    asked = np.bincount(cell, minlength=n_listeners * n_pairs).reshape(shape)
    votes = np.bincount(cell, weights=paired.vote[rows], minlength=n_listeners * n_pairs)
    shares = np.where(asked > 0, votes.reshape(shape) / np.maximum(asked, 1), np.nan)
    if not ((asked > 0).sum(axis=0) > 1).any():
        return empty
    found = panel_agreement(shares)
    return empty | {
        "u": found.u,
        "u_min": found.u_min,
        "statistic": found.statistic,
        "df": found.df,
        "p_value": found.p_value,
        "n_pairs": n_pairs,
    }
