"""The link programme by programme: the stage stays the unit."""

from math import factorial

import numpy as np
import pandas as pd
import pytest

from analysis.link.permutation import order_test
from analysis.link.programmes import programme_link_rows, programme_table, read_programmes
from analysis.run import analyse
from analysis.tables.trials import trial_table
from stimuli.files.errors import InputError

from .conftest import answers

WORTH = {"a": -1.5, "b": -0.9, "c": -0.2, "d": 0.3, "e": 0.9, "f": 1.4}
MUSIC = ("kite", "tide", "lamp")


def panel(worth_of, **options):
    """Answers of one panel to several programmes, each with worths of its own."""
    parts = []
    for k, (name, worth) in enumerate(worth_of.items()):
        frame = answers(worth, seed=k + 1, **{"per_pair": 3, "person_sd": 0.2, **options})
        parts.append(frame.assign(programme=name, session=name))
    return trial_table(pd.concat(parts, ignore_index=True))


def figures(value_of, name="d"):
    rows = [
        {"programme": programme, "stage": stage, f"metric_{name}": value}
        for programme, values in value_of.items()
        for stage, value in values.items()
    ]
    return programme_table(pd.DataFrame(rows))


def falling(worth):
    return {stage: 3 - value for stage, value in worth.items()}


@pytest.fixture(scope="module")
def alike():
    return panel(dict.fromkeys(MUSIC, WORTH))


def test_a_figure_that_goes_along_in_every_programme(alike):
    (row,) = programme_link_rows(alike, figures(dict.fromkeys(MUSIC, falling(WORTH))))
    assert [one["programme"] for one in row["programmes"]] == sorted(MUSIC)
    assert row["mean_spearman"] == pytest.approx(-1)
    # However many programmes agree: only the order itself and its reverse reach a mean of 1.
    assert row["p_exact"] == pytest.approx(2 / factorial(6))
    assert row["p_exact_is_exact"]
    assert (row["n_stages"], row["n_programmes"]) == (6, 3)
    assert row["n_trials"] == alike.n_trials
    assert row["n_listeners"] == 24


def test_each_programme_has_the_order_test_of_its_own_worths(alike):
    (row,) = programme_link_rows(alike, figures(dict.fromkeys(MUSIC, falling(WORTH))))
    for one in row["programmes"]:
        x, y = (np.array([point[key] for point in one["points"]]) for key in "xy")
        assert y.mean() == pytest.approx(0, abs=1e-12)
        assert one["spearman"] == pytest.approx(order_test(x, y).spearman)
        assert one["slope"] == pytest.approx(np.polyfit(x, y, 1)[0])


def test_more_programmes_are_not_more_stages():
    """Three stages have six orders, so no agreement reaches p below a third."""
    three = {name: WORTH[name] for name in "ace"}
    music = [f"piece-{k}" for k in range(6)]
    table = panel(dict.fromkeys(music, three))
    (row,) = programme_link_rows(table, figures(dict.fromkeys(music, falling(three))))
    assert row["mean_spearman"] == pytest.approx(-1)
    assert row["p_exact"] == pytest.approx(2 / 6)
    assert "3 stages cannot show" in row["words"]
    assert all(one["slope"] is None for one in row["programmes"])


def test_what_differs_between_programmes_is_held_against_sampling(alike):
    same = programme_link_rows(alike, figures(dict.fromkeys(MUSIC, falling(WORTH))))[0]["inside"]
    assert same["worth_sd"] < 1.25 * same["sampling_sd"]
    turned = {**WORTH, "a": WORTH["f"], "f": WORTH["a"]}
    worths = {"kite": WORTH, "tide": WORTH, "lamp": turned}
    (row,) = programme_link_rows(
        panel(worths), figures({name: falling(worth) for name, worth in worths.items()})
    )
    assert row["inside"]["worth_sd"] > 2 * row["inside"]["sampling_sd"]
    assert row["inside"]["correlation"] < -0.9
    assert "beyond chance variation" in row["words"]


def test_sampling_scatter_is_what_resampled_studies_show():
    """Double-centred worths of panels that are alike in all programmes, against the formula."""
    observed, expected = [], []
    for seed in range(12):
        parts = [
            answers(WORTH, listeners=16, per_pair=2, person_sd=0.0, seed=100 * seed + k).assign(
                programme=name, session=name
            )
            for k, name in enumerate(MUSIC)
        ]
        table = trial_table(pd.concat(parts, ignore_index=True))
        (row,) = programme_link_rows(table, figures(dict.fromkeys(MUSIC, falling(WORTH))))
        observed.append(row["inside"]["worth_sd"] ** 2)
        expected.append(row["inside"]["sampling_sd"] ** 2)
    # 12 studies of 10 degrees of freedom: the ratio of means has a Monte Carlo error near 13 %
    assert np.mean(observed) / np.mean(expected) == pytest.approx(1, abs=0.4)


def test_only_stages_and_programmes_with_figures_take_part(alike):
    values = {"kite": falling(WORTH), "tide": {k: v for k, v in falling(WORTH).items() if k != "f"}}
    (row,) = programme_link_rows(alike, figures(values))
    assert (row["n_programmes"], row["n_stages"]) == (2, 5)
    one = {"kite": falling(WORTH)}
    assert programme_link_rows(alike, figures(one)) == []
    assert programme_link_rows(alike, None) == []


def test_the_block_stands_in_the_results(alike):
    table = figures(dict.fromkeys(MUSIC, falling(WORTH)))
    result = analyse(alike, programmes=table, mixed=False).to_dict()
    assert result["link_programmes"][0]["metric"] == "d"
    assert analyse(alike, mixed=False).to_dict()["link_programmes"] == []


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("stage,metric_d\na,1\n", "column programme: the column is missing"),
        ("programme,stage,metric_d\nkite,,1\n", "line 2, column stage: the value is empty"),
        ("programme,stage,metric_d\nkite,a,1\nkite,a,2\n", "line 3, column stage: 'a' with 'kite'"),
        ("programme,stage,metric_d\nkite,a,much\n", "line 2, column metric_d: 'much' is not"),
    ],
)
def test_a_table_that_cannot_be_used_names_its_line(tmp_path, text, message):
    path = tmp_path / "programmes.csv"
    path.write_text(text)
    with pytest.raises(InputError, match=message):
        read_programmes(path)
