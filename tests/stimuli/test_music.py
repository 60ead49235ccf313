"""The demo programmes: always the same, stereo, full-range, unlike each other."""

import numpy as np
import numpy.testing as npt
import pytest

from stimuli.levels.loudness import integrated_loudness
from stimuli.levels.true_peak import true_peak_dbtp
from stimuli.programme.demo_music import demo_programmes, pink_noise, synthesise
from stimuli.response.bands import band_power, third_octave_bands


def band_levels(x, low=31.5, high=16000):
    bands = third_octave_bands(low, high)
    power = (np.abs(np.fft.rfft(x, axis=0)) ** 2).sum(axis=1)
    return 10 * np.log10(band_power(np.fft.rfftfreq(len(x), 1 / 48000), power, bands))


@pytest.fixture(scope="module")
def pieces():
    return {name: synthesise(name, seconds=10.0) for name in demo_programmes()}


def test_there_are_three_pieces(pieces):
    assert len(pieces) == 3
    for x in pieces.values():
        assert x.shape == (480000, 2)
        assert np.abs(x).max() == pytest.approx(10 ** (-3 / 20))
        assert true_peak_dbtp(x, 48000) < -1.0
        assert -25 < integrated_loudness(x, 48000) < -12


def test_the_same_samples_every_time(pieces):
    for name, x in pieces.items():
        npt.assert_array_equal(synthesise(name, seconds=10.0), x)


def test_they_are_stereo_and_start_and_end_in_silence(pieces):
    for x in pieces.values():
        assert np.abs(x[:, 0] - x[:, 1]).max() > 0.05
        assert np.abs(x[[0, -1]]).max() == 0.0


def test_spectra_differ_between_pieces_by_many_decibels(pieces):
    levels = np.array([band_levels(x) for x in pieces.values()])
    levels -= levels.max(axis=1, keepdims=True)
    for a, b in ((0, 1), (0, 2), (1, 2)):
        assert np.abs(levels[a] - levels[b]).max() > 15


def test_every_piece_moves_and_has_treble(pieces):
    for x in pieces.values():
        power = (x.reshape(-1, 4800, 2) ** 2).mean(axis=(1, 2))
        swing = 10 * np.log10(np.percentile(power, 95) / np.percentile(power, 5))
        assert swing > 3  # notes and beats, not a drone
        levels = band_levels(x)
        assert levels[-4:].max() > levels.max() - 40


def test_unknown_piece_is_refused():
    with pytest.raises(ValueError, match="must be one of kite-street"):
        synthesise("anything")


def test_pink_noise_is_exactly_pink():
    x = pink_noise(seconds=20.0)
    levels = band_levels(x, 20, 20000)
    npt.assert_allclose(levels, levels.mean(), atol=0.01)
    npt.assert_array_equal(x[:, 0], x[:, 1])
    npt.assert_array_equal(x, pink_noise(seconds=20.0))
    assert abs(np.mean(x)) < 1e-6


@pytest.mark.parametrize(("seconds", "rate"), [(1.0, 44100), (1.00001, 48000), (2.0, 96000)])
def test_pink_noise_at_other_lengths_and_rates(seconds, rate):
    x = pink_noise(seconds=seconds, rate=rate)
    assert x.shape == (round(seconds * rate), 2)
    assert np.all(np.isfinite(x))
