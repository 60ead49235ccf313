"""The page stands alone, survives hostile text and missing parts, and is marked."""

from __future__ import annotations

import base64
import csv
import io
import json
import re
import subprocess
import sys
import xml.etree.ElementTree as ET
from html import unescape
from html.parser import HTMLParser

import numpy as np
import pytest

from analysis.report import build_report
from analysis.report.build import render_report
from analysis.report.evidence import Evidence, clean_text
from analysis.report.figures.csvdata import csv_text
from stimuli.files.errors import InputError

SECTIONS = [
    "short",
    "claims",
    "preference",
    "differences",
    "discrimination",
    "turning",
    "responses",
    "deviation",
    "levels",
    "schedule",
    "listeners",
    "methods",
    "stages",
    "departures",
    "limits",
    "checks",
]
HOSTILE = (
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "</style><svg onload=alert(1)>",
    "--><!-- ]]> &amp;",
    "{{ 7*7 }} {% raw %} {0} {people}",
    r"$\frac{1}{$ \alpha %s",
    "=HYPERLINK(1)",
    "\u202egnirts\u2066 \x00\x1b[31m\ud800",
    "音響 🎧 \u0627\u0644\u0635\u0648\u062a",
    "long " * 400,
    "_hidden",
)


# Every element and attribute a report may consist of; anything else came from outside.
TAGS = set(
    "html head meta title style body div strong span header p h1 main nav section h2 h3 bdi data "
    "figure figcaption a table thead tbody tr th td ol ul li q b code svg g defs clippath path "
    "rect use text tspan pattern details summary".split()
)
ATTRIBUTES = set(
    "lang charset name content http-equiv class role aria-label aria-labelledby aria-hidden id "
    "href download value data-at data-as scope tabindex viewbox d style x y width height transform "
    "clip-path patternunits fill".split()
)


class Elements(HTMLParser):
    """What a browser would find in a page: elements, attributes, text."""

    def __init__(self, html):
        super().__init__(convert_charrefs=True)
        self.tags, self.attributes, self.text = set(), set(), ""
        self.feed(html)

    def handle_starttag(self, tag, attrs):
        self.tags.add(tag)
        self.attributes |= {name for name, _ in attrs}

    def handle_comment(self, data):
        self.tags.add("comment")

    def handle_data(self, data):
        self.text += data


@pytest.fixture(scope="module")
def page(full_evidence):
    return render_report(full_evidence)


def test_sections_stand_in_the_order_of_importance(page):
    assert re.findall(r'<section id="(\w+)"', page) == SECTIONS


def test_nothing_is_loaded_and_nothing_runs(page):
    assert "<script" not in page
    assert not re.search(r"\son\w+\s*=", page)
    for address in re.findall(r'(?:src|href)="([^"]*)"', page):
        assert address.startswith(("#", "data:text/csv;", "data:application/json;")), address
    assert "http" not in re.sub(r"data:[^\"]*|http-equiv", "", page)
    assert "@import" not in page
    assert not re.search(r"url\((?!#)", page)


def test_the_same_evidence_gives_the_same_bytes(full_evidence, page):
    assert render_report(full_evidence) == page


def test_ids_are_unique_and_references_resolve(page):
    ids = re.findall(r'\sid="([^"]+)"', page)
    assert len(ids) == len(set(ids))
    used = set(re.findall(r'href="#([^"]+)"', page)) | set(re.findall(r"url\(#([^)]+)\)", page))
    used |= set(re.findall(r'aria-labelledby="([^"]+)"', page))
    assert used
    assert used <= set(ids)


def figures(page):
    return re.findall(r"<svg class=\"figure\".*?</svg>", page, flags=re.S)


def test_figures_are_text_and_follow_the_theme(page):
    drawn = figures(page)
    assert len(drawn) >= 13
    for svg in drawn:
        root = ET.fromstring(svg)
        assert root.get("role") == "img"
        assert not re.search(r"#[0-9a-f]{6}", svg), "a colour that ignores the theme"
        assert "<image" not in svg
    assert page.count("<figcaption>") == len(drawn)


def test_captions_name_the_panel(page):
    for key in ("preference", "discrimination", "schedule"):
        section = page.split(f'<section id="{key}"')[1].split("</section>")[0]
        caption = re.sub("<[^>]+>", "", section.split("<figcaption>")[1].split("</figcaption>")[0])
        assert re.search(r"\(\d+\u00a0listeners, \d+\u00a0trials( a pair)?\)", caption), caption


def test_a_rehearsal_is_marked_everywhere(page):
    assert page.index("SIMULATED REHEARSAL") < page.index("<h1>")
    assert "<title>SIMULATED REHEARSAL" in page
    for section in page.split("<section ")[1:]:
        assert "SIMULATED REHEARSAL" in section.split("</h2>")[0]
    for name in re.findall(r'download="([^"]+)"', page):
        assert name.startswith("simulated-")


@pytest.mark.parametrize("place", ["study", "results"])
def test_one_sign_of_simulation_is_enough(lean, place):
    lean["study"]["simulated"] = place == "study"
    lean["results"]["about"]["simulated"] = place == "results"
    assert "SIMULATED REHEARSAL" in render_report(lean)


def test_a_real_study_carries_no_mark(lean):
    lean["study"]["simulated"] = lean["results"]["about"]["simulated"] = False
    page = render_report(lean)
    assert "SIMULATED" not in page
    # What the analysis wrote about its own, simulated, data is quoted as it stands.
    own = re.sub(
        r'<style.*?</style>|<bdi class="u">.*?</bdi>|href="data:[^"]*"', "", page, flags=re.S
    )
    assert "simulated" not in own


def test_an_open_study_says_so(lean):
    lean["study"]["state"] = "open"
    lean["study"]["seed"] = None
    page = render_report(lean)
    assert "still open" in page
    assert "not revealed before the study is closed" in page


@pytest.mark.parametrize("text", HOSTILE, ids=range(len(HOSTILE)))
def test_hostile_text_stays_text(evidence, text):
    evidence["results"]["preference"]["mixed"] = None
    evidence["results"]["discrimination"] = evidence["results"]["discrimination"][:3]
    study = evidence["study"]
    study["title"] = study["note"] = study["target_name"] = text
    study["plan"]["stopping"] = study["plan"]["primary_metric"] = text
    for stage in study["stages"]:
        stage["label"] = text
    for test in study["tests"]:
        test["method"] = text
    for claim in evidence["results"]["claims"]:
        claim["text"] = claim["words"] = claim["needs"] = claim["test"] = text
    for row in evidence["deviation"]:
        row["regions"] = {text: 1.25, "other/~": -1.0}
    for row in evidence["levels"]:
        row["programme"] = text
        row["residuals"] = {text: 0.7}
    for row in evidence["level_check"]:
        row["name"] = row["words"] = text
    evidence["software"] = {text: text}
    evidence["hashes"] = {text: text}
    page = render_report(evidence)
    page.encode("utf-8")
    found = Elements(page)
    assert found.tags <= TAGS
    assert found.attributes <= ATTRIBUTES
    assert clean_text(text).strip() in found.text
    assert "49 {" not in page
    for svg in figures(page):
        ET.fromstring(svg)
    assert not re.search("[\u202a-\u202e\u2066-\u2069\x00-\x08\x1b]", page)


def data_files(page):
    for name, kind, body in re.findall(
        r'download="([^"]+)" href="data:([^;]+)[^"]*;base64,([^"]+)"', page
    ):
        yield name, kind, base64.b64decode(body).decode()


def test_saved_tables_hold_the_evidence_at_full_precision(full_evidence, page):
    evidence = full_evidence
    tables = {
        name: list(csv.DictReader(io.StringIO(text)))
        for name, kind, text in data_files(page)
        if kind == "text/csv"
    }
    assert sorted(tables) == [
        "simulated-choices-by-listener-and-pair.csv",
        "simulated-choices-by-listener.csv",
        "simulated-deviation.csv",
        "simulated-discrimination.csv",
        "simulated-level-residuals.csv",
        "simulated-listeners.csv",
        "simulated-order-balance.csv",
        "simulated-pair-shares.csv",
        "simulated-places.csv",
        "simulated-responses.csv",
        "simulated-right-by-listener.csv",
        "simulated-worths-by-listener.csv",
        "simulated-worths.csv",
    ]
    assert all(row["simulated"] == "1" for rows in tables.values() for row in rows)
    worths = {row["stage"]: row for row in tables["simulated-worths.csv"]}
    for stage in evidence["results"]["preference"]["stages"]:
        assert float(worths[stage["stage"]]["worth"]) == stage["worth"]
    measured = evidence["responses"][2]
    rows = [r for r in tables["simulated-responses.csv"] if r["stage"] == measured["stage"]]
    np.testing.assert_array_equal([float(r["level_db"]) for r in rows], measured["level_db"])
    shares = {
        (r["first"], r["second"]): float(r["share"]) for r in tables["simulated-pair-shares.csv"]
    }
    pairs = evidence["results"]["preference"]["pairs"]
    assert shares == {tuple(p["pair"]): p["share"] for p in pairs}


def test_the_evidence_itself_can_be_saved(full_evidence, page):
    saved = {name: text for name, kind, text in data_files(page) if kind == "application/json"}
    assert json.loads(saved["simulated-evidence.json"]) == full_evidence


def test_saved_cells_cannot_run_as_formulas():
    text = csv_text(
        ["a", "b"], [["=1+1", -3.5], ["@x", None], ["\tq", True], ["plain", 0.1]], simulated=False
    )
    rows = list(csv.reader(io.StringIO(text)))
    assert rows[1:] == [["'=1+1", "-3.5"], ["'@x", ""], ["'\tq", "True"], ["plain", "0.1"]]


@pytest.mark.parametrize(
    "block", ["study", "target", "deviation", "level_check", "results", "software", "hashes"]
)
def test_a_missing_block_shortens_the_report(lean, block):
    del lean[block]
    page = render_report(lean)
    gone = {"study": {"stages"}, "results": {"differences", "turning"}}.get(block, set())
    left = [key for key in SECTIONS if key not in gone]
    assert re.findall(r'<section id="(\w+)"', page) == left


@pytest.mark.parametrize("block", ["discrimination", "preference", "claims", "about"])
def test_a_missing_result_shortens_the_report(lean, block):
    del lean["results"][block]
    assert "<h1>" in render_report(lean)


def test_a_reviewer_with_only_a_table_gets_a_short_honest_report(evidence):
    only = {"results": {k: evidence["results"][k] for k in ("about", "discrimination", "claims")}}
    page = render_report(only)
    text = unescape(re.sub("<[^>]+>", "", page))
    assert "cannot say which version people like more" in text
    assert "cannot say what the versions do to the sound" in text
    assert "loudness was not checked" in text
    assert "58" in text


def test_nothing_at_all_is_still_a_page():
    page = render_report({})
    assert "no listener has answered yet" in page
    assert "The plan declared no claims" in page


@pytest.mark.parametrize(
    ("change", "where"),
    [
        ({"study": []}, "/study: this is not an object"),
        ({"results": {"claims": {}}}, "/results/claims: this is not a list"),
        ({"results": {"claims": ["x"]}}, "/results/claims/0: this is not an object"),
        ({"levels": "none"}, "/levels: this is not a list"),
        ({"responses": [{"stage": "a", "f_hz": 3}]}, "/responses/0/f_hz: this is not a list of"),
        ({"responses": [{"f_hz": [1, "b"]}]}, "/responses/0/f_hz/1: 'b' is not a number"),
        ({"responses": [{"f_hz": [1], "level_db": [1, 2]}]}, "/responses/0: f_hz has 1 .* 2"),
    ],
)
def test_a_wrong_shape_is_named(change, where):
    with pytest.raises(InputError, match=f"evidence, {where}"):
        render_report(change)


def test_evidence_must_be_an_object():
    with pytest.raises(InputError, match="not a JSON object"):
        render_report([1, 2])


def test_evidence_files_that_cannot_be_read(tmp_path):
    broken = tmp_path / "e.json"
    broken.write_text("{", encoding="utf-8")
    with pytest.raises(InputError, match=r"e\.json: not a JSON file"):
        Evidence.read(broken)
    with pytest.raises(InputError, match=r"none\.json: No such file"):
        Evidence.read(tmp_path / "none.json")


def test_an_earlier_report_survives_a_failure(lean, tmp_path):
    out = build_report(lean, tmp_path / "deep" / "report.html")
    before = out.read_bytes()
    lean["levels"] = 3
    with pytest.raises(InputError, match="/levels"):
        build_report(lean, out)
    assert out.read_bytes() == before
    assert [p.name for p in out.parent.iterdir()] == ["report.html"]


def test_a_warning_where_loudness_models_disagree(evidence):
    del evidence["responses"], evidence["schedule"], evidence["results"]
    for row in evidence["levels"]:
        row["residuals"] = {"A-weighted": 0.2}
    assert "The models agree within" in render_report(evidence)
    evidence["levels"][0]["residuals"]["A-weighted"] = 0.6
    evidence["levels"][0]["residual_lu"] = 0.0
    page = render_report(evidence)
    warning = re.search(r'<p class="warning">Loudness models disagree.*?</p>', page).group(0)
    assert "As found" in warning
    assert "Wall damping" not in warning


def test_a_failed_check_is_not_hidden(lean):
    lean["level_check"][1]["passed"] = False
    page = render_report(lean)
    assert '<span class="bad">FAILED</span>' in page
    assert "should not be used" in page


@pytest.mark.parametrize(("stuttered", "said"), [(0, "none came late"), (3, "stuttered in 3")])
def test_the_booths_late_buffers_are_said(lean, stuttered, said):
    playback = {"n_counted": 40, "n_stuttered": stuttered, "n_underruns": 2 * stuttered}
    lean["results"]["about"]["playback"] = playback
    for voice in ("full", "reviewer"):
        text = " ".join(Elements(render_report(lean, voice=voice)).text.split())
        assert said in text or (voice == "reviewer" and not stuttered), voice


def test_importing_the_report_is_light():
    code = (
        "import sys, analysis.report\n"
        "heavy = {'streamlit', 'sqlalchemy', 'sounddevice', 'abx', 'matplotlib', 'jinja2'}\n"
        "print(sorted(heavy & set(sys.modules)))\n"
        "import analysis.report.build\n"
        "print(sorted((heavy - {'matplotlib', 'jinja2'}) & set(sys.modules)))\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "[]\n[]\n"


def test_what_was_expected_stands_beside_what_the_answers_gave(evidence, tmp_path):
    row = {
        "pair": ["before", "after"],
        "programme": "rain",
        "expected": "above",
        "sd_db": 2.345,
        "d": 0.9,
        "proportion": 0.5,
        "p_value": 0.6,
        "outcome": "not shown against prediction",
    }
    page = render_report({**evidence, "audibility": [row]})
    section = page.split('id="expected"')[1].split("</section>")[0]
    for words in ("rain", "above", "2.3", "50", "expected, not shown"):
        assert words in section
    assert 'id="expected"' not in render_report({**evidence, "audibility": []})


# counts --------------------------------------------------------------------------------


def captions_with(evidence, words):
    captions = re.findall(r"<figcaption.*?</figcaption>", render_report(evidence), re.DOTALL)
    found = [text for text in captions if words in text]
    assert found
    return found


def test_the_balance_of_order_counts_its_own_answers(evidence):
    shown = sum(row["first"] + row["second"] for row in evidence["schedule"]["pairs"])
    (caption,) = captions_with(evidence, "Control trials are left out")
    assert f'data-at="/schedule/n_trials" data-as="count">{shown}<' in caption


def test_a_chance_to_notice_is_no_matter_of_all_trials(decided):
    for caption in captions_with(decided, "Chance to notice a true difference"):
        assert "/results/about/n_listeners" in caption
        assert "n_trials" not in caption
