"""All figures of a stage in one call, with what they rest on."""

import numpy as np
import pytest

from stimuli.figures.deviation import compare_with_target
from stimuli.figures.excitation import (
    COMPONENT_HZ,
    EarSpectrum,
    erb_n_hz,
    pink_spectrum,
    signal_spectrum,
)
from stimuli.figures.metrics import programme_metrics, stage_metrics
from stimuli.figures.repeats import stage_repeat_sds
from stimuli.response.bands import third_octave_bands
from stimuli.response.measured import Response, power_average
from stimuli.response.target import built_in_target

BANDS = third_octave_bands()
HOUSE, FLAT = built_in_target("house-curve"), built_in_target("flat")


def stage(level_db):
    return power_average([table(level_db)])


def table(level_db):
    return Response(BANDS.nominal_hz, np.asarray(level_db, dtype=float))


def positions(shape, *, n=3, sd=0.5, seed=2):
    rng = np.random.default_rng(seed)
    return [table(shape + rng.normal(0, sd, 31)) for _ in range(n)]


def test_a_stage_on_target_deviates_nowhere():
    found = stage_metrics(stage(HOUSE.level_at(BANDS.mid_hz)), HOUSE)
    for name in ("deviation_sd_db", "deviation_mean_abs_db", "narrow_band_db", "region_mid_db"):
        assert found[name] == pytest.approx(0, abs=1e-9)
    # Both curves are read between the bands here, which rounds the target's corners a little.
    assert found["excitation_d"] < 0.1
    assert found["loudness_difference_sone"] < 0.05


def test_names_and_values_agree_with_the_deviation():
    rng = np.random.default_rng(1)
    responses = [table(rng.normal(0, 4, 31))]
    averaged = power_average(responses)
    found, dev = stage_metrics(averaged, FLAT), compare_with_target(averaged, FLAT)
    assert found["deviation_sd_db"] == dev.sd_db
    assert found["deviation_tilt_db_per_octave"] == dev.tilt_db_per_octave
    assert found["region_low_mid_db"] == dev.regions["low mid"]
    assert set(stage_repeat_sds(responses, FLAT)) == set(found)


def test_worse_is_larger():
    shape = np.random.default_rng(3).normal(0, 1, 31)
    small, large = (stage_metrics(stage(k * shape), FLAT) for k in (1.0, 3.0))
    for name in ("deviation_sd_db", "narrow_band_db", "excitation_d", "loudness_difference_sone"):
        assert large[name] > small[name] > 0


def test_reach_counts_octaves_from_200_hz_and_5_khz():
    slope = -12 * np.clip(np.log2(100 / BANDS.mid_hz), 0, None)
    found = stage_metrics(stage(slope), FLAT)
    # 6 dB down half an octave below 100 Hz: an octave and a half below 200 Hz
    assert found["bass_reach_octaves"] == pytest.approx(1.5, abs=0.03)
    # no fall above: to the end of the valid band, the upper edge of the 20 kHz band
    assert found["treble_reach_octaves"] == pytest.approx(np.log2(22387 / 5000), abs=0.03)


def test_repeat_sd_by_hand_from_repeats_and_from_positions():
    first, again = positions(0 * BANDS.mid_hz, seed=5), positions(0 * BANDS.mid_hz, seed=6)
    pair = [stage_metrics(power_average(one), FLAT)["deviation_sd_db"] for one in (first, again)]
    found = stage_repeat_sds(first, FLAT, repeats=[again])["deviation_sd_db"]
    assert found == pytest.approx(abs(pair[0] - pair[1]) / np.sqrt(2))
    two = [power_average(first[:k] + first[k + 1 :]) for k in range(3)]
    left = [stage_metrics(one, FLAT)["deviation_sd_db"] for one in two]
    jackknife = np.sqrt(2 / 3 * np.sum((np.array(left) - np.mean(left)) ** 2))
    assert stage_repeat_sds(first, FLAT)["deviation_sd_db"] == pytest.approx(jackknife)
    assert set(stage_repeat_sds(first[:2], FLAT).values()) == {None}


def test_an_excerpt_decides_what_a_stage_does_to_it():
    shape = np.where(BANDS.mid_hz < 150, 9.0, 0.0)
    pink = programme_metrics(stage(shape), FLAT, pink_spectrum())
    assert pink["excitation_d"] == stage_metrics(stage(shape), FLAT)["excitation_d"]
    assert pink["excitation_largest_db"] > pink["excitation_mean_abs_db"] > 0.5
    # A flat spectral density leaves only the stage's own response in the loudness difference.
    flat = EarSpectrum("flat", 10 * np.log10(erb_n_hz(COMPONENT_HZ)))
    even = programme_metrics(stage(shape), FLAT, flat)["loudness_difference_sone"]
    own = stage_metrics(stage(shape), FLAT)["loudness_difference_sone"]
    assert even == pytest.approx(own, rel=1e-9)
    assert pink["loudness_difference_sone"] > 1.2 * own  # more of it lies in the bass
    rng = np.random.default_rng(2)
    spectrum = np.fft.rfft(rng.standard_normal(96000))
    thin = np.fft.irfft(spectrum * (np.fft.rfftfreq(96000, 1 / 48000) > 1500))[:, None]
    bright = programme_metrics(stage(shape), FLAT, signal_spectrum(thin, 48000))
    assert bright["excitation_largest_db"] < 0.2
