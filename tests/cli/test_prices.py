"""Unknown prices by the commands: what is written, what is shown, what the analysis says."""

from __future__ import annotations

import json
import tomllib

import numpy as np
import pandas as pd
import pytest

from helpers.cli_study import BANDS, table, write_study

CLAIMS = ("step damped before amplifier for its cost", "step damped before amplifier")


def answers(tmp_path):
    """Write paired answers of 12 listeners over three stages, and a table of their prices."""
    rng = np.random.default_rng(5)
    worth = {"as-found": 0.0, "damped": 1.0, "amplifier": 0.4}
    rows = [
        (f"p{k:02d}", a, b, "a" if rng.random() < 1 / (1 + np.exp(worth[b] - worth[a])) else "b")
        for k in range(12)
        for a in worth
        for b in worth
        if a != b
    ]
    trials = pd.DataFrame(rows, columns=["listener", "stage_a", "stage_b", "answer"])
    trials = trials.assign(method="paired", session="1")
    trials["trial"] = trials.groupby("listener").cumcount() + 1
    trials.to_csv(tmp_path / "trials.csv", index=False)
    return tmp_path / "trials.csv"


def analysed(earwitness, tmp_path, prices):
    (tmp_path / "stages.csv").write_text(prices, encoding="utf-8")
    options = [part for text in CLAIMS for part in ("--claim", text)]
    done = earwitness(
        *("analyse", str(answers(tmp_path)), "--stages", str(tmp_path / "stages.csv"), *options),
        *("--budget", "500", "--without", "groups", "--without", "tastes"),
        *("--report", str(tmp_path / "report.html"), "--json", str(tmp_path / "out.json")),
    )
    assert done.code == 0, done.err
    return done, json.loads((tmp_path / "out.json").read_text(encoding="utf-8"))


def test_one_unknown_price_is_told_from_table_to_page(earwitness, tmp_path):
    prices = "stage,cost,labour_h,currency\nas-found,0,0,kr\ndamped,,2,kr\namplifier,300,1,kr\n"
    done, results = analysed(earwitness, tmp_path, prices)
    upgrade = results["upgrade"]
    steps = {row["step"]: row for row in upgrade["first_step"]}
    assert (steps["damped"]["cost"], steps["damped"]["per_cost"]) == (None, None)
    assert steps["amplifier"]["per_cost"] is not None
    assert steps["amplifier"]["p_best_per_cost"] is None
    assert upgrade["budget"][0]["stage"] == "amplifier"
    assert upgrade["prices"]["unpriced"] == ["damped"]
    money, plain = results["claims"]
    assert (money["verdict"], money["p_value"]) == ("undecided", None)
    assert plain["p_value"] is not None
    reason = "The cost of damped is not known, so the gains for it cannot be compared."
    assert money["words"] == reason
    assert reason in done.out
    assert "budgets: damped is in none, since its price is not known" in done.out
    page = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert reason in page
    assert "whose price is not known" in page
    assert '<bdi class="u">kr</bdi>' in page


def test_a_price_of_nothing_and_an_unknown_one_differ(earwitness, tmp_path):
    free = "stage,cost\nas-found,0\ndamped,0\namplifier,300\n"
    done, results = analysed(earwitness, tmp_path, free)
    assert results["upgrade"]["budget"][0]["n_choices"] == 3
    assert "The cost of damped is not above that of as-found" in results["claims"][0]["words"]
    assert "not known" not in done.out
    unknown = "stage,cost\nas-found,\ndamped,100\namplifier,300\n"
    done, results = analysed(earwitness, tmp_path, unknown)
    assert results["upgrade"]["budget"] == []
    assert "budgets: not worked out, since the price of as-found is not known" in done.out


@pytest.mark.parametrize(
    ("row", "message"),
    [
        ("damped,-1,EUR", "line 3, column cost: -1 is negative"),
        ("damped,free,EUR", "line 3, column cost: 'free' is not a number"),
        ("damped,nan,EUR", "line 3, column cost: 'nan' is not a number"),
        ("damped,1," + "E" * 200, "line 3, column currency: the text has 200 characters"),
        ("damped,1,<b>", "line 3, column currency: '<b>' is no currency"),
    ],
)
def test_forged_prices_end_with_line_and_remedy(earwitness, tmp_path, row, message):
    (tmp_path / "stages.csv").write_text(f"stage,cost,currency\nas-found,0,\n{row}\n")
    done = earwitness("analyse", str(answers(tmp_path)), "--stages", str(tmp_path / "stages.csv"))
    assert done.code == 2
    assert message in done.err
    assert "Traceback" not in done.err


def test_new_and_add_write_only_prices_that_were_given(earwitness, tmp_path):
    assert earwitness("new", str(tmp_path / "bare"), "--stage", "old", "--stage", "new").code == 0
    text = (tmp_path / "bare" / "study.toml").read_text(encoding="utf-8")
    assert all("cost" not in stage for stage in tomllib.loads(text)["stages"])
    study = write_study(tmp_path / "study")
    for name, price in (("late", ()), ("later", ("--cost", "0", "--hours", "1.5"))):
        (tmp_path / f"{name}.csv").write_text(table(np.linspace(72, 69, len(BANDS))))
        added = earwitness("add", str(study), str(tmp_path / f"{name}.csv"), *price)
        assert added.code == 0, added.err
    stages = {
        stage["id"]: stage for stage in tomllib.loads((study / "study.toml").read_text())["stages"]
    }
    assert not {"cost", "labour_h"} & set(stages["late"])
    assert (stages["later"]["cost"], stages["later"]["labour_h"]) == (0.0, 1.5)
    shown = earwitness("stages", str(study)).out
    assert shown.count("Price: not known; hours of labour not known") == 3
    assert "Price: 0; 1.5 h of labour" in shown


@pytest.mark.parametrize("cost", ["nan", "inf", "-1", "free"])
def test_add_refuses_what_is_no_price(earwitness, tmp_path, cost):
    study = write_study(tmp_path / "study")
    before = (study / "study.toml").read_bytes()
    (tmp_path / "late.csv").write_text(table(np.linspace(72, 69, len(BANDS))))
    refused = earwitness("add", str(study), str(tmp_path / "late.csv"), "--cost", cost)
    assert refused.code == 2
    assert "Traceback" not in refused.err
    assert (study / "study.toml").read_bytes() == before
