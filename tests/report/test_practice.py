"""Practice against plan: every point is compared, and each way to leave the plan is seen."""

from __future__ import annotations

import re
from html import unescape

import pytest

from analysis.report import render_report
from helpers.whole_rows import whole_results

POINTS = [
    "Study file (SHA-256)",
    "Stimuli (SHA-256 of their manifest)",
    "Other versions of the study",
    "Listeners",
    "Sittings",
    "Stopping rule",
    "Order of events",
    "Questions: abx",
    "Questions: paired",
    "Screening of listeners",
    "Level of the tests",
    "Primary metric",
    "Claims",
    "Checks of the rendered files",
    "Version of the program",
]


def plain(html):
    return re.sub(r"\s+", " ", unescape(re.sub(r"<[^>]+>", "", html))).strip()


def section(evidence):
    page = render_report(evidence, voice="reviewer")
    return page.split('<section id="departures"')[1].split("</section>")[0]


def rows(evidence):
    """Return {point: (planned, done, outcome)} of the reviewer's sheet."""
    body = section(evidence).split("<tbody>")[1].split("</tbody>")[0]
    found = {}
    for line in re.findall(r"<tr>(.*?)</tr>", body, flags=re.S):
        what, *cells = (plain(c) for c in re.findall(r"<t[hd][^>]*>(.*?)</t[hd]>", line, re.S))
        found[what] = tuple(cells)
    return found


@pytest.fixture
def kept(decided):
    """A study that kept its plan in every point."""
    decided["study"]["plan"]["screening"] = None
    decided["results"]["about"]["software"]["earwitness"] = "0.1.0"
    return decided


def test_every_point_is_compared_and_kept(kept):
    found = rows(kept)
    assert list(found) == POINTS
    assert {outcome for *_, outcome in found.values()} == {"as planned"}
    assert "No departure from the plan was found" in plain(section(kept))
    assert found["Listeners"] == ("16", "16", "as planned")
    assert (
        found["Questions: abx"][1] == "12 a sitting, 192 together; fewer than planned in 0 sittings"
    )
    assert found["Order of events"][1].startswith("sealed 2026-05-04 08:11 UTC; first answer")


def set_at(evidence, path, value):
    *way, last = path.split("/")
    place = evidence
    for key in way:
        place = place[int(key)] if isinstance(place, list) else place[key]
    place[int(last) if isinstance(place, list) else last] = value


EARLIER = [{"opened_at": "2026-04-01T10:00:00+00:00", "closed_at": None, "n_answers": 12}]
DEPARTURES = [
    ("Study file (SHA-256)", "conduct/present/study_sha256", "ee" * 32, "eeeeeeeeeeee"),
    ("Stimuli (SHA-256 of their manifest)", "conduct/present/manifest_sha256", "ee" * 32, "eeee"),
    ("Other versions of the study", "conduct/earlier", EARLIER, "opened 2026-04-01 10:00 UTC"),
    ("Listeners", "study/plan/listeners", 20, "16"),
    ("Sittings", "conduct/n_unfinished", 2, "2 broken off"),
    ("Sittings", "conduct/n_withdrawn", 1, "1 withdrawn"),
    ("Stopping rule", "conduct/n_finished", 14, "closed after 14 sittings"),
    ("Stopping rule", "study/state", "open", "not closed yet"),
    ("Order of events", "conduct/n_after_closing", 1, "closed 2026-05-22 18:02 UTC"),
    ("Questions: abx", "conduct/tests/0/n_short", 3, "fewer than planned in 3 sittings"),
    ("Questions: paired", "conduct/tests/1/planned_each", None, "none"),
    ("Screening of listeners", "study/plan/screening", "obvious", "nobody was left out"),
    (
        "Screening of listeners",
        "results/screened",
        {"rule": "zeta above 0.5", "excluded": ["L01"], "results": None},
        "zeta above 0.5: 1 listener left out",
    ),
    ("Level of the tests", "study/plan/alpha", 0.01, "0.05"),
    ("Primary metric", "study/plan/primary_metric", "excitation_d", "deviation_sd_db"),
    ("Claims", "study/plan/claims/0", "listeners prefer low-unit most", "4 claims"),
    ("Checks of the rendered files", "level_check/1/passed", False, "failed: largest distance"),
    ("Version of the program", "conduct/software/0/version", "0.2.0", "0.2.0 in 17 sittings"),
    ("Version of the program", "results/about/software/earwitness", "0.3.0", "0.3.0 for the"),
]


@pytest.mark.parametrize(
    ("point", "path", "value", "words"), DEPARTURES, ids=[d[1] for d in DEPARTURES]
)
def test_each_departure_is_seen(kept, point, path, value, words):
    set_at(kept, path, value)
    planned, done, outcome = rows(kept)[point]
    assert outcome == "DIFFERS", (planned, done)
    assert words in done
    assert "Practice is not as planned" in plain(section(kept))


def test_claims_are_named_one_by_one(kept):
    kept["study"]["plan"]["claims"].append("listeners prefer low-unit over refit")
    kept["study"]["plan"]["claims"].remove("listeners prefer aligned most")
    text = plain(section(kept))
    assert "Declared, but not judged: listeners prefer low-unit over refit" in text
    assert "Judged, but not declared in the plan: listeners prefer aligned most" in text


def test_budgets_are_compared_where_they_were_declared(kept):
    kept["study"]["plan"]["budgets"] = [500.0, 1000.0]
    kept["results"]["upgrade"]["budget"] = [{"budget": 500.0, "stage": "ceiling"}]
    whole_results(kept["results"])
    assert rows(kept)["Budgets"] == ("500, 1,000", "500", "DIFFERS")
    kept["results"]["upgrade"]["budget"].append({"budget": 1000.0, "stage": "refit"})
    whole_results(kept["results"])
    assert rows(kept)["Budgets"][2] == "as planned"


def test_a_stuttering_booth_is_a_departure(kept):
    kept["results"]["about"]["playback"] = {"n_counted": 40, "n_stuttered": 0, "n_underruns": 0}
    assert rows(kept)["Sound of the booth"][2] == "as planned"
    kept["results"]["about"]["playback"]["n_stuttered"] = 3
    assert rows(kept)["Sound of the booth"][2] == "DIFFERS"


def test_what_the_evidence_does_not_show_is_not_counted_as_kept(kept):
    del kept["conduct"]
    del kept["results"]["link"]
    found = rows(kept)
    assert found["Primary metric"] == ("deviation_sd_db", "–", "not comparable")
    assert found["Stopping rule"][2] == "not comparable"
    assert found["Questions: abx"][1:] == ("208 trials", "not comparable")
    assert "nothing can be compared" in plain(section(kept))
    kept["study"]["tests"].append({"method": "triangle"})
    assert rows(kept)["Questions: triangle"] == ("declared", "none", "DIFFERS")


def test_methods_are_written_from_plan_log_and_data(kept):
    kept["study"]["tests"][0] |= {"identical": 1, "obvious": 2, "repeats": 3, "practice": 4}
    page = render_report(kept, voice="researcher")
    text = plain(page.split('<section id="methods"')[1].split("</section>")[0])
    heads = ("Design.", "Listeners.", "Number and stopping.", "Sound.", "Questions.")
    heads += ("Order and blinding.", "Quality of answers.", "Statistics.", "Software.")
    places = [text.index(head) for head in heads]
    assert places == sorted(places)
    for words in (
        "Of 17 sittings begun, 16 finished, 0 broke off, 1 gave no answer and 0 withdrew",
        "headphones (16 sittings), not said (1 sitting)",
        "First answer 2026-05-04 09:00 UTC, last answer 2026-05-22 17:31 UTC.",
        "Control trials with one version in all places: 1 trial per listener.",
        "Control trials with a version changed beyond doubt: 2 trials per listener.",
        "Asked a second time for steadiness: 3 questions per listener.",
        "Practice before it, not counted: 4 trials.",
        "kite-street (20.0 s)",
        "nobody was left out",
        "earwitness 0.1.0",
        "Not recorded, and to be added by whoever ran the study",
    ):
        assert words in text, words
    aims = plain(page.split('<section id="aims"')[1].split("</section>")[0])
    said = {row["text"]: row for row in kept["results"]["claims"]}
    for claim in kept["study"]["plan"]["claims"]:
        words = said[claim]["parts"][::2] if "parts" in said.get(claim, {}) else [claim]
        assert all(part in aims for part in words), claim
