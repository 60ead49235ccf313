"""Anchors against the limits of ITU-R BS.1534-3."""

import numpy as np
import numpy.testing as npt
import pytest

from stimuli.files.errors import InputError
from stimuli.filters.anchors import anchor, anchor_filter, response_db

RATES = [32000, 44100, 48000, 96000]


@pytest.mark.parametrize("rate", RATES)
def test_low_anchor_keeps_the_recommendation_s_limits(rate):
    # BS.1534-3: 3.5 kHz low-pass, ripple +-0.1 dB, >= 25 dB at 4 kHz, >= 50 dB at 4.5 kHz
    h = anchor_filter("low", rate)
    assert np.abs(response_db(h, rate, np.linspace(20, 3500, 2000))).max() <= 0.1
    assert response_db(h, rate, np.linspace(4000, rate / 2, 3000)).max() <= -25
    assert response_db(h, rate, np.linspace(4500, rate / 2, 3000)).max() <= -50


@pytest.mark.parametrize("rate", RATES)
def test_mid_anchor_keeps_the_same_limits_an_octave_higher(rate):
    h = anchor_filter("mid", rate)
    assert np.abs(response_db(h, rate, np.linspace(20, 7000, 2000))).max() <= 0.1
    assert response_db(h, rate, np.linspace(8000, rate / 2, 3000)).max() <= -25
    assert response_db(h, rate, np.linspace(9000, rate / 2, 3000)).max() <= -50


def test_anchor_stays_in_time_and_leaves_low_tones_alone():
    t = np.arange(48000) / 48000
    x = np.stack([np.sin(2 * np.pi * 1000 * t), np.sin(2 * np.pi * 6000 * t)], axis=1)
    y = anchor(x, 48000, "low")
    assert y.shape == x.shape
    npt.assert_allclose(y[2000:-2000, 0], x[2000:-2000, 0], atol=0.012)
    assert np.abs(y[2000:-2000, 1]).max() < 10 ** (-50 / 20)


@pytest.mark.parametrize("frames", [1, 5])
def test_short_signals(frames):
    assert anchor(np.ones((frames, 2)), 48000, "mid").shape == (frames, 2)


def test_unknown_anchor_and_low_rate_are_refused():
    with pytest.raises(InputError, match="no anchor 'high'"):
        anchor_filter("high", 48000)
    with pytest.raises(InputError, match=r"16000 Hz cannot carry the 7 kHz anchor"):
        anchor_filter("mid", 16000)
