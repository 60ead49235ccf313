"""ISO 226 and the spectral difference that rests on it."""

import csv
from pathlib import Path

import numpy as np
import numpy.testing as npt
import pytest

from stimuli.figures.equal_loudness import (
    contour_db,
    loudness_level_phon,
    loudness_weighted_difference,
)

with (Path(__file__).parent / "reference" / "iso226.csv").open() as file:
    ROWS = list(csv.DictReader(file))
F = np.array([float(row["f_Hz"]) for row in ROWS])
GRID = np.geomspace(20, 20000, 2000)


@pytest.mark.parametrize("edition", [2003, 2023])
@pytest.mark.parametrize("phon", [20, 40, 60, 80])
def test_contours_of_the_standard(edition, phon):
    known = np.array([float(row[f"SPL_{edition}_{phon}phon"]) for row in ROWS])
    npt.assert_allclose(contour_db(F, phon, edition=edition), known, atol=1e-4)
    npt.assert_allclose(loudness_level_phon(F, known, edition=edition), phon, atol=1e-3)


def test_only_what_the_standard_covers():
    with pytest.raises(ValueError, match=r"20 Hz to 12\.5 kHz"):
        contour_db([16000.0], 40)
    with pytest.raises(ValueError, match="2003 or 2023, got 1987"):
        contour_db([1000.0], 40, edition=1987)


def bump(f_hz, gain_db):
    return np.where(np.abs(np.log2(GRID / f_hz)) < 1 / 6, gain_db, 0.0)


def test_one_hand_sum():
    # McKenzie et al. 2022 by hand: a response of two levels, whose halves have equal weight. With
    # the 5 Hz grid from 995 to 1010 Hz there are three bins; reference flat at 75 dB.
    f = np.array([900.0, 1100.0])
    same = loudness_weighted_difference(f, [3.0, 3.0], [0.0, 0.0], valid_hz=(995, 1010))
    assert same.sone == pytest.approx(0, abs=1e-4)
    assert same.alignment_db == pytest.approx(0, abs=1e-3)
    tilted = loudness_weighted_difference(f, [-20.0, 20.0], [0.0, 0.0], valid_hz=(995, 1010))
    # middle bin equal, outer bins about 0.995 dB below and above: 75 phon are 2^3.5 sone
    low, high = 2 ** ((75 - 0.998 - 40) / 10), 2 ** ((75 + 0.998 - 40) / 10)
    assert tilted.sone == pytest.approx((high - low) / 3, rel=0.02)


def test_order_of_regions_and_peaks_over_dips():
    # Order found by the method's own definition: presence counts most, deep bass least.
    value = {
        f: loudness_weighted_difference(GRID, bump(f, 6), 0 * GRID).sone for f in (60, 300, 3e3)
    }
    assert value[60] < value[300] < value[3e3]
    dip = loudness_weighted_difference(GRID, bump(3e3, -6), 0 * GRID).sone
    assert dip < 0.8 * value[3e3]


def test_an_empty_band_is_refused():
    with pytest.raises(ValueError, match="no band between"):
        loudness_weighted_difference(GRID, 0 * GRID, 0 * GRID, valid_hz=(15000, 18000))
