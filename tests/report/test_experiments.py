"""Regions, doses, programmes and versions outside the comparison, from real analyses."""

from __future__ import annotations

import html
import re
from itertools import combinations
from typing import Any

import numpy as np
import pandas as pd
import pytest

from analysis.experiments.block import swap_design
from analysis.link.programmes import programme_table
from analysis.report.build import render_report
from analysis.run import analyse
from analysis.tables.stages import stage_table
from analysis.tables.trials import trial_table

WORTH = {"a": -1.4, "b": -0.9, "c": -0.3, "d": 0.2, "e": 0.9, "f": 1.5}


def paired(worth: dict[str, float], pairs: Any, *, seed: int = 1) -> pd.DataFrame:
    """Answers of 20 simulated listeners."""
    rng = np.random.default_rng(seed)
    rows = []
    for k in range(20):
        for n, (i, j) in enumerate(pairs, start=1):
            won = rng.random() < 1 / (1 + np.exp(worth[j] - worth[i]))
            music = ("kite", "tide")[(k + n) % 2]
            rows.append((f"p{k:02d}", "1", n, "paired", i, j, "a" if won else "b", music))
    names = ["listener", "session", "trial", "method", "stage_a", "stage_b", "answer", "programme"]
    return pd.DataFrame(rows, columns=names).assign(simulated=1)


def page_of(results: dict[str, Any]) -> str:
    return render_report({"study": {"title": "t", "simulated": True}, "results": results})


def section(page: str, key: str) -> str:
    """The text of a section."""
    found = re.search(rf'<section id="{key}".*?</section>', page, re.S)
    assert found, key
    text = re.sub(r"<svg.*?</svg>", "", found.group(0), flags=re.S)
    return re.sub(r"[^\S\u00a0]+", " ", html.unescape(re.sub(r"<[^>]+>", " ", text)))


@pytest.fixture(scope="module")
def linked() -> dict[str, Any]:
    stages = pd.DataFrame(
        {
            "stage": [*WORTH, "new", "far"],
            "metric_deviation_sd_db": [4 - 2 * v for v in WORTH.values()] + [3.0, 40.0],
            "metric_deviation_sd_db_repeat_sd": 0.1,
            "cost": [0.0, 300.0, 450.0, 700.0, 900.0, 1300.0, 1000.0, 1000.0],
            "labour_h": [0.0, 1.0, 2.0, 2.5, 4.0, 6.0, 5.0, 5.0],
        }
    )
    figures = pd.DataFrame(
        [
            {"programme": music, "stage": stage, "metric_excitation_d": 3 - worth}
            for music in ("kite", "tide")
            for stage, worth in WORTH.items()
        ]
    )
    pairs = [pair for pair in combinations(WORTH, 2) for _ in range(3)]
    return analyse(
        trial_table(paired(WORTH, pairs)),
        stages=stage_table(stages),
        programmes=programme_table(figures),
        primary_metric="deviation_sd_db",
        sealed_plan=True,
        mixed=False,
    ).to_dict()


def test_a_version_that_nobody_compared_has_its_share_or_the_reason(linked: dict[str, Any]) -> None:
    new, far = linked["predictions"]
    assert new["share"] is not None
    assert far["share"] is None
    text = section(page_of(linked), "predictions")
    assert f"{100 * new['share']:.0f}" in text
    assert re.search(r"No share for far ?: 40 lies outside the range that listeners heard", text)
    assert "root mean square" in text


def test_the_link_stands_there_programme_by_programme(linked: dict[str, Any]) -> None:
    text = section(page_of(linked), "link")
    (row,) = linked["link_programmes"]
    assert "Excitation-pattern difference D of the programme" in text
    assert f"mean {row['mean_spearman']:+.2f}" in text


def test_gains_by_price_have_intervals_and_figures_that_read(linked: dict[str, Any]) -> None:
    text = section(page_of(linked), "upgrade")
    assert re.search(r"Gain for 100 units of cost", text.replace("  ", " "))
    assert "Gain for an hour of labour" in text
    step = linked["upgrade"]["first_step"][0]
    assert f"+{100 * step['per_cost']:.3g}" in text
    assert f"+{100 * step['per_cost_high']:.3g}" in text
    assert f"{step['per_hour_high']:+.2f}" in text


def test_regions_by_swaps_are_drawn_and_told() -> None:
    regions = ("bass", "mid", "treble")
    weight = {"bass": 0.3, "mid": 0.0, "treble": 1.2}
    stages, worth = [], {}
    for n, run in enumerate(swap_design(regions)):
        name = f"swap-{n}"
        worth[name] = sum(weight[r] for r in regions if run[r])
        stages.append(
            {"stage": name} | {f"factor_region_{r}": "new" if run[r] else "old" for r in regions}
        )
    pairs = [pair for pair in combinations(worth, 2) for _ in range(2)]
    results = analyse(
        trial_table(paired(worth, pairs)), stages=stage_table(pd.DataFrame(stages)), mixed=False
    ).to_dict()
    treble = next(r for r in results["regions"]["regions"] if r["region"] == "treble")
    text = section(page_of(results), "regions")
    assert f"{treble['estimate']:+.2f}" in text
    assert treble["words"].replace(" %", "\u00a0%") in text or treble["words"] in text


def test_a_dose_curve_is_drawn_and_told() -> None:
    rng = np.random.default_rng(4)
    stages = [{"stage": f"d{d}", "factor_dose": f"{d}"} for d in (0, 25, 50, 100)]
    rows = []
    for k in range(16):
        for n in range(24):
            dose = (25, 50, 100)[n % 3]
            heard = rng.random() < {25: 0.0, 50: 0.5, 100: 0.95}[dose]
            x = ("d0", f"d{dose}")[n % 2]
            right = heard or rng.random() < 0.5
            answer = ("a" if x == "d0" else "b") if right else ("b" if x == "d0" else "a")
            rows.append((f"p{k:02d}", "1", n + 1, "abx", "d0", f"d{dose}", x, answer))
    names = ["listener", "session", "trial", "method", "stage_a", "stage_b", "stage_x", "answer"]
    results = analyse(
        trial_table(pd.DataFrame(rows, columns=names).assign(simulated=1)),
        stages=stage_table(pd.DataFrame(stages)),
        mixed=False,
    ).to_dict()
    text = section(page_of(results), "dose")
    assert "The smallest part of the step that listeners noticed is 50 %." in text
    assert re.search(r"d25 \(made\)\s+25\s%", text)


def test_an_experiment_in_front_is_no_advice_to_buy_it() -> None:
    worth = {"old": 0.0, "new": 0.4, "swap": 3.0}
    stages = pd.DataFrame({"stage": ["old", "swap"], "made": ["", "region swap"], "cost": 0.0})
    pairs = [pair for pair in combinations(worth, 2) for _ in range(6)]
    results = analyse(
        trial_table(paired(worth, pairs)), stages=stage_table(stages), mixed=False
    ).to_dict()
    assert results["upgrade"] is None  # one measured stage of the table is no choice
    front = max(results["preference"]["stages"], key=lambda row: row["p_best"])
    assert (front["stage"], front["p_best"] > 0.95) == ("swap", True)
    page = page_of(results)
    lead = re.search(r'<p class="lead">(.*?)</p>', page, re.S)
    assert lead is not None
    assert "was made for an experiment and cannot be bought" in lead.group(1)
    assert "swap (made)" in page
    assert "liked best" not in page
    # What is odd in the tables is told where the limits are.
    assert "it has no row for new, which the trials name" in section(page, "limits")


def test_without_such_results_there_are_no_such_sections(lean: dict[str, Any]) -> None:
    page = render_report(lean)
    for title in ("Which part of the spectrum", "Part of the way", "predictions"):
        assert title not in page
