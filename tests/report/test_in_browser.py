"""The pages in real Chromium: offline, at three widths, in the dark, on paper."""

from __future__ import annotations

import csv
import io
import json
import re
import stat

import pytest

from analysis.report import build_report, build_voices, write_pdf
from analysis.report.pdf import find_browser
from helpers.guards import GUARD_S, patient
from stimuli.files.errors import InputError

CHROMIUM = "/usr/bin/chromium"
VOICES = ("full", "customer", "researcher", "reviewer")


@pytest.fixture(scope="module")
def written(full_evidence, tmp_path_factory):
    return build_voices(full_evidence, tmp_path_factory.mktemp("report"), voices=VOICES)


@pytest.mark.browser
@pytest.mark.parametrize("voice", VOICES)
def test_pages_open_offline_and_fit_every_width(browser, written, voice):
    context = patient(browser.new_context(offline=True))
    page = context.new_page()
    noise, asked = [], []
    page.on("console", lambda message: noise.append(message.text))
    page.on("pageerror", lambda error: noise.append(str(error)))
    page.on("request", lambda request: asked.append(request.url))
    page.goto(written[voice].as_uri())
    for width in (1280, 800, 390):
        page.set_viewport_size({"width": width, "height": 900})
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        clipped = page.evaluate(
            """() => [...document.querySelectorAll('h1,h2,p,li,figure,figcaption')]
               .filter(e => e.getBoundingClientRect().right > innerWidth + 1)
               .map(e => e.outerHTML.slice(0, 80))"""
        )
        assert clipped == []
    assert noise == []
    assert asked == [written[voice].as_uri()]
    context.close()


@pytest.mark.browser
def test_a_table_can_be_saved_from_the_page(browser, written, full_evidence):
    page = patient(browser.new_page())
    page.goto(written["full"].as_uri())
    with page.expect_download() as waiting:
        page.locator("#preference a[download]").first.click()
    saved = waiting.value
    assert saved.suggested_filename == "simulated-worths.csv"
    rows = list(csv.DictReader(io.StringIO(saved.path().read_text(encoding="utf-8"))))
    expected = {
        row["stage"]: row["log_worth"] for row in full_evidence["results"]["preference"]["stages"]
    }
    assert {row["stage"]: float(row["log_worth"]) for row in rows} == expected
    page.close()


@pytest.mark.browser
def test_dark_on_screen_and_light_on_paper(browser, written):
    page = patient(browser.new_page(color_scheme="dark"))
    page.goto(written["full"].as_uri())
    colour = "getComputedStyle(document.body).backgroundColor"
    line = "getComputedStyle(document.querySelector('svg.figure path[style*=f-a]')).stroke"
    dark, dark_line = page.evaluate(colour), page.evaluate(line)
    page.emulate_media(media="print", color_scheme="dark")
    assert dark == "rgb(21, 24, 28)"
    assert page.evaluate(colour) == "rgb(255, 255, 255)"
    assert page.evaluate(line) == "rgb(21, 87, 160)" != dark_line
    # In print nothing stays folded, and the mark stands in the margin of every page.
    fold = page.locator("details p").first
    assert fold.is_visible()
    assert '@bottom-center { content: "SIMULATED REHEARSAL"' in page.content()
    page.close()


def pages_and_size(pdf):
    body = pdf.read_bytes()
    count = len(re.findall(rb"/Type\s*/Page\b(?!s)", body))
    box = re.search(rb"/MediaBox\s*\[\s*0\s+0\s+([\d.]+)\s+([\d.]+)", body)
    return count, (round(float(box.group(1))), round(float(box.group(2))))


@pytest.mark.browser
@pytest.mark.parametrize(
    ("paper", "size"),
    # ISO 216 A4 is 210 x 297 mm, 595 x 842 points; ANSI letter is 8.5 x 11 in, 612 x 792 points.
    [("a4", (595, 842)), ("letter", (612, 792))],
)
def test_the_card_is_one_page_on_either_paper(written, tmp_path, paper, size):
    pdf = write_pdf(written["customer"], tmp_path / "card.pdf", paper=paper, browser=CHROMIUM)
    count, (width, height) = pages_and_size(pdf)
    assert count == 1
    assert abs(width - size[0]) <= 1
    assert abs(height - size[1]) <= 1
    assert [p.name for p in tmp_path.iterdir()] == ["card.pdf"]


@pytest.mark.browser
@pytest.mark.parametrize("listener", [None, "L03"])
@pytest.mark.parametrize("n_stages", [6, 12])
def test_the_card_stays_on_one_page_in_large_type(
    browser, full_evidence, tmp_path, n_stages, listener
):
    # Large print begins at 14 points (common practice, no source); the card comes near it with few
    # words and goes down only so far that a dozen versions with long names stay on the page.
    evidence = json.loads(json.dumps(full_evidence))
    preference = evidence["results"]["preference"]
    if n_stages > 6:
        for stage in evidence["study"]["stages"]:
            stage["label"] += " and everything else that was named at length"
        preference["stages"] *= 2
        preference["chosen"] *= 2
    html = build_report(evidence, tmp_path / "card.html", voice="customer", listener=listener)
    pdf = write_pdf(html, tmp_path / "card.pdf", paper="letter", browser=CHROMIUM)
    assert pages_and_size(pdf)[0] == 1
    page = patient(browser.new_page())
    page.emulate_media(media="print")
    page.goto(html.as_uri())
    sizes = page.evaluate(
        "[...document.querySelectorAll('main p:not(.note):not(.kicker), main li')]"
        ".map(e => parseFloat(getComputedStyle(e).fontSize) * 72 / 96)"
    )
    page.close()
    assert min(sizes) >= (11 if n_stages == 6 else 9)
    assert max(sizes) >= (17 if n_stages == 6 else 14)


def test_without_a_browser_the_message_says_what_to_do(written, tmp_path, monkeypatch):
    monkeypatch.setenv("PATH", str(tmp_path))
    assert find_browser() is None
    with pytest.raises(InputError, match=r"no Chromium-family browser .* open report.html in any"):
        write_pdf(written["full"], tmp_path / "r.pdf")
    assert not (tmp_path / "r.pdf").exists()


@pytest.mark.parametrize(
    ("script", "limit_s", "message"),
    [
        ("exit 7", GUARD_S, "stopped with code 7 and wrote no PDF"),
        (f"exec sleep {GUARD_S}", 0.5, "took longer than 0.5 s and wrote no PDF"),
    ],
)
def test_a_browser_that_fails_is_named(written, tmp_path, script, limit_s, message):
    program = tmp_path / "browser"
    program.write_text(f"#!/bin/sh\n{script}\n", encoding="utf-8")
    program.chmod(program.stat().st_mode | stat.S_IXUSR)
    earlier = tmp_path / "r.pdf"
    earlier.write_bytes(b"earlier")
    with pytest.raises(InputError, match=message):
        write_pdf(written["full"], earlier, browser=str(program), timeout_s=limit_s)
    assert earlier.read_bytes() == b"earlier"


def test_a_page_or_paper_that_does_not_exist(written, tmp_path):
    with pytest.raises(InputError, match="no such page"):
        write_pdf(tmp_path / "none.html", tmp_path / "r.pdf")
    with pytest.raises(InputError, match="'b5' is not a paper size"):
        write_pdf(written["full"], tmp_path / "r.pdf", paper="b5")
    with pytest.raises(InputError, match="could not be started"):
        write_pdf(written["full"], tmp_path / "r.pdf", browser=str(tmp_path / "missing"))
