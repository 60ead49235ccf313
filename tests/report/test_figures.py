"""Every figure: there, captioned, with axis units, intervals, panel, mark and saved data."""

from __future__ import annotations

import base64
import csv
import io
import re
import xml.etree.ElementTree as ET
from html import unescape

import pytest

from analysis.report.build import render_report
from analysis.report.words.numbers import number_text
from helpers.report_example import add_decision, sample_evidence

# Each figure by the key of its drawing: unit on an axis, saved table, words of its caption.
FIGURES = {
    "worth": ("(logits)", "worths", "95 % intervals"),
    "shares": ("(%)", "pair-shares", "95 % intervals between"),
    "chosen": (None, "choices-by-listener", "the fuller the ring"),
    "own": ("(logits)", "worths-by-listener", "listeners differ"),
    "right": ("(%)", "discrimination", "smallest share of right answers that counts as better"),
    "strip": ("(%)", "right-by-listener", "number inside counts"),
    "residuals": ("(LU)", "level-residuals", "far it is from the common loudness"),
    "balance": ("Trials", "order-balance", "played first"),
    "picture": ("(%)", "steps-in-order", "against what was there before"),
    "steps": ("(logits)", "first-steps", "95 % interval"),
    "shapley": ("(logits)", "shares-of-parts", "95 % intervals"),
    "link": ("(logits)", "link", "shaded band"),
    "ratings": ("0 to 100", "ratings", "middle half"),
    "power0": ("(%)", "power-1", "Chance to notice"),
}
# Those made of cells or bars of the page itself.
TABLES = {
    "places": "Chance of each place",
    "deviation": "Mean distance from the target by region, in dB",
    "orders": "Share of the resampled panels",
}
MEASURED = {"residuals", "deviation", "responses"}
PANEL = re.compile(r"\d+ (listeners?|stages?|files?)\b")


@pytest.fixture(scope="module")
def whole():
    return add_decision(sample_evidence())


@pytest.fixture(scope="module", params=["full", "researcher"])
def page(request, whole):
    return render_report(whole, voice=request.param)


def plain(html):
    return re.sub(r"\s+", " ", unescape(re.sub(r"<[^>]+>", "", html)))


def drawn(page):
    """Return each figure by the key of its drawing: (svg, caption, saved name)."""
    found = {}
    for block in re.findall(r"<figure>(.*?)</figure>", page, flags=re.S):
        key = re.search(r'id="([a-z0-9]+)-', block).group(1)
        svg = re.search(r"<svg.*?</svg>", block, flags=re.S).group(0)
        caption = re.search(r"<figcaption>(.*?)</figcaption>", block, flags=re.S).group(1)
        saved = re.search(r'download="simulated-([^"]+)\.csv"', block)
        assert key not in found
        found[key] = (svg, plain(caption), saved and saved.group(1))
    return found


def test_every_figure_is_there_and_no_other(page):
    assert set(drawn(page)) == set(FIGURES)


@pytest.mark.parametrize("key", FIGURES)
def test_a_figure_says_what_to_see_with_unit_panel_mark_and_data(page, key):
    unit, table, words = FIGURES[key]
    svg, caption, saved = drawn(page)[key]
    assert words in caption
    assert len(caption) > 60
    assert PANEL.search(caption), caption
    counted = r"\d listeners" if key.startswith("power") else r"\d listeners.*\d trials"
    assert key in MEASURED or re.search(counted, caption), caption
    assert saved == table
    root = ET.fromstring(svg)
    texts = ["".join(text.itertext()) for text in root.iter("text")]
    assert any("SIMULATED REHEARSAL" in text for text in texts)
    assert unit is None or any(unit in text for text in texts), texts
    assert len(root.get("aria-label")) > 30


@pytest.mark.parametrize("key", TABLES)
def test_a_figure_of_cells_has_caption_mark_and_data(page, key):
    after = page.split(TABLES[key])[1]
    assert re.match(r'.*?download="simulated-' + key + r"\.csv", after, flags=re.S)
    caption = plain(after.split("</p>")[0])
    assert key in MEASURED or re.search(r"\d listeners, \d+ trials", caption), caption
    before = page.split(TABLES[key])[0].rsplit("<table", 1)[0][-200:]
    assert 'class="across" aria-hidden="true">SIMULATED REHEARSAL' in before


def test_response_panels_share_a_caption_and_a_table(page):
    section = page.split('<section id="responses"')[1].split("</section>")[0]
    assert section.count("<svg") == 6
    caption = plain(section.split('<p class="caption">')[1].split("</p>")[0])
    for word in ("target", "spread between positions", "band in which the measurement is valid"):
        assert word in caption
    assert PANEL.search(caption)
    assert "3 positions" in plain(section)
    assert 'download="simulated-responses.csv"' in section
    for svg in re.findall(r"<svg.*?</svg>", section, flags=re.S):
        assert "Frequency (Hz)" in svg
        assert "Level (dB)" in svg
        assert "SIMULATED REHEARSAL" in svg


def test_figures_written_beside_points_equal_the_json(page, whole):
    svg = drawn(page)["shares"][0]
    texts = ["".join(text.itertext()) for text in ET.fromstring(svg).iter("text")]
    notes = [text for text in texts if text.endswith("%")]
    shares = [row["share"] for row in whole["results"]["preference"]["pairs"]]
    assert sorted(notes) == sorted(number_text(share, "percent") for share in shares)


def test_a_shape_of_its_own_for_every_series(page):
    # Legend entries of the power curves: four line styles and markers, not colour alone.
    svg = drawn(page)["power0"][0]
    dashes = set(re.findall(r"stroke-dasharray: ([\d., ]+)", svg))
    assert len(dashes) >= 2


def saved_rows(page, name):
    body = re.search(rf'download="simulated-{name}\.csv" href="data:[^,]*,([^"]+)"', page).group(1)
    return list(csv.DictReader(io.StringIO(base64.b64decode(body).decode())))


def test_choices_of_each_listener_can_be_saved(page, whole):
    preference = whole["results"]["preference"]
    rows = saved_rows(page, "choices-by-listener")
    found = {(r["listener"], r["stage"]): int(r["n_chosen"]) for r in rows}
    wanted = {
        (r["listener"], r["stage"]): r["n_chosen"] for r in preference["chosen"] if r["listener"]
    }
    assert found == wanted
    pairs = saved_rows(page, "choices-by-listener-and-pair")
    assert len(pairs) == len(preference["listeners"])
    places = saved_rows(page, "places")
    assert sum(float(r["probability"]) for r in places) == pytest.approx(6.0)
    assert {r["order"] for r in saved_rows(page, "orders")} >= {"ceiling > refit > low-unit", ""}


def test_many_listeners_are_counted_and_not_listed(lean):
    chosen = [
        {"listener": f"L{k}", "stage": stage, "n_chosen": k % 3, "n_compared": 2, "share": share}
        for k in range(60)
        for stage, share in (("aligned", (k % 3) / 2), ("low-unit", 0.5))
    ]
    lean["results"]["preference"]["chosen"] = chosen
    svg, caption, _ = drawn(render_report(lean))["chosen"]
    texts = ["".join(text.itertext()) for text in ET.fromstring(svg).iter("text")]
    assert texts.count("20") == 3
    assert "60" in texts
    assert "number inside counts" in caption
    assert "L59" not in texts
