"""Series keep apart in grey, for colour-blind readers, and against paper, in both themes."""

from __future__ import annotations

import itertools
import re
from importlib.resources import files

import numpy as np
import pytest

from analysis.report.figures.svg import COLOURS, Colour

SERIES = ("f-a", "f-b", "f-c", "f-d")

# Linear sRGB to CIE XYZ, D65 (IEC 61966-2-1), and the white of it.
XYZ = np.array(
    [
        [0.4124564, 0.3575761, 0.1804375],
        [0.2126729, 0.7151522, 0.0721750],
        [0.0193339, 0.1191920, 0.9503041],
    ]
)
WHITE = np.array([0.95047, 1.0, 1.08883])

# Machado, Oliveira and Fernandes (2009) IEEE Trans. Visualization 15(6):1291-1298, severity 1.0,
# on linear RGB.
DEFICIENCIES = {
    "protan": [
        [0.152286, 1.052583, -0.204868],
        [0.114503, 0.786281, 0.099216],
        [-0.003882, -0.048116, 1.051998],
    ],
    "deutan": [
        [0.367322, 0.860646, -0.227968],
        [0.280085, 0.672501, 0.047413],
        [-0.011820, 0.042940, 0.968881],
    ],
    "tritan": [
        [1.255528, -0.076749, -0.178779],
        [-0.078411, 0.930809, 0.147602],
        [0.004733, 0.691367, 0.303900],
    ],
}


def themes():
    style = (files("analysis.report") / "templates" / "style.css").read_text(encoding="utf-8")
    light, dark = (
        dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6})", block))
        for block in re.findall(r":root {\n(.*?)\n\s*}", style, flags=re.S)[:2]
    )
    return {"light": light, "dark": light | dark}


def linear(colour):
    parts = np.array([int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)])
    return np.where(parts <= 0.04045, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4)


def luminance(colour):
    """Relative luminance, WCAG 2.2 (definition of "relative luminance")."""
    return float(XYZ[1] @ linear(colour))


def contrast(one, other):
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def lab(colour, deficiency=None):
    """CIE 1976 L*a*b* (CIE 15), as seen with a deficiency where one is named."""
    seen = linear(colour)
    if deficiency:
        seen = np.clip(np.array(DEFICIENCIES[deficiency]) @ seen, 0, 1)
    x = XYZ @ seen / WHITE
    f = np.where(x > (6 / 29) ** 3, np.cbrt(x), x * (29 / 6) ** 2 / 3 + 4 / 29)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def test_the_colour_arithmetic_against_known_values():
    # WCAG 2.2: contrast ratios range from 1 to 21. Red, IEC 61966-2-1: L*a*b* 53.2, 80.1, 67.2
    # (from memory).
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert lab("#ffffff") == pytest.approx([100, 0, 0], abs=0.02)
    assert lab("#ff0000") == pytest.approx([53.2, 80.1, 67.2], abs=0.1)
    # What a deficiency cannot see is grey to it as well: every matrix keeps white white.
    for matrix in DEFICIENCIES.values():
        assert np.sum(matrix, axis=1) == pytest.approx(1.0, abs=1e-5)


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
    for name in (*SERIES, "f-muted"):
        assert contrast(found[name], found["paper"]) >= 3.0, name
    for band in ("f-band", "f-ribbon"):
        assert contrast(found["f-ink"], found[band]) >= 3.0, band


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_series_step_in_lightness_so_that_grey_keeps_them_apart(theme):
    # Ten units of L* are about four times what is just seen side by side (common practice, no
    # source); markers and line styles differ besides.
    found = themes()[theme]
    steps = np.diff(sorted(lab(found[name])[0] for name in SERIES))
    assert steps.min() >= 10, steps


@pytest.mark.parametrize("theme", ["light", "dark"])
@pytest.mark.parametrize("deficiency", [None, *DEFICIENCIES])
def test_series_keep_apart_for_colour_blind_readers(theme, deficiency):
    # CIE 1976 difference: about 2.3 is just noticeable (Mahy, Van Eycken and Oosterlinck 1994,
    # from memory); five times that is asked here.
    found = themes()[theme]
    for one, other in itertools.combinations(SERIES, 2):
        apart = np.linalg.norm(lab(found[one], deficiency) - lab(found[other], deficiency))
        assert apart >= 11.5, (one, other, apart)


@pytest.mark.parametrize("theme", ["light", "dark"])
@pytest.mark.parametrize("side", ["up", "down"])
def test_shades_of_a_table_deepen_in_grey(theme, side):
    found = themes()[theme]
    shades = [lab(found[name])[0] for name in ("paper", *(f"{side}{k}" for k in (1, 2, 3)))]
    steps = np.diff(shades) if theme == "dark" else -np.diff(shades)
    assert steps.min() >= 5, shades


def test_the_drawing_and_the_page_use_the_same_colours():
    light = themes()["light"]
    for value, variable in COLOURS.items():
        if value != Colour.PAPER:
            assert light[variable.removeprefix("--")] == value
