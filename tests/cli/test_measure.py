"""From a recording to a response table, by the command."""

import numpy as np
import pytest
import soundfile
from scipy.signal import butter, sosfilt, sosfreqz

from stimuli.programme.demo_music import pink_noise
from stimuli.response.bands import pink_band_level_db, third_octave_bands
from stimuli.response.measured import read_response

RATE = 48_000
SOS = butter(2, [90.0, 7000.0], "bandpass", fs=RATE, output="sos")


def record(path, *, gain=0.5, clip=False):
    """Write pink noise through a known filter, as a microphone would hear it."""
    x = pink_noise(seconds=20.0, rate=RATE)[:, 0]
    y = sosfilt(SOS, x / np.abs(x).max())
    y = gain * y / np.abs(y).max()
    if clip:
        y = np.clip(4 * y, -1, 1)
    soundfile.write(path, y, RATE, subtype="PCM_24")


def known_levels(bands):
    grid = np.geomspace(bands.low_hz[0], bands.high_hz[-1], 20001)
    _, h = sosfreqz(SOS, worN=2 * np.pi * grid / RATE)
    return pink_band_level_db(grid, np.abs(h) ** 2, bands)


def test_recordings_become_tables_within_0_3_db_a_band(tmp_path, call):
    for name in ("left.wav", "right.wav"):
        record(tmp_path / name)
    outcome = call(
        *("measure", tmp_path / "responses" / "refit", "--title", "Both fitted"),
        *("--from", tmp_path / "left.wav", "--from", tmp_path / "right.wav"),
    )
    assert outcome.code == 0, outcome
    tables = sorted((tmp_path / "responses").iterdir())
    assert [t.name for t in tables] == ["refit-p1.csv", "refit-p2.csv"]
    response = read_response(tables[0])
    bands = third_octave_bands(40.0, 12500.0)
    measured = np.interp(np.log(bands.mid_hz), np.log(response.f_hz), response.level_db)
    difference = measured - known_levels(bands)
    assert np.abs(difference - difference.mean()).max() < 0.3


def test_the_table_says_where_it_comes_from(tmp_path, call):
    record(tmp_path / "left.wav")
    assert call("measure", tmp_path / "one", "--from", tmp_path / "left.wav").code == 0
    comments = [
        line for line in (tmp_path / "one-p1.csv").read_text().splitlines() if line[0] == "#"
    ]
    text = "\n".join(comments)
    for word in ("earwitness measure", "pink noise", "1/3 octave", "left.wav"):
        assert word in text


def clipped(path):
    record(path, clip=True)


def silent(path):
    soundfile.write(path, np.zeros(RATE * 20), RATE)


def half_a_second(path):
    soundfile.write(path, 0.1 * np.random.default_rng(1).standard_normal(RATE // 2), RATE)


@pytest.mark.parametrize(
    ("spoil", "word"), [(clipped, "clip"), (silent, "silent"), (half_a_second, "0.5 s long")]
)
def test_a_spoilt_recording_is_refused_and_earlier_tables_stay(tmp_path, call, spoil, word):
    earlier = tmp_path / "one-p1.csv"
    earlier.write_text("keep")
    spoil(tmp_path / "left.wav")
    outcome = call("measure", tmp_path / "one", "--from", tmp_path / "left.wav")
    assert outcome.code == 2
    assert "left.wav" in outcome.err
    assert word in outcome.err
    assert earlier.read_text() == "keep"


def test_measure_without_a_name_says_what_to_add(call):
    outcome = call("measure")
    assert outcome.code == 2
    assert "responses/refit" in outcome.err


def test_the_signal_to_noise_of_every_band_stands_in_the_table(tmp_path, call):
    record(tmp_path / "left.wav")
    rng = np.random.default_rng(2)
    soundfile.write(tmp_path / "floor.wav", 1e-4 * rng.standard_normal(RATE * 20), RATE)
    outcome = call(
        *("measure", tmp_path / "one", "--from", tmp_path / "left.wav", "--side", "left"),
        *("--floor", tmp_path / "floor.wav"),
    )
    assert outcome.code == 0, outcome
    text = (tmp_path / "one-p1.csv").read_text()
    words = next(line for line in text.splitlines() if "signal to noise" in line)
    assert words.count(" dB") == 32  # 16 Hz to 20 kHz
    at_1k = float(words.split(" 1000 Hz ")[1].split(" dB")[0])
    # White noise of 1e-4 in the band of 1 kHz (231 Hz of 24 kHz), as the definition has it;
    # the level is what the table says.
    level = read_response(tmp_path / "one-p1.csv")
    floor_db = 20 * np.log10(1e-4) + 10 * np.log10(231 / 24_000)
    expected = np.interp(1000, level.f_hz, level.level_db) - floor_db
    assert at_1k == pytest.approx(expected, abs=1.0)
    assert "side left" in text
    assert "floor.wav" in text


def test_the_noise_to_play_can_be_saved(tmp_path, call):
    outcome = call(
        *("measure", "--save-signal", tmp_path / "noise.wav", "--side", "right"),
        *("--seconds", "4", "--level", "-20"),
    )
    assert outcome.code == 0, outcome
    assert "starts quiet" in outcome.out
    noise, rate = soundfile.read(tmp_path / "noise.wav")
    assert (rate, len(noise)) == (RATE, 4 * RATE)
    assert 20 * np.log10(np.abs(noise).max()) == pytest.approx(-20, abs=0.01)
    assert not noise[:, 0].any()


def test_recordings_of_a_sweep_are_refused(tmp_path, call):
    outcome = call("measure", tmp_path / "a", "--from", tmp_path / "x.wav", "--signal", "sweep")
    assert outcome.code == 2
    assert "recordings have to be of pink noise" in outcome.err
