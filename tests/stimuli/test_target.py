"""Targets and deviation."""

import numpy as np
import numpy.testing as npt
import pytest

from stimuli.figures.deviation import REGIONS, compare_with_target
from stimuli.files.errors import InputError
from stimuli.response.bands import third_octave_bands
from stimuli.response.target import BUILT_IN_TARGETS, built_in_target, piecewise_target, read_target

BANDS = third_octave_bands(20, 20000)


def test_the_house_curve_is_the_trade_s():
    # common practice, no source: +6 dB 25 to 125 Hz, 0 dB from 200 Hz to 12.5 kHz, falling above
    target = built_in_target("house-curve")
    npt.assert_allclose(target.level_at([25, 60, 125]), 6.0)
    npt.assert_allclose(target.level_at([200, 1000, 12500]), 0.0, atol=1e-12)
    assert target.level_at(20000) < 0
    # half-way on the log axis is half-way in dB
    npt.assert_allclose(target.level_at(np.sqrt(125 * 200)), 3.0)


def test_a_stage_on_target_has_no_deviation(make_stage):
    target = built_in_target("house-curve")
    result = compare_with_target(make_stage(target.level_at(BANDS.nominal_hz) + 71), target)
    npt.assert_allclose(result.deviation_db, 0, atol=0.13)  # nominal names stray from mid-bands
    assert abs(result.offset_db - 71) < 0.05
    assert set(result.regions) == set(REGIONS)


def test_tilt_and_spread_of_a_straight_line(make_stage):
    x = np.log2(BANDS.mid_hz / 1000)
    result = compare_with_target(make_stage(-1.5 * x), built_in_target("flat"))
    npt.assert_allclose(result.tilt_db_per_octave, -1.5, rtol=1e-12)
    npt.assert_allclose(result.sd_db, 1.5 * x.std(ddof=1), rtol=1e-12)
    npt.assert_allclose(result.mean_abs_db, np.abs(result.deviation_db).mean(), rtol=1e-12)
    assert result.regions["deep bass"] > 6 > result.regions["bass"] > 0 > result.regions["treble"]


def test_alignment_band_is_declared(make_stage):
    levels = np.where(BANDS.nominal_hz < 400, 10.0, 0.0)
    low = compare_with_target(make_stage(levels), built_in_target("flat"), align_low_hz=100,
                    align_high_hz=200)  # fmt: skip
    assert low.offset_db == 10.0
    npt.assert_allclose(low.deviation_db[BANDS.nominal_hz < 400], 0)


def test_region_without_valid_bands_is_none(make_stage):
    result = compare_with_target(make_stage(0.0, low=125, high=12500), built_in_target("flat"))
    assert result.regions["deep bass"] is None
    assert result.regions["mid"] == 0.0


def test_alignment_outside_the_measurement_is_refused(make_stage):
    with pytest.raises(InputError, match="nothing is measured between 15 and 16 Hz"):
        compare_with_target(
            make_stage(0.0), built_in_target("flat"), align_low_hz=15, align_high_hz=16
        )


def test_regions_cover_the_range_without_gaps():
    edges = list(REGIONS.values())
    assert [high for _, high in edges[:-1]] == [low for low, _ in edges[1:]]


def test_read_target_and_its_hash(tmp_path):
    path = tmp_path / "mine.csv"
    path.write_text("f,level\n25;6\n".replace(";", ",") + "125,6\n200,0\n12500,0\n20000,-4\n")
    target = read_target(path)
    assert target.name == "mine"
    assert target.sha256 == built_in_target("house-curve").sha256


@pytest.mark.parametrize(
    ("points", "words"),
    [
        ([[20, 0]], "at least two points"),
        ([[20, 0], [20, 1]], "target point 2: frequency 20 Hz does not rise"),
        ([[20, 0], [-5, 1]], "target point 2"),
        ([[20, 0], [50, float("nan")]], "target point 2"),
        ([[20, 0], [50]], "target point 2"),
    ],
)
def test_impossible_targets_are_refused(points, words):
    with pytest.raises(InputError, match=words):
        piecewise_target(points)


def test_a_former_name_of_a_target_is_the_same_curve():
    former, today = built_in_target("car-cabin"), built_in_target("house-curve")
    assert (former.name, former.note, former.sha256) == (today.name, today.note, today.sha256)
    # of "25,6;125,6;200,0;12500,0;20000,-4", by sha256sum of coreutils
    assert former.sha256.startswith("8774b805a28fcc57")
    assert "car-cabin" not in BUILT_IN_TARGETS


def test_unknown_target_lists_the_known_ones():
    with pytest.raises(InputError, match=r"no built-in target 'house'.*house-curve"):
        built_in_target("house")
    assert "house-curve" in BUILT_IN_TARGETS
