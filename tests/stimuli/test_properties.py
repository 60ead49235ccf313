"""Properties that hold for whatever comes in."""

import itertools

import numpy as np
import numpy.testing as npt
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from scipy.signal import oaconvolve

from stimuli.files.errors import InputError
from stimuli.filters.design import FilterChoices, design_stage_filter
from stimuli.levels.loudness import LoudnessMeter, integrated_loudness
from stimuli.levels.true_peak import TruePeakMeter, true_peak_dbtp
from stimuli.programme.demo_music import pink_noise
from stimuli.programme.reading import ProgrammeSpec
from stimuli.render.filter_bank import FilterBank
from stimuli.render.pipeline import measure, rebuffer
from stimuli.render.sets import StageSpec, render_set
from stimuli.response.bands import band_power, third_octave_bands
from stimuli.response.measured import Response, power_average, read_response
from stimuli.response.tables import write_response

RATE = 48000
LIGHT = settings(
    max_examples=15,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)


@st.composite
def sane_responses(draw):
    """A stage as measured somewhere: any level, any range that serves, steps up to 20 dB a band."""
    low = draw(st.sampled_from([20, 25, 40, 63, 100]))
    high = draw(st.sampled_from([10000, 12500, 16000, 20000]))
    bands = third_octave_bands(low, high)
    steps = draw(st.lists(st.floats(-20, 20), min_size=len(bands), max_size=len(bands)))
    level = np.cumsum(steps)
    level = 30 * np.tanh(level / 60)  # a span of 60 dB at most
    return power_average([Response(bands.nominal_hz, level + draw(st.floats(-60, 120)))])


NOISE = pink_noise(seconds=8.0)[:, 0]
F = np.fft.rfftfreq(len(NOISE), 1 / RATE)
NOISE_SPECTRUM = np.fft.rfft(NOISE)


@LIGHT
@given(stage=sane_responses(), phase=st.sampled_from(["minimum", "linear"]))
def test_any_sane_response_comes_out_within_promise_2(stage, phase):
    choices = FilterChoices(phase=phase, boost_cap_db=100)
    made = design_stage_filter(stage, rate=RATE, choices=choices)
    # measured with pink noise that goes round in a loop
    heard = np.abs(NOISE_SPECTRUM * np.fft.rfft(made.taps, len(NOISE))) ** 2
    level = band_power(F, heard, made.bands) / band_power(
        F, np.abs(NOISE_SPECTRUM) ** 2, made.bands
    )
    error = 10 * np.log10(level) - stage.band_level_db(made.bands)
    assert np.ptp(error) / 2 <= 0.3


@LIGHT
@given(stage=sane_responses(), offset=st.floats(-50, 50))
def test_the_level_of_a_table_does_not_change_its_filter(stage, offset):
    other = power_average([Response(stage.f_hz, stage.level_db + offset)])
    a, b = (design_stage_filter(s, rate=RATE, boost_cap_db=100).achieved_db for s in (stage, other))
    npt.assert_allclose(a, b, atol=0.05)


@LIGHT
@given(
    frames=st.one_of(st.integers(1, 5), st.integers(1, 300_001)),
    taps=st.lists(st.integers(1, 700), min_size=1, max_size=3),
    own_sides=st.booleans(),
    seed=st.integers(0, 99),
)
def test_the_filter_bank_equals_plain_convolution_at_any_length(frames, taps, own_sides, seed):
    rng = np.random.default_rng(seed)
    x = rng.standard_normal((frames, 2))
    filters = [rng.standard_normal((n, 2) if own_sides else n) for n in taps]
    bank = FilterBank(filters)
    work = bank.workspace()
    out = [[] for _ in filters]
    for batch in rebuffer([x], bank.batch_frames):
        spectra = bank.transform(batch)
        for i, parts in enumerate(out):
            parts.append(bank.apply(i, spectra, work)[0].flatten()[: len(batch)])
    for h, parts in zip(filters, out, strict=True):
        y = np.concatenate(parts).view(np.float32).reshape(-1, 2)
        expected = oaconvolve(x, h if h.ndim == 2 else h[:, None], axes=0)[:frames]
        scale = np.abs(expected).max() + np.abs(h).sum()
        npt.assert_allclose(y, expected, atol=2e-6 * scale)


@LIGHT
@given(
    cuts=st.lists(st.integers(1, 60000), max_size=6),
    delays=st.lists(st.integers(0, 300), min_size=2, max_size=2),
)
def test_pieces_and_delays_do_not_change_what_comes_out(tmp_path_factory, cuts, delays):
    rng = np.random.default_rng(1)
    x = rng.standard_normal((70001, 2)) * 0.1
    h = rng.standard_normal(501) * np.exp(-np.arange(501) / 40)
    filters = [np.concatenate([np.zeros(d), h]) for d in delays]
    edges = sorted({0, len(x), *(c for c in cuts if c < len(x))})
    pieces = [x[a:b] for a, b in itertools.pairwise(edges)]
    takes, _ = measure(
        pieces, filters, delays, scratch=tmp_path_factory.mktemp("scratch"), rate=RATE
    )
    expected = oaconvolve(x, h[:, None], axes=0)[: len(x)]
    for take in takes:
        y = np.fromfile(take.scratch, dtype=np.float32).reshape(-1, 2)
        assert take.frames == len(x)
        npt.assert_allclose(y, expected, atol=1e-5)
        assert take.loudness_lufs == pytest.approx(integrated_loudness(expected, RATE), abs=1e-3)


def hard_bursts():
    """Bursts of a low tone and silence: what the filter moves over a block's edge opens a gate."""
    t = np.arange(20 * RATE) / RATE
    return np.repeat((0.5 * np.sin(2 * np.pi * 60 * t) * (t % 1.3 < 0.11))[:, None], 2, axis=1)


def level_steps():
    t = np.arange(20 * RATE) / RATE
    tone = 0.3 * np.sin(2 * np.pi * 997 * t) * np.where(t % 2 < 1, 1.0, 0.3)
    return np.repeat(tone[:, None], 2, axis=1)


def sparse_clicks():
    x = np.zeros((20 * RATE, 2))
    x[::31000] = 0.9
    return x


@pytest.mark.parametrize("make", [hard_bursts, level_steps, sparse_clicks])
def test_loudness_from_the_spectra_is_that_of_the_recursion(tmp_path, make):
    x = make()
    takes, _ = measure([x], [np.array([1.0])], [0], scratch=tmp_path, rate=RATE)
    assert takes[0].loudness_lufs == pytest.approx(integrated_loudness(x, RATE), abs=0.02)


@LIGHT
@given(
    f_hz=st.floats(40, 20000),
    rate=st.sampled_from([32000, 44100, 48000, 96000]),
    gain=st.booleans(),
)
def test_loudness_from_the_spectra_weighs_every_frequency(tmp_path_factory, f_hz, rate, gain):
    f_hz = min(f_hz, 0.45 * rate)
    t = np.arange(4 * rate) / rate
    x = 0.1 * np.stack([np.sin(2 * np.pi * f_hz * t), np.cos(2 * np.pi * f_hz * t)], axis=1)
    taps = np.array([2.0 if gain else 1.0])
    takes, _ = measure([x], [taps], [0], scratch=tmp_path_factory.mktemp("s"), rate=rate)
    expected = integrated_loudness(x * taps, rate)
    assert takes[0].loudness_lufs == pytest.approx(expected, abs=0.03)


@LIGHT
@given(frames=st.integers(1, 5000), gain_db=st.floats(-60, 20), seed=st.integers(0, 99))
def test_true_peak_scales_and_never_falls_below_the_sample_peak(frames, gain_db, seed):
    x = np.random.default_rng(seed).uniform(-1, 1, (frames, 2))
    peak = true_peak_dbtp(x, RATE)
    assert peak >= 20 * np.log10(np.abs(x).max()) - 1e-5
    assert true_peak_dbtp(x * 10 ** (gain_db / 20), RATE) == pytest.approx(peak + gain_db, abs=1e-4)
    assert true_peak_dbtp(x[:, ::-1], RATE) == pytest.approx(peak, abs=1e-5)  # float32 inside
    assert true_peak_dbtp(-x, RATE) == pytest.approx(peak, abs=1e-6)


@LIGHT
@given(cut=st.integers(1, 99999))
def test_meters_do_not_care_where_a_stream_is_cut(cut):
    x = np.random.default_rng(3).standard_normal((100000, 2)) * 0.1
    loud, peak = LoudnessMeter(RATE), TruePeakMeter(RATE)
    for part in (x[:cut], x[cut:]):
        loud.push(part)
        peak.push(part)
    assert loud.integrated() == pytest.approx(integrated_loudness(x, RATE), abs=1e-9)
    assert peak.dbtp() == pytest.approx(true_peak_dbtp(x, RATE), abs=1e-5)


@LIGHT
@given(
    levels=st.lists(st.floats(-55, 55).map(lambda v: round(v, 3)), min_size=31, max_size=31),
    phase=st.booleans(),
)
def test_tables_survive_writing_and_reading(tmp_path, levels, phase):
    bands = third_octave_bands()
    response = Response(bands.nominal_hz, np.array(levels), np.arange(31.0) if phase else None)
    write_response(tmp_path / "t.csv", response, provenance={"made": "by a\ntest"})
    again = read_response(tmp_path / "t.csv")
    npt.assert_allclose(again.level_db, levels, atol=1e-4)
    assert (again.phase_deg is None) == (not phase)


def render_one(folder, x, make_stage):
    import soundfile

    soundfile.write(folder / "m.wav", x, RATE, subtype="DOUBLE")
    stages = [
        StageSpec("a", "", make_stage(0.0)),
        StageSpec("b", "", make_stage(np.linspace(6, -6, 31))),
    ]
    spec = ProgrammeSpec("m", folder / "m.wav")
    manifest = render_set(stages, [spec], folder / "out", pink_seconds=4.0)
    return [
        soundfile.read(folder / "out" / manifest.stimulus(s, "m").file_name)[0] for s in ("a", "b")
    ]


def test_programme_level_and_channel_order_carry_through(tmp_path, make_stage):
    x = np.random.default_rng(4).standard_normal((RATE + 1, 2)) * [0.05, 0.02]
    for name in ("plain", "softer", "swapped"):
        (tmp_path / name).mkdir()
    plain = render_one(tmp_path / "plain", x, make_stage)
    softer = render_one(tmp_path / "softer", x * 10 ** (-20 / 20), make_stage)
    swapped = render_one(tmp_path / "swapped", x[:, ::-1], make_stage)
    for a, b, c in zip(plain, softer, swapped, strict=True):
        assert len(a) == RATE + 1  # an odd length stays as it is
        npt.assert_allclose(a, b, atol=3e-7)
        npt.assert_allclose(a, c[:, ::-1], atol=3e-7)


def test_levels_that_no_filter_follows_are_refused(make_stage):
    levels = 20.0 * (-1.0) ** np.arange(31)
    with pytest.raises(InputError, match=r"levels jump by 40 dB from one band to the next"):
        design_stage_filter(make_stage(levels), rate=RATE, boost_cap_db=100)
