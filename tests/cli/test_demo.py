"""The whole way through, by the commands that a newcomer types."""

import csv
import hashlib
import json
import re
import shutil
import tomllib

import pytest


def test_demo_says_what_it_did(demo):
    _directory, outcome = demo
    for step in ("1. ", "2. ", "3. ", "4. ", "5. "):
        assert f"\n{step}" in f"\n{outcome.out}"
    assert "SIMULATED" in outcome.out
    assert "FAILS" not in outcome.out
    assert outcome.err == ""


def test_demo_has_at_least_six_stages_from_a_2x2_and_more(demo):
    directory, _ = demo
    study = tomllib.loads((directory / "study.toml").read_text())
    combinations = {(s["factors"]["walls"], s["factors"]["ceiling"]) for s in study["stages"]}
    assert len(combinations) == 4
    assert len(study["stages"]) >= 6
    assert {s["factors"]["low_unit"] for s in study["stages"]} == {"none", "fitted"}
    assert all(len(s["responses"]) == 3 for s in study["stages"])
    assert len(study["programmes"]) == 3


def test_level_promise_holds_in_the_manifest(demo):
    manifest = json.loads((demo[0] / "stimuli" / "manifest.json").read_text())
    by_programme = {}
    for record in manifest["stimuli"]:
        by_programme.setdefault(record["programme"], []).append(record)
    assert len(by_programme) >= 3
    for records in by_programme.values():
        loudness = [r["loudness_after_lufs"] for r in records]
        assert max(loudness) - min(loudness) <= 0.1
        assert max(r["true_peak_dbtp"] for r in records) <= -1.0


def test_file_names_of_stimuli_say_nothing(demo):
    directory, _ = demo
    study = tomllib.loads((directory / "study.toml").read_text())
    words = [s["id"] for s in study["stages"]] + [p["id"] for p in study["programmes"]]
    for file in (directory / "stimuli").iterdir():
        assert not any(word in file.name for word in words)


def test_rehearsal_is_marked_simulated_everywhere(demo):
    directory, _ = demo
    with (directory / "rehearsal/results/trials.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) > 200
    assert {row["simulated"] for row in rows} == {"1"}
    results = json.loads((directory / "rehearsal/results/results.json").read_text())
    assert results["about"]["simulated"] is True
    assert "simulated" in (directory / "rehearsal/results/report.html").read_text().lower()
    assert not (directory / "earwitness.db").exists()


def test_results_have_the_documented_keys(demo):
    results = json.loads((demo[0] / "rehearsal/results/results.json").read_text())
    row = {
        *"pair method listener programme n_trials n_correct proportion p_value".split(),
        *"ci_low ci_high d_prime d_prime_low d_prime_high".split(),
    }
    assert row <= set(results["discrimination"][0])
    stage = {"stage", "log_worth", "se", "se_cluster", "worth", "p_best"}
    preference = results["preference"]
    assert stage <= set(preference["stages"][0])
    assert sum(s["worth"] for s in preference["stages"]) == pytest.approx(1.0, abs=1e-12)
    assert {"estimate", "se"} <= set(preference["order_effect"])
    assert {"deviance", "df"} <= set(preference["fit"])
    claim = {"text", "verdict", "test", "statistic", "p_value", "ci_low", "ci_high", "needs"}
    assert len(results["claims"]) == 7
    assert all(claim <= set(c) for c in results["claims"])
    assert {c["verdict"] for c in results["claims"]} <= {"supported", "contradicted", "undecided"}


def test_report_opens_offline(demo):
    html = (demo[0] / "rehearsal/results/report.html").read_text()
    # Everything a browser would fetch: none of it may lie outside the file.
    fetched = re.findall(r"""(?:src|href|url)\s*[=(]\s*["']?([^"')\s>]+)""", html)
    outside = [f for f in fetched if not f.startswith(("data:", "#"))]
    assert outside == []


def test_verify_finds_the_rehearsal_sound(demo, earwitness):
    outcome = earwitness("verify", demo[0], "--rehearsal")
    assert outcome.code == 0, outcome
    assert "FAILS" not in outcome.out


@pytest.fixture
def tampered(demo, tmp_path):
    copy = tmp_path / "study"
    shutil.copytree(demo[0], copy)
    return copy


def test_verify_names_one_changed_byte_of_sound_and_an_edited_result(tampered, earwitness):
    audio = next(p for p in (tampered / "stimuli").iterdir() if p.suffix == ".flac")
    data = bytearray(audio.read_bytes())
    data[len(data) // 2] ^= 1
    audio.write_bytes(data)
    file = tampered / "rehearsal/results/results.json"
    results = json.loads(file.read_text())
    results["discrimination"][0]["n_correct"] += 1
    file.write_text(json.dumps(results))
    outcome = earwitness("verify", tampered, "--rehearsal")
    assert outcome.code == 1
    fails = [line for line in outcome.out.splitlines() if "FAILS" in line]
    assert any(audio.name in line for line in fails)
    assert any("results.json" in line for line in fails)
    assert "Traceback" not in outcome.err


def test_verify_names_a_spoilt_programme_and_goes_on(tampered, earwitness):
    music = next((tampered / "programmes").iterdir())
    music.write_bytes(b"not sound")
    outcome = earwitness("verify", tampered, "--rehearsal")
    assert outcome.code == 1, outcome
    fails = [line for line in outcome.out.splitlines() if "FAILS" in line]
    assert any("source cannot be read" in line and music.name in line for line in fails)
    assert any("programmes.csv cannot be made again" in line for line in fails)
    assert "results.json" in outcome.out
    assert "Traceback" not in outcome.err


def test_verify_notices_an_edited_claim(tampered, earwitness):
    study = tampered / "study.toml"
    study.write_text(study.read_text().replace("prefer refit over", "prefer aligned over"))
    outcome = earwitness("verify", tampered, "--rehearsal")
    assert outcome.code == 1
    assert "FAILS" in outcome.out
    assert "study" in outcome.out


def test_analyse_of_the_exported_table_repeats_all_but_what_rests_on_the_plan(
    demo, tmp_path, earwitness
):
    """The tables come without the seal, so that no measured figure is primary."""
    results = demo[0] / "rehearsal/results"
    out = tmp_path / "again.json"
    claims = json.loads((results / "results.json").read_text())["claims"]
    options = [arg for claim in claims for arg in ("--claim", claim["text"])]
    outcome = earwitness(
        *("analyse", results / "trials.csv", "--stages", results / "stages.csv"),
        *("--programmes", results / "programmes.csv", "--json", out, *options),
    )
    assert outcome.code == 0, outcome
    alone, sealed = (json.loads(file.read_text()) for file in (out, results / "results.json"))
    assert (alone["about"].pop("sealed_plan"), sealed["about"].pop("sealed_plan")) == (False, True)
    figures = ("metric", "n_stages", "slope", "ci_low", "ci_high", "p_value", "p_exact", "points")
    links = [
        [{key: row[key] for key in figures} for row in found.pop("link")]
        for found in (alone, sealed)
    ]
    assert links[0] == links[1]
    # Studies like this one are simulated where that is asked for.
    assert (alone.pop("power_claims"), sealed.pop("power_claims")["n_studies"]) == (None, 100)
    assert alone == sealed


def test_a_second_demonstration_is_the_same_music_and_measurements(demo, tmp_path):
    from abx.demo.build import build_demo

    again = build_demo(tmp_path / "again", listeners=6)
    for file in sorted((demo[0] / "programmes").iterdir()) + sorted(
        (demo[0] / "responses").iterdir()
    ):
        twin = again.root / file.parent.name / file.name
        assert hashlib.sha256(file.read_bytes()).digest() == (
            hashlib.sha256(twin.read_bytes()).digest()
        ), file.name


def test_demo_refuses_a_folder_with_something_else(tmp_path, earwitness):
    (tmp_path / "tax-return.txt").write_text("keep me")
    outcome = earwitness("demo", tmp_path)
    assert outcome.code == 2
    assert "already holds something else" in outcome.err
    assert [p.name for p in tmp_path.iterdir()] == ["tax-return.txt"]


def test_quiet_prints_only_the_result(demo, earwitness):
    outcome = earwitness("--quiet", "report", demo[0], "--rehearsal")
    assert outcome.code == 0
    results = demo[0] / "rehearsal" / "results"
    assert outcome.out.splitlines() == [
        f"Report: {results / 'report.html'}",
        f"Customer: {results / 'customer-card.html'}",
        f"Researcher: {results / 'researcher-report.html'}",
        f"Reviewer: {results / 'reviewer-sheet.html'}",
    ]
