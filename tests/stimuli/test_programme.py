"""Programme files: what is read, what is noted, what is refused."""

import hashlib
from dataclasses import replace

import numpy as np
import numpy.testing as npt
import pytest
import soundfile

from stimuli.files.errors import InputError
from stimuli.programme.reading import ProgrammeSpec, read_programme

RATE = 48000
RNG = np.random.default_rng(8)


def music(seconds=2.0, rate=RATE, channels=2):
    t = np.arange(round(seconds * rate)) / rate
    x = 0.3 * np.sin(2 * np.pi * 440 * t) + 0.1 * np.sin(2 * np.pi * 3000 * t)
    return np.stack([x * (1 - 0.3 * c) for c in range(channels)], axis=1)


def write(path, x, rate=RATE, **kwargs):
    soundfile.write(path, x, rate, **kwargs)
    return ProgrammeSpec("piece", path)


def test_wav_comes_back_sample_by_sample(tmp_path):
    x = music()
    spec = write(tmp_path / "a.wav", x, subtype="DOUBLE")
    programme = read_programme(spec)
    npt.assert_allclose(programme.samples, x, atol=1e-15)
    assert programme.notes == ()
    assert programme.sha256 == hashlib.sha256(spec.path.read_bytes()).hexdigest()


@pytest.mark.parametrize("suffix", ["flac", "ogg", "mp3"])
@pytest.mark.parametrize("rate", [44100, 48000])
def test_other_formats_and_rates(tmp_path, suffix, rate):
    spec = write(tmp_path / f"a.{suffix}", music(rate=rate), rate)
    programme = read_programme(spec)
    assert programme.rate == RATE
    assert abs(len(programme.samples) - 2 * RATE) < 0.1 * RATE  # lossy formats pad
    f = np.fft.rfftfreq(RATE, 1 / RATE)
    spectrum = np.abs(np.fft.rfft(programme.samples[:RATE, 0]))
    assert f[spectrum.argmax()] == 440
    converted = any("converted from 44100 Hz" in note for note in programme.notes)
    assert converted == (rate != RATE)


def test_mono_is_refused_unless_meant(tmp_path):
    spec = write(tmp_path / "a.wav", music(channels=1))
    with pytest.raises(InputError, match=r"a.wav, channels: the file is mono.*mono = true"):
        read_programme(spec)


def test_mono_meant_is_used_on_both_sides_and_said(tmp_path):
    spec = write(tmp_path / "a.wav", music(channels=1))
    programme = read_programme(replace(spec, mono=True))
    npt.assert_array_equal(programme.samples[:, 0], programme.samples[:, 1])
    assert "mono" in programme.notes[0]


def test_excerpt(tmp_path):
    x = music()
    spec = write(tmp_path / "a.wav", x, subtype="DOUBLE")
    programme = read_programme(ProgrammeSpec("piece", spec.path, 0.5, 1.25))
    npt.assert_array_equal(programme.samples, x[24000:84000])
    assert programme.length_s == 1.25


@pytest.mark.parametrize(
    ("start", "length", "words"),
    [
        (1.5, 1.0, "programme piece: the excerpt from 1.5 s, 1 s long, lies outside"),
        (5.0, None, "lies outside the file's 2.00 s"),
        (-1.0, 1.0, "lies outside"),
        (0.0, 0.5, "at least 1 s is needed"),
    ],
)
def test_excerpts_outside_the_file_are_refused(tmp_path, start, length, words):
    spec = write(tmp_path / "a.wav", music())
    with pytest.raises(InputError, match=words):
        read_programme(ProgrammeSpec("piece", spec.path, start, length))


def truncated(path, x, share, **kwargs):
    write(path, x, **kwargs)
    raw = path.read_bytes()
    path.write_bytes(raw[: int(len(raw) * share)])


def test_truncated_files_are_refused(tmp_path):
    noisy = RNG.normal(0, 0.1, (4 * RATE, 2))
    truncated(tmp_path / "a.wav", noisy, 0.5)
    truncated(tmp_path / "a.flac", noisy, 0.5)
    for name in ("a.wav", "a.flac"):
        with pytest.raises(InputError, match=rf"{name}.*(truncated|breaks off|damaged)"):
            read_programme(ProgrammeSpec("piece", tmp_path / name))


@pytest.mark.parametrize(
    ("x", "rate", "words"),
    [
        (music(rate=8000), 8000, r"bad.wav: sampled at 8000 Hz, so nothing above 4 kHz"),
        (np.zeros((0, 2)), RATE, r"bad.wav: the file holds 0 s of sound"),
        (np.zeros((2 * RATE, 2)), RATE, r"bad.wav: the excerpt is silent"),
        (np.clip(6 * music(), -1, 1), RATE, r"bad.wav: the sound is clipped: \d+ samples"),
        (np.repeat(music(), 3, axis=1), RATE, r"bad.wav: the file has 6 channels"),
    ],
    ids=["8 kHz", "0 s", "silent", "clipped", "six channels"],
)
def test_useless_sound_is_refused(tmp_path, x, rate, words):
    with pytest.raises(InputError, match=words):
        read_programme(write(tmp_path / "bad.wav", x, rate))


def test_values_that_are_not_finite_are_refused(tmp_path):
    x = music()
    x[1000] = np.nan
    with pytest.raises(InputError, match="not finite"):
        read_programme(write(tmp_path / "bad.wav", x, subtype="FLOAT"))


def test_a_few_flat_tops_are_only_noted(tmp_path):
    x = music(seconds=4)
    x[1000:1004] = 1.0
    programme = read_programme(write(tmp_path / "a.wav", x))
    assert "8 samples lie on flat tops" in programme.notes[0]


def test_missing_and_foreign_files_are_refused(tmp_path):
    with pytest.raises(InputError, match="does not exist"):
        read_programme(ProgrammeSpec("piece", tmp_path / "none.wav"))
    path = tmp_path / "text.wav"
    path.write_text("this is not sound")
    with pytest.raises(InputError, match=r"text.wav: the file cannot be read as sound"):
        read_programme(ProgrammeSpec("piece", path))
