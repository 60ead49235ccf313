"""Telling excerpts: the right moments, loops that close, and a picture of why."""

import itertools
from dataclasses import replace

import numpy as np
import pytest
import soundfile

from stimuli.figures.pictures import save_picture
from stimuli.files.errors import InputError
from stimuli.filters.stages import StageSpec
from stimuli.programme.excerpts import draw_telling, propose_excerpts
from stimuli.programme.reading import ProgrammeSpec
from stimuli.programme.telling import telling_moments
from stimuli.response.bands import third_octave_bands

RATE = 48000
BANDS = third_octave_bands()


@pytest.fixture(scope="module")
def bass_stages(make_stage):
    low = np.where(BANDS.nominal_hz < 120, 10.0, 0.0)
    return [StageSpec("thin", "", make_stage(0.0)), StageSpec("full", "", make_stage(low))]


def write(path, x):
    soundfile.write(path, x, RATE, subtype="PCM_24")
    return ProgrammeSpec("track", path)


def beats(seconds, *tones_hz, period_s=0.5, seed=1):
    """Decaying notes on a beat, with a tick."""
    t = np.arange(round(period_s * RATE)) / RATE
    # bass softer than the rest, so that it does not rule the loudness match
    level = {60: 0.3, 800: 1.0}
    note = sum(level[f] * np.sin(2 * np.pi * f * t) for f in tones_hz) * np.exp(-t / 0.15)
    tick = np.random.default_rng(seed).standard_normal(len(t)) * np.exp(-t / 0.01)
    bar = 0.3 * note + 0.05 * tick
    x = np.tile(bar, round(seconds / period_s))
    return np.stack([x, x], axis=1)


@pytest.fixture(scope="module")
def song(tmp_path_factory):
    """20 s without bass, 20 s with bass, 10 s without."""
    x = np.concatenate([beats(20, 800), beats(20, 60, 800), beats(10, 800)])
    return write(tmp_path_factory.mktemp("song") / "song.wav", x)


def test_moments_with_bass_tell_between_stages_that_differ_in_bass(song, bass_stages):
    track = telling_moments(song, bass_stages, around_s=4.0)
    quiet = track.score_db[(track.time_s > 1) & (track.time_s < 17)].mean()
    telling = track.score_db[(track.time_s > 21) & (track.time_s < 39)].mean()
    assert telling > 3 * quiet
    assert track.pairs == (("thin", "full"),)
    loud = track.channel_db[(track.time_s > 21) & (track.time_s < 39)].mean(axis=0)
    assert track.centre_hz[loud.argmax()] < 150


def test_proposals_lie_in_the_telling_part_and_on_the_beat(song, bass_stages):
    track = telling_moments(song, bass_stages)
    best = propose_excerpts(song, track, length_s=8.0, count=1)[0]
    assert 19.9 <= best.start_s
    assert best.start_s + best.length_s <= 40.1
    assert best.strongest_hz < 150
    assert 6.4 <= best.length_s <= 9.6
    assert best.length_s % 0.5 == pytest.approx(0, abs=0.002) or best.length_s % 0.5 > 0.498


def test_loop_closes_in_phase(song, bass_stages):
    track = telling_moments(song, bass_stages)
    best = propose_excerpts(song, track, length_s=8.0, count=1)[0]
    x, _ = soundfile.read(song.path)
    start, end = (round(v * RATE) for v in (best.start_s, best.start_s + best.length_s))
    a, b = x[start - 500 : start + 500, 0], x[end - 500 : end + 500, 0]
    assert np.corrcoef(a, b)[0, 1] > 0.99
    assert best.seam_db < 1.0


def test_proposals_do_not_overlap(song, bass_stages):
    track = telling_moments(song, bass_stages)
    found = sorted(propose_excerpts(song, track, length_s=6.0, count=3), key=lambda e: e.start_s)
    assert len(found) == 3
    for a, b in itertools.pairwise(found):
        assert a.start_s + a.length_s <= b.start_s + 0.02


def test_part_of_a_track_is_reported_in_the_file_s_time(song, bass_stages):
    part = ProgrammeSpec("track", song.path, 18.0, 24.0)
    track = telling_moments(part, bass_stages)
    best = propose_excerpts(part, track, length_s=8.0, count=1)[0]
    assert 19.9 <= best.start_s
    assert best.start_s + best.length_s <= 40.1


def test_noise_without_onsets_still_gets_a_proposal(tmp_path, bass_stages):
    x = 0.1 * np.random.default_rng(3).standard_normal((20 * RATE, 2))
    spec = write(tmp_path / "noise.wav", x)
    found = propose_excerpts(spec, telling_moments(spec, bass_stages), length_s=8.0, count=1)
    assert len(found) == 1
    assert 6 < found[0].length_s < 10


def test_identical_stages_tell_nothing(song, make_stage):
    same = [StageSpec(i, "", make_stage(0.0)) for i in ("a", "b")]
    assert telling_moments(song, same).score_db.max() == 0


def test_the_picture_shows_score_proposals_and_frequencies(song, bass_stages, tmp_path):
    track = telling_moments(song, bass_stages)
    found = propose_excerpts(song, track, length_s=8.0, count=2)
    figure = draw_telling(track, found)
    assert [text.get_text().strip() for text in figure.axes[0].texts] == ["1", "2"]
    assert save_picture(figure, tmp_path / "telling.png").stat().st_size > 10000
    priced = draw_telling(replace(track, programme="$_{$"), found)
    assert priced.axes[1].get_xlabel() == "time in $_{$ (s)"
    assert save_picture(priced, tmp_path / "priced.svg").stat().st_size > 10000


def test_too_short_tracks_and_too_few_stages_are_refused(song, bass_stages):
    track = telling_moments(song, bass_stages)
    with pytest.raises(InputError, match=r"an excerpt of 90 s is wanted"):
        propose_excerpts(song, track, length_s=90.0)
    with pytest.raises(InputError, match="1 stage given"):
        telling_moments(song, bass_stages[:1])
