"""Values of the claims: their tests, their adjustment as a family, and what turns them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats

from helpers.recomputed import hearing, resampled
from helpers.recomputed.pair_fit import Answers, Fit, fit
from helpers.recomputed.preference import answers, main_fit, reference
from helpers.recomputed.shares import CHANCE, logistic, p_written
from helpers.recomputed.steps import best_step, ladder
from helpers.recomputed.study import Drawn, Recomputed, at

ROOT = "/results/claims"


@dataclass(frozen=True)
class Judged:
    """One claim's figures, and the chance of guessing or the panels that its words name."""

    p: float
    statistic: float
    estimate: float
    low: float
    high: float
    direction: int
    n_trials: int
    n_listeners: int
    logits: bool
    rival: str | None = None


def judge(
    row: Mapping[str, Any], s: Recomputed, forced: pd.DataFrame, voted: Fit, *, once: bool = True
) -> Judged:
    """Judge a claim by some answers."""
    kind, stages = row["kind"], row["stages"]
    if kind == "hear":
        own = forced[forced["pair"] == "|".join(sorted(stages))]
        found = hearing.between(own, every_answer=not once)
        ends = found.estimate, found.low, found.high
        return Judged(
            found.p, found.statistic, *ends, 1, len(own), own["listener"].nunique(), False
        )
    if kind in ("most", "most of"):
        return _most(stages, voted)
    assert kind in ("prefer", "step"), f"the claim {row['text']!r} is of a kind not worked out here"
    weights = {stages[0]: 1.0, stages[1]: -1.0}
    if kind == "step" and row.get("per"):
        base, table = ladder(s).baseline, ladder(s).hours
        table = ladder(s).cost if row["per"] == "cost" else table
        unit = [table[name] - table[base] for name in stages]
        weights = {stages[0]: 1 / unit[0], stages[1]: -1 / unit[1]}
        weights[base] = -sum(weights.values())
    found = voted.contrast(weights)
    ends, direction = (found.estimate, found.low, found.high), 1 if found.estimate > 0 else -1
    return Judged(
        found.p, found.statistic, *ends, direction, voted.n_trials, voted.n_listeners, True
    )


def _most(stages: list[str], voted: Fit) -> Judged:
    """Be ahead of every rival (Berger 1982): the error is shared with the opposite verdict."""
    rivals = stages[1:] or [name for name in voted.stages if name != stages[0]]
    found = {name: voted.difference(stages[0], name) for name in rivals}
    k = len(rivals)
    ahead = {name: one.p_first * (k + 1) / k for name, one in found.items()}
    behind = {name: (1 - one.p_first) * (k + 1) for name, one in found.items() if one.estimate <= 0}
    p = min(1.0, min(behind.values()) if behind else max(ahead.values()))
    rival = min(found, key=lambda name: found[name].estimate)
    near = found[rival]
    ends = near.estimate, near.low, near.high
    return Judged(
        *(p, near.statistic, *ends, -1 if behind else 1),
        *(voted.n_trials, voted.n_listeners, True, rival),
    )


def judged(s: Recomputed, k: int) -> Judged:
    """Return the figures of a declared claim."""
    row = s.words["claims"][k]
    assert row["who"] is None, "claims about some listeners only are not worked out here"
    return s.once(("claim", k), lambda: judge(row, s, s.asked, main_fit(s)))


def adjusted(s: Recomputed) -> list[float]:
    """Return the p-values of all claims by Holm."""
    work = lambda: s.holm([judged(s, k).p for k in range(len(s.words["claims"]))])  # noqa: E731
    return s.once("claims holm", work)


def _register() -> None:
    names = {"p_value": "p", "statistic": "statistic", "estimate": "estimate", "ci_low": "low"}
    names |= {"ci_high": "high", "n_trials": "n_trials", "n_listeners": "n_listeners"}
    for key, name in names.items():

        def value(s: Recomputed, k: int, name: str = name) -> Any:
            return getattr(judged(s, k), name)

        at(f"{ROOT}/*/{key}")(value)
    for key, name in {"share": "estimate", "share_low": "low", "share_high": "high"}.items():

        def share(s: Recomputed, k: int, name: str = name) -> float:
            return logistic(getattr(judged(s, k), name))

        at(f"{ROOT}/*/{key}")(share)


_register()


@at(f"{ROOT}/*/p_holm")
def p_holm(s: Recomputed, k: int) -> float:
    return adjusted(s)[k]


@at(f"{ROOT}/*/sensitivity/rows/*/p_value")
def turned(s: Recomputed, k: int, n: int) -> float:
    """Judge a claim again, with other weights or without listeners or a programme."""
    row = s.words["claims"][k]
    variant = row["sensitivity"]["rows"][n]
    out, kind = variant["left_out"], variant["kind"]
    if kind == "listeners":
        return judged(s, k).p
    if kind == "answers":
        every = s.once("every answer", lambda: fit(answers(s), reference=reference(s), once=False))
        return judge(row, s, s.asked, every, once=False).p
    column = "programme" if kind == "programme" else "listener"
    forced = s.asked[~s.asked[column].isin(out)]
    rest = s.paired[~s.paired[column].isin(out)]
    voted = s.once(("without", column, *out), lambda: fit(Answers.of(rest)))
    return judge(row, s, forced, voted).p


# the first screen --------------------------------------------------------------------------


@at("/results/answer/n_trials")
def answer_trials(s: Recomputed) -> int:
    hearing_only = s.words["answer"]["question"] == "told apart"
    return len(s.asked) if hearing_only else main_fit(s).n_trials


@at("/results/answer/n_listeners")
def answer_listeners(s: Recomputed) -> int:
    hearing_only = s.words["answer"]["question"] == "told apart"
    return s.asked["listener"].nunique() if hearing_only else main_fit(s).n_listeners


@at("/results/answer/beside/*/p")
def in_front(s: Recomputed, k: int) -> Any:
    """Return in how many panels a step gains most, or a stage is liked most."""
    names = s.words["answer"]["beside"][k]["names"]
    if names.get("step"):
        return best_step(s, ladder(s).baseline, names["step"][0])
    found = main_fit(s)
    shares = resampled.first(s, resampled.panels(s, answers(s), found))
    return shares[found.stages.index(names["front"][0])]


@at("/results/answer/rests_on/*/share")
def rests_on(s: Recomputed, k: int) -> float:
    """Return the share right of a pair, or of choices for the stage that is named first."""
    row = s.words["answer"]["rests_on"][k]
    if row["relation"] == "hear":
        return hearing.between(hearing.of_pair(s, [row["first"], row["second"]])).estimate
    if row["relation"] == "most":
        found = _most([row["first"], *row["rivals"]], main_fit(s))
        return logistic(found.estimate)
    return logistic(main_fit(s).difference(row["first"], row["second"]).estimate)


# words -------------------------------------------------------------------------------------


def percents(*shares: float) -> set[str]:
    """Return how shares are written; 12.5 becomes 13."""
    return {f"{np.floor(100 * share + 0.5):.0f} %" for share in shares}


def in_panels(s: Recomputed, k: int) -> Drawn:
    """Return in how many resampled panels the stage that leads by a claim comes first."""
    row, found = s.words["claims"][k], main_fit(s)
    step = row["kind"] == "step" and row["per"] is None
    assert step or row["kind"] in ("most", "most of"), row["text"]
    panel = resampled.panels(s, answers(s), found)
    names = row["stages"] if len(row["stages"]) > 1 else [*row["stages"], *found.stages]
    names = list(dict.fromkeys(names))
    behind = step and judged(s, k).estimate < 0
    return resampled.first(s, resampled.of(panel, found.stages, names))[int(behind)]


def said(s: Recomputed, k: int) -> set[str]:
    """Return every number that the words of a claim may hold, as it is written there."""
    row, one = s.words["claims"][k], judged(s, k)
    n = len(s.words["claims"])
    known = {str(one.n_trials), str(one.n_listeners), str(n), "95 %"}
    ends = one.estimate, one.low, one.high
    known |= percents(*(map(logistic, ends) if one.logits else ends))
    known |= p_written(one.p) | p_written(adjusted(s)[k])
    if row["kind"] == "hear":
        known |= percents(CHANCE[row["method"]])
    if row["kind"] in ("prefer", "step"):
        pair = s.paired[["stage_a", "stage_b"]].isin(row["stages"]).all(axis=1)
        known.add(str(int(pair.sum())))
    return known


def listeners_needed(s: Recomputed, k: int) -> int:
    """Return how many listeners a new study would take, by the normal approximation.

    The level is the claim's share of alpha; of rivals the one that is hardest to settle decides.
    """
    row, one = s.words["claims"][k], judged(s, k)
    level = s.alpha / len(s.words["claims"])
    sides = 1 if row["kind"] == "hear" else 2
    wanted = stats.norm.ppf(1 - level / sides) + stats.norm.ppf(0.8)
    ratio = wanted / abs(one.statistic)
    return max(int(np.ceil(one.n_listeners * ratio**2)), one.n_listeners + 1)
