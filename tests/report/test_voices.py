"""Three voices of one run: card, researcher's report, reviewer's sheet."""

from __future__ import annotations

import re
import statistics
from html import unescape

import numpy as np
import pandas as pd
import pytest

from analysis.about import json_ready
from analysis.ratings.block import ratings_block
from analysis.report import build_voices, render_report
from analysis.report.build import VOICES
from analysis.report.words.sentences import SENTENCES
from analysis.run import analyse
from analysis.tables.stages import stage_table
from analysis.tables.trials import trial_table
from helpers.report_example import STAGES, WORTHS, simulated_trials
from helpers.whole_rows import whole_results
from stimuli.files.errors import InputError

PLAIN = ("customer", "full", "researcher", "reviewer")


def words(html):
    html = re.sub(r"<(style|svg|title)\b.*?</\1>", " ", html, flags=re.S)
    return re.sub(r"\s+", " ", unescape(re.sub(r"<[^>]+>", "", html)))


def sections(html):
    return re.findall(r'<section id="(\w+)"', html)


def test_the_card_says_five_things(decided):
    page = render_report(decided, voice="customer")
    assert sections(page) == ["card_first", "card_heard", "card_chosen", "card_played", "card_mind"]
    text = words(page)
    assert "Which step to do first is open." in text
    assert "In 87 % of resampled panels “New loudspeakers” came first." in text
    assert "Cost entered" not in text  # nothing is recommended
    assert "You listened to 6 versions" in text
    assert page.count("<svg") == 1  # the steps in their order


def test_the_card_of_one_listener_shows_their_own_answers(decided):
    row = next(
        r
        for r in decided["results"]["discrimination"]
        if r["listener"] == "L03" and r["programme"] is None
    )
    text = words(render_report(decided, voice="customer", listener="L03"))
    assert "Card for L03" in text
    right, of = row["n_correct"], row["n_trials"]
    assert f"you were right {right} out of {of} times" in text
    assert "Asked again without notice, you gave the same answer in" in text


def test_a_listener_nobody_knows_is_refused(decided):
    with pytest.raises(InputError, match="no answers of 'L99' stand in the results"):
        render_report(decided, voice="customer", listener="L99")


def test_a_voice_nobody_knows_is_refused(decided):
    with pytest.raises(InputError, match=r"'poet' is not a voice .* full, researcher, reviewer"):
        render_report(decided, voice="poet")


def test_the_researcher_reads_in_the_order_of_a_paper(decided):
    page = render_report(decided, voice="researcher")
    parts = re.findall(r'<p class="part">([^<]+)</p>', page)
    assert parts == [
        "Summary",
        "Introduction",
        "Methods",
        "Results",
        "Discussion",
        "Availability",
    ]
    order = sections(page)
    assert order.index("methods") < order.index("discrimination") < order.index("limits")
    whole = set(sections(render_report(decided))) - {"short"}
    assert set(order) == {*whole, "summary", "aims"}


def test_the_reviewer_sees_verdicts_departures_and_checks(decided):
    page = render_report(decided, voice="reviewer")
    assert sections(page) == ["claims", "departures", "checks", "listeners", "limits"]
    text = words(page)
    assert "earwitness verify" in text
    assert decided["hashes"]["study.toml"] in text
    assert decided["study"]["seed_commitment"] in text


def test_a_study_without_a_plan_is_said_to_have_none(decided):
    del decided["study"]
    text = words(render_report(decided, voice="reviewer"))
    assert "nothing shows what was fixed before people listened" in text


@pytest.mark.parametrize("voice", PLAIN)
def test_every_voice_marks_a_rehearsal_and_survives_nothing(voice):
    assert "<h1>" in render_report({}, voice=voice)
    marked = render_report({"study": {"simulated": True}}, voice=voice)
    assert marked.index("SIMULATED REHEARSAL") < marked.index("<h1>")
    for section in marked.split("<section ")[1:]:
        assert "SIMULATED REHEARSAL" in section.split("</h2>")[0]


def test_all_voices_are_written_side_by_side(lean, tmp_path):
    written = build_voices(lean, tmp_path)
    assert {voice: path.name for voice, path in written.items()} == {
        "customer": "customer-card.html",
        "researcher": "researcher-report.html",
        "reviewer": "reviewer-sheet.html",
    }
    assert sorted(p.name for p in tmp_path.iterdir()) == sorted(p.name for p in written.values())


@pytest.mark.parametrize(
    ("block", "section", "figure"),
    [
        ("upgrade", "upgrade", "steps-"),
        ("link", "link", "link-"),
        ("ratings", "ratings", "ratings-"),
        ("power", "power", "power0-"),
    ],
)
def test_later_figures_are_drawn_only_from_their_blocks(decided, block, section, figure):
    results = decided["results"]
    kept = {"about", "preference", block}
    decided = {"deviation": decided["deviation"], "results": {k: results[k] for k in kept}}
    decided["results"]["preference"] = {"stages": results["preference"]["stages"]}
    whole_results(decided["results"])
    page = render_report(decided)
    assert section in sections(page)
    assert f'id="{figure}' in page
    del decided["results"][block]
    page = render_report(decided)
    assert section not in sections(page)
    assert f'id="{figure}' not in page


def test_empty_later_blocks_draw_nothing(evidence):
    evidence["results"] |= {"upgrade": None, "link": [], "ratings": None, "power": []}
    assert not {"upgrade", "link", "ratings", "power"} & set(sections(render_report(evidence)))


def test_ratings_of_a_real_analysis_are_shown_with_and_without_screening(lean):
    rng = np.random.default_rng(5)
    stages = {"hidden-reference": 96.0, "refit": 70.0, "mid-anchor": 30.0}
    rows = [
        {"listener": f"L{k:02d}", "session": "1", "method": "rating", "programme": programme}
        | {"stage_a": stage, "answer": str(round(np.clip(mean - (40 if k == 3 else 0), 0, 100), 1))}
        for k in range(8)
        for programme in ("p1", "p2", "p3", "p4")
        for stage, centre in stages.items()
        for mean in [centre + rng.normal(0, 2)]
    ]
    frame = pd.DataFrame(rows)
    frame["trial"] = frame.groupby("listener").cumcount() + 1
    lean["results"]["ratings"] = json_ready(ratings_block(trial_table(frame)))
    text = words(render_report(lean))
    assert "It leaves out: L03." in text
    assert "The same figures without them:" in text
    assert "(8 listeners, 96 trials)" in text


def test_verdicts_that_change_with_the_screening_are_named(lean):
    results = lean["results"]
    results["screened"] = {
        "rule": "obvious controls at least 75 %",
        "excluded": ["L16"],
        "results": {"claims": [dict(claim) for claim in results["claims"]]},
    }
    text = words(render_report(lean))
    assert "Screening rule of the plan: obvious controls at least 75 %." in text
    assert "It leaves out: L16." in text
    assert "changes with the screening" not in text
    results["screened"]["results"]["claims"][0]["verdict"] = "undecided"
    assert "At least one verdict changes with the screening" in words(render_report(lean))
    results["screened"]["excluded"] = []
    assert "It leaves nobody out." in words(render_report(lean))


def test_the_order_of_work_carries_its_chances(decided):
    page = render_report(decided)
    path = words(page.split('<ol class="path">')[1].split("</ol>")[0])
    assert "New loudspeakers: 87 %" in path
    assert path.index("New loudspeakers") < path.index("Wall damping: 64 %")


#: Figures along which the true worths of the example run in a line, and others that only keep
#: their order.
STRAIGHT = [round(4 - 2 * worth, 2) for worth in WORTHS]
BENT = [6.0, 5.0, 3.6, 2.9, 1.4, 0.5]


@pytest.mark.parametrize(
    ("n_stages", "figures", "seed", "may_predict"),
    [(6, STRAIGHT, 1, True), (4, STRAIGHT, 1, False), (6, BENT, 22, False)],
)
def test_the_real_link_predicts_only_where_it_has_earned_it(
    lean, n_stages, figures, seed, may_predict
):
    kept = [stage[0] for stage in STAGES[:n_stages]]
    trials = simulated_trials(n_listeners=20, seed=seed)
    inside = trials["stage_a"].isin(kept) & trials["stage_b"].isin(kept)
    table = trial_table(trials[inside & (trials["method"] == "paired")])
    columns = {"stage": kept, "metric_deviation_sd_db": figures[:n_stages]}
    plan = {"primary_metric": "deviation_sd_db", "sealed_plan": True}
    found = analyse(table, stages=stage_table(pd.DataFrame(columns)), **plan).to_dict()
    lean["study"]["stages"] = lean["study"]["stages"][:n_stages]
    lean["results"]["preference"] = found["preference"]
    lean["results"]["link"] = found["link"]
    page = render_report(lean)
    text = words(page)
    assert found["link"][0]["verdict"] == ("supported" if n_stages == 6 else "declined")
    assert ("it can predict choices within the range" in text) == may_predict
    assert ("does not predict what people will choose" in text) == (n_stages < 6)
    assert ("So nothing is predicted from it" in text) == (figures is BENT)
    drawn = re.search(r'aria-label="Each stage by.*?</svg>', page, flags=re.S).group(0)
    assert all(stage[1] in drawn for stage in STAGES[:n_stages])
    assert ("Slope" in text) == (n_stages == 6)


def test_the_real_order_of_work_reaches_headline_and_card(lean):
    columns = ("stage", "label", "cost", "labour_h")
    factors = ("factor_walls", "factor_ceiling", "factor_low_unit", "factor_alignment")
    rows = [
        dict(
            zip(
                (*columns, *factors),
                (*stage, "yes" if stage[0] == "aligned" else "no"),
                strict=True,
            )
        )
        for stage in STAGES
    ]
    trials = simulated_trials(n_listeners=20)
    table = trial_table(trials[trials["method"] == "paired"])
    claims = ["listeners prefer ceiling over as-found", "step ceiling before damped"]
    found = analyse(table, stages=stage_table(pd.DataFrame(rows)), claims=claims).to_dict()
    for block in ("upgrade", "claims", "answer"):
        lean["results"][block] = found[block]
    assert {row["step"] for row in found["upgrade"]["first_step"]} == {"damped", "ceiling"}
    page = render_report(lean)
    gains, before = (row["verdict"] == "supported" for row in found["claims"])
    lead = words(re.search(r'<p class="lead">(.*?)</p>', page).group(1))
    assert (
        lead
        == {
            (True, True): "Do “New loudspeakers” first.",
            (False, True): "Do “New loudspeakers” before “Wall damping”.",
            (True, False): "“New loudspeakers” helps; which step to do first is open.",
            (False, False): "Which step to do first is open.",
        }[gains, before]
    )
    upgrade = words(page.split('<section id="upgrade"')[1].split("</section>")[0])
    for heading in ("The whole order", "With a given budget", "What each part adds"):
        assert heading in upgrade
    assert lead in words(render_report(lean, voice="customer"))


def test_groups_of_listeners_are_said_beside_the_headline(decided):
    decided["results"]["preference"]["classes"] |= {
        "n_groups": 2,
        "p_value": 0.0025,
        "groups": [
            {"class": 1, "n_listeners": 9, "share": 9 / 16},
            {"class": 2, "n_listeners": 7, "share": 7 / 16},
        ],
    }
    decided["results"]["upgrade"]["classes"] = [
        {"class": 1, "n_listeners": 9, "order": [{"step": "ceiling"}, {"step": "low-unit"}]},
        {"class": 2, "n_listeners": 7, "order": []},
    ]
    whole_results(decided["results"])
    page = render_report(decided)
    short = words(page.split('<section id="short"')[1].split("</section>")[0])
    assert "An exploratory look finds 2 groups of simulated listeners" in short
    assert "Group 1: 9 listeners, 56 % of the panel." in words(page)
    assert "9 listeners: New loudspeakers → Low-frequency unit" in words(page)
    # Classes that fit better than people who are all alike are no groups.
    decided["results"]["preference"]["classes"] |= {"n_groups": 1, "best_by_bic": 3}
    decided["results"]["upgrade"]["classes"] = []
    text = words(render_report(decided))
    assert "An exploratory look finds" not in text
    assert "listeners want different things; no single order" not in text
    assert "No groups" in text


def test_a_link_that_was_declined_says_why(decided):
    decided["results"]["link"][0] |= {
        "verdict": "supported",
        "declined_reason": "only five stages were measured",
    }
    text = words(render_report(decided))
    assert "only five stages were measured" in text
    assert "can predict" not in text


# Reading age ------------------------------------------------------------------------------

VOWELS = re.compile(r"[aeiouy]+")


def syllables(word):
    """Count vowel groups; a final silent e does not sound."""
    word = re.sub(r"[^a-z]", "", word.lower())
    count = len(VOWELS.findall(word))
    if word.endswith("e") and not word.endswith(("le", "ee", "ye")) and count > 1:
        count -= 1
    if re.search(r"[^td]ed$", word) and count > 1:
        count -= 1
    return max(count, 1)


def grade(text):
    """Flesch-Kincaid grade.

    Kincaid, Fishburne, Rogers and Chissom 1975, Research Branch Report 8-75; formula as in several
    stored pages on readability.
    """
    parts = [p for p in re.split(r"[.?!:;]+", text) if re.search("[a-z]", p)]
    tokens = re.findall(r"[A-Za-z’'-]+", text)
    per_sentence = len(tokens) / len(parts)
    per_word = sum(map(syllables, tokens)) / len(tokens)
    return 0.39 * per_sentence + 11.8 * per_word - 15.59


def plain_sentences():
    """Everything a customer may read on the card."""
    names = {
        "step": "“New ceiling”",
        "best": "“New ceiling”",
        "better": "“New ceiling”",
        "worse": "“Wall damping”",
        "stage": "“New ceiling”",
        "pair": "Wall damping – New ceiling",
        "base": "“As it was”",
        "front": "“New ceiling”",
        "first": "“New ceiling”",
        "second": "“Wall damping”",
        "other": "“Wall damping”",
        "others": "“Wall damping”",
        "price": "money",
        "claim": "listeners prefer ceiling over damped",
        "verdict": "Supported",
        "people": "listeners",
        "People": "Listeners",
    }
    for key, sentence in SENTENCES.items():
        own = key.startswith(("head.", "card.", "answer.", "line.")) and key != "line.other"
        if own and sentence.use != "name":
            text = sentence.text
            for name in re.findall(r"{(\w+)}", text):
                text = text.replace(f"{{{name}}}", names.get(name, "7"))
            yield key, text


def test_the_grade_agrees_with_counting_by_hand():
    # Published example: 13 words and 24 syllables in one sentence, grade 11.3 (encyclopaedia page
    # on the Flesch-Kincaid tests).
    example = "The Australian platypus is seemingly a hybrid of a mammal and reptilian creature."
    assert sum(map(syllables, re.findall("[A-Za-z]+", example))) == 24
    assert grade(example) == pytest.approx(11.3, abs=0.05)
    # 6 words, 1 sentence, 6 syllables: 0.39 * 6 + 11.8 - 15.59 = -1.45
    assert grade("The cat sat on the mat.") == pytest.approx(-1.45)
    # 4 words, 12 syllables (un-cer-tain-ty 4, de-lays 2, ma-jor 2, de-ci-sions ... 4 counted 3)
    assert syllables("uncertainty") == 4
    assert [syllables(w) for w in ("made", "played", "noted", "little")] == [1, 1, 2, 2]


@pytest.mark.parametrize(("key", "text"), list(plain_sentences()))
def test_plain_sentences_are_within_a_reading_age_of_fifteen(key, text):
    assert grade(text) <= 10.0, (round(grade(text), 1), text)


def test_the_plain_words_as_a_whole_suit_a_reading_age_of_twelve():
    # Reading age in years is about the school grade plus five (common practice, no source).
    assert statistics.mean(grade(text) for _, text in plain_sentences()) <= 7.0


FALSE_CERTAINTY = re.compile(
    r"\b(proves?|proven|guarantee\w*|always|definitely|certain(ly)?|undoubtedly|obviously|clearly|"
    r"everyone prefers|scientifically)\b",
    re.I,
)


def test_no_sentence_feigns_certainty():
    found = {k: s.text for k, s in SENTENCES.items() if FALSE_CERTAINTY.search(s.text)}
    assert found == {}


def test_every_voice_has_its_own_file():
    files = [voice.file for voice in VOICES.values()]
    assert len(set(files)) == len(files) == 4
