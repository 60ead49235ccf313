"""No sentence says more than the facts allow."""

from __future__ import annotations

import itertools
import re
from importlib.resources import files

import pytest

from analysis.report.build import render_report
from analysis.report.words import conditions
from analysis.report.words.conditions import GUARDS, Facts, WordingError, guarded_words
from analysis.report.words.sentences import SENTENCES, say

# A finding-free sentence that uses a guarded word must deny, ask, or say what was not done.
DENIALS = re.compile(
    r"\b(no|not|nobody|nothing|none|never|cannot|only|whether|without|fewer than)\b", re.I
)


def every_fact():
    for claim, verdict, p_best, step, p_value, stages, links, control in itertools.product(
        (None, "hear", "prefer", "neither", "most", "same", "other"),
        (None, "supported", "contradicted", "undecided", "too small to matter"),
        (None, 0.0, 0.79, 0.8, 0.95),
        (None, 0.79, 0.8, 0.95),
        (None, 0.0499, 0.05, 0.2),
        (0, 5, 6),
        ((False, False), (True, False), (False, True), (True, True)),
        (False, True),
    ):
        yield Facts(
            claim=claim,
            verdict=verdict,
            p_best=p_best,
            step_p_best=step,
            p_value=p_value,
            n_stages=stages,
            link_passed=links[0],
            link_explored=links[1],
            control_passed=control,
        )


# Whether a difference matters is asked of claims only; it multiplies nothing else.
SIZED = [
    Facts(claim=claim, verdict=verdict, matters=matters)
    for claim in ("hear", "prefer", "most")
    for verdict in ("supported", "contradicted", "undecided", "too small to matter")
    for matters in ("yes", "no", "open")
]
# Whether a link that passed its test predicts as well.
LINKED = [
    Facts(n_stages=n, link_passed=passed, link_predicts=True)
    for n in (5, 6)
    for passed in (True, False)
]
FACTS = [*every_fact(), *SIZED, *LINKED]


SPOKEN = sorted(key for key, s in SENTENCES.items() if s.use == "finding" or s.use == "limit")


@pytest.mark.parametrize("key", SPOKEN)
def test_guarded_words_need_their_condition(key):
    sentence = SENTENCES[key]
    words = guarded_words(sentence.text)
    if sentence.use == "limit":
        assert not words or DENIALS.search(sentence.text), (key, words)
        return
    for facts in filter(sentence.when.holds, FACTS):
        for word in words:
            assert GUARDS[word][1](facts), (key, word, facts)


def test_names_and_facts_say_no_guarded_word():
    found = {k: w for k, s in SENTENCES.items() if k not in SPOKEN and (w := guarded_words(s.text))}
    assert found == {}


CONDITIONAL = [key for key, s in SENTENCES.items() if s.when is not conditions.ALWAYS]


@pytest.mark.parametrize("key", CONDITIONAL)
def test_sentences_are_refused_when_their_condition_fails(key):
    sentence = SENTENCES[key]
    values = dict.fromkeys(re.findall(r"{(\w+)}", sentence.text), "x")
    values = {k: v for k, v in values.items() if k.lower() != "people" and "rule_" not in k}
    more = (Facts(simulated=True), Facts(n_groups=2))
    held = {sentence.when.holds(facts) for facts in (*FACTS, *more)}
    assert held == {True, False}, "a condition that never decides anything"
    for facts in FACTS[::331]:
        if sentence.when.holds(facts):
            assert say(key, facts, **values)
        else:
            with pytest.raises(WordingError, match=re.escape(key)):
                say(key, facts, **values)


def test_every_use_is_known_and_every_finding_has_a_condition():
    for key, sentence in SENTENCES.items():
        assert sentence.use in conditions.USES, key
        if sentence.use == "finding":
            assert sentence.when is not conditions.ALWAYS, key


def test_a_guard_can_fail():
    claims_too_much = "Listeners prefer it."
    assert guarded_words(claims_too_much) == ["prefer"]
    assert not GUARDS["prefer"][1](Facts(claim="prefer", verdict="undecided"))
    assert not GUARDS["predict"][1](Facts(n_stages=5, link_passed=True, link_predicts=True))
    assert not GUARDS["predict"][1](Facts(n_stages=6, link_passed=True))
    assert not GUARDS["no difference"][1](Facts(claim="same", verdict="supported"))
    assert not GUARDS["hear"][1](Facts(p_value=0.05))


def test_people_are_called_simulated_where_they_are():
    facts = Facts(claim="hear", verdict="supported")
    real = say("head.heard", facts, first="A", second="B")
    rehearsal = say(
        "head.heard",
        Facts(simulated=True, claim="hear", verdict="supported"),
        first="A",
        second="B",
    )
    assert real == "Listeners can hear A from B."
    assert rehearsal == "Simulated listeners can hear A from B."


def test_values_are_escaped():
    text = say("lev.warning", Facts(), stages="<script>alert(1)</script>")
    assert "<script>" not in text
    assert "&lt;script&gt;" in text


def templates():
    folder = files("analysis.report") / "templates"
    return [item for item in folder.iterdir() if item.name.endswith(".j2")]


@pytest.mark.parametrize("template", templates(), ids=lambda item: item.name)
def test_templates_hold_no_prose(template):
    text = template.read_text(encoding="utf-8")
    text = re.sub(r"{%.*?%}|{{.*?}}|{#.*?#}", "", text, flags=re.S)
    text = re.sub(r"<[^>]*>", "", text)
    assert re.findall(r"[A-Za-z]{2,}", text) == []


@pytest.mark.parametrize("template", templates(), ids=lambda item: item.name)
def test_templates_name_only_sentences_that_exist(template):
    for key in re.findall(r'page\.(?:say|name)\("([^"]+)"', template.read_text(encoding="utf-8")):
        assert key in SENTENCES


def visible(html):
    html = re.sub(r"<(style|svg|title)\b.*?</\1>", " ", html, flags=re.S)
    html = re.sub(r'<bdi class="u">.*?</bdi>', "", html, flags=re.S)
    text = re.sub(r"<[^>]+>", "", html)
    return re.sub(r"\s+", " ", text)


def strip_results(lean):
    """Leave a study in which nothing was shown."""
    for row in lean["results"]["preference"]["stages"]:
        row["p_best"] = 1 / 6
    for row in lean["results"]["discrimination"]:
        row["p_value"] = 0.4
        row.pop("panel", None)
    for row in lean["results"]["claims"]:
        row["verdict"] = "undecided"
    return lean


def test_an_undecided_study_asserts_nothing(lean):
    text = visible(render_report(strip_results(lean)))
    assert "No clear winner yet." in text
    sentences = re.split(r"(?<=[.?!:])\s", text)
    for sentence in sentences:
        for word in guarded_words(sentence):
            assert DENIALS.search(sentence), (word, sentence)


def test_the_headline_follows_the_evidence(lean):
    def lead():
        return re.search(r'<p class="lead">(.*?)</p>', render_report(lean)).group(1)

    stages = lean["results"]["preference"]["stages"]
    best = next(row for row in stages if row["stage"] == "tuned")
    for row in stages:
        row["p_best"] = 0.0
    best["p_best"] = 0.85
    lean["results"]["claims"][2]["verdict"] = "undecided"
    lean["results"]["claims"][1]["verdict"] = "supported"
    assert re.sub("<[^>]+>", "", lead()) == "Do “New cabin speakers” before “New source unit”."
    lean["results"]["claims"][1]["verdict"] = "undecided"
    assert "is in front, but not settled" in lead()
    best["p_best"] = 0.97
    assert "is in front, but not settled" in lead()
    lean["results"]["claims"][2]["verdict"] = "supported"
    assert "came out best" in lead()
    best["p_best"] = 0.5
    assert lead() == "No clear winner yet."
    lean["results"]["upgrade"] = {"first_step": [{"step": "speakers", "p_best": 0.96}]}
    assert re.sub("<[^>]+>", "", lead()) == "Do “New cabin speakers” first."
    lean["results"]["upgrade"]["first_step"][0]["p_best"] = 0.85
    assert "looks like the best first step" in lead()
    lean["results"]["upgrade"]["first_step"][0]["p_best"] = 0.6
    assert lead() == "No single first step stands out yet."


@pytest.mark.parametrize("stages", [4, 5])
def test_fewer_than_six_stages_never_predict(lean, stages):
    lean["study"]["stages"] = lean["study"]["stages"][:stages]
    text = visible(render_report(lean))
    assert "does not predict what people will choose" in text
    assert "can predict" not in text


def test_a_link_that_passed_with_six_stages_may_say_so(lean):
    lean["results"]["link"] = [{"metric": "deviation_sd_db", "n_stages": 6, "verdict": "supported"}]
    assert "it can predict choices within the range" in visible(render_report(lean))
    lean["results"]["link"][0]["n_stages"] = 5
    assert "can predict" not in visible(render_report(lean))
