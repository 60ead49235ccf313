"""The evidence bundle: whole, checkable elsewhere, and honest about being tampered with."""

import hashlib
import json
import time
import zipfile

import pytest

from abx.bundle import LAYOUT


@pytest.fixture(scope="session")
def bundle(demo, tmp_path_factory):
    from abx.bundle import write_bundle
    from abx.workspace import Workspace

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
    assert "prefer both over speakers" in text
    members["study.toml"] = text.replace("prefer both over", "prefer tuned over").encode()


def edit_a_result(members):
    results = json.loads(members["results/results.json"])
    results["discrimination"][0]["n_correct"] += 1
    members["results/results.json"] = json.dumps(results).encode()


def edit_a_trial(members):
    text = members["results/trials.csv"].decode()
    members["results/trials.csv"] = text.replace(",b,", ",a,", 1).encode()


def edit_a_response(members):
    name = "responses/both-p1.csv"
    text = members[name].decode().splitlines()
    text[-1] = "20000,99.0"
    members[name] = "\n".join(text).encode()


def edit_the_manifest(members):
    name = "stimuli/manifest.json"
    members[name] = members[name].replace(b'"gain_db"', b'"gain_db" ', 1)


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


def test_checking_is_quick(bundle, call):
    start = time.perf_counter()
    assert call("verify", bundle).code == 0
    assert time.perf_counter() - start < 30
