"""The further loudness models."""

import numpy as np
import numpy.testing as npt
import pytest
from scipy.signal import oaconvolve

from stimuli.filters.design import design_stage_filter
from stimuli.levels.erb import GLASBERG_MOORE
from stimuli.levels.loudness import integrated_loudness
from stimuli.levels.weighting import (
    _THRESHOLD,
    a_weighted_level_db,
    a_weighting_db,
    erb_sum_loudness,
    loudness_difference_db,
)
from stimuli.programme.demo_music import synthesise
from stimuli.render.filter_bank import LongTermSpectrum
from stimuli.render.pipeline import as_complex
from stimuli.response.bands import third_octave_bands

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
        assert GLASBERG_MOORE.number(float(row["f_Hz"])) == pytest.approx(expected, abs=1e-5)


def test_threshold_in_quiet_is_the_standard_s(reference):
    # ISO 226:2023 table 1, column T_f
    expected = {float(row["f_Hz"]): float(row["Tf_2023"]) for row in reference("iso226.csv")}
    assert {float(f): float(t) for f, t in _THRESHOLD} == expected


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


# Zwicker loudness level (ISO 532-1, stationary, free field) by mosqito 1.2.1: 40 + 10 log2(N) of
# each stimulus minus the mean over the five stages below, K-weighted level 75 dB; demo programmes
# and pink noise of 8 s. An outside value for the order of effects, not a definition.
ZWICKER = {
    "low-tide": [2.82, -3.11, 1.30, -2.37, 1.37],
    "paper-lanterns": [0.20, 0.24, -0.11, -0.53, 0.20],
}


@pytest.mark.parametrize("name", ZWICKER)
def test_erb_sum_agrees_with_zwicker_loudness_within_a_decibel(make_stage, name):
    x = np.log2(third_octave_bands().mid_hz / 1000)
    shapes = [
        78 - 12 * np.clip(-(x + 3.6), 0, 9),
        75 + 9 / (1 + np.exp(3 * (x + 3.3))),
        75 + np.random.default_rng(1).normal(0, 4, 31),
        75 - 1.5 * x,
        0 * x,
    ]
    music = synthesise(name, seconds=8)
    spectrum = LongTermSpectrum(48000)
    spectrum.push(as_complex(music))
    heard = []
    for shape in shapes:
        h = design_stage_filter(make_stage(shape), rate=48000).taps
        level = integrated_loudness(oaconvolve(music, h[:, None], axes=0)[: len(music)], 48000)
        gain = np.abs(np.fft.rfft(h, 32768)[::2]) ** 2
        heard.append(spectrum.power() * gain * 10 ** ((75 - level) / 10))
    mean = np.mean([erb_sum_loudness(spectrum.f_hz, p) for p in heard])
    residual = np.array([loudness_difference_db(spectrum.f_hz, p, mean) for p in heard])
    npt.assert_allclose(residual - residual.mean(), ZWICKER[name], atol=0.9)


@pytest.mark.parametrize("frames", [1000, 16384, 30000, 48017])
@pytest.mark.parametrize("piece", [777, 8192, 48017])
def test_long_term_spectrum_counts_every_moment_alike(frames, piece):
    """Parseval: the lines add up to the mean square, wherever in the sound its power lies."""
    x = np.random.default_rng(frames).normal(size=(frames, 2))
    x[: frames // 3] *= 10  # most of it at the start, where windows begin
    spectrum = LongTermSpectrum(48000)
    for start in range(0, frames, piece):
        spectrum.push(as_complex(x[start : start + piece]))
    assert spectrum.power().sum() == pytest.approx((x**2).sum() / frames, rel=1e-5)
