"""Invented evidence: a boat, six stages, simulated listeners. No real data."""

from __future__ import annotations

import copy
import hashlib
import math
from typing import Any

import numpy as np
import pytest

STAGES = (
    ("as-delivered", "As delivered", 0.0, 0.0, "stock", "stock", "none"),
    ("source", "New source unit", 520.0, 1.5, "new", "stock", "none"),
    ("speakers", "New cabin speakers", 410.0, 3.0, "stock", "new", "none"),
    ("both", "Source and speakers", 930.0, 4.0, "new", "new", "none"),
    ("sub", "Both with subwoofer", 1460.0, 7.5, "new", "new", "fitted"),
    ("tuned", "Subwoofer and tuning", 1690.0, 9.0, "new", "new", "fitted"),
)
WORTHS = (0.0, 0.22, 0.61, 0.93, 1.38, 1.61)
P_BEST = (0.0, 0.0, 0.0004, 0.0121, 0.1502, 0.8373)
REGIONS = ("deep bass", "bass", "low mid", "mid", "presence", "treble")
F_HZ = [1000.0 * 10.0 ** (n / 10.0) for n in range(-17, 14)]


def _study() -> dict[str, Any]:
    return {
        "title": "Kestrel Lane: cabin upgrade of the motor boat Ondine",
        "note": "Invented example.",
        "simulated": True,
        "target_name": "car-cabin",
        "plan": {
            "listeners": 16,
            "alpha": 0.05,
            "stopping": "fixed",
            "primary_metric": "deviation_sd_db",
            "claims": ["listeners prefer both over source"],
        },
        "stages": [
            {
                "id": i,
                "label": label,
                "cost": cost,
                "labour_h": hours,
                "factors": {"source": source, "speakers": speakers, "subwoofer": sub}
                | ({"tuning": "by measurement"} if i == "tuned" else {"tuning": "none"}),
            }
            for i, label, cost, hours, source, speakers, sub in STAGES
        ],
        "programmes": [
            {"id": "kite-street", "seconds": 20.0},
            {"id": "slow-harbour", "seconds": 20.0},
            {"id": "pink-noise", "seconds": 10.0},
        ],
        "tests": [
            {"method": "abx", "pairs": [["as-delivered", "both"]], "trials": 4, "ties": False},
            {"method": "paired", "pairs": [], "trials": 1, "ties": False},
        ],
        "seed_commitment": hashlib.sha256(b"invented").hexdigest(),
        "seed": "696e76656e746564",
        "state": "closed",
        "n_sessions": 16,
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
        "target": {"name": "car-cabin", "f_hz": F_HZ, "level_db": target},
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


def _preference() -> dict[str, Any]:
    rng = np.random.default_rng(22)
    pairs = []
    for a in range(6):
        for b in range(a + 1, 6):
            share = 1 / (1 + math.exp(WORTHS[b] - WORTHS[a]))
            wins = int(rng.binomial(16, share))
            centre = (wins + 1.92) / 19.84
            half = 1.96 * math.sqrt(wins * (16 - wins) / 16 + 0.96) / 19.84
            pairs.append(
                {
                    "pair": [STAGES[a][0], STAGES[b][0]],
                    "wins": wins,
                    "losses": 16 - wins,
                    "ties": 0,
                    "share": wins / 16,
                    "wilson_low": centre - half,
                    "wilson_high": centre + half,
                    "p_value": 0.0213,
                }
            )
    return {
        "method": "paired",
        "n_trials": 240,
        "n_listeners": 16,
        "reference": "as-delivered",
        "stages": [
            {
                "stage": STAGES[k][0],
                "log_worth": WORTHS[k],
                "se": 0.17 if k else 0.0,
                "se_cluster": 0.23 if k else 0.0,
                "worth": math.exp(WORTHS[k]) / sum(map(math.exp, WORTHS)),
                "p_best": P_BEST[k],
            }
            for k in range(6)
        ],
        "log_likelihood": -151.34256,
        "ties": None,
        "order_effect": {"estimate": 0.0812, "se": 0.1377},
        "pairs": pairs,
        "fit": {"deviance": 9.41, "df": 10},
    }


def _discrimination() -> list[dict[str, Any]]:
    cases = (
        ("as-delivered", "both", 58, 0.0000000000021, 0.9062, 0.8070, 0.9648, 2.41, 1.93, 2.99),
        ("both", "sub", 51, 0.0000011, 0.7969, 0.6777, 0.8872, 1.79, 1.29, 2.30),
        ("sub", "tuned", 37, 0.1302, 0.5781, 0.4482, 0.7006, 0.87, None, 1.42),
    )
    return [
        {
            "pair": [i, j],
            "method": "abx",
            "listener": None,
            "programme": None,
            "n_trials": 64,
            "n_listeners": 16,
            "n_correct": k,
            "n_critical": 40,
            "proportion": k / 64,
            "p_value": p,
            "ci_low": low,
            "ci_high": high,
            "d_prime": d,
            "d_prime_low": d_low,
            "d_prime_high": d_high,
        }
        for i, j, k, p, _, low, high, d, d_low, d_high in cases
    ]


def _claims() -> list[dict[str, Any]]:
    base = {"statistic": 3.12, "ci_low": 0.21, "ci_high": 1.13, "needs": None}
    return [
        base
        | {
            "text": "listeners hear both from as-delivered",
            "verdict": "supported",
            "test": "exact binomial, listeners combined",
            "p_value": 0.00000071,
            "words": "58 of 64 answers were right.",
        },
        base
        | {
            "text": "listeners prefer speakers over source",
            "verdict": "supported",
            "test": "Bradley-Terry contrast, listeners as clusters",
            "p_value": 0.0071,
            "words": None,
        },
        base
        | {
            "text": "listeners prefer tuned most",
            "verdict": "undecided",
            "test": "listener bootstrap",
            "p_value": None,
            "statistic": None,
            "ci_low": None,
            "ci_high": None,
            "needs": "about 30 more listeners of the same kind",
            "words": None,
        },
        base
        | {
            "text": "listeners prefer source over both",
            "verdict": "contradicted",
            "test": "Bradley-Terry contrast, listeners as clusters",
            "p_value": 0.0004,
            "words": None,
        },
    ]


def sample_evidence() -> dict[str, Any]:
    return {
        "study": _study(),
        **_measured(),
        "levels": _levels(),
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
            "programmes": {"kite-street": 150, "slow-harbour": 151, "pink-noise": 150},
        },
        "results": {
            "about": {
                "n_trials": 464,
                "n_listeners": 16,
                "simulated": True,
                "alpha": 0.05,
            },
            "discrimination": _discrimination(),
            "preference": _preference(),
            "claims": _claims(),
        },
        "software": {"earwitness": "0.1.0", "python": "3.11.2", "numpy": "2.4.6"},
        "hashes": {"study.toml": "ab" * 32, "stimuli/manifest.json": "cd" * 32},
    }


@pytest.fixture
def evidence() -> dict[str, Any]:
    return copy.deepcopy(sample_evidence())


@pytest.fixture(scope="session")
def full_evidence() -> dict[str, Any]:
    """The whole example, not to be changed."""
    return sample_evidence()


@pytest.fixture
def lean(evidence: dict[str, Any]) -> dict[str, Any]:
    """The same without the blocks whose figures take longest to draw."""
    for block in ("responses", "schedule", "levels"):
        del evidence[block]
    evidence["results"]["preference"]["pairs"] = []
    return evidence
