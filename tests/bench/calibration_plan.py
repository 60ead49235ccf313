"""Is what a plan prints the frequency with which whole studies support its claims?

Every row simulates studies trial by trial, with code that shares nothing with the plan's own
simulation, and runs the whole analysis on each table; the chance that the plan prints, from ten
times as many studies of its own, is the rate that the row is held to. Planned are a small panel of
whole sittings and the same mixed with short visits. Simulated listeners, no people.

``python tests/bench/bench_calibration.py --part plan``
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from calibration_rows import Cell

sys.path.insert(0, str(Path(__file__).parents[1]))  # for the study on paper

from abx.planning.power import ask_plan
from abx.schedule.planned_trials import PlannedPanels
from analysis.planning.findings import Findings, explore
from analysis.planning.supposed import Sizes
from analysis.run import analyse
from analysis.tables.trials import TrialTable, trial_table
from helpers.planned_study import planned_study

_TESTS = """\
method = "paired"
stages = "all"
trials = 2
---
method = "abx"
pairs = [["untouched", "damped"], ["untouched", "refit"]]
trials = 6
controls = { identical = 0, obvious = 1 }
"""
_CLAIMS = (
    "listeners can tell refit from untouched",
    "listeners cannot tell damped from untouched within 40 %",
    "listeners prefer refit over ceiling",
    "listeners prefer refit most",
)
#: True worths of the claims above at a share of 70 % where tastes have an SD of .5: the best leads
#: each rival by .9388 logits (Gauss-Hermite sum), and nobody hears damped from untouched.
_WORTH = {"refit": 0.9388, "damped": 0.0, "ceiling": 0.0, "untouched": 0.0}
_TASTE_SD, _RIGHT, _RIGHT_SD, _CONTROLS = 0.5, 0.7, 0.1, 0.98
_LISTENERS = 16


@cache
def _planned(visits: float, n: int) -> Findings:
    """Return what the plan prints, from `n` studies."""
    study = planned_study(_CLAIMS, tests=_TESTS, listeners=_LISTENERS)
    asked = ask_plan(study, Sizes(), visits=visits)
    assert asked is not None
    *_, found = explore(asked.question, n_studies=n, sizes=False, panels=False)
    return found


@cache
def _trials(visits: float) -> TrialTable:
    study = planned_study(_CLAIMS, tests=_TESTS, listeners=_LISTENERS)
    trials = PlannedPanels(study, visits=visits).trials(_LISTENERS)
    assert trials is not None
    return trials


def _beta(rng: np.random.Generator, mean: float, sd: float) -> float:
    size = mean * (1 - mean) / sd**2 - 1
    return float(rng.beta(mean * size, (1 - mean) * size))


def _answered(trials: TrialTable, rng: np.random.Generator) -> TrialTable:
    """Let listeners answer, one trial after the other."""
    frame = trials.frame.drop(columns=["correct", "rating"])
    tastes: dict[str, dict[str, float]] = {}
    sharpness: dict[str, float] = {}
    said = []
    for row in frame.to_dict("records"):
        who = str(row["listener"])
        taste = tastes.setdefault(who, {s: rng.normal(0, _TASTE_SD) for s in _WORTH})
        a, b = str(row["stage_a"]), str(row["stage_b"])
        if row["method"] == "paired":
            lead = _WORTH[a] + taste[a] - _WORTH[b] - taste[b]
            said.append("a" if rng.random() < 1 / (1 + np.exp(-lead)) else "b")
            continue
        p = 0.5
        if row["control"] == "obvious":
            p = _CONTROLS
        elif {a, b} == {"untouched", "refit"}:
            if who not in sharpness:
                sharpness[who] = _beta(rng, _RIGHT, _RIGHT_SD)
            p = sharpness[who]
        right = "a" if str(row["stage_x"]) == a else "b"
        wrong = "b" if right == "a" else "a"
        said.append(right if rng.random() < p else wrong)
    return trial_table(frame.assign(answer=said))


def _study(visits: float, outcome: Callable[[list[dict[str, Any]]], bool]) -> Any:
    def one(rng: np.random.Generator) -> bool:
        table = _answered(_trials(visits), rng)
        claims = analyse(table, claims=_CLAIMS, mixed=False, seed=1).to_dict()["claims"]
        return outcome(claims)

    return one


def _supported(k: int) -> Callable[[list[dict[str, Any]]], bool]:
    return lambda claims: claims[k]["verdict"] == "supported"


def _every(claims: list[dict[str, Any]]) -> bool:
    return all(claim["verdict"] == "supported" for claim in claims)


def cells(n: int) -> Iterator[Cell]:
    """Yield the rows; each study is a whole analysis, so a twentieth of the studies is run."""
    few = max(40, n // 20)
    for visits, people in ((0.0, "sittings"), (0.5, "half of them visits")):
        found = _planned(visits, 10 * few)
        for k, text in enumerate(_CLAIMS):
            nominal = found.together(k).share
            name = f"plan: {text.removeprefix('listeners ')}, {people}"[:58]
            one = _study(visits, _supported(k))
            yield Cell(name, _LISTENERS, "level", one, few, 900 + k, nominal)
        name = f"plan: all claims at once, {people}"
        yield Cell(name, _LISTENERS, "level", _study(visits, _every), few, 909, found.every.share)
