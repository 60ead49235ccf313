"""Matching in a model chosen by name, measured from the files by other means than rendering's."""

import json
from itertools import pairwise

import numpy as np
import pytest
import soundfile

from stimuli.files.errors import InputError
from stimuli.levels.loudness import integrated_loudness
from stimuli.levels.weighting import erb_sum_loudness
from stimuli.render.check import verify_set
from stimuli.render.matching import MODELS, matching_loudness, relative_levels_db
from stimuli.render.sets import render_set


@pytest.fixture(scope="module", params=["a_weighted", "erb_sum"])
def matched(request, tmp_path_factory, demo_stages, demo_music):
    folder = tmp_path_factory.mktemp(request.param) / "set"
    manifest = render_set(
        demo_stages, demo_music[:1], folder, pink_seconds=5.0, loudness_model=request.param
    )
    return request.param, folder, manifest


def lines_of(folder, record):
    x, rate = soundfile.read(folder / record.file_name, always_2d=True)
    power = (np.abs(np.fft.rfft(x, axis=0)) ** 2).sum(axis=1) * 2 / len(x) ** 2
    return np.fft.rfftfreq(len(x), 1 / rate), power


@pytest.fixture
def a_table(reference):
    """Exact 1/3-octave frequencies and A weighting there (IEC 61672-1:2013 table 3)."""
    rows = reference("a_c_weighting.csv")
    return np.array([[float(r["exact_Hz"]), float(r["A_formula_dB_at_exact"])] for r in rows])


def level_db(model, f_hz, power, to_spl, a_table):
    """A level by table, or the gain that a bisection of the loudness sum asks for."""
    if model == "a_weighted":
        weight = np.interp(np.log(np.maximum(f_hz, 1.0)), np.log(a_table[:, 0]), a_table[:, 1])
        return 10 * np.log10(np.sum(power * 10 ** (weight / 10)))
    low, high = -20.0, 20.0
    while high - low > 1e-4:
        middle = (low + high) / 2
        louder = erb_sum_loudness(f_hz, power * to_spl * 10 ** (middle / 10)) > 100.0
        low, high = (low, middle) if louder else (middle, high)
    return -low


def test_files_are_equally_loud_in_the_chosen_model(matched, a_table):
    model, folder, manifest = matched
    to_spl = 10 ** ((manifest.listening_level_db - manifest.target_lufs) / 10)
    for programme in {s.programme for s in manifest.stimuli}:
        records = [s for s in manifest.stimuli if s.programme == programme]
        levels = [level_db(model, *lines_of(folder, s), to_spl, a_table) for s in records]
        assert np.ptp(levels) <= 0.1
        assert all(abs(s.residual_lu) < 0.001 for s in records)


def test_bs1770_then_stands_beside_it_and_is_true(matched):
    _, folder, manifest = matched
    assert manifest.matched_in not in manifest.other_models
    assert set(manifest.other_models) | {manifest.matched_in} == set(MODELS)
    for programme in {s.programme for s in manifest.stimuli}:
        records = [s for s in manifest.stimuli if s.programme == programme]
        loud = [
            integrated_loudness(*soundfile.read(folder / s.file_name, always_2d=True))
            for s in records
        ]
        said = [s.other_models_db["bs1770"] for s in records]
        assert np.ptp(said) > 0.1  # what the default would have made equal is not
        np.testing.assert_allclose(said, loud - np.mean(loud), atol=0.01)
        np.testing.assert_allclose(np.mean(loud), manifest.target_lufs, atol=0.01)


def test_the_check_of_a_set_uses_the_declared_model(matched):
    _, folder, _ = matched
    result = verify_set(folder)
    assert result.passed, [c.words for c in result.checks if not c.passed]
    path = folder / "manifest.json"
    content = json.loads(path.read_text())
    path.write_text(json.dumps({**content, "matched_in": "bs1770"}))
    try:
        failed = [c.name for c in verify_set(folder).checks if not c.passed]
    finally:
        path.write_text(json.dumps(content))
    assert failed
    assert all(name.startswith("level match") for name in failed)


def test_gains_settle_where_loudness_does_not_grow_evenly():
    f_hz = np.arange(0, 20_000, 10.0)
    spectra = [np.exp(-f_hz / scale) for scale in (300.0, 3000.0, 9000.0)]
    found = matching_loudness("erb_sum", [-20.0, -23.0, -26.0], f_hz, spectra)
    assert found.mean() == pytest.approx(-23.0)
    played = [s * 10 ** ((75.0 - x) / 10) for s, x in zip(spectra, found, strict=True)]
    loud = [erb_sum_loudness(f_hz, s) for s in played]
    assert all(b == pytest.approx(a, rel=1e-3) for a, b in pairwise(loud))


def test_a_mean_over_some_leaves_the_others_out():
    f_hz = np.arange(0, 20_000, 10.0)
    flat = np.ones(len(f_hz))
    levels = relative_levels_db("a_weighted", f_hz, [flat, flat * 4, flat * 100], among=[0, 1])
    step = 10 * np.log10(4)
    np.testing.assert_allclose(levels, [-step / 2, step / 2, 20 - step / 2])


def test_an_unknown_model_is_refused(tmp_path, demo_stages, demo_music):
    with pytest.raises(InputError, match=r"'sones' is no loudness model\. Choose one of bs1770"):
        render_set(demo_stages, demo_music[:1], tmp_path / "set", loudness_model="sones")
    assert not (tmp_path / "set").exists()
