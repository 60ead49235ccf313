"""Minimum phase against closed forms, and stage filters against their stages."""

import numpy as np
import numpy.testing as npt
import pytest

from stimuli.files.errors import InputError
from stimuli.filters.design import design_stage_filter
from stimuli.filters.fir import minimum_phase_fir, taps_for_lowest_band
from stimuli.response.bands import third_octave_bands
from stimuli.response.measured import Response, power_average

BANDS = third_octave_bands(20, 20000)


def magnitude_of(h, n_fft):
    return np.abs(np.fft.rfft(h, n_fft))


@pytest.mark.parametrize(
    ("given", "expected"),
    # Oppenheim and Schafer: reflect zeros outside the unit circle, keep the magnitude
    [([1, -2], [2, -1]), ([1, -2.5, 1.0000001], [2, -2, 0.5])],
)
def test_zeros_outside_the_circle_are_reflected(given, expected):
    n_fft = 1 << 12
    h = minimum_phase_fir(magnitude_of(given, n_fft))
    npt.assert_allclose(np.abs(h[: len(expected)]), np.abs(expected), atol=1e-6)
    npt.assert_allclose(h[len(expected) :], 0, atol=1e-6)


def biquads(reference):
    rows = reference("minphase_biquads_coef.csv")
    return {
        row["filter"]: (
            [float(row[k]) for k in ("b0", "b1", "b2")],
            [float(row[k]) for k in ("a0", "a1", "a2")],
        )
        for row in rows
    }


def test_biquad_phase_is_recovered_from_magnitude(reference):
    # closed form H(z) of audio EQ cookbook sections at 48 kHz, table tolerance 1e-5 degrees
    n_fft = 1 << 18
    f = np.fft.rfftfreq(n_fft, 1 / 48000)
    z = np.exp(-2j * np.pi * f / 48000)
    table = reference("minphase_biquads_response.csv")
    for name, (b, a) in biquads(reference).items():
        response = np.polyval(b[::-1], z) / np.polyval(a[::-1], z)
        h = minimum_phase_fir(np.abs(response))[: 1 << 15]  # the rest is below 1e-12
        for row in (r for r in table if r["filter"] == name):
            w = np.exp(-2j * np.pi * float(row["f_Hz"]) / 48000 * np.arange(len(h)))
            value = complex(h @ w)
            assert 20 * np.log10(abs(value)) == pytest.approx(float(row["mag_dB"]), abs=1e-5)
            assert np.degrees(np.angle(value)) == pytest.approx(float(row["phase_deg"]), abs=2e-4)


def test_bode_gain_phase_relation():
    # |H| = 1 / sqrt(1 + (f / f0)^2): phase -45, -26.565, -63.435 degrees at f0, f0/2, 2 f0.
    # A high sample rate keeps the analogue form undisturbed at these frequencies.
    rate, f0, n_fft = 480000, 200.0, 1 << 20
    f = np.fft.rfftfreq(n_fft, 1 / rate)
    h = minimum_phase_fir(1 / np.sqrt(1 + (f / f0) ** 2))
    for at, phase in ((f0, -45.0), (f0 / 2, -26.56505118), (2 * f0, -63.43494882)):
        value = complex(h @ np.exp(-2j * np.pi * at / rate * np.arange(n_fft)))
        assert np.degrees(np.angle(value)) == pytest.approx(phase, abs=0.15)


def test_magnitude_survives_truncation():
    rng = np.random.default_rng(5)
    n_fft = 1 << 14
    smooth = np.interp(np.linspace(0, 40, n_fft // 2 + 1), np.arange(41), rng.uniform(-6, 6, 41))
    magnitude = 10 ** (smooth / 20)
    h = minimum_phase_fir(magnitude, n_taps=4096)
    error = 20 * np.log10(magnitude_of(h, n_fft) / magnitude)
    assert np.abs(error).max() < 0.02


@pytest.mark.parametrize(
    ("magnitude", "n_taps", "words"),
    [([1.0, 0.0, 1.0], None, "positive"), ([1.0, 1.0, 1.0], 5, "n_taps is 5")],
)
def test_impossible_requests_are_refused(magnitude, n_taps, words):
    with pytest.raises(ValueError, match=words):
        minimum_phase_fir(magnitude, n_taps=n_taps)


SHAPES = {
    "flat": np.zeros(31),
    "rough": np.random.default_rng(1).normal(0, 6, 31),
    "see-saw": 10.0 * (-1.0) ** np.arange(31),
    "no bass": np.minimum(0, np.linspace(-60, 120, 31)),
    "hole": np.where(np.arange(31) == 15, -30.0, 0.0),
}


@pytest.mark.parametrize("rate", [44100, 48000, 96000])
@pytest.mark.parametrize("shape", SHAPES)
def test_band_levels_of_the_finished_filter_are_the_stage_s(make_stage, shape, rate):
    stage = make_stage(SHAPES[shape] + 80)
    result = design_stage_filter(stage, rate=rate, boost_cap_db=60)
    assert result.capped_hz == ()
    assert result.worst_error_db < 0.05
    # measured here anew: mean of |H|^2 over the band on a logarithmic frequency axis
    f = np.fft.rfftfreq(1 << 20, 1 / rate)
    power = magnitude_of(result.taps, 1 << 20) ** 2
    for low, high, wanted in zip(
        result.bands.low_hz, result.bands.high_hz, result.measured_db, strict=True
    ):
        inside = np.geomspace(low, high, 4001)
        level = 10 * np.log10(np.interp(inside, f, power).mean())
        assert level == pytest.approx(wanted, abs=0.1)


def test_filter_is_flat_outside_the_valid_band(make_stage):
    stage = make_stage(np.linspace(6, -6, 21), low=100, high=10000)
    result = design_stage_filter(stage, rate=48000)
    gain_db = 20 * np.log10(magnitude_of(result.taps, 1 << 17))
    f = np.fft.rfftfreq(1 << 17, 1 / 48000)
    below, above = gain_db[(f > 20) & (f < 80)], gain_db[(f > 13000) & (f < 20000)]
    assert np.ptp(below) < 0.2
    assert np.ptp(above) < 0.2
    assert (result.valid_low_hz, result.valid_high_hz) == pytest.approx(
        (89.12509, 11220.18454), rel=1e-6
    )


def test_boost_is_capped_and_said(make_stage):
    levels = np.where(np.isin(BANDS.nominal_hz, [50, 63]), 20.0, 0.0)
    result = design_stage_filter(make_stage(levels), rate=48000, boost_cap_db=12)
    assert result.capped_hz == (50.0, 63.0)
    assert result.achieved_db.max() < 12.1
    assert result.measured_db.max() == 20.0


def test_playback_is_divided_out(make_stage):
    stage = make_stage(SHAPES["rough"])
    headphones = make_stage(np.linspace(3, -3, 31))
    result = design_stage_filter(stage, rate=48000, playback=headphones, boost_cap_db=40)
    expected = stage.level_db - headphones.level_db
    got = result.achieved_db
    npt.assert_allclose(got - got.mean(), expected - expected.mean(), atol=0.06)


def test_stage_through_its_own_playback_is_flat(make_stage):
    stage = make_stage(SHAPES["rough"])
    result = design_stage_filter(stage, rate=48000, playback=stage)
    npt.assert_allclose(result.achieved_db, 0, atol=0.06)  # the division is regularised


def test_fine_curve_keeps_its_detail(make_stage):
    f = np.geomspace(18, 22400, 2400)
    level = 6 / (1 + ((np.log2(f / 900)) / 0.08) ** 2)  # a peak much narrower than a band
    result = design_stage_filter(power_average([Response(f, level)]), rate=48000)
    gain_db = 20 * np.log10(magnitude_of(result.taps, 1 << 17))
    grid = np.fft.rfftfreq(1 << 17, 1 / 48000)
    peak, beside = gain_db[np.abs(grid - 900).argmin()], gain_db[np.abs(grid - 1100).argmin()]
    assert peak - beside > 5
    assert result.worst_error_db < 0.05


def test_length_follows_the_lowest_band():
    assert taps_for_lowest_band(17.78, 48000) == 32768
    assert taps_for_lowest_band(35.5, 48000) == 16384
    assert taps_for_lowest_band(17.78, 96000) == 65536


def test_playback_that_shares_no_range_is_refused(make_stage):
    phone = make_stage(0.0, low=4000, high=20000)
    with pytest.raises(InputError, match=r"only 5 1/3-octave bands"):
        design_stage_filter(make_stage(0.0, high=10000), rate=48000, playback=phone)
