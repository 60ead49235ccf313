"""An unknown price through the analysis: unknown is never free, and what it leaves open is said."""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
import pytest

from analysis.about import json_ready
from analysis.claims.grammar import parse_claim
from analysis.claims.link import find_link_claim
from analysis.models.bootstrap import WorthDraws
from analysis.preference.fit import fit_preference
from analysis.tables.stages import read_stages, stage_table
from analysis.tables.trials import trial_table
from analysis.upgrade.block import upgrade_block
from analysis.upgrade.lattice import make_lattice
from analysis.upgrade.order import budget_rows, step_rows
from stimuli.files.errors import InputError

from .conftest import answers

NAN = float("nan")
WORTH = {"none": 0.0, "a": 1.0, "b": 0.4, "ab": 1.8}
TABLE = pd.DataFrame(
    {
        "stage": list(WORTH),
        "cost": [0.0, 400.0, 100.0, 500.0],
        "labour_h": [0.0, 2.0, 4.0, 5.0],
        "factor_panel": ["bare", "damped", "bare", "damped"],
        "factor_amplifier": ["old", "old", "new", "new"],
    }
)
# Laid down rather than sampled: in the first three of four panels a gains more than b.
DRAWS = [[0.0, 1.0, 0.5, 2.0]] * 3 + [[0.0, 0.5, 1.0, 2.0]]


@pytest.fixture(scope="module")
def found():
    return fit_preference(trial_table(answers(WORTH)), n_draws=200)


@pytest.fixture(scope="module")
def fit(found):
    return found.main


@pytest.fixture
def draws():
    return WorthDraws(tuple(WORTH), np.array(DRAWS), 10, 0)


def lattice_of(**columns):
    return make_lattice(stage_table(TABLE.assign(**columns)), tuple(WORTH))


# where the steps start -----------------------------------------------------------------


@pytest.mark.parametrize(
    ("cost", "start"),
    [
        ([0.0, 400.0, 100.0, 500.0], "none"),
        ([300.0, 400.0, 100.0, 500.0], "b"),  # all known: the cheapest
        ([NAN, 400.0, 100.0, 500.0], "none"),  # b is not the cheapest: nobody knows
        ([NAN, 400.0, 0.0, 500.0], "b"),  # no price is below 0
        ([NAN] * 4, "none"),
    ],
)
def test_an_unknown_cost_is_never_taken_as_the_least(cost, start):
    assert lattice_of(cost=cost).baseline == start


# gains ---------------------------------------------------------------------------------


def test_a_step_of_unknown_price_has_no_gain_for_money_and_none_is_best(fit, draws):
    rows = step_rows(lattice_of(cost=[0.0, NAN, 100.0, 500.0]), fit, draws)
    rows = {row["step"]: row for row in rows}
    assert rows["a"]["per_cost"] is None
    assert rows["a"]["per_cost_low"] is None
    assert rows["b"]["per_cost"] == pytest.approx(rows["b"]["gain"] / 100)
    # The price of one is not known, so none is the best for its cost; hours are known.
    assert [rows[s]["p_best_per_cost"] for s in "ab"] == [None, None]
    # Counted by hand: 1 / 2 against 0.5 / 4 in three panels, 0.5 / 2 against 1 / 4 in the fourth,
    # which they share.
    assert [rows[s]["p_best_per_hour"] for s in "ab"] == [0.875, 0.125]


def test_with_an_unknown_start_no_difference_of_prices_is_known(fit, draws):
    for row in step_rows(lattice_of(cost=[NAN, 400.0, 100.0, 500.0]), fit, draws):
        assert np.isnan(row["cost"])
        assert row["per_cost"] is None
        assert row["p_best_per_cost"] is None


def test_a_price_of_nothing_that_was_typed_stays_nothing(fit, draws):
    lattice = lattice_of(cost=[0.0, 0.0, 100.0, 500.0])
    rows = {row["step"]: row for row in step_rows(lattice, fit, draws)}
    assert rows["a"]["cost"] == 0
    assert rows["a"]["per_cost"] is None
    assert budget_rows(lattice, fit, draws, budgets=[0])[0]["stage"] == "a"


# budgets -------------------------------------------------------------------------------


def test_what_has_no_price_is_in_no_budget_and_is_named(fit, draws):
    lattice = lattice_of(cost=[0.0, NAN, 100.0, NAN])
    rows = budget_rows(lattice, fit, draws, budgets=[50, 1e9])
    assert [row["stage"] for row in rows] == ["none", "b"]
    assert [row["n_choices"] for row in rows] == [1, 2]
    assert [row["unpriced"] for row in rows] == [["a", "ab"]] * 2
    assert budget_rows(lattice, fit, draws, budgets=[-1])[0]["unpriced"] == ["a", "ab"]
    assert budget_rows(lattice_of(), fit, draws, budgets=[50])[0]["unpriced"] == []
    assert budget_rows(lattice_of(cost=[NAN, 1.0, 2.0, 3.0]), fit, draws, budgets=[50]) == []


def test_with_an_hourly_rate_a_budget_covers_both_parts(fit, draws):
    lattice = lattice_of(hourly_rate=60.0, currency="EUR")
    rows = budget_rows(lattice, fit, draws, budgets=[400, 520, 800])
    # By hand: b 100 + 4 h at 60 = 340, a 400 + 2 h = 520, both 500 + 5 h = 800.
    assert [(row["stage"], row["spent"]) for row in rows] == [("b", 340), ("a", 520), ("ab", 800)]
    assert [(row["cost"], row["labour_h"], row["labour_cost"], row["total"]) for row in rows] == [
        (100, 4, 240, 340),
        (400, 2, 120, 520),
        (500, 5, 300, 800),
    ]
    some = lattice_of(hourly_rate=60.0, labour_h=[0.0, NAN, 4.0, 5.0])
    rows = budget_rows(some, fit, draws, budgets=[520])
    assert (rows[0]["stage"], rows[0]["unpriced"]) == ("b", ["a"])


def test_steps_show_labour_in_money_only_with_a_rate(fit, draws):
    rows = {row["step"]: row for row in step_rows(lattice_of(hourly_rate=60.0), fit, draws)}
    assert (rows["a"]["labour_cost"], rows["a"]["total"]) == (120, 520)
    assert rows["a"]["per_cost"] == pytest.approx(rows["a"]["gain"] / 400)  # of cost alone
    plain = step_rows(lattice_of(), fit, draws)
    assert {(row["labour_cost"], row["total"]) for row in plain} == {(None, None)}


def test_the_block_names_what_is_not_known(found):
    stages = stage_table(TABLE.assign(cost=[0.0, NAN, 100.0, 500.0], currency="EUR"))
    block = upgrade_block(found, stages)
    assert block["prices"] == {
        "currency": "EUR",
        "hourly_rate": None,
        "cost_unknown": ["a"],
        "labour_unknown": [],
        "unpriced": ["a"],
    }
    assert json.dumps(json_ready(block), allow_nan=False)


# claims --------------------------------------------------------------------------------


def judged(found, text, **columns):
    return find_link_claim(
        parse_claim(text),
        cells=(),
        preference=found,
        links=(),
        stages=stage_table(TABLE.assign(**columns)),
        alpha=0.05,
    )


@pytest.mark.parametrize(
    ("what", "column", "values", "reason", "needs"),
    [
        (
            "cost",
            "cost",
            [0.0, NAN, 100.0, 500.0],
            "The cost of a is not known, so the gains for it cannot be compared.",
            "the cost of a, entered as cost in the study or the stage table",
        ),
        (
            "cost",
            "cost",
            [NAN, NAN, 100.0, 500.0],
            "The cost of a and none is not known, so the gains for it cannot be compared.",
            "the cost of a and none, entered as cost in the study or the stage table",
        ),
        (
            "labour",
            "labour_h",
            [0.0, 2.0, NAN, 5.0],
            "The labour of b is not known, so the gains for it cannot be compared.",
            "the labour of b, entered as labour_h in the study or the stage table",
        ),
        (
            "cost",
            "cost",
            [0.0, 0.0, 100.0, 500.0],
            "The cost of a is not above that of none, so a gain for it is not defined.",
            "steps that both take cost",
        ),
    ],
)
def test_a_claim_for_a_price_that_is_not_known_stays_open(
    found, what, column, values, reason, needs
):
    finding = judged(found, f"step a before b for its {what}", **{column: values})
    assert finding.direction == 0
    assert np.isnan(finding.p_value)
    assert finding.words == {"undecided": reason}
    assert finding.needs == needs
    # An unknown price of a third stage, or of the other kind, holds nothing back.
    others = {"cost": [0.0, 400.0, 100.0, NAN], "labour_h": [NAN] * 4}
    other = judged(found, "step a before b for its cost", **others)
    assert np.isfinite(other.p_value)


# the stage table -----------------------------------------------------------------------


def written(tmp_path, *lines):
    path = tmp_path / "stages.csv"
    path.write_text("\n".join(lines), encoding="utf-8")
    return path


def test_currency_and_rate_are_read_from_the_table(tmp_path):
    head = "stage;cost;labour_h;currency;hourly_rate"
    table = read_stages(written(tmp_path, head, "old;0;0;€;62,5", "new;;1,5;;", "best;3;2;€;62,5"))
    assert (table.currency, table.hourly_rate) == ("€", 62.5)
    assert np.isnan(table.frame["cost"].iloc[1])
    assert table.notes == ()
    bare = read_stages(written(tmp_path, "stage;currency;hourly_rate", "old;;", "new;;"))
    assert (bare.currency, bare.hourly_rate) == ("", None)


@pytest.mark.parametrize(
    ("rows", "message"),
    [
        (("old,0,EUR,60", "new,1,USD,60"), "line 3, column currency: 'USD' after 'EUR'"),
        (("old,0,100,60", "new,1,,60"), "line 2, column currency: '100' is no currency"),
        (("old,0,=1+1,60", "new,1,,60"), "line 2, column currency: '=1+1' is no currency"),
        (("old,0,<b>,60", "new,1,,60"), "line 2, column currency: '<b>' is no currency"),
        (("old,0," + "E" * 200 + ",60", "new,1,,"), "currency: the text has 200 characters"),
        (("old,0,EUR,60", "new,1,EUR,65"), "line 3, column hourly_rate: 65 after 60"),
        (("old,0,EUR,-60", "new,1,EUR,-60"), "line 2, column hourly_rate: -60 is negative"),
        (("old,0,EUR,nan", "new,1,EUR,cheap"), "'nan' is not a number"),
        (
            ("old,0,EUR,60", "new,1,EUR,cheap"),
            "line 3, column hourly_rate: 'cheap' is not a",
        ),
        (("old,,EUR,60", "new,,EUR,60"), "line 2, column hourly_rate: no stage has hours"),
    ],
)
def test_forged_currencies_and_rates_are_refused(tmp_path, rows, message):
    with pytest.raises(InputError) as caught:
        read_stages(written(tmp_path, "stage,labour_h,currency,hourly_rate", *rows))
    assert message in str(caught.value)
    assert caught.value.remedy
