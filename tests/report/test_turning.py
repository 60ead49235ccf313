"""The report shows beside each verdict what turns it, and whether it holds for other music."""

from __future__ import annotations

import re

from analysis.report.build import render_report
from helpers.whole_rows import whole_results

CLAIM = {
    "text": "listeners prefer refit over ceiling",
    "kind": "prefer",
    "stages": ["refit", "ceiling"],
    "verdict": "supported",
    "p_value": 0.01,
    "p_holm": 0.01,
    "n_trials": 96,
    "n_listeners": 8,
    "words": "Listeners prefer refit over ceiling.",
}


def variant(kind, verdict="supported", p=0.01, out=()):
    return {"kind": kind, "variant": kind, "left_out": list(out), "verdict": verdict, "p_value": p}


def page(voice, sensitivity=None, music=None):
    row = CLAIM | {"sensitivity": sensitivity, "music_like_this": music}
    html = render_report({"results": whole_results({"claims": [row]})}, voice=voice)
    # The data behind the page is left out: only what a reader sees counts.
    return re.sub(r"<[^>]+>", " ", html)


ROWS = [
    variant("listeners"),
    variant("answers", "undecided", 0.4),
    variant("extremes"),
    variant("one out", "undecided", 0.07, ["P07"]),
    variant("one out", "supported", 0.002, ["P01"]),
]
HANGS = {
    "stable": False,
    "turns": ["hangs on one listener", "turns without P07"],
    "word": "hangs on one listener; turns without P07",
    "rows": ROWS,
}
DECLINED = {
    "verdict": "undecided",
    "declined_reason": "3 pieces are too few",
    "words": "No verdict for music like this: 3 pieces are too few.",
}


def flat(text):
    return " ".join(text.split())


def test_the_reviewers_sheet_has_a_word_for_each_verdict():
    said = flat(page("reviewer", HANGS, DECLINED))
    assert "For music like this" in said
    assert "Declined" in said
    assert "hangs on one listener; turns without P07" in said


def test_a_stable_verdict_is_called_stable():
    said = flat(page("reviewer", HANGS | {"stable": True, "word": "stable", "turns": []}))
    assert "Stable" in said


def test_the_researchers_report_has_the_table():
    said = flat(page("researcher", HANGS, DECLINED))
    assert "What would turn the verdicts" in said
    for heading in ("Every answer once", "Without the farthest out", "Without one listener"):
        assert heading in said
    assert "Turns without P07" in said
    assert "None flagged" in said
    assert "0.0020 to 0.0700" in said
    assert "No verdict for music like this: 3 pieces are too few." in said


def test_verdicts_without_these_blocks_are_shown_as_before():
    for voice in ("full", "researcher", "reviewer"):
        said = page(voice)
        assert "What would turn the verdicts" not in said
        assert "listeners prefer refit over ceiling" in said
