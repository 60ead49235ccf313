"""Every number a reader sees equals the number in the evidence."""

from __future__ import annotations

import json
import math
import re
from html.parser import HTMLParser

import pytest

from analysis.report.build import render_report
from analysis.report.evidence import Evidence
from analysis.report.words.numbers import KINDS, Numbers, noun, number_text
from stimuli.files.errors import InputError

VOID = {"meta", "br", "link", "img", "hr", "input"}


class Reader(HTMLParser):
    """Splits a page into marked numbers and the text around them."""

    def __init__(self):
        super().__init__(convert_charrefs=True)
        self.stack = []
        self.marked = []
        self.outside = []

    def handle_starttag(self, tag, attrs):
        if tag in VOID:
            return
        self.stack.append((tag, dict(attrs)))
        if tag == "data":
            self.marked.append((dict(attrs), []))

    def handle_endtag(self, tag):
        while self.stack:
            if self.stack.pop()[0] == tag:
                break

    def handle_data(self, text):
        tags = [tag for tag, _ in self.stack]
        if {"style", "svg", "title", "script"} & set(tags):
            return
        if "data" in tags:
            self.marked[-1][1].append(text)
        elif not any("u" == attrs.get("class") for _, attrs in self.stack):
            self.outside.append(text)


def read(html):
    reader = Reader()
    reader.feed(html)
    return reader


def follow(document, pointer):
    for key in pointer.split("/")[1:]:
        key = key.replace("~1", "/").replace("~0", "~")
        document = document[int(key)] if isinstance(document, list) else document[key]
    return document


@pytest.fixture(scope="module")
def page(full_evidence):
    return render_report(full_evidence)


def check_marked(html, document, least):
    """Compare every marked number of a page with the evidence; return how many there are."""
    checked = 0
    for attributes, parts in read(html).marked:
        if attributes.get("class") == "rule":
            continue
        value = follow(document, attributes["data-at"])
        if attributes["data-as"] == "length":
            value = len(value)
        if value is None:
            assert attributes["value"] == ""
            assert "".join(parts) == "not defined"
            continue
        assert float(attributes["value"]) == value, attributes
        assert_rounds_to("".join(parts), value, attributes["data-as"])
        checked += 1
    assert checked >= least


def test_every_number_shown_stands_in_the_evidence(full_evidence, page):
    check_marked(page, json.loads(json.dumps(full_evidence)), 300)


@pytest.mark.parametrize(
    ("voice", "listener", "least"),
    [
        ("researcher", None, 300),
        ("reviewer", None, 80),
        ("customer", None, 12),
        ("customer", "L03", 20),
    ],
)
def test_every_voice_shows_the_numbers_of_the_evidence(decided, voice, listener, least):
    html = render_report(decided, voice=voice, listener=listener)
    check_marked(html, json.loads(json.dumps(decided)), least)
    stray = re.findall(r"\S*\d\S*", NAMES.sub("", " ".join(read(html).outside)))
    assert stray == []


def assert_rounds_to(text, value, kind):
    """Read the shown text back as a number and compare, without the report's own code."""
    if kind == "one_in":
        every = re.search(r"time in ([\d,]+)", text)
        if text.startswith("about every"):
            assert value >= 0.4
        elif text.startswith("less"):
            assert value < 1 / int(every.group(1).replace(",", ""))
        else:
            assert int(every.group(1).replace(",", "")) == round(1 / value + 1e-9)
        return
    shown = text.replace("\u2212", "-").replace("\u00a0", " ").replace(",", "")
    number = re.search(r"[-+]?\d+(\.\d+)?", shown)
    assert number, text
    scale = 100 if "%" in shown else 1000 if "kHz" in shown else 1
    places = len(number.group(1) or ".") - 1
    got = float(number.group(0))
    wanted = value * 100 if scale == 100 else value / 1000 if scale == 1000 else value
    if shown.startswith(("under", "<")):
        assert wanted < got
    elif shown.startswith(("over", ">")):
        assert wanted > got
    elif kind == "per_hundred":  # three figures of a hundred units' worth
        assert got == pytest.approx(100 * value, rel=5e-3)
    elif kind == "dose":  # a percentage as it stands
        assert got == pytest.approx(value, rel=5e-3)
    elif kind in ("plain", "hz", "check"):
        assert got == pytest.approx(wanted, rel=5e-3)
    else:
        assert abs(got - wanted) <= 0.5 * 10.0**-places + 1e-9, (text, value)


# Digits that belong to names, not to results.
NAMES = re.compile(r"SHA-256|BS\.1770|95\u00a0%|95 % interval")


def test_no_number_stands_outside_the_marking(page):
    text = NAMES.sub("", " ".join(read(page).outside))
    stray = re.findall(r"\S*\d\S*", text)
    assert stray == []


def test_a_number_changed_in_the_evidence_changes_on_the_page(lean):
    lean["results"]["preference"]["stages"][3]["log_worth_listeners"] = 7.654321
    assert "+7.65" in render_report(lean)


@pytest.mark.parametrize(
    ("kind", "value", "text"),
    [
        ("count", 1234, "1,234"),
        ("percent", 0.125, "13\u00a0%"),
        ("percent", 0.4996, "49.96\u00a0%"),
        ("percent", 0.5003, "50.03\u00a0%"),
        ("percent", 0.5, "50\u00a0%"),
        ("percent", 0.9999, "over\u00a099\u00a0%"),
        ("percent", 0.0, "0\u00a0%"),
        ("percent", 1, "100\u00a0%"),
        ("chance", 0.0, "under\u00a01\u00a0%"),
        ("chance", 1.0, "over\u00a099\u00a0%"),
        ("chance", 0.837, "84\u00a0%"),
        ("one_in", 0.0625, "about 1\u00a0time in 16"),
        ("one_in", 0.5, "about every second time"),
        ("one_in", 0.9, "about every time"),
        ("one_in", 0.0002, "less than 1\u00a0time in 1,000"),
        ("check", 6e-7, "under\u00a00.001"),
        ("p", 0.00002, "<\u00a00.001"),
        ("p", 0.04996, "0.0500"),
        ("p", 0.0384063720703125, "0.0384"),
        ("p", 0.344, "0.34"),
        ("p", 0.999, ">\u00a00.99"),
        ("logit", -0.4567, "\u22120.46"),
        ("logit", -0.0001, "0.00"),
        ("logit", 0.5, "+0.50"),
        ("hz", 63, "63\u00a0Hz"),
        ("hz", 12500, "12.5\u00a0kHz"),
        ("hours", 1.5, "1.5\u00a0h"),
        ("money", 1620.0, "1,620"),
        ("lu_bare", 0.004, "0.00"),
    ],
)
def test_formats(kind, value, text):
    assert number_text(value, kind) == text


@pytest.mark.parametrize("kind", sorted(KINDS))
@pytest.mark.parametrize("value", [None, math.nan, math.inf, -math.inf])
def test_what_is_not_a_number_is_said(kind, value):
    assert number_text(value, kind) == "not defined"


def test_unit_words_follow_the_count():
    numbers = Numbers(Evidence({"conduct": {"a": 1, "b": 2, "c": 0}}))
    shown = [
        re.sub("<[^>]+>", "", numbers.counted(f"/conduct/{key}", "listener", "listeners"))
        for key in "abc"
    ]
    assert shown == ["1\u00a0listener", "2\u00a0listeners", "0\u00a0listeners"]
    assert noun(1.0, "trial", "trials") == "trial"


def test_intervals_with_an_open_end():
    numbers = Numbers(Evidence({"conduct": {"x": None, "y": 1.42}}))

    def text(low, high):
        return re.sub("<[^>]+>", "", numbers.between(f"/conduct/{low}", f"/conduct/{high}", "se"))

    assert text("x", "y") == "up to 1.42"
    assert text("y", "x") == "1.42 or more"
    assert text("y", "y") == "1.42 to 1.42"
    assert text("x", "x") == "not defined"


def test_text_where_a_number_belongs_is_named(lean):
    lean["results"]["preference"]["stages"][0]["log_worth_listeners"] = "high"
    place = "/results/preference/stages/0/log_worth_listeners"
    with pytest.raises(InputError, match=f"evidence, {place}: 'high' is not a num"):
        render_report(lean)
