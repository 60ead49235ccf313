"""The further loudness models."""

import numpy as np
import numpy.testing as npt
import pytest

from stimuli.weighting import (
    a_weighted_level_db,
    a_weighting_db,
    erb_number,
    erb_sum_loudness,
    loudness_difference_db,
)

F = np.fft.rfftfreq(16384, 1 / 48000)


def test_a_weighting_equals_the_standard(reference):
    # IEC 61672-1:2013 table 3 (0.05 dB rounding) and Annex E formula (1e-5 dB)
    for row in reference("a_c_weighting.csv"):
        value = a_weighting_db(float(row["exact_Hz"]))
        assert value == pytest.approx(float(row["A_formula_dB_at_exact"]), abs=1e-5)
        assert value == pytest.approx(float(row["A_table_dB"]), abs=0.0501)


def test_erb_numbers(reference):
    # Glasberg and Moore 1990
    for row in reference("erb.csv"):
        expected = float(row["ERB_number = 21.4 log10(4.37F+1)"])
        assert erb_number(float(row["f_Hz"])) == pytest.approx(expected, abs=1e-5)


def test_a_weighted_level_of_one_line():
    power = np.zeros(len(F))
    at = int(np.abs(F - 1000).argmin())
    power[at] = 4.0
    expected = 10 * np.log10(4.0) + a_weighting_db(F[at])
    assert a_weighted_level_db(F, power) == pytest.approx(float(expected), abs=1e-9)
    assert a_weighted_level_db(F, np.zeros(len(F))) == float("-inf")


def pink(level_db):
    power = np.where(F > 20, 1 / np.maximum(F, 1), 0)
    return power / power.sum() * 10 ** (level_db / 10)


def test_more_power_is_louder_and_silence_is_nothing():
    assert erb_sum_loudness(F, np.zeros(len(F))) == 0.0
    values = [erb_sum_loudness(F, pink(level)) for level in (40, 60, 75, 90)]
    assert np.all(np.diff(values) > 0)


def test_sound_under_the_threshold_adds_almost_nothing():
    rumble = np.where(np.abs(F - 30) < 2, 1.0, 0.0)
    rumble *= 10 ** (45 / 10) / rumble.sum()  # 45 dB at 30 Hz; threshold there is about 61 dB
    assert erb_sum_loudness(F, rumble) < 0.01 * erb_sum_loudness(F, pink(45))


@pytest.mark.parametrize("gain_db", [-6.0, -0.5, 0.0, 3.0])
def test_difference_is_the_gain_that_makes_it(gain_db):
    reference = erb_sum_loudness(F, pink(75))
    value = loudness_difference_db(F, pink(75 + gain_db), reference)
    npt.assert_allclose(value, gain_db, atol=0.01)
