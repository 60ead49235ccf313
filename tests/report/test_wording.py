"""No sentence says more than the facts allow."""

from __future__ import annotations

import itertools
import re
from importlib.resources import files

import pytest

from analysis.report import page as page_module
from analysis.report.build import render_report
from analysis.report.card import card_sections
from analysis.report.evidence import Evidence
from analysis.report.page import Page
from analysis.report.record.review import verdicts_section
from analysis.report.sections.answer import short_section
from analysis.report.words import conditions
from analysis.report.words.conditions import GUARDS, Facts, WordingError, guarded_words
from analysis.report.words.sentences import SENTENCES, say
from helpers.report_example import choose_again
from helpers.whole_rows import whole_results

# A finding-free sentence that uses a guarded word must deny, ask, or say what was not done.
DENIALS = re.compile(
    r"\b(no|not|nobody|nothing|none|never|cannot|only|whether|without|fewer than)\b", re.I
)


def every_fact():
    for claim, verdict, p_value, stages, links, control in itertools.product(
        (None, "hear", "prefer", "neither", "most", "first", "same", "other"),
        (None, "supported", "contradicted", "undecided", "too small to matter"),
        (None, 0.0499, 0.05, 0.2),
        (0, 5, 6),
        ((False, False), (True, False), (False, True), (True, True)),
        (False, True),
    ):
        yield Facts(
            claim=claim,
            verdict=verdict,
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
    for facts in FACTS[::7]:
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
    real = say("answer.hears", facts, first="A", second="B")
    rehearsal = say(
        "answer.hears",
        Facts(simulated=True, claim="hear", verdict="supported"),
        first="A",
        second="B",
    )
    assert real == "Listeners can tell A from B."
    assert rehearsal == "Simulated listeners can tell A from B."


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
    for row in lean["results"]["discrimination"]:
        row["p_value"] = row["p_holm"] = 0.4
        row.pop("panel", None)
    for row in lean["results"]["claims"]:
        row["verdict"] = "undecided"
    return choose_again(lean)


def test_an_undecided_study_asserts_nothing(lean):
    text = visible(render_report(strip_results(lean)))
    assert "Which version is liked most is open." in text
    sentences = re.split(r"(?<=[.?!:])\s", text)
    for sentence in sentences:
        for word in guarded_words(sentence):
            assert DENIALS.search(sentence), (word, sentence)


def lead_of(evidence):
    # The card opens with the same sentence, and draws least.
    page = render_report(evidence, voice="customer")
    found = re.search(r'<p class="lead">(.*?)</p>', page).group(1)
    return re.sub("<[^>]+>", "", found)


def test_the_headline_follows_the_verdicts(lean):
    hear, before, most, against = lean["results"]["claims"]
    for row in (hear, before, most, against):
        row["verdict"] = "undecided"
    assert lead_of(choose_again(lean)) == "Which version is liked most is open."
    # However sure the resampled panels are: only the claim may say it.
    for row in lean["results"]["preference"]["stages"]:
        row["p_best"] = 0.99 if row["stage"] == "aligned" else 0.0
    assert lead_of(choose_again(lean)) == "Which version is liked most is open."
    most["verdict"] = "supported"
    lead = "“Alignment” is liked best of the 6 versions."
    assert lead_of(choose_again(lean)) == lead


def test_the_first_step_follows_the_verdicts(decided):
    def claims(**verdicts):
        rows = [
            ("listeners prefer ceiling over as-found", ["ceiling", "as-found"]),
            ("listeners prefer damped over as-found", ["damped", "as-found"]),
            ("listeners prefer ceiling over damped", ["ceiling", "damped"]),
        ]
        names = ("ceiling", "damped", "first")
        decided["results"]["claims"] = [
            {"text": text, "kind": "prefer", "stages": stages, "who": None, "share": 0.7}
            | {"verdict": verdicts.get(name, "undecided"), "n_trials": 336, "n_listeners": 16}
            for name, (text, stages) in zip(names, rows, strict=True)
        ]
        return lead_of(choose_again(decided))

    decided["results"]["upgrade"]["first_step"][0]["p_best"] = 0.99
    assert claims() == "Which step to do first is open."
    assert claims(ceiling="supported", damped="supported") == (
        "Both steps help; which to do first is open."
    )
    assert claims(ceiling="supported") == (
        "“New loudspeakers” helps; which step to do first is open."
    )
    assert claims(first="supported") == "Do “New loudspeakers” before “Wall damping”."
    assert claims(ceiling="supported", first="supported") == "Do “New loudspeakers” first."
    assert claims(damped="supported", first="contradicted") == "Do “Wall damping” first."
    assert claims(ceiling="contradicted", damped="contradicted") == (
        "None of the steps helps at first."
    )
    # What is liked more than something liked more than the baseline is liked more than that.
    assert claims(damped="supported", first="supported") == "Do “New loudspeakers” first."


def test_a_sentence_whose_claims_are_gone_or_open_is_not_said(lean):
    lean["results"]["claims"][2]["verdict"] = "supported"
    choose_again(lean)
    lean["results"]["claims"][2]["verdict"] = "undecided"  # nobody chose again
    nothing = "These results hold no verdicts that a first sentence could rest on."
    assert lead_of(lean) == nothing
    del lean["results"]["claims"]
    assert lead_of(lean) == nothing


@pytest.mark.parametrize("verdict", ["supported", "undecided"])
def test_first_screen_card_and_sheet_assert_by_verdicts_only(decided, monkeypatch, verdict):
    asserted = []

    def recorded(key, facts, /, **values):
        if SENTENCES[key].use == "finding":
            asserted.append(key)
        return say(key, facts, **values)

    for row in decided["results"]["claims"]:
        row["verdict"] = verdict
    # Tests of other families that pass, and shares of panels that are sure, say nothing here.
    for row in decided["results"]["discrimination"]:
        row |= {"p_value": 1e-9, "p_holm": 1e-9}
    decided["results"]["upgrade"]["first_step"][0]["p_best"] = 0.999
    decided["results"]["preference"]["classes"] |= {"n_groups": 2}
    monkeypatch.setattr(page_module, "say", recorded)
    page = Page(Evidence(choose_again(decided)))
    for make in (short_section, verdicts_section, card_sections):
        make(page)
    assert all(key.startswith(("answer.", "line.")) for key in asserted), asserted
    assert bool(asserted) == (verdict == "supported")


@pytest.mark.parametrize("stages", [4, 5])
def test_fewer_than_six_stages_never_predict(lean, stages):
    lean["study"]["stages"] = lean["study"]["stages"][:stages]
    text = visible(render_report(lean))
    assert "does not predict what people will choose" in text
    assert "can predict" not in text


def test_a_link_that_passed_with_six_stages_may_say_so(lean):
    row = {"metric": "deviation_sd_db", "n_stages": 6, "verdict": "supported"}
    lean["results"]["link"] = [row | {"primary": True, "predicts": True}]
    whole_results(lean["results"])
    assert "it can predict choices within the range" in visible(render_report(lean))
    lean["results"]["link"][0]["n_stages"] = 5
    assert "can predict" not in visible(render_report(lean))
