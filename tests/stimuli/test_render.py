"""Rendering and verifying whole sets: the promises, and what happens when they are broken."""

import json
import re

import numpy as np
import pytest
import soundfile

from stimuli.files.errors import InputError
from stimuli.filters.design import FilterChoices
from stimuli.levels.loudness import integrated_loudness
from stimuli.levels.true_peak import true_peak_dbtp
from stimuli.programme.reading import ProgrammeSpec, file_sha256
from stimuli.render.check import verify_set
from stimuli.render.manifest import PINK_NOISE, model_disagreements, read_manifest
from stimuli.render.sets import StageSpec, anchor_stage, render_set


def test_every_stage_and_programme_is_there(rendered, demo_stages, demo_music):
    folder, manifest = rendered
    assert len(manifest.stimuli) == len(demo_stages) * (len(demo_music) + 1)
    assert {s.programme for s in manifest.stimuli} == {p.id for p in demo_music} | {PINK_NOISE}
    names = {p.name for p in folder.iterdir()}
    assert names == {s.file_name for s in manifest.stimuli} | {"manifest.json"}


def test_manifest_survives_writing_and_reading(rendered):
    folder, manifest = rendered
    assert read_manifest(folder) == manifest
    assert read_manifest(folder / "manifest.json") == manifest


def test_file_names_are_random_and_say_nothing(rendered):
    _, manifest = rendered
    for s in manifest.stimuli:
        assert re.fullmatch(r"[0-9a-f]{24}\.flac", s.file_name)


def test_levels_match_within_a_programme_when_measured_here(rendered):
    folder, manifest = rendered
    for programme in {s.programme for s in manifest.stimuli}:
        levels = []
        for s in (s for s in manifest.stimuli if s.programme == programme):
            x, rate = soundfile.read(folder / s.file_name, always_2d=True)
            levels.append(integrated_loudness(x, rate))
            assert levels[-1] == pytest.approx(s.loudness_after_lufs, abs=0.01)
            assert true_peak_dbtp(x, rate) == pytest.approx(s.true_peak_dbtp, abs=0.02)
            assert true_peak_dbtp(x, rate) <= -1.0
            assert (len(x), rate, x.shape[1]) == (s.frames, s.sample_rate, s.channels)
        assert np.ptp(levels) <= 0.1


def test_verify_passes_and_gives_figures(rendered):
    folder, _ = rendered
    seen = []
    result = verify_set(folder, progress=lambda done, total, what: seen.append((done, total)))
    assert result.passed
    names = [check.name for check in result.checks]
    assert names[0] == "files"
    assert "true peak" in names
    assert sum(name.startswith("level match") for name in names) == 3
    assert sum(name.startswith("tone of pink noise") for name in names) == 3
    tone = [c for c in result.checks if c.name.startswith("tone")]
    assert all(c.figure < 0.1 and c.limit == 0.3 for c in tone)
    assert seen[-1] == (9, 9)


def test_other_models_are_stored_as_residuals(rendered):
    _, manifest = rendered
    for programme in {s.programme for s in manifest.stimuli}:
        for model in manifest.other_models:
            values = [
                s.other_models_db[model] for s in manifest.stimuli if s.programme == programme
            ]
            assert sum(values) == pytest.approx(0, abs=1e-9)
            assert np.ptp(values) > 0.01


def test_disagreement_between_models_is_said(rendered):
    folder, manifest = rendered
    found = model_disagreements(manifest, limit_db=0.5)
    assert found
    assert list(found) == sorted(found, key=lambda d: -d.spread_db)
    worst = found[0]
    values = [
        s.other_models_db[worst.model] for s in manifest.stimuli if s.programme == worst.programme
    ]
    assert worst.spread_db == pytest.approx(np.ptp(values))
    assert f"{worst.louder} is {worst.spread_db:.1f} dB louder than {worst.softer}" in worst.words
    assert model_disagreements(manifest, limit_db=99.0) == ()
    assert verify_set(folder).notes == tuple(d.words for d in found)


def copy_set(rendered, tmp_path):
    folder, manifest = rendered
    target = tmp_path / "set"
    target.mkdir()
    for path in folder.iterdir():
        (target / path.name).write_bytes(path.read_bytes())
    return target, manifest


def rewrite(folder, stimulus, change):
    """Change a file's sound and forge its hash, so that only measuring can tell."""
    path = folder / stimulus.file_name
    x, rate = soundfile.read(path, always_2d=True)
    soundfile.write(path, change(x), rate, subtype="PCM_24")
    manifest = json.loads((folder / "manifest.json").read_text())
    for record in manifest["stimuli"]:
        if record["file_name"] == stimulus.file_name:
            record["sha256"] = file_sha256(path)
    (folder / "manifest.json").write_text(json.dumps(manifest))


def failed(folder):
    result = verify_set(folder)
    assert not result.passed
    return {check.name for check in result.checks if not check.passed}


def test_verify_finds_a_missing_a_changed_and_an_extra_file(rendered, tmp_path):
    folder, manifest = copy_set(rendered, tmp_path)
    (folder / "extra.flac").write_bytes(b"x")
    (folder / manifest.stimuli[0].file_name).unlink()
    with (folder / manifest.stimuli[1].file_name).open("ab") as file:
        file.write(b"x")
    result = verify_set(folder)
    assert not result.passed
    words = result.checks[0].words
    assert "is missing" in words
    assert "hash differs" in words
    assert "extra.flac does not belong" in words


def test_verify_finds_a_level_fault(rendered, tmp_path):
    folder, manifest = copy_set(rendered, tmp_path)
    stimulus = manifest.stimulus("thin", "kite-street")
    rewrite(folder, stimulus, lambda x: x * 10 ** (0.15 / 20))
    assert failed(folder) == {"level match, kite-street"}


def test_verify_names_pink_noise_of_another_length(rendered, tmp_path):
    folder, manifest = copy_set(rendered, tmp_path)
    stimulus = manifest.stimulus("thin", PINK_NOISE)
    rewrite(folder, stimulus, lambda x: x[:-480])
    with pytest.raises(InputError, match=f"{stimulus.file_name}.* frames on 2 channels, but"):
        verify_set(folder)


def test_verify_finds_a_peak_over_the_limit(rendered, tmp_path):
    folder, manifest = copy_set(rendered, tmp_path)

    def spike(x):
        y = x.copy()
        y[100000] = 0.97
        return y

    rewrite(folder, manifest.stimulus("thin", "low-tide"), spike)
    assert "true peak" in failed(folder)


def tilt(x, db_per_octave):
    f = np.fft.rfftfreq(len(x), 1 / 48000)
    gain = 10 ** (db_per_octave * np.log2(np.maximum(f, 10) / 1000) / 20)
    return np.fft.irfft(np.fft.rfft(x, axis=0) * gain[:, None], len(x), axis=0)


def test_verify_finds_a_tonal_fault_in_pink_noise(rendered, tmp_path):
    folder, manifest = copy_set(rendered, tmp_path)
    rewrite(folder, manifest.stimulus("rough", PINK_NOISE), lambda x: tilt(x, 0.15))
    assert "tone of pink noise, rough" in failed(folder)


def test_verify_finds_a_tonal_fault_in_a_programme(rendered, tmp_path):
    folder, manifest = copy_set(rendered, tmp_path)
    rewrite(folder, manifest.stimulus("rough", "low-tide"), lambda x: tilt(x, 0.15))
    assert "tone of low-tide" in failed(folder)


def test_verify_holds_pink_noise_against_the_tables_when_given(rendered, demo_stages):
    folder, _ = rendered
    tables = {stage.id: stage.response for stage in demo_stages}
    assert verify_set(folder, responses=tables).passed
    other = dict(tables, thin=tables["bassy"])
    result = verify_set(folder, responses=other)
    failed_names = {check.name for check in result.checks if not check.passed}
    assert failed_names == {"tone of pink noise, thin"}


def test_long_programmes_are_judged_by_their_middle(rendered, tmp_path, monkeypatch):
    folder, manifest = copy_set(rendered, tmp_path)
    monkeypatch.setattr("stimuli.render.measuring_back._WINDOW_S", 1.5)
    result = verify_set(folder)
    tones = [c for c in result.checks if c.name.startswith("tone of") and "pink" not in c.name]
    assert all(c.passed for c in tones), tones

    def dulled_in_the_middle(x):
        y = x.copy()
        y[100000:190000] = tilt(x[100000:190000], 0.6)
        return y

    rewrite(folder, manifest.stimulus("rough", "low-tide"), dulled_in_the_middle)
    assert "tone of low-tide" in failed(folder)


def test_verify_says_when_a_source_is_gone(rendered, tmp_path):
    folder, _ = copy_set(rendered, tmp_path)
    manifest = json.loads((folder / "manifest.json").read_text())
    manifest["programmes"][0]["path"] = "elsewhere.wav"
    (folder / "manifest.json").write_text(json.dumps(manifest))
    result = verify_set(folder)
    check = next(c for c in result.checks if c.name == f"tone of {manifest['programmes'][0]['id']}")
    assert not check.passed
    assert "source cannot be read" in check.words


def test_headroom_is_shared_when_peaks_need_it(make_stage, tmp_path):
    rng = np.random.default_rng(9)
    x = 0.004 * rng.standard_normal((96000, 2))
    x[::12000] = 0.9  # sparse clicks: high peaks, little loudness
    soundfile.write(tmp_path / "clicks.wav", x, 48000, subtype="PCM_24")
    stages = [StageSpec("flat", "", make_stage(0.0)), StageSpec("b", "", make_stage(0.0))]
    manifest = render_set(
        stages, [ProgrammeSpec("clicks", tmp_path / "clicks.wav")], tmp_path / "out"
    )
    assert manifest.headroom_db > 3
    assert manifest.target_lufs == pytest.approx(-18 - manifest.headroom_db)
    assert {round(s.loudness_after_lufs, 2) for s in manifest.stimuli} == {
        round(manifest.target_lufs, 2)
    }
    assert max(s.true_peak_dbtp for s in manifest.stimuli) <= -1.0
    assert verify_set(tmp_path / "out").passed


def test_capped_bands_are_reported_and_left_out_of_the_check(make_stage, tmp_path, demo_music):
    levels = np.zeros(31)
    levels[4] = 25.0
    render_set(
        [StageSpec("boom", "", make_stage(levels))],
        demo_music[:1],
        tmp_path / "out",
        pink_seconds=6.0,
    )
    result = verify_set(tmp_path / "out")
    assert result.passed
    check = next(c for c in result.checks if c.name == "tone of pink noise, boom")
    assert "boost capped at 50 Hz" in check.words
    assert "30 bands" in check.words


def test_progress_counts_to_the_end(make_stage, tmp_path, demo_music):
    seen = []
    render_set(
        [StageSpec("a", "", make_stage(0.0))],
        demo_music[:1],
        tmp_path / "out",
        pink_seconds=6.0,
        progress=lambda *args: seen.append(args),
    )
    done = [d for d, _, _ in seen]
    assert done == list(range(1, seen[0][1] + 1))


def test_a_failure_leaves_the_earlier_set_untouched(make_stage, tmp_path, demo_music):
    out = tmp_path / "out"
    stage = [StageSpec("a", "", make_stage(0.0))]
    first = render_set(stage, demo_music[:1], out, pink_seconds=6.0)
    before = {p.name: p.read_bytes() for p in out.iterdir()}
    soundfile.write(tmp_path / "silent.wav", np.zeros((96000, 2)), 48000)
    with pytest.raises(InputError, match="silent"):
        render_set(stage, [*demo_music[:1], ProgrammeSpec("s", tmp_path / "silent.wav")], out)
    assert {p.name: p.read_bytes() for p in out.iterdir()} == before
    assert sorted(p.name for p in tmp_path.iterdir()) == ["out", "silent.wav"]
    second = render_set(stage, demo_music[:1], out, pink_seconds=6.0)
    assert second.stimuli[0].file_name != first.stimuli[0].file_name
    assert sorted(p.name for p in tmp_path.iterdir()) == ["out", "silent.wav"]


def test_a_mono_programme_verifies(make_stage, tmp_path):
    t = np.arange(96000) / 48000
    noise = np.random.default_rng(3).normal(0, 0.05, len(t))
    soundfile.write(tmp_path / "mono.wav", noise, 48000, subtype="PCM_24")
    spec = ProgrammeSpec("mono", tmp_path / "mono.wav", mono=True)
    stages = [StageSpec("a", "", make_stage(0.0))]
    manifest = render_set(stages, [spec], tmp_path / "out", pink_seconds=6.0)
    assert "mono" in manifest.programmes[0].notes[0]
    assert verify_set(tmp_path / "out").passed


@pytest.fixture(scope="module")
def short_music(tmp_path_factory):
    rng = np.random.default_rng(12)
    path = tmp_path_factory.mktemp("short") / "m.flac"
    soundfile.write(path, rng.normal(0, 0.08, (44100 * 3, 2)), 44100, subtype="PCM_24")
    return [ProgrammeSpec("m", path)]


def test_linear_phase_sets_keep_time_and_tone(make_stage, tmp_path, short_music):
    levels = np.random.default_rng(5).normal(0, 4, 31)
    stages = [StageSpec("flat", "", make_stage(0.0)), StageSpec("rough", "", make_stage(levels))]
    manifest = render_set(
        stages, short_music, tmp_path / "out", choices=FilterChoices(phase="linear"),
        pink_seconds=6.0,
    )  # fmt: skip
    assert verify_set(tmp_path / "out").passed
    assert {s.phase for s in manifest.stages} == {"linear"}
    flat, rough = (
        soundfile.read(tmp_path / "out" / manifest.stimulus(s, "m").file_name)[0][:, 0]
        for s in ("flat", "rough")
    )
    assert len(flat) == len(rough) == 3 * 48000
    lag = np.fft.irfft(np.conj(np.fft.rfft(flat)) * np.fft.rfft(rough)).argmax()
    assert lag == 0


def test_anchors_are_rendered_beside_their_reference(make_stage, tmp_path, short_music):
    reference = StageSpec("best", "", make_stage(np.linspace(3, -3, 31)))
    other = StageSpec("other", "", make_stage(0.0))
    anchors = [anchor_stage(reference, which) for which in ("low", "mid")]
    manifest = render_set(
        [reference, other, *anchors], short_music, tmp_path / "out", pink_seconds=6.0
    )
    result = verify_set(tmp_path / "out")
    assert result.passed, [c for c in result.checks if not c.passed]
    assert [s.anchor for s in manifest.stages] == ["", "", "low", "mid"]
    gains = {s.stage: s.gain_db for s in manifest.stimuli if s.programme == "m"}
    assert gains["anchor-low"] == gains["anchor-mid"] == gains["best"]
    x, low = (
        soundfile.read(tmp_path / "out" / manifest.stimulus(s, "m").file_name)[0]
        for s in ("best", "anchor-low")
    )
    f = np.fft.rfftfreq(len(x), 1 / 48000)
    a, b = (np.abs(np.fft.rfft(y[:, 0])) ** 2 for y in (x, low))
    passed = (f > 100) & (f < 3400)
    assert 10 * np.log10(b[passed].sum() / a[passed].sum()) == pytest.approx(0, abs=0.05)
    stopped = (f > 4600) & (f < 20000)
    assert 10 * np.log10(b[stopped].sum() / a[stopped].sum()) < -50
    lag = np.fft.irfft(np.conj(np.fft.rfft(x[:, 0])) * np.fft.rfft(low[:, 0])).argmax()
    assert lag == 0


def test_anchor_without_its_reference_is_refused(make_stage, tmp_path, short_music):
    anchor = anchor_stage(StageSpec("best", "", make_stage(0.0)), "low")
    with pytest.raises(InputError, match="it is the anchor of 'best', which is not in the set"):
        render_set([anchor], short_music, tmp_path / "out")


def test_left_and_right_have_filters_of_their_own(make_stage, tmp_path, short_music):
    rng = np.random.default_rng(6)
    left, right = make_stage(rng.normal(0, 3, 31)), make_stage(-3 + rng.normal(0, 3, 31))
    manifest = render_set(
        [StageSpec("pair", "", left, right=right)], short_music, tmp_path / "out", pink_seconds=6.0
    )
    assert verify_set(tmp_path / "out").passed
    record = manifest.stages[0]
    difference = np.array(record.band_level_db) - np.array(record.right_band_level_db)
    assert difference.mean() == pytest.approx(3, abs=1)
    x, _ = soundfile.read(tmp_path / "out" / manifest.stimulus("pair", PINK_NOISE).file_name)
    assert np.abs(x[:, 0] - x[:, 1]).max() > 0.01
    rewrite(tmp_path / "out", manifest.stimulus("pair", PINK_NOISE), lambda y: y[:, ::-1])
    assert "tone of pink noise, pair" in failed(tmp_path / "out")


def test_a_measured_impulse_response_is_rendered(make_stage, tmp_path, short_music):
    rng = np.random.default_rng(7)
    impulse = rng.standard_normal(24000) * np.exp(-np.arange(24000) / 2000)
    impulse[600] = 8.0
    stages = [
        StageSpec("plain", "", make_stage(0.0)),
        StageSpec("room", "", make_stage(0.0), impulse=impulse),
    ]
    manifest = render_set(stages, short_music, tmp_path / "out", pink_seconds=6.0)
    assert manifest.stage("room").phase == "measured"
    result = verify_set(tmp_path / "out")
    assert result.passed, [c for c in result.checks if not c.passed]


def test_other_rates_are_rendered_at_the_study_s(rendered, tmp_path, make_stage, short_music):
    manifest = render_set(
        [StageSpec("a", "", make_stage(0.0))], short_music, tmp_path / "out", pink_seconds=6.0
    )
    record = manifest.stimulus("a", "m")
    assert (record.sample_rate, record.frames) == (48000, 3 * 48000)
    assert "converted from 44100 Hz to 48000 Hz" in manifest.programmes[0].notes


def test_double_and_missing_ids_are_refused(make_stage, tmp_path, demo_music):
    stage = StageSpec("a", "", make_stage(0.0))
    with pytest.raises(InputError, match="no stage"):
        render_set([], demo_music, tmp_path / "out")
    with pytest.raises(InputError, match="stage id 'a' is used twice"):
        render_set([stage, stage], demo_music, tmp_path / "out")
    spec = ProgrammeSpec(PINK_NOISE, demo_music[0].path)
    with pytest.raises(InputError, match="programme id 'pink-noise' is used twice"):
        render_set([stage], [spec], tmp_path / "out")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("{", "the manifest is damaged"),
        ('{"format": 7}', "format 7, 1 expected"),
        ('{"format": 1}', "expected fields"),
        ("[]", "expected fields"),
    ],
)
def test_spoilt_manifests_are_refused(tmp_path, text, words):
    (tmp_path / "manifest.json").write_text(text)
    with pytest.raises(InputError, match=words):
        read_manifest(tmp_path)


def test_missing_manifest_is_refused(tmp_path):
    with pytest.raises(InputError, match="no stimulus manifest"):
        verify_set(tmp_path)
