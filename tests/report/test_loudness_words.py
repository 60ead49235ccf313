"""What is equally loud in one model only is said where it matters: first screen, card, claims."""

import re
from dataclasses import dataclass
from html import unescape
from types import SimpleNamespace

import pytest

from abx.evidence.levels import versions_apart
from analysis.report import render_report

APART = {
    "louder": "damped",
    "softer": "as-found",
    "programme": "kite-street",
    "model": "a_weighted",
    "apart_lu": 7.2,
}


def words(html):
    html = re.sub(r"<(style|svg|title)\b.*?</\1>", " ", html, flags=re.S)
    return re.sub(r"\s+", " ", unescape(re.sub(r"<[^>]+>", "", html)))


@dataclass
class Stimulus:
    """A rendered file of a set made by hand."""

    programme: str
    stage: str
    other_models_db: dict


def a_set(levels, anchors=()):
    """Make a set from levels by programme, model and stage."""
    programmes = list(levels)
    models = list(next(iter(levels.values())))
    stages = list(next(iter(next(iter(levels.values())).values())))
    return SimpleNamespace(
        programmes=[SimpleNamespace(id=name) for name in programmes],
        other_models=models,
        stages=[SimpleNamespace(id=name, anchor=name in anchors) for name in stages],
        stimuli=[
            Stimulus(p, s, {m: levels[p][m][s] for m in models}) for p in programmes for s in stages
        ],
    )


def test_each_pair_is_told_where_it_is_furthest_apart():
    made = a_set(
        {
            "song": {"a_weighted": {"x": 0.0, "y": 0.6, "z": 0.2}},
            "noise": {"a_weighted": {"x": 2.1, "y": -5.1, "z": 2.0}},
        }
    )
    found = versions_apart(made)
    assert [(row["louder"], row["softer"], row["programme"]) for row in found] == [
        ("x", "y", "noise"),
        ("z", "y", "noise"),
    ]
    assert found[0]["apart_lu"] == pytest.approx(7.2)


def test_models_that_agree_and_anchors_are_no_finding():
    made = a_set({"song": {"erb_sum": {"x": 0.0, "y": 0.5, "low": 9.0}}}, anchors=("low",))
    assert versions_apart(made) == []


@pytest.mark.parametrize("voice", ["full", "customer"])
def test_the_first_screen_and_the_card_name_the_versions_and_the_size(lean, voice):
    lean["level_apart"] = [APART]
    said = words(render_report(lean, voice=voice))
    assert "7.2\u00a0LU louder than" in said or "7.2 LU louder than" in said
    assert "all played equally loud" not in said
    lean["level_apart"] = []
    said = words(render_report(lean, voice=voice))
    assert "Another judges otherwise" not in said
    assert ("all played equally loud" in said) == (voice == "customer")


def test_a_claim_about_such_a_pair_carries_it_as_a_condition(lean):
    claim = lean["results"]["claims"][0]
    first, second = claim["stages"]
    lean["level_apart"] = [APART | {"louder": first, "softer": second}]
    said = words(render_report(lean))
    assert said.count("Condition: equal loudness by the declared model.") >= 1
    lean["level_apart"] = [APART | {"louder": first, "softer": "nobody-compares"}]
    assert "Condition: equal loudness" not in words(render_report(lean))
