"""A reviewer with somebody else's trial table and a claim, and nothing more."""

import json
import re
from html import unescape

import pytest

from abx.commands.analyse import command
from analysis.long_blocks import OPTIONAL

HEAD = "listener,session,trial,method,programme,stage_a,stage_b,stage_x,answer\n"


def judgements(first_wins, *, listeners=12, each=10):
    """Write a paired table in which ``first_wins`` of each listener's trials go to 'new'."""
    rows = []
    for person in range(listeners):
        for trial in range(each):
            a, b = ("new", "old") if trial % 2 else ("old", "new")
            wins = trial < first_wins
            answer = "a" if (a == "new") == wins else "b"
            rows.append(f"p{person},1,{trial + 1},paired,,{a},{b},,{answer}")
    return HEAD + "\n".join(rows) + "\n"


@pytest.mark.parametrize(
    ("claim", "first_wins", "verdict"),
    [
        ("listeners prefer new over old", 9, "supported"),
        ("listeners prefer old over new", 9, "contradicted"),
        ("listeners prefer new over old", 5, "undecided"),
    ],
)
def test_a_claim_gets_its_verdict_and_a_report(tmp_path, call, claim, first_wins, verdict):
    table = tmp_path / "theirs.csv"
    table.write_text(judgements(first_wins))
    report = tmp_path / "theirs.html"
    outcome = call("analyse", table, "--claim", claim, "--report", report, "--title", "A & B <i>")
    assert outcome.code == 0, outcome
    assert verdict in outcome.out
    results = json.loads((tmp_path / "results.json").read_text())
    assert results["claims"][0]["verdict"] == verdict
    html = report.read_text()
    assert "A &amp; B &lt;i&gt;" in html
    assert "<i>" not in html.split("</title>")[0]


def test_a_claim_in_no_known_form_shows_the_forms(tmp_path, call):
    table = tmp_path / "theirs.csv"
    table.write_text(judgements(9))
    outcome = call("analyse", table, "--claim", "new rocks")
    assert outcome.code == 2
    assert "listeners prefer I over J" in outcome.err


def test_a_difference_too_small_to_matter_is_told_as_such(tmp_path, call):
    # 24 listeners, each 54 of 100 or 55 of 100 for the new one: shown, and below 60 to 40.
    table = tmp_path / "theirs.csv"
    rows = []
    for person in range(24):
        for trial in range(100):
            a, b = ("new", "old") if trial % 2 else ("old", "new")
            answer = "a" if (a == "new") == (trial < 54 + person % 2) else "b"
            rows.append(f"p{person},1,{trial + 1},paired,,{a},{b},,{answer}")
    table.write_text(HEAD + "\n".join(rows) + "\n")
    claim = ("--claim", "listeners prefer new over old")
    assert "supported" in call("analyse", table, *claim).out
    report = tmp_path / "theirs.html"
    options = ("--smallest-effect", "10", "--report", report)
    outcome = call("analyse", table, *claim, *options)
    assert outcome.code == 0, outcome
    assert "too small to matter  listeners prefer new over old" in outcome.out
    results = json.loads((tmp_path / "results.json").read_text())
    assert results["about"]["smallest_effect"] == pytest.approx(0.1)
    row = results["claims"][0]
    assert (row["verdict"], row["matters"]) == ("too small to matter", "no")
    html = report.read_text()
    assert "Too small to matter" in html
    assert "isteners prefer new over old in" not in html


@pytest.mark.parametrize("points", ["0.05", "60", "-5"])
def test_a_smallest_effect_that_is_no_number_of_points(tmp_path, call, points):
    table = tmp_path / "theirs.csv"
    table.write_text(judgements(9))
    outcome = call("analyse", table, "--smallest-effect", points)
    assert outcome.code == 2
    assert "smallest effect" in outcome.err
    assert "Write points of decisions: 5" in outcome.err


def test_what_takes_long_can_be_left_out(tmp_path, call):
    table = tmp_path / "theirs.csv"
    table.write_text(judgements(9))
    report = tmp_path / "theirs.html"
    outcome = call(
        *("analyse", table, "--without", "groups", "--without", "resampling", "--report", report)
    )
    assert outcome.code == 0, outcome
    said = "Left out, as asked: groups of listeners who want different things."
    assert said in outcome.err
    assert said not in outcome.out
    results = json.loads((tmp_path / "results.json").read_text())
    assert [row["block"] for row in results["long_blocks"]] == ["groups", "resampling"]
    assert results["preference"]["classes"] is None
    assert results["preference"]["stages"][0]["p_best"] is None
    assert results["preference"]["mixed"] is not None
    html = report.read_text()
    assert html.count("Left out of this analysis, as asked: ") == 2
    assert "resampled panels: chances of being first" in html


def test_every_part_that_may_be_left_out_is_offered(tmp_path, call):
    option = next(p for p in command.params if p.name == "without")
    assert option.type.choices == tuple(OPTIONAL)
    table = tmp_path / "theirs.csv"
    table.write_text(judgements(9))
    outcome = call("analyse", table, "--without", "ratings")
    assert outcome.code == 2
    assert "'ratings' is not one of 'groups'" in outcome.err


CLAIM = ("--claim", "listeners prefer new over old")


def words_of(report):
    """Return what a reader reads, without the figures and the style."""
    html = re.sub(r"<(style|script|svg)\b.*?</\1>", "", report.read_text(), flags=re.S)
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", html)).split())


def test_a_report_says_nothing_that_a_table_cannot_show(tmp_path, call):
    table, report = tmp_path / "theirs.csv", tmp_path / "theirs.html"
    table.write_text(judgements(9))
    outcome = call("analyse", table, *CLAIM, "--report", report)
    assert "nothing shows that they were written before the answers were seen" in outcome.out
    said = words_of(report)
    for known_to_nobody in (
        *("blind and at matched", "matched loudness", "through filters", "tonal balance"),
        *("set to equal loudness", "declared in the model"),
    ):
        assert known_to_nobody not in said, known_to_nobody
    assert "These answers were gathered elsewhere." in said
    assert "Nothing shows that they were written before the answers were seen." in said
    assert "The sender of the table stated nothing about how it was gathered." in said


def test_what_the_sender_states_is_quoted_as_theirs(tmp_path, call):
    table, report = tmp_path / "theirs.csv", tmp_path / "theirs.html"
    table.write_text(judgements(9))
    stated = tmp_path / "theirs.toml"
    stated.write_text('blind = "behind a <b>curtain</b>"\nclaims = "on 3 May, before the first"\n')
    outcome = call("analyse", table, *CLAIM, "--report", report, "--stated", stated)
    assert outcome.code == 0, outcome
    said = words_of(report)
    theirs = "Stated by the sender of the table, not checked here: blind listening: behind a <b>"
    assert theirs in said
    assert "<b>curtain" not in report.read_text()
    assert "not checked here: when the claims were written: on 3 May, before the first" in said
    assert "stated nothing" not in said


@pytest.mark.parametrize(
    ("content", "named"),
    [
        ("blind = true\n", "line 1, blind: True is not text"),
        ('sound = "a"\nblinded = "yes"\n', "line 2, blinded: unknown key 'blinded'"),
        ('blind = "' + "x" * 501 + '"\n', "line 1, blind: the text has 501 characters"),
        ('blind = "a\\u202eb"\n', "line 1, blind: the text holds control characters"),
        ("blind = yes\n", "not TOML"),
        (b'blind = "\xff"\n', "byte 0xff is not UTF-8 text"),
        (None, "No such file"),
    ],
)
def test_a_bad_statement_is_named(tmp_path, call, content, named):
    table, stated = tmp_path / "theirs.csv", tmp_path / "theirs.toml"
    table.write_text(judgements(9))
    if isinstance(content, bytes):
        stated.write_bytes(content)
    elif content is not None:
        stated.write_text(content)
    outcome = call("analyse", table, "--stated", stated)
    assert outcome.code == 2, outcome
    assert named in outcome.err
    assert "theirs.toml" in outcome.err
    assert not (tmp_path / "results.json").exists()
