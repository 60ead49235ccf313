"""Invented evidence: a boat, six stages, simulated listeners. No real data."""

from __future__ import annotations

import hashlib
import json
import math
from functools import cache
from typing import Any

import numpy as np
import pandas as pd

from analysis.answer.block import choose_answer
from analysis.answer.family import Design
from analysis.run import analyse
from analysis.tables.trials import trial_table
from helpers.whole_rows import whole_results

STAGES = (
    ("as-found", "As found", 0.0, 0.0, "bare", "aged", "none"),
    ("damped", "Wall damping", 520.0, 1.5, "damped", "aged", "none"),
    ("ceiling", "New loudspeakers", 410.0, 3.0, "bare", "new", "none"),
    ("refit", "Walls and ceiling", 930.0, 4.0, "damped", "new", "none"),
    ("low-unit", "Low-frequency unit", 1460.0, 7.5, "damped", "new", "fitted"),
    ("aligned", "Alignment", 1690.0, 9.0, "damped", "new", "fitted"),
)
WORTHS = (0.0, 0.22, 0.61, 0.93, 1.38, 1.61)
CLAIMS = (
    "listeners can tell refit from as-found",
    "listeners prefer ceiling over damped",
    "listeners prefer aligned most",
    "listeners prefer damped over refit",
)
BLOCKS = ("about", "discrimination", "preference", "reliability", "claims", "answer")
PROGRAMMES = ("kite-street", "slow-harbour", "pink-noise")
REGIONS = ("deep bass", "bass", "low mid", "mid", "presence", "treble")
F_HZ = [1000.0 * 10.0 ** (n / 10.0) for n in range(-17, 14)]


def _study() -> dict[str, Any]:
    return {
        "title": "Quernhollin: the saloon of the lake ferry Wendlefay",
        "note": "Invented example.",
        "simulated": True,
        "target_name": "house-curve",
        "plan": {
            "listeners": 16,
            "alpha": 0.05,
            "stopping": "fixed",
            "primary_metric": "deviation_sd_db",
            "claims": list(CLAIMS),
        },
        "stages": [
            {
                "id": i,
                "label": label,
                "cost": cost,
                "labour_h": hours,
                "factors": {"walls": walls, "ceiling": ceiling, "low_unit": unit}
                | {"alignment": "by measurement" if i == "aligned" else "none"},
            }
            for i, label, cost, hours, walls, ceiling, unit in STAGES
        ],
        "programmes": [
            {"id": "kite-street", "seconds": 20.0},
            {"id": "slow-harbour", "seconds": 20.0},
            {"id": "pink-noise", "seconds": 10.0},
        ],
        "tests": [
            {"method": "abx", "pairs": [["as-found", "refit"]], "trials": 4, "ties": False},
            {"method": "paired", "pairs": [], "trials": 1, "ties": False},
        ],
        "seed_commitment": hashlib.sha256(b"invented").hexdigest(),
        "seed": "696e76656e746564",
        "state": "closed",
        "n_sessions": 16,
    }


def _conduct() -> dict[str, Any]:
    return {
        "opened_at": "2026-05-04T08:11:02.100+00:00",
        "first_answer_at": "2026-05-04T09:00:41.200+00:00",
        "last_answer_at": "2026-05-22T17:31:09.300+00:00",
        "closed_at": "2026-05-22T18:02:55.400+00:00",
        "n_sittings": 17,
        "n_finished": 16,
        "n_unfinished": 0,
        "n_unanswered": 1,
        "n_withdrawn": 0,
        "n_after_closing": 0,
        "tests": [
            {
                "method": method,
                "planned_each": each,
                "answered_least": each,
                "answered_most": each,
                "n_answered": 16 * each,
                "n_sittings": 16,
                "n_short": 0,
            }
            for method, each in (("abx", 12), ("paired", 21))
        ],
        "outputs": [{"output": "headphones", "n_sittings": 16}, {"output": None, "n_sittings": 1}],
        "sealed": {
            "study_sha256": "ab" * 32,
            "manifest_sha256": "cd" * 32,
            "software": "0.1.0",
        },
        "present": {"study_sha256": "ab" * 32, "manifest_sha256": "cd" * 32},
        "software": [{"version": "0.1.0", "n_sittings": 17}],
        "earlier": [],
    }


def _measured() -> dict[str, Any]:
    rng = np.random.default_rng(20)
    target = [6.0 if f < 125 else 6.0 * max(0.0, 1 - math.log2(f / 125) / 0.678) for f in F_HZ]
    responses, deviations = [], []
    for rank, (stage, *_) in enumerate(STAGES):
        lack = (5 - rank) / 5
        shape = [
            -18 * lack * max(0.0, math.log2(90 / f)) / 2 - 4 * lack * max(0.0, math.log2(f / 5000))
            for f in F_HZ
        ]
        wiggle = rng.normal(0, 0.4 + 1.6 * lack, len(F_HZ))
        deviation = np.array(shape) + wiggle
        low, high = (80.0, 16000.0) if lack > 0.5 else (40.0, 18000.0)
        responses.append(
            {
                "stage": stage,
                "f_hz": F_HZ,
                "level_db": [74.2 + t + d for t, d in zip(target, deviation, strict=True)],
                "spread_db": [0.6 + 0.9 * abs(w) for w in rng.normal(0, 1, len(F_HZ))],
                "valid_low_hz": low,
                "valid_high_hz": high,
                "n_positions": 3,
            }
        )
        regions = {
            name: float(np.mean(part))
            for name, part in zip(REGIONS, np.array_split(deviation, 6), strict=True)
        }
        if low > 56:
            regions["deep bass"] = None  # type: ignore[assignment]
        deviations.append(
            {
                "stage": stage,
                "f_hz": F_HZ,
                "deviation_db": [float(d) for d in deviation],
                "offset_db": 74.2,
                "sd_db": float(deviation.std(ddof=1)),
                "mean_abs_db": float(np.abs(deviation).mean()),
                "tilt_db_per_octave": float(np.polyfit(np.log2(F_HZ), deviation, 1)[0]),
                "regions": regions,
            }
        )
    return {
        "responses": responses,
        "target": {"name": "house-curve", "f_hz": F_HZ, "level_db": target},
        "deviation": deviations,
    }


def _levels() -> list[dict[str, Any]]:
    rng = np.random.default_rng(21)
    return [
        {
            "stage": stage,
            "programme": programme,
            "loudness_after_lufs": -23.4 + float(rng.normal(0, 0.01)),
            "residual_lu": float(rng.normal(0, 0.01)),
            "true_peak_dbtp": -1.0 - float(rng.uniform(0, 4)),
            "gain_db": -6.0 + 0.5 * rank + float(rng.normal(0, 0.2)),
            "residuals": {
                "A-weighted": float(-0.12 * rank + rng.normal(0, 0.05)),
                "loudness sum": float(0.05 * rank + rng.normal(0, 0.05)),
            },
        }
        for rank, (stage, *_) in enumerate(STAGES)
        for programme in ("kite-street", "slow-harbour", "pink-noise")
    ]


def simulated_trials(*, n_listeners: int = 16, seed: int = 22) -> pd.DataFrame:
    """Answer a study by listeners who differ in what they like and how well they hear."""
    rng = np.random.default_rng(seed)
    rows: list[dict[str, Any]] = []
    for k in range(n_listeners):
        own = np.array(WORTHS) + rng.normal(0, 0.4, 6)
        skill = rng.uniform(0.7, 1.0)
        rows += _one_listener(f"L{k + 1:02d}", own, skill, rng)
    return pd.DataFrame(rows)


def _one_listener(
    name: str, worths: np.ndarray, skill: float, rng: np.random.Generator
) -> list[dict[str, Any]]:
    ids = [stage[0] for stage in STAGES]
    rows: list[dict[str, Any]] = []

    def ask(method: str, a: str, b: str, x: str, answer: str, control: str = "") -> None:
        rows.append(
            {
                "listener": name,
                "session": f"{name}-1",
                "trial": len(rows) + 1,
                "method": method,
                "programme": PROGRAMMES[len(rows) % 3],
                "stage_a": a,
                "stage_b": b,
                "stage_x": x,
                "answer": answer,
                "control": control,
                "simulated": 1,
            }
        )

    pairs = [(a, b) for a in range(6) for b in range(a + 1, 6)]
    for a, b in [*pairs, *pairs[:6]]:
        a, b = (a, b) if rng.random() < 0.5 else (b, a)
        first = rng.random() < 1 / (1 + math.exp(worths[b] - worths[a]))
        ask("paired", ids[a], ids[b], "", "a" if first else "b")
    for a, b, right in ((0, 3, 0.95), (3, 4, 0.85), (4, 5, 0.55)):
        for _ in range(4):
            x = "a" if rng.random() < 0.5 else "b"
            told = rng.random() < (right * skill + 0.5 * (1 - skill))
            answer = x if told else "ab".replace(x, "")
            ask("abx", ids[a], ids[b], ids[a] if x == "a" else ids[b], answer)
    told = rng.random() < 0.97
    ask("abx", ids[0], ids[5], ids[5], "b" if told else "a", "obvious")
    return rows


@cache
def _results() -> str:
    table = trial_table(simulated_trials())
    whole = analyse(table, claims=CLAIMS, reference="as-found").to_dict()
    found = {key: whole[key] for key in BLOCKS}
    return json.dumps(found)


def sample_evidence() -> dict[str, Any]:
    return {
        "study": _study(),
        "conduct": _conduct(),
        **_measured(),
        "levels": _levels(),
        "level_apart": [],
        "level_check": [
            {
                "name": "level",
                "passed": True,
                "figure": 0.021,
                "limit": 0.1,
                "words": "largest level residual within a programme, LU",
            },
            {
                "name": "tone",
                "passed": True,
                "figure": 0.13,
                "limit": 0.3,
                "words": "largest distance from the measured response, dB",
            },
        ],
        "schedule": {
            "pairs": [
                {"method": "paired", "pair": [STAGES[a][0], STAGES[b][0]], "first": 8, "second": 8}
                for a in range(6)
                for b in range(a + 1, 6)
            ],
            "n_trials": 240,
            "programmes": {"kite-street": 150, "slow-harbour": 151, "pink-noise": 150},
        },
        "results": json.loads(_results()),
        "software": {"earwitness": "0.1.0", "python": "3.11.2", "numpy": "2.4.6"},
        "hashes": {"study.toml": "ab" * 32, "stimuli/manifest.json": "cd" * 32},
    }


def choose_again(found: dict[str, Any], **design: Any) -> dict[str, Any]:
    """Choose the first sentences anew, from the verdicts as they stand now."""
    results = whole_results(found["results"])
    known = results["answer"]["design"] | design
    known["asked"] = tuple(tuple(pair) for pair in known["asked"])
    results["answer"] |= choose_answer(
        results["claims"],
        Design(**known),
        exploratory=False,
        upgrade=results.get("upgrade"),
        preference=results.get("preference"),
        discrimination=results["discrimination"],
    )
    return found


def _place(
    step: str, before: str, p_best: float, gain: tuple[float, float, float]
) -> dict[str, Any]:
    """Return a step of the invented order of work."""
    figures = dict(zip(("gain", "gain_low", "gain_high"), gain, strict=True))
    return {"step": step, "from_stage": before, "p_best": p_best, **figures}


def add_decision(found: dict[str, Any]) -> dict[str, Any]:
    """Add invented blocks of the later analyses: order of work, link, ratings, power."""
    results = found["results"]
    results["upgrade"] = {
        "n_trials": 336,
        "n_listeners": 16,
        "effects": [],
        "interactions": [],
        "first_step": [
            {
                "step": "ceiling",
                "p_best": 0.871,
                "gain": 0.61,
                "gain_low": 0.22,
                "gain_high": 1.01,
                "per_cost": 0.00149,
            },
            {
                "step": "damped",
                "p_best": 0.129,
                "gain": 0.24,
                "gain_low": -0.11,
                "gain_high": 0.6,
                "per_cost": 0.00046,
            },
        ],
        "order": [
            _place("ceiling", "as-found", 0.871, (0.61, 0.22, 1.01)),
            _place("damped", "ceiling", 0.64, (0.24, -0.11, 0.6)),
            _place("low-unit", "damped", 0.91, (0.5, 0.12, 0.9)),
        ],
        "orders": [
            {"path": ["ceiling", "refit", "low-unit"], "probability": 0.62},
            {"path": ["damped", "refit"], "probability": 0.2},
            {"path": [], "probability": 0.03},
            {"path": None, "probability": 0.15},
        ],
        "shapley": [
            {
                "factor": name,
                "level": level,
                "label": f"{name}: {before} → {level}",
                "estimate": gain,
                "se": 0.15,
                "low": gain - 0.3,
                "high": gain + 0.3,
                "p_positive": 0.97,
            }
            for name, before, level, gain in (
                ("walls", "bare", "damped", 0.24),
                ("ceiling", "aged", "new", 0.61),
            )
        ],
    }
    results["link"] = [
        {
            "metric": "deviation_sd_db",
            "primary": True,
            "n_stages": 6,
            "slope": -0.34,
            "se": 0.07,
            "df": 4,
            "p_exact": 0.0167,
            "spearman": -0.94,
            "lack_of_fit": {"statistic": 3.1, "df": 4, "p_value": 0.54},
            "verdict": "supported",
            "predicts": True,
            "declined_reason": None,
            "points": [
                {"stage": stage[0], "x": float(6 - k), "y": 0.3 * k - 0.75}
                for k, stage in enumerate(STAGES)
            ],
            "permutation_band": {"x": [0, 3, 6], "low": [-1, -0.4, -1], "high": [1, 0.4, 1]},
        },
        {
            "metric": "deviation_tilt_db_per_octave",
            "primary": False,
            "n_stages": 6,
            "slope": 0.2,
            "se": 0.4,
            "df": 4,
            "p_exact": 0.66,
            "spearman": 0.2,
            "lack_of_fit": {"statistic": 9.0, "df": 4, "p_value": 0.06},
            "verdict": "undecided",
            "declined_reason": None,
        },
    ]
    results["ratings"] = {"method": "rating", "n_trials": 288, "n_listeners": 16}
    results["ratings"]["stages"] = [
        {
            "stage": stage[0],
            "programme": None,
            "n_trials": 48,
            "n_listeners": 16,
            "minimum": 5.0 + 8 * k,
            "q1": 20.0 + 9 * k,
            "median": 31.0 + 9.5 * k,
            "q3": 44.0 + 9 * k,
            "maximum": 60.0 + 7.5 * k,
            "mean": 32.25 + 9 * k,
            "ci_low": 27.0 + 9 * k,
            "ci_high": 37.5 + 9 * k,
        }
        for k, stage in enumerate(STAGES)
    ]
    results["power"] = [
        {
            "what": what,
            "method": "paired",
            "power_as_run": power[3],
            "n_listeners": [4, 8, 12, 16, 24, 32],
            "power": power,
        }
        for what, power in (
            ("true share of 60 %", [0.1, 0.18, 0.27, 0.35, 0.5, 0.62]),
            ("true share of 75 %", [0.4, 0.68, 0.85, 0.94, 0.99, 1.0]),
        )
    ]
    results["power_claims"] = {
        "n_studies": 200,
        "n_listeners": 16,
        "n_trials": 672,
        "share": 0.7,
        "share_right": 0.7,
        "claims": [
            {
                "claim": text,
                "alone": alone,
                "alone_error": 0.05,
                "together": together,
                "together_error": 0.06,
                "impossible": None,
            }
            for text, alone, together in (
                ("listeners can tell damped from as-found", 0.93, 0.81),
                ("listeners prefer refit over ceiling", 0.72, 0.55),
            )
        ],
        "all": 0.47,
        "all_error": 0.07,
        "any": 0.995,
        "any_error": 0.02,
    }
    return choose_again(found, baseline="as-found", first_steps=("damped", "ceiling"))
