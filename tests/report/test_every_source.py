"""Sentences outside the report's own list: verdicts, notes and screens say no more either.

Every text in the sources of the analysis and of the screens is read. One that speaks of preferring,
hearing, no difference, significance or prediction has to deny or ask, to be the sentence of one
verdict, to be the words of an error, or to be named below with what allows it.
"""

from __future__ import annotations

import ast
import re
from importlib.resources import files
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from analysis.report.words.conditions import GUARDS
from analysis.run import analyse
from analysis.tables.stages import stage_table
from analysis.tables.trials import trial_table
from helpers.report_example import STAGES, simulated_trials

ROOT = Path(str(files("analysis"))).parent
WORDS = {name: pattern for name, (pattern, _) in GUARDS.items() if name != "best"}
WORDS["prefer"] = re.compile(r"\b(prefer(s|red|ring)?|best liked)\b(?!-)", re.I)
OPEN = re.compile(
    r"\b(no|not|nobody|nothing|none|never|cannot|only|whether|without|fewer than|if|which|how)\b"
    r"|\?",
    re.I,
)
ERRORS = {"InputError", "AnswerRefused", "ValueError", "error"}
VERDICTS = {"supported", "contradicted"}

# Beginning of a sentence: what allows it.
ALLOWED = {
    # Forms of claims and study files, which a user fills in.
    '"listeners prefer I most of J and K"': "grammar",
    r"listeners prefer (\S+)": "grammar",
    "listeners prefer {} over {}, against its order": "the negation of a claim, as a name",
    "claim 'listeners prefer {} over": "a form of a claim, in a refusal",
    "[plan]": "a study file to be filled in",
    "Hear upgrade stages level-matched": "the title of the documentation",
    "marks an identical control": "an error about a trial table",
    "listeners prefer {} over {}": "a claim put together",
    "listeners prefer {} most": "a claim put together",
    "listeners can tell {} from {}": "a claim put together",
    # Estimates with their interval, and what a study would take.
    "the share of listeners' trials with a heard difference is put at": "an estimate, its interval",
    "a share of {} with a heard difference": "names the estimate that a panel size rests on",
    "a difference that listeners can hear": "names what a study would need",
    "Half of the trials carry a heard difference at": "after a step that passed its test",
    "{} % prefer the better": "the true size that a power curve supposes",
    "expect it to be heard": "published thresholds, said beforehand and so called",
    "it may be heard by some": "published thresholds, said beforehand and so called",
    "Gains hold for these stages as they were heard": "the act of listening",
    "{} lies outside the range that listeners heard": "the act of listening, in a refusal",
    "A stage with {} of {} is predicted to be preferred": "a link that passed; tried below",
    "predicting each of them from the others was wrong by": "a link that passed; tried below",
    # Screens: instructions, and a listener's own counts.
    "{} you preferred one of them": "a count of one's own answers",
    "Is a difference heard:": "the name of a question",
    "Predicting what is audible": "the name of a step",
    "The same as a command:": "a heading",
}
SCREENS = re.compile(
    r"^(Hear:|Still to hear:|You (will )?hear |Trust what you hear|Choose an excer)"
)
ACTS = re.compile(r"the version you hear|all have been heard")


def written(node):
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        return node.value
    if isinstance(node, ast.JoinedStr):
        return "".join(v.value if isinstance(v, ast.Constant) else "{}" for v in node.values)
    return None


def documentation(tree):
    """Return the texts that stand alone: docstrings, which no reader of a report sees."""
    return {node.value for node in ast.walk(tree) if isinstance(node, ast.Expr)}


def bare_sentences(source):
    """Yield (line, sentence, guarded words) that neither deny nor belong to a verdict or error."""
    tree = ast.parse(source)
    parent = {child: node for node in ast.walk(tree) for child in ast.iter_child_nodes(node)}
    told = documentation(tree)
    for node in ast.walk(tree):
        text = written(node)
        inside = isinstance(parent.get(node), ast.JoinedStr | ast.FormattedValue)
        if text is None or node in told or inside or len(text.split()) < 4:
            continue
        if of_verdict_or_error(node, parent):
            continue
        for sentence in re.split(r"(?<=[.?!;:])\s", text):
            words = [name for name, pattern in WORDS.items() if pattern.search(sentence)]
            if words and not OPEN.search(sentence):
                yield node.lineno, sentence.strip(), words


def of_verdict_or_error(node, parent):
    while node in parent:
        above = parent[node]
        if isinstance(above, ast.Dict):
            keys = [k for k, v in zip(above.keys, above.values, strict=True) if v is node]
            if any(isinstance(k, ast.Constant) and k.value in VERDICTS for k in keys):
                return True
        if isinstance(above, ast.Raise):
            return True
        if isinstance(above, ast.Call):
            name = getattr(above.func, "id", getattr(above.func, "attr", ""))
            if name in ERRORS:
                return True
        node = above
    return False


def sources():
    for package in ("analysis", "abx"):
        for path in sorted((ROOT / package).rglob("*.py")):
            if "report" not in path.relative_to(ROOT).parts:
                yield path


SOURCES = {str(path.relative_to(ROOT)): path for path in sources()}


def test_the_sources_are_found():
    assert len(SOURCES) > 80
    assert "analysis/claims/preference.py" in SOURCES


def test_no_sentence_of_any_source_asserts_without_a_condition():
    found = [
        (name, line, sentence, words)
        for name, path in SOURCES.items()
        for line, sentence, words in bare_sentences(path.read_text(encoding="utf-8"))
        if not any(sentence.startswith(beginning) for beginning in ALLOWED)
    ]
    left = [
        row
        for row in found
        if not (row[0].startswith("abx/") and (SCREENS.match(row[2]) or ACTS.search(row[2])))
        and "prefers-color-scheme" not in row[2]
    ]
    assert left == []


def test_every_allowance_is_needed():
    said = [
        sentence
        for path in SOURCES.values()
        for _, sentence, _ in bare_sentences(path.read_text(encoding="utf-8"))
    ]
    idle = [b for b in ALLOWED if not any(sentence.startswith(b) for sentence in said)]
    assert idle == []


@pytest.mark.parametrize(
    ("source", "caught"),
    [
        ('x = f"Listeners clearly prefer {a} to the rest."', True),
        ('x = {"supported": f"Listeners prefer {a} over the rest."}', False),
        ('x = {"undecided": f"Listeners prefer {a} over the rest."}', True),
        ('x = "There is no difference between these two."', False),
        ('x = "The two versions sound identical to everyone."', True),
        ('raise InputError("the listeners prefer something else here")', False),
        ('def f():\n    """Say that listeners prefer one version."""', False),
        ('x = "A significant result was found here."', True),
        ('x = "This forecasts what people will choose."', True),
    ],
)
def test_the_reader_of_sources_can_fail(source, caught):
    assert bool(list(bare_sentences(source))) == caught


FALSE_CERTAINTY = re.compile(
    r"\b(proves?|proven|guarantee\w*|definitely|certainly|undoubtedly|obviously|clearly (better|"
    r"worse|audible)|scientifically|in 100 % of)\b",
    re.I,
)


def test_no_source_feigns_certainty():
    found = [
        (name, text[:80])
        for name, path in SOURCES.items()
        for tree in [ast.parse(path.read_text(encoding="utf-8"))]
        for told in [documentation(tree)]
        for node in ast.walk(tree)
        if (text := written(node)) and node not in told and FALSE_CERTAINTY.search(text)
        if not OPEN.search(text)
    ]
    assert found == []


def markup():
    kinds = {".js", ".html", ".j2"}
    return [p for d in ("analysis", "abx") for p in (ROOT / d).rglob("*") if p.suffix in kinds]


@pytest.mark.parametrize("path", markup(), ids=lambda path: path.name)
def test_scripts_and_templates_assert_nothing(path):
    text = path.read_text(encoding="utf-8")
    text = re.sub(r"preventDefault|prefers-[a-z-]+|//[^\n]*|/\*.*?\*/", "", text, flags=re.S)
    for name in ("prefer", "no difference", "significant", "predict"):
        assert not WORDS[name].search(text), name


# Tried out ---------------------------------------------------------------------------------

CLAIMS = (
    "listeners can tell refit from as-found",
    "listeners can tell aligned from low-unit",
    "listeners cannot tell aligned from low-unit within 40 %",
    "listeners prefer ceiling over damped",
    "listeners prefer damped over ceiling",
    "listeners prefer aligned most",
    "listeners prefer refit most",
)


@pytest.fixture(scope="module", params=[(4, 1), (9, 2), (24, 3)], ids=lambda p: f"{p[0]}-listeners")
def judged(request):
    n_listeners, seed = request.param
    table = trial_table(simulated_trials(n_listeners=n_listeners, seed=seed))
    return analyse(table, claims=CLAIMS, mixed=False).to_dict()["claims"]


def test_the_words_of_a_verdict_never_say_more_than_its_numbers(judged):
    for row in judged:
        words = re.sub(r"Adjusted for .*|Holds for .*", "", row["words"])
        for sentence in re.split(r"(?<=[.;:])\s", words):
            says = [name for name, pattern in WORDS.items() if pattern.search(sentence)]
            if not says or OPEN.search(sentence) or "is put at" in sentence:
                continue
            assert row["verdict"] in VERDICTS, sentence
            assert row["p_holm"] <= row["alpha"], sentence
        if row["verdict"] == "undecided":
            assert re.search(r"do not settle|No paired|No trials|not", row["words"]), row["words"]
        assert ("No audible difference" in words) == (
            row["kind"] == "similar" and row["verdict"] == "supported"
        )


def test_all_verdicts_were_tried():
    rows = [
        row["verdict"]
        for n, seed in ((4, 1), (24, 3))
        for row in analyse(
            trial_table(simulated_trials(n_listeners=n, seed=seed)), claims=CLAIMS, mixed=False
        ).to_dict()["claims"]
    ]
    assert set(rows) == {"supported", "contradicted", "undecided"}


@pytest.mark.parametrize("n_heard", [3, 4, 5, 6])
def test_nothing_is_predicted_from_fewer_than_six_stages(n_heard):
    heard = [stage[0] for stage in STAGES[:n_heard]]
    trials = simulated_trials(n_listeners=20)
    inside = trials["stage_a"].isin(heard) & trials["stage_b"].isin(heard)
    table = trial_table(trials[inside & (trials["method"] == "paired")])
    figures = np.linspace(6.0, 0.5, n_heard).tolist()
    rows = {"stage": [*heard, "measured-only"], "metric_deviation_sd_db": [*figures, 2.0]}
    plan = {"primary_metric": "deviation_sd_db", "sealed_plan": True}
    found = analyse(table, stages=stage_table(pd.DataFrame(rows)), mixed=False, **plan).to_dict()
    (row,) = [r for r in found["predictions"] if r["metric"] == "deviation_sd_db"]
    predicted = "is predicted to be preferred" in row["words"]
    assert predicted == (row["share"] is not None)
    if n_heard < 6:
        assert row["words"].startswith("No prediction")
        assert row["share"] is None
