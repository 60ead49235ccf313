"""The evidence bundle: whole, checkable elsewhere, and honest about being tampered with."""

import hashlib
import json
import shutil
import subprocess
import sys
import tomllib
import zipfile
from pathlib import Path

import pytest

from abx.evidence.bundle import LAYOUT, check_bundle
from helpers import independent_checker
from helpers.guards import GUARD_S
from helpers.independent_checker import slot_trials

CHECKER = Path(independent_checker.__file__)


@pytest.fixture(scope="session")
def bundle(demo, tmp_path_factory):
    from abx.evidence.bundle import write_bundle
    from abx.study.workspace import Workspace

    workspace = Workspace.open(demo[0])
    path = tmp_path_factory.mktemp("bundle") / "evidence.zip"
    return write_bundle(workspace, workspace.rehearsal, path)


def rewrite(bundle, path, change, *, relist=False):
    """Copy a bundle, changing its members; ``relist`` makes the list agree with the lie."""
    with zipfile.ZipFile(bundle) as archive:
        members = {name: archive.read(name) for name in archive.namelist()}
    change(members)
    if relist:
        index = json.loads(members["bundle.json"])
        index["members"] = {
            name: {"bytes": len(data), "sha256": hashlib.sha256(data).hexdigest()}
            for name, data in members.items()
            if name != "bundle.json"
        }
        members["bundle.json"] = json.dumps(index).encode()
    with zipfile.ZipFile(path, "w") as archive:
        for name, data in members.items():
            archive.writestr(name, data)
    return path


def test_export_writes_a_bundle_that_verifies_alone(demo, tmp_path, earwitness):
    path = tmp_path / "evidence.zip"
    outcome = earwitness("export", demo[0], "--rehearsal", f"--bundle={path}")
    assert outcome.code == 0, outcome
    checked = earwitness("verify", path, cwd=tmp_path)
    assert checked.code == 0, checked
    assert "SIMULATED" in checked.out
    assert "FAILS" not in checked.out


def test_every_member_is_documented(bundle):
    with zipfile.ZipFile(bundle) as archive:
        names = archive.namelist()
    families = {name.split("/")[0] + "/..." for name in LAYOUT if name.endswith("/...")}
    for name in names:
        assert name in LAYOUT or name.split("/")[0] + "/..." in families, name


def change_an_answer(members):
    lines = members["log.jsonl"].decode().splitlines()
    for i, line in enumerate(lines):
        row = json.loads(line)
        if row["kind"] == "answer" and '"answer":"a"' in row["body"]:
            row["body"] = row["body"].replace('"answer":"a"', '"answer":"b"')
            lines[i] = json.dumps(row)
            break
    else:
        raise AssertionError("no answer to change")
    members["log.jsonl"] = "\n".join(lines).encode()


def drop_an_answer(members):
    lines = members["log.jsonl"].decode().splitlines()
    place = next(i for i, line in enumerate(lines) if json.loads(line)["kind"] == "answer")
    members["log.jsonl"] = "\n".join(lines[:place] + lines[place + 1 :]).encode()


def swap_two_rows(members):
    lines = [json.loads(line) for line in members["log.jsonl"].decode().splitlines()]
    one, two = lines[5], lines[6]
    one["seq"], two["seq"] = two["seq"], one["seq"]
    members["log.jsonl"] = "\n".join(json.dumps(line) for line in lines).encode()


def backdate(members):
    lines = [json.loads(line) for line in members["log.jsonl"].decode().splitlines()]
    lines[7]["at"] = "2020-01-01T00:00:00.000000+00:00"
    members["log.jsonl"] = "\n".join(json.dumps(line) for line in lines).encode()


def edit_a_claim(members):
    text = members["study.toml"].decode()
    assert "prefer refit over ceiling" in text
    members["study.toml"] = text.replace("prefer refit over", "prefer aligned over").encode()


def edit_a_result(members):
    results = json.loads(members["results/results.json"])
    results["discrimination"][0]["n_correct"] += 1
    members["results/results.json"] = json.dumps(results).encode()


def edit_a_trial(members):
    text = members["results/trials.csv"].decode()
    members["results/trials.csv"] = text.replace(",b,", ",a,", 1).encode()


def edit_a_response(members):
    name = "responses/refit-p1.csv"
    text = members[name].decode().splitlines()
    text[-1] = "20000,99.0"
    members[name] = "\n".join(text).encode()


def edit_the_manifest(members):
    name = "stimuli/manifest.json"
    members[name] = members[name].replace(b'"gain_db"', b'"gain_db" ', 1)


def edit_the_schedule(members):
    schedule = json.loads(members["schedule.json"])
    trial = next(t for t in schedule["slots"][0]["trials"] if t["phase"] == "test")
    trial["versions"][0][1], trial["versions"][1][1] = (
        trial["versions"][1][1],
        trial["versions"][0][1],
    )
    text = json.dumps(schedule, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    members["schedule.json"] = text.encode()


def remove_the_schedule(members):
    del members["schedule.json"]


FORGERIES = {
    change_an_answer: "other content",
    drop_an_answer: "row",
    swap_two_rows: "row",
    backdate: "row",
    edit_a_claim: "claims",
    edit_a_result: "results.json",
    edit_a_trial: "trials.csv",
    edit_a_response: "stages.csv",
    edit_the_manifest: "manifest",
}


@pytest.mark.parametrize("forge", FORGERIES, ids=lambda f: f.__name__)
def test_a_forgery_is_named_even_with_a_list_that_agrees(bundle, tmp_path, call, forge):
    path = rewrite(bundle, tmp_path / "forged.zip", forge, relist=True)
    outcome = call("verify", path)
    assert outcome.code == 1, outcome
    failed = [line for line in outcome.out.splitlines() if "FAILS" in line]
    assert any(FORGERIES[forge] in line for line in failed), failed


# Another checker --------------------------------------------------------------------------


def second_opinion(path):
    """Run the checker that knows the documentation only, without any installed package."""
    command = [sys.executable, "-I", "-S", str(CHECKER), str(path)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=GUARD_S, check=False)
    assert done.stderr == "" or done.returncode == 1
    return done.returncode, done.stdout


def test_another_checker_written_from_the_page_agrees(bundle):
    code, said = second_opinion(bundle)
    assert code == 0, said
    steps = ("members", "chain", "seal", "schedule", "trial table", "discrimination", "sizes")
    steps += ("preference",)
    assert said.splitlines() == [f"holds  {step}" for step in steps]


# The stage table takes the project's metrics, which that checker leaves alone.
@pytest.mark.parametrize(
    "forge",
    [edit_the_schedule, *(f for f in FORGERIES if f is not edit_a_response)],
    ids=lambda f: f.__name__,
)
def test_another_checker_finds_the_same_forgeries(bundle, tmp_path, forge):
    code, said = second_opinion(rewrite(bundle, tmp_path / "forged.zip", forge, relist=True))
    assert code == 1
    assert "FAILS" in said


METHODS = """
format = 1
title = "All pairs"
target = "house-curve"
{stages}
{programmes}
[[tests]]
method = "abx"
pairs = [["two", "one"], ["three", "four"]]
trials = {trials}
repeats = 2
controls = {{ identical = 2, obvious = 1 }}
[[tests]]
method = "triangle"
pairs = [["one", "four"]]
trials = 3
[[tests]]
method = "duo-trio"
stages = ["four", "one", "two"]
trials = 1
repeats = 1
practice = 3
[[tests]]
method = "same-different"
pairs = [["one", "two"], ["two", "three"]]
trials = 2
controls = {{ obvious = 2 }}
[[tests]]
method = "paired"
stages = "all"
trials = 1
repeats = 3
[plan]
listeners = 8
"""


@pytest.mark.parametrize("trials", [3, 4])
@pytest.mark.parametrize("n_programmes", [1, 3, 4])
def test_the_page_gives_the_schedule_of_every_method_about_pairs(trials, n_programmes):
    from abx.schedule.panel import make_slot, slot_content
    from abx.study_file.reading import study_from_text

    stage = '[[stages]]\nid = "{0}"\nresponses = ["{0}.csv"]\n'
    programme = '[[programmes]]\nid = "p{0}"\nfile = "p{0}.wav"\n'
    text = METHODS.format(
        stages="".join(stage.format(name) for name in ("one", "two", "three", "four")),
        programmes="".join(programme.format(k) for k in range(n_programmes)),
        trials=trials,
    )
    study, seed = study_from_text(text), hashlib.sha256(b"any").digest()
    for slot in (0, 1, 2, 5, 11, 40):
        ours = slot_content(make_slot(study, seed, slot))["trials"]
        assert slot_trials(tomllib.loads(text), seed, slot) == ours


@pytest.mark.parametrize(
    ("change", "words"),
    [(edit_the_schedule, "is not the schedule"), (remove_the_schedule, "is missing")],
)
def test_the_schedule_is_held_against_its_seed(bundle, tmp_path, monkeypatch, change, words):
    monkeypatch.setattr("abx.evidence.bundle.check_study", lambda *_, **__: [])  # tested above
    found = check_bundle(rewrite(bundle, tmp_path / "forged.zip", change, relist=True))
    assert [f.passed for f in found if f.name == "schedule"] == [False]
    assert any(words in finding.words for finding in found)


def remove_report(members):
    del members["results/report.html"]


def add_member(members):
    members["results/extra.csv"] = b"x"


def flip_a_byte(members):
    data = bytearray(members["results/report.html"])
    data[1000] ^= 1
    members["results/report.html"] = bytes(data)


@pytest.mark.parametrize(
    ("change", "words"),
    [(remove_report, "missing"), (add_member, "added"), (flip_a_byte, "changed")],
)
def test_members_are_held_against_the_list(bundle, tmp_path, call, change, words):
    outcome = call("verify", rewrite(bundle, tmp_path / "forged.zip", change))
    assert outcome.code == 1
    assert words in outcome.out


def test_a_made_up_log_is_caught_by_the_noted_hash(bundle, call):
    assert call("verify", bundle, "--head", "0" * 64).code == 1


def climb(members):
    members["../outside.txt"] = b"x"


def test_a_bundle_cannot_write_outside_its_folder(bundle, tmp_path, call):
    path = rewrite(bundle, tmp_path / "climbing.zip", climb, relist=True)
    outcome = call("verify", path)
    assert outcome.code == 1
    assert "outside the bundle" in outcome.out
    assert not (tmp_path / "outside.txt").exists()


def garble_the_log(members):
    members["log.jsonl"] = b'{"half a row": \n'


def test_a_garbled_log_names_its_line(bundle, tmp_path, call):
    outcome = call("verify", rewrite(bundle, tmp_path / "bad.zip", garble_the_log, relist=True))
    assert outcome.code == 1
    assert "log.jsonl, line 1" in outcome.out


@pytest.mark.parametrize("content", [b"", b"not a zip", b"PK\x03\x04 half"])
def test_what_is_not_a_bundle_is_refused(tmp_path, call, content):
    path = tmp_path / "evidence.zip"
    path.write_bytes(content)
    outcome = call("verify", path)
    assert outcome.code == 2
    assert "not an evidence bundle" in outcome.err


# One bad cell -----------------------------------------------------------------------------


def spoil(data, line, column, value):
    """Write ``value`` into one cell of a table; lines count from 1, the header's."""
    lines = data.decode().splitlines()
    cells = lines[line - 1].split(",")
    cells[lines[0].split(",").index(column)] = value
    lines[line - 1] = ",".join(cells)
    return ("\n".join(lines) + "\n").encode()


BAD_CELLS = [
    ("results/trials.csv", 2, "answer", "zzz"),
    ("results/trials.csv", 4, "method", "zzz"),
    ("results/stages.csv", 3, "cost", "cheap"),
    ("results/programmes.csv", 2, "metric_excitation_d", "loud"),
]


def failures(outcome):
    assert outcome.code == 1, outcome
    return [line for line in outcome.out.splitlines() if "FAILS" in line]


def assert_cell_named(failed, name, line, column, value):
    place = f"{name}, line {line}, column {column}: "
    assert any(place in said and value in said for said in failed), failed
    assert not any("/tmp" in said for said in failed), failed
    spoilt = name.split("/")[-1]
    assert any(f"results.json was not computed again: {spoilt}" in said for said in failed)


@pytest.mark.parametrize(("name", "line", "column", "value"), BAD_CELLS)
@pytest.mark.parametrize("relist", [True, False], ids=["relisted", "listed before"])
def test_a_bad_cell_of_a_bundle_is_a_finding(
    bundle, tmp_path, call, name, line, column, value, relist
):
    def change(members):
        members[name] = spoil(members[name], line, column, value)

    outcome = call("verify", rewrite(bundle, tmp_path / "bad.zip", change, relist=relist))
    failed = failures(outcome)
    assert_cell_named(failed, name, line, column, value)
    assert any(f"{name} was changed: its hash differs" in said for said in failed) != relist
    # All other checks have run, the last of them too.
    assert "holds  schedule.json comes out of the seed again" in outcome.out
    assert "holds  the study file is the sealed one" in outcome.out


@pytest.mark.parametrize(("name", "line", "column", "value"), BAD_CELLS[::2])
def test_a_bad_cell_of_a_study_is_a_finding(demo, tmp_path, call, name, line, column, value):
    folder = tmp_path / "study"
    shutil.copytree(demo[0], folder)
    file = folder / "rehearsal" / name
    file.write_bytes(spoil(file.read_bytes(), line, column, value))
    outcome = call("verify", folder, "--rehearsal")
    assert_cell_named(failures(outcome), f"rehearsal/{name}", line, column, value)
    assert "holds  the study file is the sealed one" in outcome.out
    assert "LUFS" in outcome.out


def test_a_table_that_differs_names_its_first_cell(bundle, tmp_path, monkeypatch, call):
    monkeypatch.setattr("abx.evidence.recheck._result_findings", lambda *_args: [])  # tested above
    outcome = call("verify", rewrite(bundle, tmp_path / "f.zip", edit_a_trial, relist=True))
    (said,) = failures(outcome)
    assert 'column answer: "a", not "b"' in said


# What it means for the verdict ------------------------------------------------------------


def turn_a_verdict(members):
    results = json.loads(members["results/results.json"])
    claim = results["claims"][0]
    claim["verdict"] = "contradicted" if claim["verdict"] != "contradicted" else "supported"
    results["about"]["n_trials"] = -1
    members["results/results.json"] = json.dumps(results).encode()
    change_an_answer(members)
    edit_a_response(members)
    edit_the_manifest(members)


def test_what_failed_is_told_by_what_it_means(bundle, tmp_path, call):
    path = rewrite(bundle, tmp_path / "forged.zip", turn_a_verdict, relist=True)
    outcome = call("verify", path)
    failed = failures(outcome)
    with zipfile.ZipFile(bundle) as archive:
        due = json.loads(archive.read("results/results.json"))["claims"][0]
    assert due["text"] in failed[0]
    assert f"its answers say {due['verdict']}" in failed[0]
    order = ["claim", "trials.csv", "results.json differs", "other content", "stages.csv"]
    places = [next(i for i, said in enumerate(failed) if word in said) for word in order]
    assert places == sorted(places), failed
    # What fails stands before what holds, and that before what cannot be known.
    words = [line.split()[0] for line in outcome.out.splitlines() if line.startswith("  ")]
    assert words == sorted(words, key=["FAILS", "holds", "note"].index)


def test_what_cannot_be_known_is_a_note(bundle, monkeypatch, call):
    monkeypatch.setattr("abx.evidence.recheck._result_findings", lambda *_args: [])  # tested above
    outcome = call("verify", bundle)
    assert outcome.code == 0, outcome
    lines = outcome.out.splitlines()
    for words in ("SIMULATED", "published before", "sound was not passed on", "written anew"):
        said = [line for line in lines if words in line]
        assert said, words
        assert all(line.startswith("  note   ") for line in said), said
    head = next(line for line in lines if "the log ends with" in line).split()[-1]
    assert "written anew" not in call("verify", bundle, "--head", head).out


def call_them_people(members):
    index = json.loads(members["bundle.json"])
    index["panel"] = "people"
    members["bundle.json"] = json.dumps(index).encode()


def test_simulated_listeners_cannot_be_called_people(bundle, tmp_path, monkeypatch, call):
    monkeypatch.setattr("abx.evidence.recheck._result_findings", lambda *_args: [])  # tested above
    path = rewrite(bundle, tmp_path / "forged.zip", call_them_people, relist=True)
    outcome = call("verify", path)
    assert any("calls the panel 'people'" in said for said in failures(outcome))
    assert "SIMULATED" in outcome.out


def price_in_words(members):
    text = members["study.toml"].decode()
    assert "\ncost = 210.0\n" in text
    members["study.toml"] = text.replace("\ncost = 210.0\n", '\ncost = "cheap"\n', 1).encode()


def test_a_study_file_that_cannot_be_read_leaves_the_log_to_be_checked(bundle, tmp_path, call):
    outcome = call("verify", rewrite(bundle, tmp_path / "bad.zip", price_in_words, relist=True))
    (said,) = failures(outcome)
    assert "study.toml, line" in said
    assert "'cheap' is not a number" in said
    assert "rows follow one another" in outcome.out


@pytest.mark.parametrize("body", ["{}", "[]", '{"simulated": true, "slot": "x"}', "half"])
def test_a_row_that_no_check_could_read_names_its_line(bundle, tmp_path, call, body):
    def change(members):
        rows = [json.loads(line) for line in members["log.jsonl"].decode().splitlines()]
        next(row for row in rows if row["kind"] == "session-begun")["body"] = body
        members["log.jsonl"] = "\n".join(json.dumps(row) for row in rows).encode()

    outcome = call("verify", rewrite(bundle, tmp_path / "bad.zip", change, relist=True))
    assert any("log.jsonl, line 2: this is not a row" in said for said in failures(outcome))
