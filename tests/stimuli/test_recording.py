"""From recordings to responses, with known filters in the path."""

import numpy as np
import numpy.testing as npt
import pytest
import soundfile
from scipy.signal import butter, freqz, iirpeak, lfilter, sosfilt, sosfreqz

from stimuli.files.errors import InputError
from stimuli.measuring.recording import (
    measure_noise_file,
    read_correction,
    response_from_noise,
    response_from_sweep,
)
from stimuli.measuring.sweep import (
    deconvolve,
    exponential_sweep,
    frequency_response,
    window_impulse,
)
from stimuli.measuring.take import cut_take
from stimuli.programme.demo_music import pink_noise
from stimuli.programme.reading import file_sha256
from stimuli.response.bands import pink_band_level_db
from stimuli.response.measured import read_response
from stimuli.response.tables import write_response

RATE = 48000
SOS = np.vstack(
    [
        butter(2, 70, "highpass", fs=RATE, output="sos"),
        butter(1, 9000, "lowpass", fs=RATE, output="sos"),
    ]
)


def test_memory_is_taken_for_the_samples_that_are_there(tmp_path):
    """A damaged header that promises hours must not ask for gigabytes."""
    path = tmp_path / "mic.flac"
    soundfile.write(path, np.random.default_rng(1).normal(0, 0.05, 6 * 8000), 8000)
    data = bytearray(path.read_bytes())
    # FLAC format (RFC 9639, 8.2): total samples are 36 bits from byte 21 of the file on.
    data[21:26] = bytes([data[21] & 0xF0 | 0x1, 0xFF, 0xFF, 0xFF, 0xFF])
    path.write_bytes(bytes(data))
    with pytest.raises(InputError, match=r"says it is 1,073,742 s long"):
        measure_noise_file(path)


def known_levels(bands):
    """Band levels of the known filter for pink noise, from its closed-form response."""
    grid = np.geomspace(bands.low_hz[0], bands.high_hz[-1], 20001)
    _, h = sosfreqz(SOS, worN=2 * np.pi * grid / RATE)
    return pink_band_level_db(grid, np.abs(h) ** 2, bands)


def aligned(a, b):
    error = a - b
    return error - (error.max() + error.min()) / 2


@pytest.fixture(scope="module")
def noise():
    return pink_noise(seconds=12.0)[:, 0]


@pytest.mark.parametrize("fraction", [3, 12])
def test_noise_gives_the_filter_s_band_levels(noise, fraction):
    settled = sosfilt(SOS, np.concatenate([noise, noise]))[len(noise) :]
    measured = response_from_noise(settled, RATE, fraction=fraction, played=noise)
    error = aligned(measured.level_db, known_levels(measured.bands))
    assert np.abs(error).max() < 0.05
    assert len(measured.bands) > 8 * fraction


@pytest.mark.parametrize("fraction", [3, 12])
def test_sweep_gives_the_filter_s_band_levels(fraction):
    sweep = exponential_sweep(seconds=3.0)
    recording = sosfilt(SOS, np.pad(sweep, (0, RATE)))
    measured, _ = response_from_sweep(recording, sweep, RATE, fraction=fraction)
    error = measured.level_db - known_levels(measured.bands)
    assert np.abs(error).max() < 0.1  # absolute: the sweep knows its own level
    assert measured.bands.nominal_hz[0] <= 26


def test_sweep_sees_a_narrow_peak_and_its_impulse(noise):
    b, a = iirpeak(1000, 8, fs=RATE)
    sweep = exponential_sweep(seconds=3.0)
    h = window_impulse(deconvolve(lfilter(b, a, np.pad(sweep, (0, RATE))), sweep, rate=RATE))
    f = np.array([700.0, 1000.0, 1300.0])
    _, expected = freqz(b, a, worN=2 * np.pi * f / RATE)
    npt.assert_allclose(np.abs(frequency_response(h, RATE, f)), np.abs(expected), rtol=0.01)


def test_floor_is_subtracted_and_sets_the_valid_band(noise):
    rng = np.random.default_rng(3)
    rumble = sosfilt(
        butter(4, 60, "lowpass", fs=RATE, output="sos"), rng.standard_normal(24 * RATE)
    )
    settled = sosfilt(SOS, np.concatenate([noise, noise]))[len(noise) :]
    rumble *= 0.15
    recording = settled + rumble[: len(noise)]
    measured = response_from_noise(recording, RATE, played=noise, floor=rumble[len(noise) :])
    low, high = measured.valid_hz
    assert 30 < low < 130
    assert high > 20000
    valid = measured.bands.inside(low, high)
    assert np.all(measured.snr_db[valid] >= 10)
    error = aligned(measured.level_db[valid], known_levels(measured.bands)[valid])
    assert np.abs(error).max() < 0.3
    raw = response_from_noise(recording, RATE, played=noise)
    raw_error = aligned(raw.level_db[valid], known_levels(measured.bands)[valid])
    assert np.abs(error).max() < np.abs(raw_error).max()


def test_sweep_noise_is_measured_per_band():
    rng = np.random.default_rng(4)
    sweep = exponential_sweep(seconds=3.0) * 0.1
    hiss = 1e-4 * rng.standard_normal(8 * RATE)
    recording = sosfilt(SOS, np.pad(sweep, (0, RATE))) + hiss[: 4 * RATE]
    measured, _ = response_from_sweep(recording, sweep, RATE, floor=hiss[4 * RATE :])
    assert measured.snr_db.min() > 10
    quiet, _ = response_from_sweep(recording, sweep, RATE, floor=10 * hiss[4 * RATE :])
    npt.assert_allclose(np.median(measured.snr_db - quiet.snr_db), 20, atol=0.5)


def test_recording_buried_in_noise_is_refused(noise):
    rng = np.random.default_rng(5)
    floor = rng.standard_normal(len(noise))
    with pytest.raises(InputError, match="at 1 kHz the recording does not stand 10 dB"):
        response_from_noise(0.01 * noise + floor, RATE, floor=floor)


def test_microphone_correction_is_taken_off(tmp_path, noise):
    (tmp_path / "mic.txt").write_text("* serial made up\n20\t-3\n100\t0\n5000\t0\n20000\t4\n")
    correction = read_correction(tmp_path / "mic.txt")
    plain = response_from_noise(noise, RATE)
    corrected = response_from_noise(noise, RATE, correction=correction)
    change = plain.level_db - corrected.level_db
    at = {f: change[np.abs(plain.bands.nominal_hz - f).argmin()] for f in (20, 1000, 10000)}
    assert at[20] == pytest.approx(-3, abs=0.05)
    assert at[1000] == pytest.approx(0, abs=1e-9)
    assert at[10000] == pytest.approx(2, abs=0.05)  # half-way on the log axis


def test_noise_files_become_tables_that_read_back(tmp_path, noise):
    rng = np.random.default_rng(6)
    soundfile.write(tmp_path / "take.wav", 0.3 * sosfilt(SOS, noise), RATE, subtype="PCM_24")
    soundfile.write(tmp_path / "floor.wav", 1e-5 * rng.standard_normal(10 * RATE), RATE)
    path = tmp_path / "take.wav"
    measured = measure_noise_file(path, floor_path=tmp_path / "floor.wav")
    response = measured.response(source=path.name, sha256=file_sha256(path))
    written = write_response(
        tmp_path / "table.csv", response, provenance={"recording": response.source, "rate": "48000"}
    )
    again = read_response(tmp_path / "table.csv")
    npt.assert_allclose(again.level_db, written.level_db, rtol=1e-6)
    assert again.sha256 == written.sha256
    assert (tmp_path / "table.csv").read_text().startswith("# recording: take.wav\n")


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda x: x[:RATE], r"take.wav: the recording is 1.0 s long"),
        (lambda x: 0 * x, r"take.wav: the recording is silent"),
        (lambda x: np.clip(9 * x, -1, 1), r"take.wav: the recording is clipped \(\d+ samples"),
    ],
)
def test_useless_recordings_are_refused(tmp_path, noise, change, words):
    soundfile.write(tmp_path / "take.wav", change(noise), RATE, subtype="PCM_24")
    with pytest.raises(InputError, match=words):
        measure_noise_file(tmp_path / "take.wav")


def test_wrong_channel_rate_and_file_are_refused(tmp_path, noise):
    soundfile.write(tmp_path / "take.wav", noise, RATE)
    soundfile.write(tmp_path / "floor.wav", noise, 44100)
    with pytest.raises(InputError, match=r"channel 2: the recording has 1 channels"):
        measure_noise_file(tmp_path / "take.wav", channel=2)
    with pytest.raises(InputError, match="sampled at 44100 Hz, the noise at 48000 Hz"):
        measure_noise_file(tmp_path / "take.wav", floor_path=tmp_path / "floor.wav")
    with pytest.raises(InputError, match="does not exist"):
        measure_noise_file(tmp_path / "none.wav")


def take_of(change, *, delay=3072):
    played = 0.1 * pink_noise(seconds=2.0)[:, 0]
    rng = np.random.default_rng(7)
    recorded = np.zeros(6 * RATE)
    start = RATE + delay
    recorded[start : start + len(played)] = played
    recorded += 1e-5 * rng.standard_normal(len(recorded))
    recorded[: RATE // 10] = 0.0  # lost first buffers
    return cut_take(change(recorded), played, RATE, before=RATE)


@pytest.mark.parametrize("delay", [0, 515, 10238, 60000])
def test_take_is_found_wherever_it_lies(delay):
    take = take_of(lambda x: sosfilt(SOS, x), delay=delay)
    assert take.faults == ()
    assert take.delay_s == pytest.approx(delay / RATE, abs=3e-4)
    assert 0 < np.sqrt(np.mean(take.floor**2)) < 2e-5


@pytest.mark.parametrize(
    ("change", "kind"),
    [
        (lambda x: np.clip(200 * x, -1, 1), "clipped"),
        (lambda x: 0.95 * x / np.abs(x).max(), "too loud"),
        (lambda x: 1e-3 * x, "too quiet"),
        (lambda x: np.random.default_rng(1).normal(0, 0.05, len(x)), "not found"),
        (lambda x: 0 * x, "too quiet"),
    ],
)
def test_faults_of_a_take_are_named(change, kind):
    assert [fault.kind for fault in take_of(change).faults] == [kind]


@pytest.mark.parametrize("signal", ["noise", "sweep"])
def test_lost_samples_are_noticed(signal):
    played = 0.1 * {
        "noise": pink_noise(seconds=3.0)[:, 0], "sweep": exponential_sweep(seconds=3.0)
    }[signal]  # fmt: skip
    recorded = np.pad(sosfilt(SOS, played), (RATE, RATE))
    assert cut_take(recorded, played, RATE, before=RATE).faults == ()
    # in the bass of a sweep a period is as long as a lost buffer, which then goes unseen
    for at in (50000, 70000, 110000)[signal == "sweep" :]:
        holed = np.delete(recorded, slice(RATE + at, RATE + at + 1024))
        assert [f.kind for f in cut_take(holed, played, RATE, before=RATE).faults] == ["dropout"]
    reported = cut_take(recorded, played, RATE, before=RATE, lost_buffers=1)
    assert [f.kind for f in reported.faults] == ["dropout"]


def test_loss_of_a_few_samples_shows_in_steady_noise():
    played = 0.1 * pink_noise(seconds=3.0)[:, 0]
    recorded = np.delete(np.pad(sosfilt(SOS, played), (RATE, RATE)), slice(90000, 90010))
    take = cut_take(recorded, played, RATE, before=RATE, slip_frames=2)
    assert [f.kind for f in take.faults] == ["dropout"]


def test_signal_that_comes_too_late_is_not_mistaken_for_another():
    played = 0.1 * pink_noise(seconds=3.0)[:, 0]
    recorded = np.concatenate([np.zeros(3 * RATE), sosfilt(SOS, played)])[: 5 * RATE]
    take = cut_take(recorded, played, RATE, before=RATE)
    assert [f.kind for f in take.faults] == ["not found"]


def test_sweep_that_does_not_fit_the_rate_is_refused():
    with pytest.raises(ValueError, match="need 0 < low_hz"):
        exponential_sweep(high_hz=30000, rate=RATE)
    with pytest.raises(ValueError, match="at least as long as the sweep"):
        deconvolve(np.zeros(10), np.zeros(20), rate=RATE)


@pytest.mark.parametrize("garbage", [np.nan, np.inf, 3e38])
def test_bytes_that_are_no_samples_count_as_lost_sound(garbage):
    played = 0.1 * pink_noise(seconds=3.0)[:, 0]
    recorded = np.pad(sosfilt(SOS, played), (RATE, RATE))
    recorded[90000:90003] = garbage
    take = cut_take(recorded, played, RATE, before=RATE)
    assert [f.kind for f in take.faults] == ["dropout"]
    assert np.isfinite(take.signal).all()
