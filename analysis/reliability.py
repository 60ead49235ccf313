"""Whether listeners agree with themselves and with each other."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from functools import cache
from itertools import combinations
from math import comb
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats

from analysis.trials import TrialTable

__all__ = [
    "Agreement",
    "CircularTriads",
    "circular_triads",
    "panel_agreement",
    "reliability_block",
    "round_robins",
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
    triads = comb(n, 3) - sum(comb(int(s), 2) for s in scores)
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


def _paired(table: TrialTable) -> pd.DataFrame:
    """Return paired trials with sorted pair, vote for its first stage, and repetition."""
    frame = table.of("paired").sort_values(["listener", "session", "trial"], kind="stable")
    a, b = (frame[name].to_numpy(dtype=object) for name in ("stage_a", "stage_b"))
    answer = frame["answer"].to_numpy(dtype=object)
    swap = a > b
    vote = np.select([answer == "a", answer == "b"], [1.0, 0.0], default=0.5)
    result = pd.DataFrame(
        {
            "listener": frame["listener"].to_numpy(dtype=object),
            "programme": frame["programme"].to_numpy(dtype=object),
            "low": np.where(swap, b, a),
            "high": np.where(swap, a, b),
            "vote": np.where(swap, 1 - vote, vote),
        }
    )
    keys = ["listener", "programme", "low", "high"]
    result["repetition"] = result.groupby(keys, sort=False).cumcount() + 1
    return result


def round_robins(paired: pd.DataFrame) -> list[dict[str, Any]]:
    """Return the complete round-robins: n-th answer to every pair of a listener and programme.

    Parameters
    ----------
    paired : pandas.DataFrame
        ``listener``, ``programme``, ``low``, ``high``, ``vote``, ``repetition``.

    Returns
    -------
    list of dict
        ``listener``, ``programme``, ``repetition`` and the figures of :class:`CircularTriads`;
        figures are null where a "no preference" leaves the round-robin open.
    """
    rows: list[dict[str, Any]] = []
    keys = ["listener", "programme", "repetition"]
    for (listener, programme, repetition), part in paired.groupby(keys, sort=True):
        stages = sorted(set(part["low"]) | set(part["high"]))
        n = len(stages)
        if n < 3 or len(part) != comb(n, 2):
            continue
        row = {
            "listener": listener,
            "programme": programme or None,
            "repetition": int(str(repetition)),
            "n_trials": len(part),
            "n_stages": n,
            "circular_triads": None,
            "most": None,
            "zeta": None,
            "p_value": None,
        }
        if not (part["vote"] == 0.5).any():
            place = {name: k for k, name in enumerate(stages)}
            won = np.zeros((n, n), dtype=bool)
            low, high = part["low"].map(place).to_numpy(), part["high"].map(place).to_numpy()
            first = part["vote"].to_numpy() == 1
            won[np.where(first, low, high), np.where(first, high, low)] = True
            found = circular_triads(won)
            row |= {
                "circular_triads": found.triads,
                "most": found.most,
                "zeta": found.zeta,
                "p_value": found.p_value,
            }
        rows.append(row)
    return rows


def _repeat_counts(table: TrialTable) -> dict[str, tuple[int, int]]:
    """Return, by listener, how many second askings there were and how many were answered alike.

    Askings of the same question (method, programme, stages without regard to position) are taken
    two by two in their order; an odd one is left over.
    """
    frame = table.frame.loc[(table.frame["control"] == "") & (table.frame["method"] != "rating")]
    frame = frame.sort_values(["listener", "session", "trial"], kind="stable")
    a, b = (frame[name].to_numpy(dtype=object) for name in ("stage_a", "stage_b"))
    c = frame["stage_c"].to_numpy(dtype=object)
    triangle = (frame["method"] == "triangle").to_numpy()
    b = np.where(triangle & (a == b), c, b)
    swap = a > b
    paired = (frame["method"] == "paired").to_numpy()
    answer = frame["answer"].to_numpy(dtype=object)
    turned = np.select(
        [(answer == "a") & swap, (answer == "b") & swap], ["b", "a"], default=answer.astype(str)
    )
    said = np.where(paired, turned, frame["correct"].to_numpy().astype(str))
    asked = pd.DataFrame(
        {
            "listener": frame["listener"].to_numpy(dtype=object),
            "method": frame["method"].to_numpy(dtype=object),
            "programme": frame["programme"].to_numpy(dtype=object),
            "low": np.where(swap, b, a),
            "high": np.where(swap, a, b),
            "said": said,
        }
    )
    keys = ["listener", "method", "programme", "low", "high"]
    asked["turn"] = asked.groupby(keys, sort=False).cumcount()
    asked["couple"] = asked["turn"] // 2
    first = asked.loc[asked["turn"] % 2 == 0]
    second = asked.loc[asked["turn"] % 2 == 1]
    both = second.merge(first, on=[*keys, "couple"], suffixes=("", "_before"))
    both["same"] = both["said"] == both["said_before"]
    sums = both.groupby("listener")["same"].agg(["size", "sum"])
    return {
        str(name): (int(size), int(same))
        for name, size, same in zip(sums.index, sums["size"], sums["sum"], strict=True)
    }


def _control_counts(table: TrialTable) -> dict[tuple[str, str], tuple[int, int, int]]:
    """Return scored and passed controls by listener and kind.

    Obvious controls are passed by the right answer; identical ones by "same" or "no preference".
    A control without a right answer (two letters for one sound) is not scored.
    """
    frame = table.frame.loc[table.frame["control"] != ""]
    identical = (frame["control"] == "identical").to_numpy()
    answer = frame["answer"].to_numpy(dtype=object)
    calm = np.where(
        (frame["method"] == "same-different").to_numpy(),
        answer == "same",
        answer == "tie",
    ).astype(float)
    scorable = (frame["method"] == "same-different").to_numpy() | (
        (frame["method"] == "paired").to_numpy()
        & table.of("paired", controls=True)["answer"].isin(["tie"]).any()
    )
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
    robins = round_robins(paired)
    repeats, controls = _repeat_counts(table), _control_counts(table)
    counts = table.frame.groupby("listener", observed=True).size()
    names = sorted(str(name) for name in counts.index)
    overall = _agreement_block(paired, None)
    programmes = sorted(set(paired["programme"]) - {""})
    return {
        "method": "repeats, controls, circular triads, Kendall's u",
        "n_trials": table.n_trials,
        "n_listeners": table.n_listeners,
        "listeners": [
            _listener_row(name, int(counts[name]), repeats, controls, robins) for name in names
        ],
        "kendall_u": overall["u"],
        "panel": overall,
        "agreement": [_agreement_block(paired, programme) for programme in programmes],
    }


def _listener_row(
    name: str,
    n_trials: int,
    repeats: dict[str, tuple[int, int]],
    controls: dict[tuple[str, str], tuple[int, int, int]],
    robins: list[dict[str, Any]],
) -> dict[str, Any]:
    n_repeats, n_same = repeats.get(name, (0, 0))
    own = [row for row in robins if row["listener"] == name]
    closed = [row for row in own if row["zeta"] is not None]
    return {
        "listener": name,
        "n_trials": n_trials,
        "n_repeats": n_repeats,
        "repeat_agreement": n_same / n_repeats if n_repeats else None,
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


def _agreement_block(paired: pd.DataFrame, programme: str | None) -> dict[str, Any]:
    part = paired if programme is None else paired.loc[paired["programme"] == programme]
    empty = {
        "programme": programme,
        "u": None,
        "n_listeners": int(part["listener"].nunique()),
        "n_trials": len(part),
    }
    if part["listener"].nunique() < 2:
        return empty
    shares = part.groupby(["listener", "low", "high"])["vote"].mean().unstack(["low", "high"])
    matrix = shares.to_numpy()
    if not (np.isfinite(matrix).sum(axis=0) > 1).any():
        return empty
    found = panel_agreement(matrix)
    return empty | {
        "u": found.u,
        "u_min": found.u_min,
        "statistic": found.statistic,
        "df": found.df,
        "p_value": found.p_value,
        "n_listeners": found.n_listeners,
        "n_pairs": len(list(combinations(range(found.n_stages), 2))),
    }
