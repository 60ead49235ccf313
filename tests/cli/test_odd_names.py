"""A study with odd names of folder, files, ids and labels goes the whole way, bundle included."""

import json
import shlex

import pytest

from helpers.cli_study import STUDY, write_study

FOLDER = "it's a $tudy? #1 %41 [x]"
LABEL = "`a` $b_{$ *c* _d_ [e](f) <g> & 'h' :smile: =1+1"


@pytest.fixture(scope="module")
def odd(tmp_path_factory):
    """Stages 007 and 1, an excerpt called 0, files with every mark that a name may have."""
    root = write_study(tmp_path_factory.mktemp("odd") / FOLDER)
    text = STUDY.replace('label = "Before"', f"label = {json.dumps(LABEL)}")
    text = text.replace('label = "After"', 'label = "_hidden"')
    text = text.replace('id = "before"', 'id = "007"').replace('id = "after"', 'id = "1"')
    text = text.replace('["before", "after"]', '["007", "1"]')
    text = text.replace("tell after from before", "tell 1 from 007")
    text = text.replace('id = "noise"', 'id = "0"').replace('"Two stages"', '"$5 or *$6*?"')
    for old, new in (
        ("responses/before", "programmes/-p1 #x %41"),
        ("programmes/noise", "-[1] ?*"),
    ):
        (ending,) = [path.suffix for path in root.glob(f"{old}.*")]
        (root / f"{old}{ending}").rename(root / f"{new}{ending}")
        text = text.replace(old, new)
    (root / "study.toml").write_text(text, encoding="utf-8")
    return root


def test_from_tables_to_a_bundle_that_holds(odd, call, tmp_path):
    bundle = tmp_path / "-evidence (1)?.zip"
    steps = (
        ("stages", odd, "--pictures", tmp_path / "pictures"),
        ("render", odd),
        ("plan", odd),
        ("simulate", odd, "--listeners", "4"),
        ("report", odd, "--rehearsal"),
        ("export", odd, "--rehearsal", "--parquet", "--bundle", bundle),
    )
    for step in steps:
        outcome = call(*step)
        assert outcome.code == 0, outcome
        for line in outcome.out.splitlines():
            if line.startswith("Next: "):
                shown = line.removeprefix("Next: ").split(", or ")[0]
                assert shlex.split(shown)[2] == str(odd), line
    assert [path.name for path in odd.parent.iterdir()] == [FOLDER], "something lies beside it"
    checked = call("verify", bundle)
    assert checked.code == 0, checked
    assert "Every check holds." in checked.out
    results = json.loads((odd / "rehearsal/results/results.json").read_text())
    (claim,) = results["claims"]
    # 4 listeners with 4 questions each are about the pair: the claim has found its answers.
    assert (claim["n_trials"], claim["n_listeners"]) == (16, 4)
    assert results["about"]["programmes"] == ["0"]


def test_a_bundle_without_sound_says_what_is_not_shown(odd, call, tmp_path):
    """A table in the folder called programmes is no sound."""
    outcome = call("export", odd, "--rehearsal", "--bundle", tmp_path / "small.zip")
    assert outcome.code == 0, outcome
    checked = call("verify", tmp_path / "small.zip")
    assert checked.code == 0, checked


def test_an_export_is_not_the_real_panels(odd, call):
    """Rehearsal and people lie in files of their own, whatever the folder is called."""
    outcome = call("status", odd)
    assert outcome.code == 2, outcome
    assert "nobody has been asked yet" in outcome.err


@pytest.mark.parametrize("word", ["nan", "null", "nat"])
def test_an_id_that_reads_as_a_missing_value_is_refused_at_once(tmp_path, call, word):
    root = write_study(tmp_path / "study")
    (root / "study.toml").write_text(STUDY.replace('id = "noise"', f'id = "{word}"'))
    outcome = call("plan", root)
    assert outcome.code == 2
    assert f"the id '{word}' is what programs write for a missing value" in outcome.err
    assert "study.toml" in outcome.err
