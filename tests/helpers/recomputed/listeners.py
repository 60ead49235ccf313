"""Values of the block ``reliability``: repeats, controls, circular triads, agreement."""

from __future__ import annotations

from collections import defaultdict
from itertools import combinations
from math import comb
from typing import Any

import numpy as np
import pandas as pd

from helpers.recomputed.shares import CHANCE
from helpers.recomputed.study import Recomputed, at

ROOT = "/results/reliability"


def _name(s: Recomputed, k: int) -> str:
    return str(s.words["reliability"]["listeners"][k]["listener"])


def _in_order(s: Recomputed, frame: pd.DataFrame) -> pd.DataFrame:
    return frame.assign(number=frame["trial"].astype(int)).sort_values(["session", "number"])


@at(f"{ROOT}/listeners/*/n_trials")
def n_trials(s: Recomputed, k: int) -> int:
    return int((s.trials["listener"] == _name(s, k)).sum())


# repeats -----------------------------------------------------------------------------------


def _asked(s: Recomputed, name: str) -> list[dict[str, Any]]:
    """Return one listener's questions in order: what was asked, what was said, and by which kinds.

    ``chance`` holds the shares of the kinds of answers that this question offers, by even guessing
    and by the listener's own letters.
    """
    scored = s.asked[s.asked["listener"] == name]
    voted = s.paired[s.paired["listener"] == name]
    rows: list[dict[str, Any]] = []
    ties = bool((s.paired["answer"] == "tie").any())
    letters = {
        method: part["answer"].value_counts(normalize=True)
        for method, part in pd.concat([scored, voted]).groupby("method")
    }
    for _, row in _in_order(s, pd.concat([scored, voted])).iterrows():
        own = letters[row["method"]]
        if row["method"] == "paired":
            a, b = row["stage_a"], row["stage_b"]
            pair, even = "|".join(sorted((a, b))), 1 / 3 if ties else 1 / 2
            said = {"a": a, "b": b, "tie": ""}[row["answer"]]
            kinds = {a: own.get("a", 0.0), b: own.get("b", 0.0), "": own.get("tie", 0.0)}
            flat = {a: even, b: even, "": 1 - 2 * even}
        else:
            pair, even, said = row["pair"], CHANCE[row["method"]], row["right"]
            share = own.get(row["side"], 0.0)
            kinds, flat = {1: share, 0: 1 - share}, {1: even, 0: 1 - even}
        question = (row["method"], row["programme"], pair)
        rows.append({"question": question, "said": said, "own": kinds, "even": flat})
    return rows


def _repeats(s: Recomputed, k: int) -> tuple[int, int, float]:
    """Return second askings, those answered alike, and the sum of their chances by guessing."""

    def work() -> tuple[int, int, float]:
        by_question = defaultdict(list)
        for row in _asked(s, _name(s, k)):
            by_question[row["question"]].append(row)
        n, alike, chance = 0, 0, 0.0
        for rows in by_question.values():
            for first, second in zip(rows[::2], rows[1::2], strict=False):
                n, alike = n + 1, alike + (first["said"] == second["said"])
                chance += max(
                    sum(first[by][kind] * second[by][kind] for kind in first[by])
                    for by in ("own", "even")
                )
        return n, alike, chance

    return s.once(("repeats", k), work)


@at(f"{ROOT}/listeners/*/n_repeats")
def n_repeats(s: Recomputed, k: int) -> int:
    return _repeats(s, k)[0]


@at(f"{ROOT}/listeners/*/repeat_agreement")
def agreement(s: Recomputed, k: int) -> float | None:
    n, alike, _ = _repeats(s, k)
    return alike / n if n else None


@at(f"{ROOT}/listeners/*/repeat_chance")
def repeat_chance(s: Recomputed, k: int) -> float | None:
    n, _, chance = _repeats(s, k)
    return chance / n if n else None


# controls ----------------------------------------------------------------------------------


def _obvious(s: Recomputed, k: int) -> pd.DataFrame:
    forced = s.forced
    return forced[(forced["control"] == "obvious") & (forced["listener"] == _name(s, k))]


@at(f"{ROOT}/listeners/*/controls/obvious/scored")
def scored(s: Recomputed, k: int) -> int:
    return len(_obvious(s, k))


@at(f"{ROOT}/listeners/*/controls/obvious/passed")
def passed(s: Recomputed, k: int) -> int | None:
    own = _obvious(s, k)
    return int(own["right"].sum()) if len(own) else None


# circular triads ---------------------------------------------------------------------------


def _robins(s: Recomputed, k: int) -> list[tuple[int, int]]:
    """Return stages and circular triads of the complete round-robins, closed ones only.

    Those within a programme; where a listener has none, those over all programmes.
    """

    def work() -> list[tuple[int, int]]:
        own = _in_order(s, s.paired[s.paired["listener"] == _name(s, k)])
        complete = [
            robin for _, part in own.groupby("programme") for robin in _complete(part)
        ] or _complete(own)
        return [found for found in complete if found[1] >= 0]

    return s.once(("robins", k), work)


def _complete(frame: pd.DataFrame) -> list[tuple[int, int]]:
    """Return the round-robins made of the first answers to every pair, of the second, and so on."""
    rounds: dict[int, dict[frozenset[str], str]] = defaultdict(dict)
    seen: dict[frozenset[str], int] = defaultdict(int)
    for a, b, said in zip(frame["stage_a"], frame["stage_b"], frame["answer"], strict=True):
        pair = frozenset((a, b))
        rounds[seen[pair]][pair] = {"a": a, "b": b, "tie": ""}[said]
        seen[pair] += 1
    found = []
    for answers in rounds.values():
        stages = sorted(frozenset().union(*answers))
        if len(stages) < 3 or len(answers) != comb(len(stages), 2):
            continue
        if "" in answers.values():
            found.append((len(stages), -1))
            continue
        # A ring of three has three different winners.
        rings = sum(
            len({answers[frozenset(two)] for two in combinations(three, 2)}) == 3
            for three in combinations(stages, 3)
        )
        found.append((len(stages), rings))
    return found


@at(f"{ROOT}/listeners/*/circular_triads")
def triads(s: Recomputed, k: int) -> int | None:
    robins = _robins(s, k)
    return sum(rings for _, rings in robins) if robins else None


@at(f"{ROOT}/listeners/*/circular_chance")
def triads_by_chance(s: Recomputed, k: int) -> float | None:
    """Return as many as guessing gives: two of the eight ways to answer a three are rings."""
    robins = _robins(s, k)
    return sum(comb(n, 3) / 4 for n, _ in robins) if robins else None


@at(f"{ROOT}/listeners/*/zeta")
def zeta(s: Recomputed, k: int) -> float | None:
    """Kendall and Babington Smith (1940)."""
    robins = _robins(s, k)
    each = [1 - 24 * rings / (n**3 - (n if n % 2 else 4 * n)) for n, rings in robins]
    return float(np.mean(each)) if robins else None


@at(f"{ROOT}/kendall_u")
def kendall_u(s: Recomputed) -> float:
    """Return twice the chance that two listeners' answers to a pair agree, less 1.

    A listener who was asked twice counts with the share of the answers.
    """
    frame = s.paired
    low = frame[["stage_a", "stage_b"]].min(axis=1)
    high = frame[["stage_a", "stage_b"]].max(axis=1)
    vote = np.where(frame["answer"] == "a", frame["stage_a"], frame["stage_b"]) == low
    vote = np.where(frame["answer"] == "tie", 0.5, vote)
    shares = pd.Series(vote).groupby([frame["listener"].to_numpy(), (low + "|" + high).to_numpy()])
    together = couples = 0.0
    for _, column in shares.mean().groupby(level=1):
        for p, q in combinations(column, 2):
            together += p * q + (1 - p) * (1 - q)
            couples += 1
    return 2 * together / couples - 1
