"""Whether listeners agree with themselves and with each other."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from functools import cache
from math import comb
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats

from analysis.listeners.repeats import Repeats, group_ids, in_order, repeat_counts, turns
from analysis.listeners.steadiness import drift, rating_drift, rating_f
from analysis.tables.trials import TrialTable, label_codes

__all__ = [
    "Agreement",
    "CircularTriads",
    "circular_triads",
    "panel_agreement",
    "reliability_block",
    "triad_distribution",
]

#: Largest round-robin for which the exact distribution of circular triads is computed.
_EXACT_LIMIT = 10


@dataclass(frozen=True, slots=True)
class CircularTriads:
    """Consistency of one round-robin.

    Attributes
    ----------
    n_stages, triads, most, expected : float
        Circular triads found, possible, and expected from guessing.
    zeta : float
        Coefficient of consistence: 1 without circular triads, 0 with as many as possible.
    p_value : float
        P(triads or fewer) when every answer is a guess: small for a consistent listener.
    """

    n_stages: int
    triads: int
    most: int
    expected: float
    zeta: float
    p_value: float


@cache
def triad_distribution(n_stages: int) -> dict[int, int]:
    """Return how many of the 2^(n(n-1)/2) tournaments have each number of circular triads.

    Tournaments are built stage by stage; only the multiset of scores matters, because the number
    of circular triads is C(n,3) - Σ C(score,2) (Kendall & Babington Smith 1940 Biometrika 31:324).

    Raises
    ------
    ValueError
        Fewer than 1 or more than 10 stages (the count of score sets explodes).
    """
    if not 1 <= n_stages <= _EXACT_LIMIT:
        raise ValueError(f"exact distribution needs 1 to {_EXACT_LIMIT} stages, got {n_stages}")
    states: Counter[tuple[int, ...]] = Counter({(0,): 1})
    for size in range(1, n_stages):
        grown: Counter[tuple[int, ...]] = Counter()
        for scores, ways in states.items():
            for raised, choices, lost in _raise_some(tuple(sorted(Counter(scores).items()))):
                grown[tuple(sorted((*raised, size - lost)))] += ways * choices
        states = grown
    result: Counter[int] = Counter()
    for scores, ways in states.items():
        result[comb(n_stages, 3) - sum(comb(s, 2) for s in scores)] += ways
    return dict(sorted(result.items()))


@cache
def _raise_some(
    groups: tuple[tuple[int, int], ...],
) -> tuple[tuple[tuple[int, ...], int, int], ...]:
    """Return (new scores, ways, number of wins) for every set of stages that beats the new one."""
    if not groups:
        return (((), 1, 0),)
    (score, size), rest = groups[0], groups[1:]
    result = []
    for tail, ways, wins in _raise_some(rest):
        for k in range(size + 1):
            head = (score,) * (size - k) + (score + 1,) * k
            result.append((head + tail, ways * comb(size, k), wins + k))
    return tuple(result)


def circular_triads(won: np.ndarray) -> CircularTriads:
    """Count circular triads in a complete round-robin.

    Parameters
    ----------
    won : numpy.ndarray of bool, shape (n_stages, n_stages)
        Row preferred to column; exactly one of each pair.

    Returns
    -------
    CircularTriads
        The p-value is exact up to 10 stages and beyond that from the chi-square approximation of
        Kendall & Babington Smith (1940).

    Raises
    ------
    ValueError
        Not a complete round-robin of at least three stages.
    """
    w = np.asarray(won, dtype=bool)
    n = len(w)
    if n < 3 or not np.array_equal(w ^ w.T, ~np.eye(n, dtype=bool)):
        raise ValueError("need a complete round-robin of at least three stages")
    scores = w.sum(axis=1)
    return _triads(n, comb(n, 3) - sum(comb(int(s), 2) for s in scores))


@cache
def _triads(n: int, triads: int) -> CircularTriads:
    most = (n**3 - n) // 24 if n % 2 else (n**3 - 4 * n) // 24
    return CircularTriads(n, triads, most, comb(n, 3) / 4, 1 - triads / most, _triad_p(n, triads))


def _triad_p(n: int, triads: int) -> float:
    if n <= _EXACT_LIMIT:
        table = triad_distribution(n)
        few = sum(ways for count, ways in table.items() if count <= triads)
        return few / 2 ** comb(n, 2)
    df = n * (n - 1) * (n - 2) / (n - 4) ** 2
    chi2 = 8 / (n - 4) * (comb(n, 3) / 4 - triads + 0.5) + df
    return float(stats.chi2.sf(chi2, df))


@dataclass(frozen=True, slots=True)
class Agreement:
    """Kendall's coefficient of agreement u.

    Attributes
    ----------
    u, u_min : float
        1 when all listeners agree on every pair; `u_min` is the least possible.
    statistic, df, p_value : float
        Chi-square with continuity correction that the agreement is chance; NaN where listeners
        did not all judge all pairs, or for two listeners.
    n_listeners, n_stages : int
    """

    u: float
    u_min: float
    statistic: float
    df: float
    p_value: float
    n_listeners: int
    n_stages: int


def panel_agreement(shares: np.ndarray) -> Agreement:
    """Return Kendall's u from each listener's share of answers for the first stage of each pair.

    With shares of 0 and 1 this is Kendall & Babington Smith (1940); shares between count as the
    chance that two answers drawn from two listeners agree.

    Parameters
    ----------
    shares : numpy.ndarray, shape (n_listeners, n_pairs)
        NaN where a listener did not judge a pair.

    Returns
    -------
    Agreement

    Raises
    ------
    ValueError
        No pair was judged by two listeners.
    """
    known = np.isfinite(shares)
    filled = np.where(known, shares, 0.0)
    m = known.sum(axis=0)
    first, second = filled.sum(axis=0), np.where(known, 1 - filled, 0.0).sum(axis=0)
    own = np.where(known, filled**2 + (1 - filled) ** 2, 0.0).sum(axis=0)
    judged = m > 1
    if not judged.any():
        raise ValueError("no pair was judged by two listeners")
    together = (first**2 + second**2 - own)[judged] / 2
    couples = m[judged] * (m[judged] - 1) / 2
    u = float(2 * together.sum() / couples.sum() - 1)
    listeners, pairs = len(shares), shares.shape[1]
    n_stages = round((1 + np.sqrt(1 + 8 * pairs)) / 2)
    whole = bool(known.all() and np.isin(filled, (0.0, 1.0)).all())
    statistic, df, p = _agreement_test(together.sum(), listeners, pairs, whole)
    top = int(m.max())
    u_min = -1 / (top - 1) if top % 2 == 0 else -1 / top
    return Agreement(u, u_min, statistic, df, p, listeners, n_stages)


def _agreement_test(together: float, m: int, pairs: int, whole: bool) -> tuple[float, float, float]:
    if not whole or m < 3:
        return float("nan"), float("nan"), float("nan")
    # Σ runs over both halves of the table: agreements between listeners on every pair.
    expected = pairs * comb(m, 2) * (m - 3) / (m - 2) / 2
    df = pairs * m * (m - 1) / (m - 2) ** 2
    chi2 = 4 / (m - 2) * (together - 1 - expected)
    return float(chi2), float(df), float(stats.chi2.sf(max(chi2, 0.0), df))


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


def _round_robins(paired: _Paired) -> list[dict[str, Any]]:
    """Return the complete round-robins: n-th answer to every pair of a listener and programme.

    Figures are null where a "no preference" leaves the round-robin open.
    """
    if not len(paired.vote):
        return []
    turn = turns(group_ids(paired.listener, paired.programme, paired.low, paired.high))
    group = group_ids(paired.listener, paired.programme, turn)
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
        found = None if open_[g] else _triads(int(n[g]), int(triads[g]))
        at = first_row[g]
        rows.append(
            {
                "listener": paired.listeners[paired.listener[at]],
                "programme": paired.programmes[paired.programme[at]] or None,
                "repetition": int(turn[at]) + 1,
                "n_trials": int(answers[g]),
                "n_stages": int(n[g]),
                "circular_triads": None if found is None else found.triads,
                "most": None if found is None else found.most,
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
    robins: dict[str, list[dict[str, Any]]] = {}
    for row in _round_robins(paired):
        robins.setdefault(row["listener"], []).append(row)
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
