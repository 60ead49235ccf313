"""Metrics, their repeat SDs, bandwidth and what counts as a difference."""

import subprocess
import sys

import numpy as np
import numpy.testing as npt
import pytest

from stimuli.figures.deviation import compare_with_target
from stimuli.figures.metrics import (
    METRICS,
    compare_metric,
    measure_metrics,
    narrow_band_deviation_db,
)
from stimuli.figures.pictures import draw_region_table, draw_responses, legend_labels, save_picture
from stimuli.figures.reach import bandwidth
from stimuli.files.errors import InputError
from stimuli.response.bands import third_octave_bands
from stimuli.response.measured import Response
from stimuli.response.target import built_in_target

BANDS = third_octave_bands()
FLAT = built_in_target("flat")
X = np.log2(BANDS.mid_hz / 1000)


def positions(level, *, sd=0.0, n=3, seed=0):
    rng = np.random.default_rng(seed)
    return [Response(BANDS.nominal_hz, level + rng.normal(0, sd, 31)) for _ in range(n)]


def test_bandwidth_of_a_straight_slope(make_stage):
    # -12 dB/octave under 100 Hz: 6 dB down half an octave lower, 10 dB down 10/12 octave lower
    level = -12 * np.clip(np.log2(100 / BANDS.mid_hz), 0, None)
    stage = make_stage(level)
    for drop in (6, 10):
        result = bandwidth(stage, drop_db=drop)
        assert result.low_hz == pytest.approx(100 * 2 ** (-drop / 12), rel=0.02)
        assert result.high_hz is None


def test_a_dip_does_not_end_the_band(make_stage):
    level = np.zeros(31)
    level[7] = -20
    assert bandwidth(make_stage(level)).low_hz is None


def test_narrow_band_deviation_sees_ripple_and_not_tilt(make_stage):
    # alternating +-1 dB: windows (1, -1, 1) deviate by (2/3, 4/3, 2/3), mean 8/9
    ripple = compare_with_target(make_stage((-1.0) ** np.arange(31)), FLAT)
    assert narrow_band_deviation_db(ripple) == pytest.approx(8 / 9)
    # a tilt of 3 dB/octave is about 1 dB a band: windows (-1, 0, 1), mean 2/3
    tilt = compare_with_target(make_stage(3 * X * np.log10(2) / 0.3), FLAT)
    assert narrow_band_deviation_db(tilt) == pytest.approx(2 / 3 * 1.0, rel=0.01)


def test_repeats_give_the_repeat_sd():
    first, again = positions(0 * X), positions(0.5 * X)
    metrics = measure_metrics(first, FLAT, repeats=[again])
    tilt = metrics["tilt_db_per_octave"]
    assert tilt.value == pytest.approx(0, abs=1e-12)
    assert tilt.repeat_sd == pytest.approx(0.5 / np.sqrt(2))
    assert (tilt.repeat_kind, tilt.n_repeats) == ("repeated measurements", 2)
    assert set(metrics) == set(METRICS)


def test_jackknife_over_positions():
    # for a metric that is a mean over positions the jackknife SE is SD / sqrt(n); the region
    # mean of small level differences is one to first order
    shelf = np.where(BANDS.mid_hz < 56, 1.0, 0.0)
    levels = [0.00, 0.02, 0.07]
    responses = [Response(BANDS.nominal_hz, shelf * level) for level in levels]
    metric = measure_metrics(responses, FLAT)["deep_bass_db"]
    assert metric.repeat_kind == "jackknife over positions"
    npt.assert_allclose(metric.repeat_sd, np.std(levels, ddof=1) / np.sqrt(3), rtol=0.01)


def test_differences_under_two_repeat_sds_are_not_resolved():
    a = measure_metrics(positions(0 * X, sd=1.0, seed=1), FLAT)["deviation_sd_db"]
    b = measure_metrics(positions(0 * X, sd=1.0, seed=2), FLAT)["deviation_sd_db"]
    c = measure_metrics(positions(4 * X, sd=1.0, seed=3), FLAT)["deviation_sd_db"]
    close, far = compare_metric(a, b), compare_metric(c, a)
    assert close.resolved is False
    assert close.words.startswith("not resolved")
    assert far.resolved is True
    assert far.value > far.limit


def test_one_position_has_no_repeat_sd():
    a = measure_metrics(positions(X, n=1), FLAT)["deviation_sd_db"]
    result = compare_metric(a, a)
    assert a.repeat_sd is None
    assert result.resolved is None
    assert "repeat SD not known" in result.words


def test_figures_against_different_targets_are_not_compared():
    a = measure_metrics(positions(X), FLAT)["deviation_sd_db"]
    b = measure_metrics(positions(X), built_in_target("house-curve"))["deviation_sd_db"]
    with pytest.raises(InputError, match="differ in target_sha256"):
        compare_metric(a, b)


def test_pictures_show_every_stage(make_stage, tmp_path):
    target = built_in_target("house-curve")
    stages = {
        "As found": make_stage(X, positions=3, spread_db=1.0),
        "Refit": make_stage(-X[4:29], low=50, high=12500),
    }
    figure = draw_responses(stages, target)
    assert legend_labels(figure) == ["house-curve", "As found", "Refit"]
    axes = figure.axes[0]
    drawn = axes.lines[2].get_xdata()
    assert (drawn[0], drawn[-1]) == pytest.approx((50.1, 12589), rel=1e-3)
    table = draw_region_table({k: compare_with_target(s, target) for k, s in stages.items()})
    cells = {text.get_text() for text in table.axes[0].texts}
    assert f"{compare_with_target(stages['Refit'], target).regions['mid']:+.1f}" in cells
    for figure_, name in ((figure, "a.svg"), (table, "b.png")):
        path = save_picture(figure_, tmp_path / name)
        assert path.stat().st_size > 5000
    again = save_picture(draw_responses(stages, target), tmp_path / "c.svg")
    assert "dc:date" not in again.read_text()


ODD_LABELS = (
    "$_{$",
    "$5 & $6",
    "$a^$ and $\\frac$",
    "_hidden",
    "__",
    "100 % \\n",
    "<b>&amp;</b>",
)


@pytest.mark.parametrize("ending", ["svg", "png", "pdf"])
def test_labels_are_drawn_as_they_were_given(make_stage, tmp_path, ending):
    """Prices are no formulas, and a stage whose label begins with an underline is not left out."""
    target = built_in_target("flat")
    stages = {label: make_stage(X + k) for k, label in enumerate(ODD_LABELS)}
    figure = draw_responses(stages, target)
    table = draw_region_table({k: compare_with_target(s, target) for k, s in stages.items()})
    shown = [text.lstrip("\u200b") for text in legend_labels(figure)]
    assert shown == [target.name, *ODD_LABELS]
    assert [text.get_text() for text in table.axes[0].get_yticklabels()] == list(ODD_LABELS)
    for number, drawn in enumerate((figure, table)):
        path = save_picture(drawn, tmp_path / f"{number}.{ending}")
        assert path.stat().st_size > 5000


def test_importing_stimuli_does_not_load_matplotlib_or_sounddevice():
    code = (
        "import sys, stimuli.figures.pictures, stimuli.measuring.capture, stimuli.render.check;"
        "print([m for m in ('matplotlib', 'sounddevice', 'pandas') if m in sys.modules])"
    )
    result = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True
    )
    assert result.stdout.strip() == "[]"
