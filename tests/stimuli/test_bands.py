"""Bands against IEC 61260-1:2014 and closed forms of band levels."""

import numpy as np
import numpy.testing as npt
import pytest

from stimuli.response.bands import (
    band_power,
    fractional_octave_bands,
    pink_band_level_db,
    third_octave_bands,
)


def test_third_octave_midbands_and_edges_equal_the_standard(reference):
    # IEC 61260-1:2014 base ten, nominal names ISO 266; tolerance 1e-7 in the table
    rows = reference("bands_third_octave.csv")
    bands = third_octave_bands(10, 20000)
    assert len(bands) == len(rows) == 34
    for field, column in (
        ("nominal_hz", "nominal_Hz_ISO266"),
        ("mid_hz", "exact_midband_Hz"),
        ("low_hz", "lower_edge_Hz"),
        ("high_hz", "upper_edge_Hz"),
    ):
        expected = [float(row[column]) for row in rows]
        npt.assert_allclose(getattr(bands, field), expected, rtol=1e-7, atol=1e-7)


def test_octave_bands_equal_the_standard(reference):
    rows = reference("bands_octave.csv")
    bands = fractional_octave_bands(1, float(rows[0]["nominal"]), float(rows[-1]["nominal"]))
    npt.assert_allclose(bands.mid_hz, [float(r["exact"]) for r in rows], rtol=1e-7)
    npt.assert_allclose(bands.low_hz, [float(r["lower"]) for r in rows], rtol=1e-7)
    npt.assert_allclose(bands.high_hz, [float(r["upper"]) for r in rows], rtol=1e-7)
    npt.assert_allclose(bands.nominal_hz, [float(r["nominal"]) for r in rows], rtol=1e-7)


def test_even_fraction_straddles_the_reference_frequency():
    # IEC 61260-1:2014 formula (3): f_m = f_r G^((2x + 1) / (2 b)) for even b
    bands = fractional_octave_bands(12, 950, 1050)
    npt.assert_allclose(bands.mid_hz, 1000 * 10 ** (0.3 * np.array([-1, 1]) / 24), rtol=1e-12)


def test_white_noise_rises_by_one_decibel_a_band():
    # closed form: bandwidth ratio 10^0.1
    f = np.arange(0, 24001) * 1.0
    levels = 10 * np.log10(band_power(f, np.ones_like(f), third_octave_bands(100, 16000)))
    npt.assert_allclose(np.diff(levels), 1.0, atol=1e-9)


def test_flat_gain_gives_pink_noise_its_own_level():
    grid = np.geomspace(10, 23000, 4001)
    level = pink_band_level_db(grid, np.full(grid.shape, 4.0), third_octave_bands(20, 20000))
    npt.assert_allclose(level, 10 * np.log10(4.0), atol=1e-9)


def test_slope_within_a_band_follows_its_integral():
    # |H|^2 = f: mean over log f is (f2 - f1) / ln(f2 / f1)
    bands = third_octave_bands(1000, 1000)
    grid = np.linspace(500, 2000, 20001)
    expected = (bands.high_hz - bands.low_hz) / np.log(bands.high_hz / bands.low_hz)
    npt.assert_allclose(pink_band_level_db(grid, grid, bands), 10 * np.log10(expected), atol=1e-6)


@pytest.mark.parametrize(
    ("low", "high", "words"),
    [(0, 100, "need 0 < low"), (200, 100, "need 0 < low"), (110, 113, "no 1/3-octave")],
)
def test_impossible_ranges_are_refused(low, high, words):
    with pytest.raises(ValueError, match=words):
        third_octave_bands(low, high)
