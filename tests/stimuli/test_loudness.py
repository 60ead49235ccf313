"""Loudness and true peak against ITU-R BS.1770-5 and EBU Tech 3341."""

import numpy as np
import numpy.testing as npt
import pytest
from scipy.signal import sosfreqz

from stimuli.levels.loudness import (
    LoudnessMeter,
    integrated_loudness,
    k_weighting_sos,
)
from stimuli.levels.true_peak import TRUE_PEAK_FIR, TruePeakMeter, true_peak_dbtp

RATE = 48000


def tones(*pieces, rate=RATE, f_hz=1000.0, channels=2):
    """Sine of 1 kHz in phase on all channels: pieces of (level dBFS or None, seconds)."""
    parts, at = [], 0
    for level, seconds in pieces:
        n = round(seconds * rate)
        amplitude = 0.0 if level is None else 10 ** (level / 20)
        parts.append(amplitude * np.sin(2 * np.pi * f_hz * (at + np.arange(n)) / rate))
        at += n
    return np.repeat(np.concatenate(parts)[:, None], channels, axis=1)


INTEGRATED = {
    "3341-1": lambda: tones((-23, 20)),
    "3341-2": lambda: tones((-33, 20)),
    "3341-3": lambda: tones((-36, 10), (-23, 60), (-36, 10)),
    "3341-4": lambda: tones((-72, 10), (-36, 10), (-23, 60), (-36, 10), (-72, 10)),
    "3341-5": lambda: tones((-26, 20), (-20, 20.1), (-26, 20)),
    "3341-6": lambda: tones((0, 20), channels=5) * 10 ** (np.array([-28, -28, -24, -30, -30]) / 20),
    "1770-cal": lambda: tones((0, 20), f_hz=997.0, channels=1),
    "1770-stereo": lambda: tones((-20, 20), f_hz=997.0),
}


def case(reference, name):
    return next(row for row in reference("loudness_cases.csv") if row["id"] == name)


@pytest.mark.parametrize("name", INTEGRATED)
def test_integrated_loudness_of_the_published_cases(reference, name):
    # EBU Tech 3341 table 1 cases 1 to 6 and BS.1770 calibration tones
    row = case(reference, name)
    value = integrated_loudness(INTEGRATED[name](), RATE)
    assert value == pytest.approx(float(row["measured_here"]), abs=0.01)
    assert float(row["tol_low"]) <= value - float(row["expected"]) <= float(row["tol_high"])


def test_surround_channel_weight(reference):
    row = case(reference, "1770-surround")
    x = tones((-20, 20), f_hz=997.0, channels=1)
    value = integrated_loudness(x, RATE, weights=[1.41])
    assert value == pytest.approx(float(row["measured_here"]), abs=0.01)


@pytest.mark.parametrize(("soft", "counted"), [(-32, True), (-34, False)])
def test_relative_gate_lies_ten_units_under_the_gated_mean(soft, counted):
    # by hand: half the time at -20, half at -32 has a mean of -22.75, so its gate is -32.75 and
    # all counts; with -34 the mean is -22.84, the gate -32.84, and only -20 counts
    x = tones((-20, 30), (soft, 30))
    k_gain = integrated_loudness(tones((-20, 30)), RATE) + 20  # 1 kHz is not quite 0 dB in K
    expected = 10 * np.log10((10**-2 + 10 ** (soft / 10)) / 2) if counted else -20.0
    assert integrated_loudness(x, RATE) - k_gain == pytest.approx(expected, abs=0.05)


TRUE_PEAK = {
    "3341-15": (4, 0.0, 0.5),
    "3341-16": (4, 45.0, 0.5),
    "3341-17": (6, 60.0, 0.5),
    "3341-18": (8, 67.5, 0.5),
    "3341-19": (4, 45.0, 1.41),
}


@pytest.mark.parametrize("name", TRUE_PEAK)
def test_true_peak_of_the_published_cases(reference, name):
    # EBU Tech 3341 cases 15 to 19, with fades of 10 ms; +0.2 / -0.4 dB
    divisor, phase, peak = TRUE_PEAK[name]
    row = case(reference, name)
    n = np.arange(RATE)
    fade = np.minimum(1, np.minimum(n, n[::-1]) / 480)
    x = peak * np.sin(2 * np.pi * n / divisor + np.deg2rad(phase)) * fade
    value = true_peak_dbtp(np.stack([x, x], axis=1), RATE)
    assert float(row["tol_low"]) <= value - float(row["expected"]) <= float(row["tol_high"])
    # the interpolator's own reading, or the sample peak where that is higher
    annex2 = float(row["measured_here"].split()[0])
    sample_peak = 20 * np.log10(np.abs(x).max())
    assert value == pytest.approx(max(annex2, sample_peak), abs=0.01)


def test_interpolator_is_the_recommendation_s(reference):
    for row in reference("k_weighting.csv"):
        if row["kind"] == "truepeak_fir":
            phase, tap = (int(part[5:]) if part[0] == "p" else int(part[3:])
                          for part in row["name"].split("_"))  # fmt: skip
            assert TRUE_PEAK_FIR[phase, tap] == float(row["value"])


def _peak_of_every_interpolated_value(x: np.ndarray) -> float:
    values = [np.convolve(channel, taps) for channel in x.T for taps in TRUE_PEAK_FIR]
    return max(np.abs(x).max(), *(np.abs(v).max() for v in values))


def test_true_peak_equals_brute_force_with_the_annex_2_filter():
    x = np.random.default_rng(2).normal(0, 0.1, (20011, 2))
    brute = _peak_of_every_interpolated_value(x)
    assert true_peak_dbtp(x, RATE) == pytest.approx(20 * np.log10(brute), abs=1e-5)


def test_true_peak_of_a_tone_at_other_rates():
    # fs/4 at 45 degrees samples at 0.7071 of its peak whatever the rate
    for rate, slack in ((44100, 0.2), (96000, 0.7)):
        x = np.sin(2 * np.pi * np.arange(rate) / 4 + np.pi / 4)[:, None] * 0.5
        x *= np.minimum(1, np.minimum(np.arange(rate), np.arange(rate)[::-1]) / 999)[:, None]
        assert -6.02 - slack < true_peak_dbtp(x, rate) < -6.02 + 0.2


def coefficients(reference, rate):
    kind = "coef_48k" if rate == 48000 else f"coef_{rate}"
    rows = {r["name"]: float(r["value"]) for r in reference("k_weighting.csv") if r["kind"] == kind}
    return rows


@pytest.mark.parametrize("rate", [44100, 48000, 88200, 96000, 192000])
def test_k_weighting_coefficients(reference, rate):
    # BS.1770-5 Annex 1 tables 1 and 2; other rates re-derived from the same prototype
    expected = coefficients(reference, rate)
    sos = k_weighting_sos(rate)
    names = [["b0", "b1", "b2", "a0", "a1", "a2"]] * 2
    checked = 0
    for stage, row in enumerate(names):
        for i, name in enumerate(row):
            key = f"s{stage + 1}_{name}"
            if key in expected:
                tolerance = 1e-13 if rate == 48000 else 1e-6
                assert sos[stage, i] == pytest.approx(expected[key], abs=tolerance)
                checked += 1
    assert checked >= 7


def test_k_weighting_gain_curve(reference):
    rows = [r for r in reference("k_weighting.csv") if r["kind"] == "K_gain_dB_48k"]
    f = np.array([float(r["name"].split()[0]) for r in rows])
    _, h = sosfreqz(k_weighting_sos(RATE), worN=2 * np.pi * f / RATE)
    npt.assert_allclose(20 * np.log10(np.abs(h)), [float(r["value"]) for r in rows], atol=1e-5)


@pytest.mark.parametrize("rate", [44100, 88200, 96000, 192000])
def test_case_1_reads_the_same_at_every_rate(rate):
    value = integrated_loudness(tones((-23, 20), rate=rate), rate)
    assert value == pytest.approx(-22.9933, abs=0.01)


def test_meters_read_a_stream_like_a_whole():
    rng = np.random.default_rng(4)
    x = rng.normal(0, 0.1, (200001, 2)) * np.linspace(0.1, 1, 200001)[:, None]
    loud, peak = LoudnessMeter(RATE), TruePeakMeter(RATE)
    start = 0
    while start < len(x):
        stop = start + int(rng.integers(1, 30000))
        block = x[start:stop]
        loud.push(block)
        peak.push(block)
        start = stop
    assert loud.integrated() == pytest.approx(integrated_loudness(x, RATE), abs=1e-9)
    assert peak.dbtp() == pytest.approx(true_peak_dbtp(x, RATE), abs=1e-9)


@pytest.mark.parametrize("border", [256, 2048, 4096, 8192])
@pytest.mark.parametrize("past", range(-13, 4))
def test_no_peak_is_missed_where_the_meter_looks_away(border, past):
    """A pair of samples with its peak between them, some frames before or after a border."""
    x = np.full((13000, 2), 1e-3)
    x[border + past : border + past + 2, 1] = 0.7
    found = 10 ** (true_peak_dbtp(x, RATE) / 20)
    assert found == pytest.approx(_peak_of_every_interpolated_value(x), rel=1e-6)
    assert found > 0.8


@pytest.mark.parametrize("seed", range(6))
def test_skipping_finds_the_peak_of_every_interpolated_value(seed):
    rng = np.random.default_rng(seed)
    x = rng.normal(0, 0.1, (30000, 2)) * np.repeat(rng.exponential(1, 30), 1000)[:, None]
    meter, start = TruePeakMeter(RATE), 0
    while start < len(x):
        stop = start + int(rng.integers(1, 9000))
        meter.push(x[start:stop])
        start = stop
    expected = 20 * np.log10(_peak_of_every_interpolated_value(x))
    assert meter.dbtp() == pytest.approx(expected, abs=1e-5)


def test_gain_moves_the_meter_by_itself():
    meter = LoudnessMeter(RATE)
    meter.push(tones((-30, 5)))
    assert meter.integrated(gain_db=6.0) == pytest.approx(meter.integrated() + 6.0, abs=1e-9)


@pytest.mark.parametrize("frames", [0, 1, 100, 19199])
def test_sound_without_a_whole_block_reads_minus_infinity(frames):
    assert integrated_loudness(np.ones((frames, 2)), RATE) == float("-inf")


def test_silence_reads_minus_infinity():
    x = np.zeros((RATE, 2))
    assert integrated_loudness(x, RATE) == float("-inf")
    assert true_peak_dbtp(x, RATE) == float("-inf")
    assert true_peak_dbtp(np.zeros((0, 2)), RATE) == float("-inf")


def test_wrong_shapes_are_refused():
    with pytest.raises(ValueError, match="shape"):
        integrated_loudness(np.zeros(RATE), RATE)
    with pytest.raises(ValueError, match="shape"):
        true_peak_dbtp(np.zeros(RATE), RATE)
    with pytest.raises(ValueError, match="channel weights for 3"):
        integrated_loudness(np.zeros((RATE, 3)), RATE)
    with pytest.raises(ValueError, match="at least 8000"):
        integrated_loudness(np.zeros((RATE, 1)), 4000)
