"""Auditory filters and the excitation difference against published values and ratings."""

import numpy as np
import numpy.testing as npt
import pytest

from stimuli.figures.excitation import (
    COMPONENT_HZ,
    erb_n_hz,
    excitation_db,
    excitation_difference,
    pink_spectrum,
    signal_spectrum,
)
from stimuli.levels.erb import ANSI

CAM = ANSI.number(COMPONENT_HZ)


def resonance(q, gain_db, f_hz=2000.0, at=COMPONENT_HZ):
    """Peaking second-order filter; the usual analogue prototype."""
    s, a = 1j * at / f_hz, 10 ** (gain_db / 40)
    return 20 * np.log10(np.abs((s * s + s * a / q + 1) / (s * s + s / (a * q) + 1)))


def ripple(density, peak_to_valley_db, phase=0.0):
    return peak_to_valley_db / 2 * np.sin(2 * np.pi * density * CAM + phase)


def test_erb_of_ansi_s3_4():
    # ANSI S3.4-2007 formulas, values by hand from them: 24.673 (4.368 F + 1)
    npt.assert_allclose(erb_n_hz([100, 1000, 10000]), [35.45, 132.44, 1102.4], rtol=2e-4)
    assert ANSI.number(1000) == pytest.approx(15.59, abs=0.01)
    npt.assert_allclose(ANSI.to_hz(ANSI.number([50, 1000, 15000])), [50, 1000, 15000])


def test_erb_of_glasberg_and_moore_1990_differs_only_by_rounding():
    # Hear Res 47:103: 24.7 (4.37 F + 1); the later standard prints more digits
    f = np.array([50.0, 1000.0, 10000.0])
    npt.assert_allclose(erb_n_hz(f), [30.097, 132.639, 1104.09], rtol=2e-3)


def test_filter_at_1_khz_has_the_bandwidth_it_is_named_after():
    # Flat spectrum of 0 dB per Hz at the level where the filter is symmetric (51 dB per ERB):
    # excitation 10 log10(132.44) = 21.22 dB
    f = np.arange(1.0, 3000.0, 1.0)
    found = excitation_db(f, np.zeros(f.size), [1000.0], level_per_erb_db=np.full(f.size, 51.0))
    assert found[0] == pytest.approx(10 * np.log10(132.44), abs=0.01)


@pytest.mark.parametrize(
    ("level_db", "at_2_khz"), [(20, -64.6), (40, -28.6), (60, 7.2), (80, 42.8)]
)
def test_upward_spread_of_masking(level_db, at_2_khz):
    # By hand from ANSI S3.4-2007 3.5: p_u(2k) = 33.28, p_l = 33.28 - 0.3857 (X - 51), g = 0.5
    found = excitation_db([1000.0], [float(level_db)], [1000.0, 2000.0])
    assert found[0] == pytest.approx(level_db)
    assert found[1] == pytest.approx(at_2_khz, abs=0.05)


def test_ripple_is_strangest_at_two_tenths_per_erb():
    # Moore & Tan 2003 JASA 114:408, ratings (10 = natural) of spectral ripples by density per
    # ERB: music 6.8, 6.1, 5.5, 6.2 at 0.05, 0.1, 0.2, 0.5; speech 7.2, 6.3, 5.7, 5.9
    means = []
    for depth in (5, 10, 15, 30):
        d = [excitation_difference(ripple(k, depth)).d for k in (0.05, 0.1, 0.2, 0.5)]
        assert d[0] < d[1] < d[2] > d[3]
        means.append(d)
    music = np.corrcoef(np.mean(means[:3], axis=0), [6.8, 6.1, 5.5, 6.2])[0, 1]
    assert music < -0.85  # four points: a check of shape and no more


def test_wide_tilt_is_stranger_than_a_tilt_in_part_of_the_range():
    # Moore & Tan 2003: tilts over 87-6981 Hz rated 5.8/5.7, over sub-ranges 7.2-7.8
    def tilt(low, high):
        start, end = ANSI.number(low), ANSI.number(high)
        return excitation_difference(0.5 * np.clip(CAM - start, 0, end - start)).d

    parts = [tilt(87, 387), tilt(387, 1300), tilt(2503, 6981)]
    assert tilt(87, 6981) > 2.5 * max(parts)


def test_published_resonance_thresholds_have_alike_differences():
    # Toole & Olive 1988 JAES 36:122, at threshold with the least revealing programme:
    # Q 1: 1.5 dB, Q 10: 3 dB, Q 50: 5 dB
    d = [excitation_difference(resonance(q, g)).d for q, g in ((1, 1.5), (10, 3), (50, 5))]
    npt.assert_allclose(d, 0.19, atol=0.06)
    # at equal height the broad resonance is the more audible one
    equal = [excitation_difference(resonance(q, 6.0)).d for q in (1, 10, 50)]
    assert equal[0] > equal[1] > equal[2]


def test_level_alone_is_no_difference_once_aligned():
    result = excitation_difference(np.full(COMPONENT_HZ.size, 6.0), -3.0)
    assert result.d == pytest.approx(0, abs=1e-3)
    assert result.alignment_db == pytest.approx(-9.0, abs=0.01)
    assert excitation_difference(np.full(COMPONENT_HZ.size, 6.0), align=False).d > 0.1


def test_difference_does_not_hang_on_the_references_offset():
    shape = resonance(2, 6)
    plain = excitation_difference(shape).d
    npt.assert_allclose(excitation_difference(shape + 11, -4.0).d, plain, rtol=1e-3)


def test_channels_outside_the_valid_band_do_not_count():
    # a notch of 20 dB below 60 Hz is not heard of where the measurement begins at 200 Hz
    deep = np.where(COMPONENT_HZ < 60, -20.0, 0.0)
    assert excitation_difference(deep).d > 0.5
    inside = excitation_difference(deep, valid_hz=(200.0, 16000.0))
    assert inside.d < 0.02
    assert inside.centre_hz[0] >= 200
    with pytest.raises(ValueError, match="fewer than three channels"):
        excitation_difference(deep, valid_hz=(1000.0, 1050.0))


def test_a_bass_change_matters_only_to_a_programme_with_bass():
    rate, rng = 48000, np.random.default_rng(4)
    noise = rng.standard_normal((rate * 2, 2))
    spectrum = np.fft.rfft(noise, axis=0)
    f = np.fft.rfftfreq(len(noise), 1 / rate)[:, None]
    thin = np.fft.irfft(spectrum * (f > 1000), n=len(noise), axis=0)
    boost = np.where(COMPONENT_HZ < 150, 8.0, 0.0)
    full = excitation_difference(boost, spectrum=pink_spectrum()).d
    bright = excitation_difference(boost, spectrum=signal_spectrum(thin, rate)).d
    assert full > 0.7
    assert bright < 0.05


def test_spectra_have_the_level_they_were_asked_for():
    assert pink_spectrum(level_db=70).overall_db == pytest.approx(70)
    noise = np.random.default_rng(1).standard_normal((960000, 1))
    heard = signal_spectrum(noise, 48000, level_db=60)
    assert heard.overall_db == pytest.approx(60)
    # white noise: 3 dB an octave more in bands of constant relative width, so per ERB the level
    # follows the ERB
    middle = (COMPONENT_HZ > 300) & (COMPONENT_HZ < 10000)
    flat = heard.level_db[middle] - 10 * np.log10(erb_n_hz(COMPONENT_HZ[middle]))
    assert flat.std() < 0.7


@pytest.mark.parametrize(
    ("signal", "words"), [(np.zeros((48000, 2)), "silent"), (np.zeros(100), "frames, channels")]
)
def test_signals_that_hold_nothing_are_refused(signal, words):
    with pytest.raises(ValueError, match=words):
        signal_spectrum(signal, 48000)
