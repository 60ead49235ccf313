"""Claims about metrics, steps, the best of some, and one listener."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from analysis.claims.grammar import parse_claim
from analysis.claims.judge import Heard, judge_claims
from analysis.hearing.pair_cells import forced_choice_cells
from analysis.link.block import fit_links
from analysis.preference.fit import fit_preference
from analysis.run import analyse
from analysis.tables.stages import stage_table
from analysis.tables.trials import trial_table
from stimuli.files.errors import InputError

from .conftest import answers

SIX = {"a": -1.5, "b": -0.9, "c": -0.2, "d": 0.3, "e": 0.9, "f": 1.4}
ORDERED = {name: 5 - 2 * worth for name, worth in SIX.items()}
TWO = {"none": 0.0, "ceiling": 1.2, "damped": 0.7, "refit": 1.9}
PRICES = pd.DataFrame(
    {
        "stage": list(TWO),
        "cost": [0.0, 900.0, 100.0, 1000.0],
        "labour_h": [0.0, 1.0, 6.0, 7.0],
        "factor_ceiling": ["old", "new", "old", "new"],
        "factor_walls": ["old", "old", "new", "new"],
    }
)


def judged(claims, worth=TWO, stages=PRICES, **options):
    table = trial_table(answers(worth, **({"listeners": 30, "per_pair": 3} | options)))
    found, known = fit_preference(table, n_draws=1000), stage_table(stages)
    links = fit_links(found, known) if known.metrics else []
    heard = Heard(forced_choice_cells(table), found, links=links)
    return judge_claims(claims, heard, stages=known)


def metric_table(values, **more):
    return pd.DataFrame({"stage": list(values), "metric_sd_db": list(values.values())} | more)


# grammar -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "kind", "stages", "names"),
    [
        ("metric sd_db orders the stages", "orders", (), ("sd_db",)),
        ("step ceiling before damped", "step", ("ceiling", "damped"), ()),
        ("step ceiling before damped for its cost", "step", ("ceiling", "damped"), ("cost",)),
        ("step ceiling before damped for its labour", "step", ("ceiling", "damped"), ("labour",)),
        ("listeners prefer a most of b, c and d", "most of", ("a", "b", "c", "d"), ()),
        ("listeners prefer a most of b", "most of", ("a", "b"), ()),
        ("listener p03 can tell a from b", "one hears", ("a", "b"), ("p03",)),
    ],
)
def test_sentences_and_their_parts(text, kind, stages, names):
    claim = parse_claim(text)
    assert (claim.kind, claim.stages, claim.names, claim.alpha) == (kind, stages, names, None)
    strict = parse_claim(f"{text} at 1 %")
    assert (strict.kind, strict.stages, strict.alpha) == (kind, stages, 0.01)
    assert strict.text == f"{text} at 1 %"


@pytest.mark.parametrize("text", ["step a before a", "listeners prefer a most of b and a"])
def test_a_stage_against_itself_is_refused(text):
    with pytest.raises(InputError, match="compares a stage with itself"):
        parse_claim(text)


@pytest.mark.parametrize("text", ["metric orders the stages", "step a", "prefer a at 90 %"])
def test_half_sentences_are_refused_with_the_grammar(text):
    with pytest.raises(InputError, match=r"no known form.*step I before J.*sets an error rate"):
        parse_claim(text)


# metric orders the stages --------------------------------------------------------------


def test_a_metric_that_orders_six_stages_is_supported():
    (row,) = judged(["metric sd_db orders the stages"], SIX, metric_table(ORDERED))
    assert row["verdict"] == "supported"
    assert row["p_value"] == pytest.approx(2 / 720)
    assert row["estimate"] == pytest.approx(-1)
    assert row["n_stages"] == 6


def test_a_metric_against_a_clear_preference_is_contradicted():
    wrong = ORDERED | {"a": ORDERED["f"], "f": ORDERED["a"]}
    (row,) = judged(["metric sd_db orders the stages"], SIX, metric_table(wrong))
    assert row["verdict"] == "contradicted"
    assert "against its order" in row["words"]


def test_few_stages_leave_it_open_however_many_trials():
    four = {name: SIX[name] for name in "abcd"}
    stages = metric_table({name: ORDERED[name] for name in "abcd"})
    (row,) = judged(["metric sd_db orders the stages"], four, stages, listeners=60, per_pair=8)
    assert row["verdict"] == "undecided"
    assert np.isnan(row["p_value"])
    assert row["estimate"] == pytest.approx(-1)
    assert "4 stages cannot show" in row["words"]
    assert "6 stages or more" in row["needs"]


def test_an_unknown_metric_leaves_it_open():
    (row,) = judged(["metric q orders the stages"], SIX, metric_table(ORDERED))
    assert row["verdict"] == "undecided"
    assert "the metric q" in row["words"]


# step I before J -----------------------------------------------------------------------


def test_steps_by_gain_by_cost_and_by_labour():
    rows = judged(
        ["step ceiling before damped", "step ceiling before damped for its cost"],
        listeners=60,
        per_pair=6,
    )
    gain, money = rows
    assert gain["verdict"] == "supported"
    assert gain["p_first"] > 0.95
    assert money["verdict"] == "contradicted"  # 1.2 logits for 900 against 0.7 for 100
    assert "damped gains more per unit of cost than ceiling" in money["words"]
    # contrast by hand: gains over prices
    found = fit_preference(trial_table(answers(TWO, listeners=60, per_pair=6)), n_draws=0)
    worth = dict(zip(found.main.stages, found.main.log_worth, strict=True))
    by_hand = (worth["ceiling"] - worth["none"]) / 900 - (worth["damped"] - worth["none"]) / 100
    assert money["estimate"] == pytest.approx(by_hand)
    assert money["ci_low"] < by_hand < money["ci_high"] < 0


def test_a_step_claim_equals_preference_where_prices_do_not_matter():
    step, prefer = judged(["step ceiling before damped", "listeners prefer ceiling over damped"])
    assert step["estimate"] == pytest.approx(prefer["estimate"])
    assert step["p_value"] == pytest.approx(prefer["p_value"])


@pytest.mark.parametrize(
    ("text", "stages", "words"),
    [
        ("step ceiling before none", PRICES, "none is the baseline"),
        (
            "step ceiling before damped for its cost",
            PRICES.drop(columns="cost"),
            "cost of ceiling, damped and none",
        ),
        ("step ceiling before ghost", PRICES, "link ceiling and ghost"),
    ],
)
def test_steps_that_cannot_be_judged(text, stages, words):
    (row,) = judged([text], stages=stages)
    assert row["verdict"] == "undecided"
    assert words in row["words"]
    assert row["needs"]


# best of some --------------------------------------------------------------------------


def test_best_of_some_ignores_the_others():
    of_two, of_all, most = judged(
        [
            "listeners prefer e most of a and b",
            "listeners prefer e most of a, b and f",
            "listeners prefer e most",
        ],
        SIX,
        metric_table(ORDERED),
        listeners=40,
        per_pair=4,
    )
    assert of_two["verdict"] == "supported"
    assert of_two["p_best"] > 0.99
    assert of_all["verdict"] == most["verdict"] == "contradicted"


def test_best_of_stages_that_nobody_compared():
    (row,) = judged(["listeners prefer ceiling most of damped and ghost"])
    assert row["verdict"] == "undecided"
    assert "include ghost" in row["words"]


# one listener --------------------------------------------------------------------------


def abx(right, total, listener):
    rows = []
    for k in range(total):
        x = "i" if k % 2 else "j"
        truth = "a" if x == "i" else "b"
        other = "b" if truth == "a" else "a"
        rows.append((listener, "1", k + 1, "abx", "i", "j", x, truth if k < right else other))
    names = ["listener", "session", "trial", "method", "stage_a", "stage_b", "stage_x", "answer"]
    return pd.DataFrame(rows, columns=names)


def test_one_listener_by_that_listeners_trials_alone():
    table = trial_table(pd.concat([abx(12, 16, "p1"), abx(4, 8, "p2")], ignore_index=True))
    rows = judge_claims(
        [
            "listener p1 can tell i from j",
            "listener p2 can tell i from j",
            "listener p9 can tell i from j",
        ],
        Heard(forced_choice_cells(table), None),
    )
    # 12 of 16 right: 2517/65536 by hand sum of C(16, k) for k = 12..16
    assert rows[0]["p_value"] == pytest.approx(2517 / 65536)
    assert rows[0]["p_holm"] == pytest.approx(2 * 2517 / 65536)
    assert [row["verdict"] for row in rows] == ["undecided"] * 3
    assert "that person only" in rows[1]["words"]
    assert "asks listener p9" in rows[2]["words"]
    # (1/2)^6 = 1/64 is the first below a third of 5 %
    assert "6 or more, all right" in rows[1]["needs"]


# alpha and conditions ------------------------------------------------------------------


def test_an_error_rate_of_its_own_decides():
    table = trial_table(abx(12, 16, "p1"))
    heard = Heard(forced_choice_cells(table), None)
    (loose,) = judge_claims(["listener p1 can tell i from j"], heard)
    (strict,) = judge_claims(["listener p1 can tell i from j at 1 %"], heard)
    assert (loose["verdict"], strict["verdict"]) == ("supported", "undecided")
    assert (loose["alpha"], strict["alpha"]) == (0.05, 0.01)


def test_verdicts_say_what_they_hold_for():
    frame = answers(TWO).assign(programme="low-tide", simulated=1)
    result = analyse(
        trial_table(frame),
        stages=stage_table(PRICES),
        claims=["step ceiling before damped"],
        mixed=False,
    ).to_dict()
    held = result["claims"][0]["conditions"]
    assert "simulated listeners (24)" in held
    assert "low-tide" in held
    assert "Not for other playback" in held
    assert result["upgrade"]["first_step"][0]["step"] == "ceiling"


def test_what_it_would_take_allows_for_the_other_claims():
    options = {"listeners": 12, "per_pair": 2, "worth": {"i": 0.0, "j": 0.4}}
    claim = "listeners prefer j over i"

    def listeners(n):
        row = judged([claim] * n, stages=PRICES, **options)[0]
        assert row["verdict"] == "undecided"
        return int(row["needs"].split()[5]), row

    alone, row = listeners(1)
    shared, _ = listeners(5)
    # normal approximation by hand: z at 1 - alpha / 2 and 80 %, over the statistic found
    for n, level in ((alone, 0.05), (shared, 0.01)):
        ratio = (stats.norm.ppf(1 - level / 2) + stats.norm.ppf(0.8)) / abs(row["statistic"])
        assert n == int(np.ceil(12 * ratio**2))


def test_an_open_claim_always_says_what_it_would_take():
    """Contradicted alone, open beside others: what is missing is said all the same."""
    wrong = ORDERED | {"a": ORDERED["c"], "c": ORDERED["a"]}
    claim = "metric sd_db orders the stages"
    options = {"worth": SIX, "stages": metric_table(wrong), "listeners": 8, "per_pair": 2}
    (alone,) = judged([claim], **options)
    assert (alone["verdict"], alone["needs"]) == ("contradicted", None)
    beside = judged([claim] * 3, **options)
    assert {row["verdict"] for row in beside} == {"undecided"}
    assert all(row["needs"].startswith("more listeners, to make sure") for row in beside)


def test_an_open_claim_of_no_difference_says_how_many_listeners():
    # 12 listeners x 8 trials, 53 of 96 right: share of discriminators 2 * 53/96 - 1 = 10 %
    rights = (4, 5, 4, 4, 5, 4, 5, 4, 4, 5, 4, 5)
    table = trial_table(pd.concat([abx(k, 8, f"p{n}") for n, k in enumerate(rights)]))
    heard = Heard(forced_choice_cells(table), None, (12, 12))
    (row,) = judge_claims(["listeners cannot tell i from j within 15 %"], heard)
    assert row["verdict"] == "undecided"
    assert row["estimate"] == pytest.approx(2 * 53 / 96 - 1)
    # the error behind the 90 % interval, by hand, over the distance to the margin
    error = (row["ci_high"] - row["ci_low"]) / (2 * 1.6449)
    ratio = (1.6449 + 0.8416) * error / (0.15 - row["estimate"])
    wanted = int(row["needs"].split()[5])
    assert wanted == pytest.approx(12 * ratio**2, rel=0.01)
