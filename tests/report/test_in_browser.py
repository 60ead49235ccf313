"""The pages in real Chromium: offline, at three widths, in the dark, on paper."""

from __future__ import annotations

import csv
import io
import re
import stat
from importlib.resources import files

import pytest

from analysis.errors import InputError
from analysis.report import build_voices, write_pdf
from analysis.report.pdf import find_browser

CHROMIUM = "/usr/bin/chromium"
VOICES = ("full", "customer", "researcher", "reviewer")


@pytest.fixture(scope="module")
def written(full_evidence, tmp_path_factory):
    return build_voices(full_evidence, tmp_path_factory.mktemp("report"), voices=VOICES)


@pytest.mark.browser
@pytest.mark.parametrize("voice", VOICES)
def test_pages_open_offline_and_fit_every_width(browser, written, voice):
    context = browser.new_context(offline=True)
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
    page = browser.new_page()
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
    page = browser.new_page(color_scheme="dark")
    page.goto(written["full"].as_uri())
    colour = "getComputedStyle(document.body).backgroundColor"
    line = "getComputedStyle(document.querySelector('svg.figure path[style*=f-a]')).stroke"
    dark, dark_line = page.evaluate(colour), page.evaluate(line)
    page.emulate_media(media="print", color_scheme="dark")
    assert dark == "rgb(21, 24, 28)"
    assert page.evaluate(colour) == "rgb(255, 255, 255)"
    assert page.evaluate(line) == "rgb(11, 95, 165)" != dark_line
    shown = "getComputedStyle(document.querySelector('.running')).display"
    assert page.evaluate(shown) == "block"
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


def test_without_a_browser_the_message_says_what_to_do(written, tmp_path, monkeypatch):
    monkeypatch.setenv("PATH", str(tmp_path))
    assert find_browser() is None
    with pytest.raises(InputError, match=r"no Chromium-family browser .* open report.html in any"):
        write_pdf(written["full"], tmp_path / "r.pdf")
    assert not (tmp_path / "r.pdf").exists()


@pytest.mark.parametrize(
    ("script", "message"),
    [
        ("exit 7", "stopped with code 7 and wrote no PDF"),
        ("exec sleep 30", "took longer than 0.5 s and wrote no PDF"),
    ],
)
def test_a_browser_that_fails_is_named(written, tmp_path, script, message):
    program = tmp_path / "browser"
    program.write_text(f"#!/bin/sh\n{script}\n", encoding="utf-8")
    program.chmod(program.stat().st_mode | stat.S_IXUSR)
    earlier = tmp_path / "r.pdf"
    earlier.write_bytes(b"earlier")
    with pytest.raises(InputError, match=message):
        write_pdf(written["full"], earlier, browser=str(program), timeout_s=0.5)
    assert earlier.read_bytes() == b"earlier"


def test_a_page_or_paper_that_does_not_exist(written, tmp_path):
    with pytest.raises(InputError, match="no such page"):
        write_pdf(tmp_path / "none.html", tmp_path / "r.pdf")
    with pytest.raises(InputError, match="'b5' is not a paper size"):
        write_pdf(written["full"], tmp_path / "r.pdf", paper="b5")
    with pytest.raises(InputError, match="could not be started"):
        write_pdf(written["full"], tmp_path / "r.pdf", browser=str(tmp_path / "missing"))


# Colours ----------------------------------------------------------------------------------


def themes():
    style = (files("analysis.report") / "templates" / "style.css").read_text(encoding="utf-8")
    light, dark = (
        dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6})", block))
        for block in re.findall(r":root {\n(.*?)\n\s*}", style, flags=re.S)[:2]
    )
    return {"light": light, "dark": light | dark}


def luminance(colour):
    """Relative luminance, WCAG 2.2 (definition of "relative luminance")."""
    parts = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one, other):
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def test_contrast_of_black_and_white_is_twenty_one():
    # WCAG 2.2: contrast ratios range from 1 to 21.
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_text_meets_the_contrast_of_wcag_aa(theme):
    # WCAG 2.2, success criterion 1.4.3: at least 4.5 to 1 for text.
    found = themes()[theme]
    pairs = [(name, "paper") for name in ("ink", "muted", "link", "good", "bad", "f-ink")]
    pairs += [("warn-ink", "warn-bg"), ("stamp-ink", "stamp-bg"), ("ink", "up1"), ("ink", "down1")]
    pairs += [("ink", "up2"), ("ink", "down2"), ("deep", "up3"), ("deep", "down3")]
    low = {p: round(contrast(found[p[0]], found[p[1]]), 2) for p in pairs}
    assert {p: c for p, c in low.items() if c < 4.5} == {}


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_lines_stand_out_from_paper_and_bands(theme):
    # WCAG 2.2, success criterion 1.4.11: at least 3 to 1 for graphical objects.
    found = themes()[theme]
    for name in ("f-a", "f-b", "f-c", "f-d", "f-muted"):
        assert contrast(found[name], found["paper"]) >= 3.0, name
    for band in ("f-band", "f-ribbon"):
        assert contrast(found["f-ink"], found[band]) >= 3.0, band
