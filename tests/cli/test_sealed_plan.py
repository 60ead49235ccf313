"""A metric is primary by the sealed plan alone: not by a table, an option or an edited plan."""

import json
import shutil

import pytest

from abx.evidence.results import analyse_tables
from abx.study.workspace import Workspace


@pytest.fixture
def copy(demo, tmp_path):
    return Workspace.open(shutil.copytree(demo[0], tmp_path / "study"))


def link_of(results):
    return [(row["metric"], row["primary"], row["exploratory"]) for row in results["link"]]


def test_the_plan_was_sealed_before_the_rehearsal_answered(demo):
    results = json.loads((demo[0] / "rehearsal/results/results.json").read_text())
    assert results["about"]["sealed_plan"] is True
    (metric, primary, exploratory), *others = link_of(results)
    assert (metric, primary, exploratory) == ("deviation_sd_db", True, False)
    assert results["link"][0]["p_adjusted"] == results["link"][0]["p_value"]
    assert len(others) == 13
    assert all(row[1:] == (False, True) for row in others)
    assert {row["n_adjusted"] for row in results["link"][1:]} == {13}


def test_an_edited_plan_was_not_sealed(copy):
    """The answers are there, the plan that they were given under is another one."""
    text = copy.study_file.read_text()
    line = 'primary_metric = "deviation_sd_db"'
    assert line in text
    copy.study_file.write_text(text.replace(line, 'primary_metric = "excitation_d"'))
    results = analyse_tables(copy, copy.rehearsal).to_dict()
    assert results["about"]["sealed_plan"] is False
    (metric, primary, _), *_ = link_of(results)
    assert (metric, primary) == ("excitation_d", False)
    assert results["link"][0]["named_by"] == "analysis"
    assert all(row["exploratory"] for row in results["link"])


@pytest.mark.parametrize("option", [(), ("--metric", "excitation_d")])
def test_tables_alone_come_without_a_plan(demo, call, tmp_path, option):
    folder = demo[0] / "rehearsal/results"
    report = tmp_path / "report.html"
    outcome = call(
        *("analyse", folder / "trials.csv", "--stages", folder / "stages.csv", *option),
        *("--claim", "metric deviation_sd_db orders the stages"),
        *("--json", tmp_path / "found.json", "--report", report),
    )
    assert outcome.code == 0, outcome
    assert "every measured figure is exploratory" in outcome.out
    assert "orders the stages  (exploratory)" in outcome.out
    results = json.loads((tmp_path / "found.json").read_text())
    assert results["about"]["sealed_plan"] is False
    assert not any(primary for _, primary, _ in link_of(results))
    assert {row["n_adjusted"] for row in results["link"]} == {14}
    assert results["link"][0]["named_by"] == ("analysis" if option else None)
    assert all(row["words"].startswith("Exploratory") for row in results["link"])
    (claim,) = results["claims"]
    assert claim["exploratory"] is True
    assert claim["p_value"] >= claim["p_unadjusted"]
    page = report.read_text()
    assert "No plan that was sealed before people listened names one of these figures" in page
    for words in ("named as primary", "Primary metric declared", "Written down before anybody"):
        assert words not in page


def test_claims_and_options_of_what_is_not_there(demo, call, tmp_path):
    folder = demo[0] / "rehearsal/results"
    table = ("analyse", folder / "trials.csv", "--json", tmp_path / "found.json")
    stages = ("--stages", folder / "stages.csv")
    for options, words in (
        (("--claim", "listeners prefer alinged most"), "Did you mean 'aligned'?"),
        ((*stages, "--claim", "metric sd orders the stages"), "no metric 'sd'"),
        (("--claim", "metric excitation_d orders the stages"), "--stages"),
        ((*stages, "--metric", "tilt"), "no metric 'tilt'"),
        (("--metric", "excitation_d"), "--stages"),
        ((*stages, "--budget", "-3"), "-3 is no amount"),
        (("--reference", "nothing"), "nothing"),
    ):
        outcome = call(*table, *options)
        assert outcome.code == 2, outcome
        assert len(outcome.err.strip().splitlines()) == 1
        assert words in outcome.err, outcome.err
        assert "Traceback" not in outcome.err
    assert not (tmp_path / "found.json").exists()
