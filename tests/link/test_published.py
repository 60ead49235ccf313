"""The whole chain on published judgements.

What it says there is written in analysis/LINK.md and abx/docs/explanation/published-data.md.
"""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from analysis.claims.judge import Heard, judge_claims
from analysis.experiments.model import fit_covariates
from analysis.link.block import fit_links, link_rows
from analysis.link.predict import predict_share
from analysis.link.programmes import programme_link_rows, programme_table
from analysis.preference.depth import depth_blocks
from analysis.preference.fit import fit_preference, worth_difference
from analysis.tables.stages import stage_table
from analysis.tables.trials import trial_table
from analysis.upgrade.block import upgrade_block

from .conftest import GPL_DATA

# Choisel & Wickelmaier 2007 JASA 121:388: reproduction modes and the loudspeakers they use
CHANNELS = {
    "Mono": 1,
    "PhantomMono": 2,
    "Stereo": 2,
    "WideStereo": 2,
    "Matrix": 4,
    "Upmix1": 5,
    "Upmix2": 5,
    "Original": 5,
}


@pytest.fixture(scope="module")
def mode_trials():
    """40 listeners, 21,924 judgements of 8 reproduction modes with 4 programmes."""
    wide = pd.read_csv(GPL_DATA / "soundquality_preference_wide.csv", dtype={"id": str})
    long = wide.melt(
        id_vars=["row", "id", "progmat"], value_vars=[c for c in wide.columns if ":" in c]
    )
    pair = long["variable"].str.split(":", expand=True)
    frame = pd.DataFrame(
        {
            "listener": long["id"],
            "session": "sheet " + long["row"].astype(str),
            "method": "paired",
            "stage_a": pair[0],
            "stage_b": pair[1],
            "answer": np.where(long["value"] == 1, "a", "b"),
            "programme": long["progmat"],
        }
    )
    frame["trial"] = frame.groupby(["listener", "session"]).cumcount() + 1
    return trial_table(frame)


@pytest.fixture(scope="module")
def modes(mode_trials):
    return fit_preference(mode_trials)


@pytest.fixture(scope="module")
def channels():
    return stage_table(
        pd.DataFrame({"stage": list(CHANNELS), "metric_channels": list(CHANNELS.values())})
    )


def test_twenty_thousand_judgements_are_still_eight_stages(modes, channels):
    links = fit_links(modes, channels, primary="channels")
    row = link_rows(links)[0]
    assert (row["n_trials"], row["n_listeners"], row["n_stages"]) == (21924, 40, 8)
    # per trial the number of channels looks overwhelming ...
    order = [CHANNELS[name] for name in modes.main.stages]
    naive = fit_covariates(modes.counts, np.array(order, dtype=float)[:, None], ("channels",))
    assert naive.contrast(np.ones(1))["p_value"] < 1e-6
    # ... with stages as the unit no rule is shown, and the worths differ in other ways
    assert row["verdict"] == "undecided"
    assert row["p_value"] == pytest.approx(0.107, abs=0.001)
    assert row["compatible"] is False
    assert row["lack_of_fit"]["design_effect"] > 3
    assert "did not pass its test" in predict_share(links[0], 3.0).declined_reason


def test_what_the_page_says_of_the_modes(modes, channels):
    row = link_rows(fit_links(modes, channels, primary="channels"))[0]
    assert row["slope"] == pytest.approx(0.36, abs=0.005)
    assert (row["ci_low"], row["ci_high"]) == pytest.approx((-0.10, 0.82), abs=0.005)
    assert row["spearman"] == pytest.approx(0.40, abs=0.005)
    assert row["p_exact"] == pytest.approx(0.35, abs=0.005)
    assert (row["pearson"], row["pearson_without_extreme"]) == pytest.approx(
        (0.62, 0.38), abs=0.005
    )
    assert row["extreme_stage"] == "Mono"
    fit = row["lack_of_fit"]
    assert (fit["statistic"], fit["df"]) == (pytest.approx(4227, abs=0.5), 6)
    assert fit["design_effect"] == pytest.approx(6.5, abs=0.05)
    claims = ["listeners prefer Stereo over Mono", "listeners prefer Stereo most"]
    over, most = (judge_claims([claim], Heard([], modes))[0] for claim in claims)
    assert over["verdict"] == "supported"
    assert over["share"] == pytest.approx(0.93, abs=0.005)
    assert "90 % to 95 %" in over["words"]
    assert most["verdict"] == "undecided"
    assert "open against Matrix and Original" in most["words"]
    assert most["needs"].startswith("a new study of about 236 listeners")


def test_programmes_differ_and_are_no_more_stages(mode_trials):
    music = sorted(set(mode_trials.frame["programme"]))
    rows = [
        {"programme": programme, "stage": stage, "metric_channels": count}
        for programme in music
        for stage, count in CHANNELS.items()
    ]
    (row,) = programme_link_rows(mode_trials, programme_table(pd.DataFrame(rows)))
    found = [one["spearman"] for one in row["programmes"]]
    assert found == pytest.approx([0.15, 0.45, 0.63, 0.40], abs=0.005)
    assert row["mean_spearman"] == pytest.approx(0.41, abs=0.005)
    assert row["p_exact"] == pytest.approx(0.23, abs=0.005)
    assert row["inside"]["worth_sd"] == pytest.approx(0.36, abs=0.005)
    assert row["inside"]["sampling_sd"] == pytest.approx(0.14, abs=0.005)
    assert np.isnan(row["inside"]["correlation"])  # channels are the same in all programmes


def test_no_groups_of_the_modes_and_interaction_of_programmes(mode_trials, modes, channels):
    blocks = depth_blocks(mode_trials, modes, seed=1)
    assert blocks["programmes"]["interaction"]["p_value"] == 1 / 500
    # Three classes beat listeners who are all alike, but not one population whose tastes vary.
    classes = blocks["classes"]
    assert classes["best_by_bic"] == 3
    assert classes["steps"][0]["sizes"] == [23, 17]
    assert classes["p_value"] == pytest.approx(0.24, abs=0.06)
    assert (classes["n_groups"], classes["membership"]) == (1, [])
    assert upgrade_block(modes, channels, classes=classes)["classes"] == []


def test_more_channels_is_not_the_order_that_listeners_have(modes, channels):
    links = fit_links(modes, channels, primary="channels")
    claims = [
        "metric channels orders the stages",
        "listeners prefer Stereo most of Mono and Upmix2",
    ]
    order, best = judge_claims(claims, Heard([], modes, links=links), stages=channels)
    assert order["verdict"] == "contradicted"
    assert "prefer Stereo over Upmix2" in order["words"]
    assert best["verdict"] == "supported"


def test_best_first_step_from_mono(modes, channels):
    block = upgrade_block(modes, channels, baseline="Mono")
    first = block["first_step"]
    assert first[0]["step"] == "Stereo"
    assert first[0]["p_best"] == pytest.approx(0.83, abs=0.01)
    gap = worth_difference(modes, "Stereo", "Mono")
    assert (first[0]["gain_low"], first[0]["gain_high"]) == (gap.ci_low, gap.ci_high)
    # 0.135671 + 2.475749: log-worths of the published fit (psychotools 0.7.2, R), in which every
    # answer counts once; here every listener does, and one of the 40 gave 84 answers, not 560.
    worth = dict(zip(modes.ordinary.stages, modes.ordinary.log_worth, strict=True))
    assert worth["Stereo"] - worth["Mono"] == pytest.approx(0.135671 + 2.475749, abs=1e-5)
    assert first[0]["gain"] == pytest.approx(worth["Stereo"] - worth["Mono"], abs=0.01)
    assert any("no factors" in note for note in block["notes"])


@pytest.fixture(scope="module")
def fields():
    """Kousgaard 1984: eight sound fields, a complete design of three factors, 20 listeners.

    Who gave which answer in which order of the fields was not published: answers are dealt out in
    turn to listeners and to both orders, which leaves the worths alone and makes the spread
    between listeners meaningless.
    """
    data = pd.read_csv(
        GPL_DATA / "soundfields_kousgaard1984.csv", dtype={"field1": str, "field2": str}
    )
    rows = []
    other = {"a": "b", "b": "a", "tie": "tie"}
    for pair in data.itertuples():
        given = ["a"] * pair.win1 + ["tie"] * pair.tie + ["b"] * pair.win2
        rows += [
            (f"{pair.instrument}{k}", pair.field1, pair.field2, answer)
            if k % 2
            else (f"{pair.instrument}{k}", pair.field2, pair.field1, other[answer])
            for k, answer in enumerate(given)
        ]
    frame = pd.DataFrame(rows, columns=["listener", "stage_a", "stage_b", "answer"])
    frame["method"], frame["session"] = "paired", "1"
    frame["trial"] = frame.groupby("listener").cumcount() + 1
    return fit_preference(trial_table(frame), reference="111", n_draws=1000)


# Log-worths by Davidson's model, field 111 = 0 (BradleyTerry2 1.1.2 in R, all instruments)
WORTH = {
    "000": -1.87454564,
    "001": -2.10105524,
    "010": -0.40980938,
    "011": -0.629282869,
    "100": -0.40980938,
    "101": -0.243979758,
    "110": 0.173849279,
    "111": 0.0,
}


def test_effects_of_a_published_complete_design(fields):
    names = list(WORTH)
    table = {"stage": names} | {
        f"factor_{letter}": [name[k] for name in names] for k, letter in enumerate("abc")
    }
    # The published fit has no order effect, which the listeners' own fit allows for.
    published = replace(fields, main=fields.ordinary)
    block = upgrade_block(published, stage_table(pd.DataFrame(table)), baseline="000")
    main = {r["factor"]: r["estimate"] for r in block["effects"] if r["kind"] == "main effect"}
    for k, letter in enumerate("abc"):
        by_hand = sum(w * (1 if name[k] == "1" else -1) for name, w in WORTH.items()) / 4
        assert main[letter] == pytest.approx(by_hand, abs=1e-5)
    cross = {tuple(r["factors"]): r["estimate"] for r in block["interactions"]}
    ab = sum(w * (1 if name[0] == name[1] else -1) for name, w in WORTH.items()) / 2
    assert cross["a", "b"] == pytest.approx(ab, abs=1e-5)
    assert [main[k] for k in "abc"] == pytest.approx([1.13, 0.94, -0.11], abs=0.005)
    # a and b do less together than the sum of both: either of them does most of it
    assert cross["a", "b"] == pytest.approx(-1.05, abs=0.005)
    shares = {r["factor"]: r["estimate"] for r in block["shapley"]}
    assert sum(shares.values()) == pytest.approx(-WORTH["000"], abs=1e-5)
    assert [shares[k] for k in "abc"] == pytest.approx([1.10, 0.91, -0.14], abs=0.005)
    # fields 100 and 010 have the same published worth: neither comes first, and that is said
    chance = {r["step"]: r["p_best"] for r in block["first_step"]}
    assert chance["100"] == pytest.approx(0.5, abs=0.1)
    assert chance["010"] == pytest.approx(0.5, abs=0.1)
