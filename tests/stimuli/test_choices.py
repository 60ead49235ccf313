"""Choices of filters: phase, smoothing, pairs, impulse responses, regularised playback."""

import numpy as np
import numpy.testing as npt
import pytest
from scipy.signal import butter, sosfilt

from stimuli.files.errors import InputError
from stimuli.filters.design import FilterChoices, design_pair, design_stage_filter, impulse_filter
from stimuli.filters.fir import linear_phase_fir
from stimuli.response.bands import third_octave_bands
from stimuli.response.measured import Response, power_average

RATE = 48000
ROUGH = np.random.default_rng(1).normal(0, 4, 31)


def gain_db(h, f_hz, n_fft=1 << 18):
    f = np.fft.rfftfreq(n_fft, 1 / RATE)
    return np.interp(f_hz, f, 20 * np.log10(np.abs(np.fft.rfft(h, n_fft)) + 1e-12))


def test_linear_phase_is_symmetric_and_keeps_the_band_levels(make_stage):
    result = design_stage_filter(
        make_stage(ROUGH), rate=RATE, choices=FilterChoices(phase="linear", boost_cap_db=40)
    )
    npt.assert_allclose(result.taps, result.taps[::-1], atol=1e-12)
    assert result.delay_frames == len(result.taps) // 2
    assert result.worst_error_db < 0.05


def test_linear_phase_needs_an_odd_length():
    with pytest.raises(ValueError, match="must be odd"):
        linear_phase_fir(np.ones(9), n_taps=8)


def narrow(width_octaves, height_db):
    f = np.geomspace(18, 22400, 4800)
    level = height_db / (1 + (np.log2(f / 1000) / (width_octaves / 2)) ** 2)
    return power_average([Response(f, level)])


@pytest.mark.parametrize(
    ("smoothing", "low", "high"),
    [("none", 8, 11), ("twelfth", 4, 8), ("sixth", 2.5, 6.5), ("bands", 0.5, 4)],
)
def test_smoothing_keeps_less_and_less_of_a_narrow_peak(smoothing, low, high):
    stage = narrow(0.05, 10)
    result = design_stage_filter(
        stage, rate=RATE, choices=FilterChoices(smoothing=smoothing, boost_cap_db=40)
    )
    peak = gain_db(result.taps, 1000) - gain_db(result.taps, 1600)
    assert low < peak < high
    assert result.worst_error_db < 0.05  # band levels hold whatever the smoothing


def test_filled_dips_keep_peaks():
    choices = FilterChoices(fill_dips=True, boost_cap_db=40)
    dip = design_stage_filter(narrow(0.05, -12), rate=RATE, choices=choices)
    peak = design_stage_filter(narrow(0.05, 12), rate=RATE, choices=choices)
    assert gain_db(dip.taps, 1000) - gain_db(dip.taps, 1600) > -4
    assert gain_db(peak.taps, 1000) - gain_db(peak.taps, 1600) > 9


def test_deep_playback_dips_are_not_undone_in_full_and_are_named(make_stage):
    headphones = np.zeros(31)
    headphones[[6, 27]] = -12.0, -40.0
    result = design_stage_filter(
        make_stage(0.0), rate=RATE, playback=make_stage(headphones),
        choices=FilterChoices(boost_cap_db=60),
    )  # fmt: skip
    gain = result.wanted_db
    assert gain[6] == pytest.approx(12, abs=0.1)
    assert gain[27] < 12
    assert result.capped_hz == (10000.0,)


def test_pair_keeps_the_difference_between_sides(make_stage):
    left, right = make_stage(80 + ROUGH), make_stage(77 + ROUGH)
    a, b = design_pair(left, right, rate=RATE, choices=FilterChoices(boost_cap_db=40))
    npt.assert_allclose(a.achieved_db - b.achieved_db, 3.0, atol=0.05)
    assert len(a.taps) == len(b.taps)
    power = (10 ** (a.achieved_db / 10) + 10 ** (b.achieved_db / 10)) / 2
    middle = (a.bands.nominal_hz >= 200) & (a.bands.nominal_hz <= 5000)
    assert np.abs(np.mean(10 * np.log10(power[middle]))) < 0.5


def test_impulse_response_is_used_as_it_is():
    sos = butter(2, [80, 8000], "bandpass", fs=RATE, output="sos")
    impulse = np.zeros(24000)
    impulse[4800] = 0.2
    h = sosfilt(sos, impulse)
    result = impulse_filter(h, RATE)
    assert result.phase == "measured"
    f = np.array([100.0, 1000.0, 5000.0])
    difference = gain_db(result.taps, f) - gain_db(h, f)
    npt.assert_allclose(difference, difference[0], atol=0.02)
    assert result.delay_frames == pytest.approx(240, abs=5)
    bands = third_octave_bands(200, 5000)
    inside = np.isin(result.bands.nominal_hz, bands.nominal_hz)
    assert result.achieved_db[inside].mean() == pytest.approx(0, abs=1e-9)


@pytest.mark.parametrize("h", [np.zeros(24000), np.ones(100)])
def test_useless_impulses_are_refused(h):
    with pytest.raises(InputError, match="silent or shorter than 20 ms"):
        impulse_filter(h, RATE)
