"""The public face of the packages: light, typed, documented with examples that run."""

import ast
import doctest
import importlib
import inspect
import subprocess
import sys
import tempfile
from itertools import chain
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import analysis
import stimuli
from abx.evidence.collect import stage_table
from abx.study.workspace import Workspace
from abx.study_file.reading import study_from_text
from analysis.claims.judge import Heard
from analysis.planning.claim_design import ClaimDesign
from analysis.planning.power import panel_power
from analysis.tables.trials import trial_table
from stimuli.files.errors import InputError

DOORS = {"stimuli": stimuli, "analysis": analysis}
NAMES = [(package, name) for package, door in DOORS.items() for name in door.__all__]

PROBE = """
import sys
before = set(sys.modules)
door = __import__(sys.argv[1])
names = dir(door)
assert set(door.__all__) <= set(names)
print("\\n".join(sorted(set(sys.modules) - before)))
"""


@pytest.mark.parametrize("package", DOORS)
def test_importing_loads_nothing_of_its_own_nor_numpy(package):
    done = subprocess.run(
        [sys.executable, "-c", PROBE, package], capture_output=True, text=True, check=True
    )
    loaded = set(done.stdout.split())
    own = {name for name in loaded if name.split(".")[0] in ("stimuli", "analysis", "abx")}
    assert own == {package}
    assert not {name.split(".")[0] for name in loaded} & {"numpy", "pandas", "scipy", "soundfile"}
    assert not done.stderr


@pytest.mark.parametrize(("package", "name"), NAMES)
def test_a_name_is_the_real_thing(package, name):
    thing = getattr(DOORS[package], name)
    assert thing.__name__ == name
    assert inspect.getmodule(thing).__name__.rpartition(".")[2] != name


@pytest.mark.parametrize("package", DOORS)
def test_type_checkers_see_what_python_finds(package):
    """The imports for type checkers name every name's own module."""
    door = DOORS[package]
    tree = ast.parse(Path(door.__file__).read_text(encoding="utf-8"))
    blocks = [node for node in tree.body if isinstance(node, ast.If)]
    assert [ast.unparse(block.test) for block in blocks] == ["TYPE_CHECKING"]
    seen = {name.name: node.module for node in blocks[0].body for name in node.names}
    assert seen == {name: getattr(door, name).__module__ for name in door.__all__}
    assert Path(door.__file__).with_name("py.typed").is_file()


@pytest.mark.parametrize("package", DOORS)
def test_an_unknown_name_is_an_attribute_error(package):
    with pytest.raises(AttributeError, match="has no attribute 'volume'"):
        _ = DOORS[package].volume


def test_both_raise_the_same_error_for_bad_input():
    assert stimuli.InputError is analysis.InputError is InputError


@pytest.mark.parametrize("package", DOORS)
def test_the_distribution_is_named(package):
    assert "``earwitness``" in DOORS[package].__doc__


@pytest.mark.parametrize(("package", "name"), NAMES)
def test_examples_run(package, name, tmp_path, monkeypatch):
    thing = getattr(DOORS[package], name)
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    monkeypatch.chdir(tmp_path)
    # Nothing but Python's own names: a reader has no more either.
    (found,) = doctest.DocTestFinder(recurse=False).find(thing, name, globs={})
    assert found.examples, f"{name} has no example"
    assert any(f"from {package} import" in e.source for e in found.examples) or name == "InputError"
    said = []
    result = doctest.DocTestRunner().run(found, out=said.append)
    assert result.failed == 0, "".join(said)


@pytest.mark.parametrize(("package", "name"), NAMES)
def test_signatures_are_documented(package, name):
    thing = getattr(DOORS[package], name)
    if inspect.isclass(thing):
        return
    text = inspect.getdoc(thing)
    for section in ("Parameters", "Returns", "Examples"):
        assert f"\n{section}\n{'-' * len(section)}\n" in text
    for parameter in inspect.signature(thing).parameters:
        assert parameter in text.split("Returns\n")[0], f"{name}: {parameter}"


# trials_from -------------------------------------------------------------------------------------


def answers(**more):
    """Two listeners and two pairs: Ada prefers damped, Ben has one tie."""
    return pd.DataFrame(
        {
            "listener": ["Ada", "Ada", "Ben", "Ben"],
            "stage_a": ["damped", "as-built", "damped", "as-built"],
            "stage_b": ["as-built", "damped", "as-built", "damped"],
            "answer": ["a", "b", "a", "tie"],
            **more,
        }
    )


def test_the_rest_of_a_trial_table_is_filled_in():
    frame = answers()
    before = frame.copy()
    made = analysis.trials_from(frame)
    whole = trial_table(answers(session="1", trial=[1, 2, 1, 2], method="paired"))
    names = ["listener", "session", "trial", "method", "stage_a", "stage_b", "answer", "control"]
    pd.testing.assert_frame_equal(made.frame[names], whole.frame[names])
    assert not made.simulated
    pd.testing.assert_frame_equal(frame, before)


def test_what_is_there_is_kept():
    made = analysis.trials_from(
        answers(session=["1", "2", "1", "1"], programme="rain", seat=["l", "r", "l", "r"])
    )
    assert made.frame["trial"].tolist() == [1, 1, 1, 2]
    assert made.frame["programme"].unique().tolist() == ["rain"]
    assert made.frame["seat"].tolist() == ["l", "r", "l", "r"]


@pytest.mark.parametrize("kind", [object, "category"])
def test_the_name_of_the_preferred_stage_is_an_answer(kind):
    frame = answers(answer=["damped", "damped", "damped", "tie"]).astype(kind)
    by_place = analysis.trials_from(answers()).frame["answer"].astype(str)
    assert analysis.trials_from(frame).frame["answer"].astype(str).tolist() == by_place.tolist()


def test_stages_called_by_places_are_refused_where_they_mean_two_things():
    turned = {"stage_a": ["a", "b"], "stage_b": ["b", "a"]}
    frame = pd.DataFrame({"listener": ["Ada"] * 2, **turned, "answer": ["a", "a"]})
    with pytest.raises(InputError, match=r"row 2, column answer: 'a' is both .* Rename the stages"):
        analysis.trials_from(frame)
    straight = analysis.trials_from(frame.iloc[:1])
    assert straight.frame["answer"].tolist() == ["a"]


def test_one_method_may_be_named_for_all_rows():
    heard = answers(stage_x="damped", answer=["a", "a", "b", "b"])
    assert analysis.trials_from(heard, method="abx").frame["correct"].tolist() == [1, 0, 0, 1]
    rated = answers(answer=[50, 60, 70, 80]).drop(columns="stage_b")
    assert analysis.trials_from(rated, method="rating").frame["rating"].tolist() == [50, 60, 70, 80]


@pytest.mark.parametrize(
    ("frame", "options", "message"),
    [
        (
            answers().drop(columns="listener").assign(Listener="Ada"),
            {},
            r"column listener: the column is missing \(the frame has: .*\)\. Trials_from needs the "
            r"columns listener, stage_a, stage_b, answer: .*rename.* Did you mean 'Listener'\?",
        ),
        (answers().drop(columns="stage_b"), {}, "column stage_b: the column is missing"),
        (answers(), {"method": "abx"}, "column stage_x: the column is missing"),
        (answers(), {"method": "pared"}, r"'pared' is not a known method.*Did you mean 'paired'\?"),
        (answers().to_dict(), {}, r"a dict is not a pandas.DataFrame\. Make one"),
        (answers().iloc[:0], {}, "holds no trials"),
        (answers(answer="louder"), {"source": "mine"}, "mine, row 1, column answer: 'louder'"),
        (answers(listener=["Ada", None, "Ben", "Ben"]), {}, "row 2, column listener"),
        (answers(trial=[1, 1, 1, 2]), {}, "row 2, column trial: .* already given"),
    ],
)
def test_what_cannot_be_filled_in_is_refused(frame, options, message):
    with pytest.raises(InputError, match=message):
        analysis.trials_from(frame, **options)


# judge_claims ------------------------------------------------------------------------------------


def panel(n_listeners=10, seed=3):
    """Answers in two groups, with metrics to order the stages by."""
    rng = np.random.default_rng(seed)
    worth = {"as-built": 0.0, "damped": 1.2, "aligned": 2.0}
    pairs = [(a, b) for a in worth for b in worth if a != b]
    rows = [
        {"listener": f"P{k}", "group": "shop" if k % 2 else "home", "stage_a": a, "stage_b": b}
        | {"answer": "a" if rng.random() < 1 / (1 + np.exp(worth[b] - worth[a])) else "b"}
        for k in range(n_listeners)
        for a, b in pairs
    ]
    return analysis.trials_from(pd.DataFrame(rows))


CLAIMS = (
    "listeners prefer aligned over as-built",
    "listeners prefer aligned most",
    "listeners prefer damped over as-built among shop",
)


def test_claims_judged_alone_get_the_verdicts_of_the_whole_analysis():
    trials = panel()
    rows = analysis.judge_claims(CLAIMS, trials)
    skipped = ["groups", "tastes", "resampling"]
    whole = analysis.analyse(trials, claims=CLAIMS, without=skipped).to_dict()["claims"]
    for row, other in zip(rows, whole, strict=True):
        for key in ("text", "verdict", "p_value", "p_holm", "estimate", "words", "who"):
            assert row[key] == other[key]
    assert rows == analysis.judge_claims(
        CLAIMS, Heard.of(trials), groups={"shop": Heard.of(trials.among("shop"))}
    )


@pytest.mark.parametrize(
    ("claims", "options", "message"),
    [
        (["listeners prefer tunned over as-built"], {}, "claim 1"),
        (CLAIMS[:1], {"smallest_effect": 5}, r"5 is no share between 0 and 0.5\. Write 0.05"),
    ],
)
def test_claims_of_what_is_not_there_are_refused(claims, options, message):
    with pytest.raises(InputError, match=message):
        analysis.judge_claims(claims, panel(), **options)


# figures of a stage ------------------------------------------------------------------------------

STAGES = ("as-built", "damped")


def test_the_figures_of_a_stage_are_those_of_the_stage_table(tmp_path):
    rng = np.random.default_rng(4)
    f_hz = 1000 * 10 ** (np.arange(-16, 13) / 10)
    files = {stage: [tmp_path / f"{stage}-{k}.csv" for k in (1, 2, 3)] for stage in STAGES}
    for path in chain.from_iterable(files.values()):
        rows = zip(f_hz, 70 + rng.normal(0, 3, len(f_hz)), strict=True)
        path.write_text("\n".join(f"{f:.6g},{level:.3f}" for f, level in rows))
    table = stage_table(Workspace(tmp_path), study_from_text(STUDY)).set_index("stage")
    for name, paths in files.items():
        found = stimuli.stage_metrics(
            stimuli.read_stage(paths), stimuli.built_in_target("house-curve")
        )
        assert len(found) > 10
        for metric, value in found.items():
            assert table.loc[name, f"metric_{metric}"] == value


STUDY = "\n".join(
    [
        'format = 1\ntitle = "Doors"\ntarget = "house-curve"',
        *(
            f'[[stages]]\nid = "{stage}"\nresponses = {[f"{stage}-{k}.csv" for k in (1, 2, 3)]}'
            for stage in STAGES
        ),
        '[[programmes]]\nid = "rain"\nfile = "rain.wav"',
        '[[tests]]\nmethod = "paired"\nstages = "all"\ntrials = 2',
        "[plan]\nlisteners = 8",
    ]
)


# plans -------------------------------------------------------------------------------------------


def test_a_plan_asks_every_pair_equally_often_in_balanced_places():
    plan = ClaimDesign(
        ("listeners prefer i most", "listeners cannot tell i from j within 30 %"),
        *(4, "triangle", ("i", "j", "k"), analysis.Sizes(), 0.05),
    )
    rows = pd.DataFrame([row for k in range(6) for row in plan.asked(k)]).fillna("")
    paired = rows[rows["method"] == "paired"]
    assert paired.groupby(["stage_a", "stage_b"]).size().tolist() == [12] * 6
    heard = rows[(rows["method"] == "triangle") & (rows["control"] == "")]
    assert len(heard) == 24
    assert (rows["control"] == "obvious").sum() == 24
    trials = trial_table(rows)
    assert trials.of("triangle")["correct"].mean() == pytest.approx(1 / 3)


def test_more_listeners_and_larger_differences_show_more():
    claim = ["listeners can tell i from j"]
    options = {"n_studies": 60, "processes": 1}
    few, many = (analysis.plan_answer(claim, n, 8, **options).claims[0] for n in (4, 24))
    assert few.alone < many.alone
    small, large = (
        analysis.listeners_needed(claim, 8, sizes=analysis.Sizes(right=share), **options)[0]
        for share in (0.6, 0.9)
    )
    assert large.listeners < small.listeners


def test_a_plan_agrees_with_the_exact_power():
    """Ten listeners with ten trials each: the test between listeners, tabulated exactly."""
    found = analysis.plan_answer(
        ["listeners can tell i from j"], 10, 10, sizes=analysis.Sizes(right=0.62), n_studies=400
    ).claims[0]
    exact = panel_power(0.62, 10, 10, spread=0.1)
    assert found.together == pytest.approx(exact, abs=1.5 * found.together_error)


@pytest.mark.parametrize(
    ("claims", "options", "message"),
    [
        ([], {}, "nothing is claimed"),
        (["i is better"], {}, "claim 1: the claim 'i is better' has no known form"),
        (["listeners prefer i most"], {}, "'i' is compared with nothing"),
        (["step i before j"], {}, "claim 1: .* needs groups, names, prices"),
        (["listeners can tell i from j among shop"], {}, "claim 1: .* needs groups"),
        (["listeners can tell i from j"], {"method": "paired"}, "does not ask about hearing"),
        (["listeners can tell i from j"], {"alpha": 5}, "alpha: 5 is not between 0 and 1"),
        (["listeners can tell i from j"], {"n_studies": 0}, "n_studies: 0 is fewer than 1"),
        (["listeners can tell i from j"], {"n_listeners": 1}, "n_listeners: 1 is fewer than 2"),
        (["listeners can tell i from j"], {"n_listeners": 900}, "more than the 200"),
        (["listeners can tell i from j"], {"n_per_pair": 0}, "n_per_pair: 0 is fewer than 1"),
        (
            ["listeners can tell i from j"],
            {"sizes": analysis.Sizes(right=0.5)},
            "sizes, right: 0.5 is no better than guessing",
        ),
    ],
)
def test_plans_that_cannot_be_simulated_are_refused(claims, options, message):
    with pytest.raises(InputError, match=message):
        analysis.plan_answer(claims, **{"n_listeners": 8, "n_per_pair": 4} | options)


# d' ----------------------------------------------------------------------------------------------


def test_dprime_of_a_listener_by_hand():
    # two intervals: sqrt(2) z(12/16), z(0.75) = 0.674490 (normal table)
    found = analysis.estimate_dprime(12, 16, method="two-interval")
    assert found.d_prime == pytest.approx(np.sqrt(2) * 0.674490, abs=1e-5)
    assert found.exact_low <= found.low < found.d_prime < found.high <= found.exact_high
    assert analysis.estimate_dprime(8, 16, method="abx").d_prime == 0
    assert analysis.estimate_dprime(16, 16, method="abx").d_prime == np.inf


@pytest.mark.parametrize(
    ("counts", "options", "message"),
    [
        ((17, 16), {"method": "abx"}, "need 0 <= n_correct <= n_trials"),
        ((12, 16), {"method": "abc"}, "'abc' is not one of"),
        ((12, 16), {"method": "abx", "confidence": 95}, "confidence must lie"),
    ],
)
def test_dprime_of_impossible_figures_is_refused(counts, options, message):
    with pytest.raises(ValueError, match=message):
        analysis.estimate_dprime(*counts, **options)


def test_every_home_of_a_name_is_there():
    for door in DOORS.values():
        for name, home in door._HOMES.items():
            assert hasattr(importlib.import_module(home), name)
