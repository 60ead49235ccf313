"""Values of the block ``discrimination``: exact tests over trials, and tests between listeners."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from scipy import stats

from helpers.recomputed.shares import (
    CHANCE,
    Panel,
    d_prime,
    mean_share,
    share_by_side,
    sides_matter,
)
from helpers.recomputed.study import Recomputed, at

ROOT = "/results/discrimination"


def by_side(frame: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Return right and asked trials by listener and possible answer."""
    sides = ["a", "b", "c"] if (frame["method"] == "triangle").any() else ["a", "b"]
    sums = frame.groupby(["listener", "side"])["right"].agg(["sum", "count"]).unstack(fill_value=0)
    wide = sums.reindex(columns=pd.MultiIndex.from_product([["sum", "count"], sides]), fill_value=0)
    return wide["sum"].to_numpy(float), wide["count"].to_numpy(float)


def between(frame: pd.DataFrame, *, every_answer: bool = False) -> Panel:
    """Test one pair's right answers against guessing, listeners being the unit."""
    right, asked = by_side(frame)
    chance = CHANCE[frame["method"].iloc[0]]
    if sides_matter(right, asked) and not every_answer:
        return share_by_side(right, asked, chance)
    return mean_share(right.sum(axis=1), asked.sum(axis=1), chance, every_answer=every_answer)


def of_pair(s: Recomputed, pair: list[str], method: str | None = None) -> pd.DataFrame:
    """Return the forced choices of a pair."""
    own = s.asked[s.asked["pair"] == "|".join(sorted(pair))]
    return own if method is None else own[own["method"] == method]


def rows(s: Recomputed, k: int) -> pd.DataFrame:
    """Return the trials of a row."""
    row = s.words["discrimination"][k]
    own = of_pair(s, row["pair"], row["method"])
    for key in ("listener", "programme"):
        if row[key] is not None:
            own = own[own[key] == row[key]]
    return own


def _panel(s: Recomputed, k: int) -> Panel:
    return s.once(("discrimination", k), lambda: between(rows(s, k)))


@at(f"{ROOT}/*/n_trials")
def n_trials(s: Recomputed, k: int) -> int:
    return len(rows(s, k))


@at(f"{ROOT}/*/n_listeners")
def n_listeners(s: Recomputed, k: int) -> int:
    return rows(s, k)["listener"].nunique()


@at(f"{ROOT}/*/n_correct")
def n_correct(s: Recomputed, k: int) -> int:
    return int(rows(s, k)["right"].sum())


def _chance(s: Recomputed, k: int) -> float:
    return CHANCE[s.words["discrimination"][k]["method"]]


@at(f"{ROOT}/*/n_critical")
def n_critical(s: Recomputed, k: int) -> int | None:
    n = n_trials(s, k)
    enough = np.flatnonzero(stats.binom.sf(np.arange(-1, n), n, _chance(s, k)) <= s.alpha)
    return int(enough[0]) if enough.size else None


@at(f"{ROOT}/*/p_value")
def exact_p(s: Recomputed, k: int) -> float:
    return float(stats.binom.sf(n_correct(s, k) - 1, n_trials(s, k), _chance(s, k)))


@at(f"{ROOT}/*/ci_low")
def low(s: Recomputed, k: int) -> float:
    """Clopper and Pearson (1934)."""
    right, n = n_correct(s, k), n_trials(s, k)
    return float(stats.beta.ppf(0.025, right, n - right + 1)) if right else 0.0


@at(f"{ROOT}/*/ci_high")
def high(s: Recomputed, k: int) -> float:
    right, n = n_correct(s, k), n_trials(s, k)
    return float(stats.beta.ppf(0.975, right + 1, n - right)) if right < n else 1.0


@at(f"{ROOT}/*/d_prime")
def pooled_d(s: Recomputed, k: int) -> float:
    return d_prime(n_correct(s, k) / n_trials(s, k), s.words["discrimination"][k]["method"])


@at(f"{ROOT}/*/p_holm")
def p_holm(s: Recomputed, k: int) -> float:
    """Adjust the tests between listeners of all pairs as one family."""

    def whole() -> dict[int, float]:
        table = s.words["discrimination"]
        panel = [
            n for n, row in enumerate(table) if row["listener"] is None and row["programme"] is None
        ]
        return dict(zip(panel, s.holm([_panel(s, n).p for n in panel]), strict=True))

    return s.once("discrimination holm", whole)[k]


@at(f"{ROOT}/*/panel/estimate")
def estimate(s: Recomputed, k: int) -> float:
    return _panel(s, k).estimate


@at(f"{ROOT}/*/panel/p_value")
def panel_p(s: Recomputed, k: int) -> float:
    return _panel(s, k).p


@at(f"{ROOT}/*/panel/ci_low")
def panel_low(s: Recomputed, k: int) -> float:
    return _panel(s, k).low


@at(f"{ROOT}/*/panel/ci_high")
def panel_high(s: Recomputed, k: int) -> float:
    return _panel(s, k).high


@at(f"{ROOT}/*/panel/d_prime_low")
def panel_d_low(s: Recomputed, k: int) -> float:
    return d_prime(_panel(s, k).low, s.words["discrimination"][k]["method"])


@at(f"{ROOT}/*/panel/d_prime_high")
def panel_d_high(s: Recomputed, k: int) -> float:
    return d_prime(_panel(s, k).high, s.words["discrimination"][k]["method"])


def predicted(s: Recomputed) -> list[tuple[str, str]]:
    """Return pair and programme of every prediction of audibility with an answer, in their order.

    Pairs in the order of the study's stages, programmes as in the study.
    """
    stages = sorted(row["id"] for row in s.plan["stages"])
    programmes = [row["id"] for row in s.plan["programmes"]]
    asked = set(s.asked["pair"])
    pairs = [f"{a}|{b}" for k, a in enumerate(stages) for b in stages[k + 1 :]]
    return [(pair, programme) for pair in pairs if pair in asked for programme in programmes]


@at("/audibility/*/proportion")
def audible(s: Recomputed, k: int) -> Any:
    pair, programme = predicted(s)[k]
    own = s.asked[(s.asked["pair"] == pair) & (s.asked["programme"] == programme)]
    own = own if len(own) else s.asked[s.asked["pair"] == pair]
    return float(own["right"].mean())
