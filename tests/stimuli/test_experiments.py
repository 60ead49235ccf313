"""Region swaps, partial steps, corrected copies and the 16-run design."""

import itertools

import numpy as np
import numpy.testing as npt
import pytest

from stimuli.figures.deviation import REGIONS, compare_with_target
from stimuli.files.errors import InputError
from stimuli.filters.experiments import (
    FIVE_REGIONS,
    corrected_copy,
    partial_steps,
    region_swap,
    region_weight,
    resolution_v_design,
)
from stimuli.render.check import verify_set
from stimuli.render.sets import StageSpec, render_set
from stimuli.response.bands import third_octave_bands
from stimuli.response.target import built_in_target

BANDS = third_octave_bands()
RNG = np.random.default_rng(2)


@pytest.fixture(scope="module")
def two(make_stage):
    rng = np.random.default_rng(2)
    a = StageSpec("untouched", "As found", make_stage(75 + rng.normal(0, 3, 31)))
    b = StageSpec("refit", "Refit", make_stage(81 + rng.normal(0, 3, 31)))
    return a, b


def aligned(stage):
    level = stage.response.level_db
    return level - level[(BANDS.mid_hz > 196) & (BANDS.mid_hz < 5100)].mean()


def test_weights_of_all_regions_add_up_to_one():
    f = np.geomspace(10, 24000, 2001)
    for edges in (REGIONS, FIVE_REGIONS):
        total = sum(region_weight(f, low, high) for low, high in edges.values())
        npt.assert_allclose(total, 1, atol=1e-12)


def test_weight_is_one_inside_half_at_the_edge_and_zero_outside():
    low, high = REGIONS["bass"]
    f = np.array([low / 1.2, low, np.sqrt(low * high), high, high * 1.2])
    npt.assert_allclose(region_weight(f, low, high), [0, 0.5, 1, 0.5, 0], atol=1e-12)


@pytest.mark.parametrize("region", list(REGIONS))
def test_swap_takes_the_region_and_nothing_else(two, region):
    a, b = two
    result = region_swap(a, b, [region])
    low, high = REGIONS[region]
    inside = (BANDS.low_hz > low * 0.999) & (BANDS.high_hz < high * 1.001)
    npt.assert_allclose(result.response.level_db[inside], aligned(b)[inside], atol=1e-9)
    npt.assert_allclose(result.response.level_db[~inside], aligned(a)[~inside], atol=1e-9)
    assert result.synthetic == f"region swap: untouched with {region} of refit"
    assert len(result.id) <= 40


def test_swap_of_everything_is_the_donor_and_of_nothing_the_stage(two):
    a, b = two
    npt.assert_allclose(region_swap(a, b, REGIONS).response.level_db, aligned(b), atol=1e-9)
    npt.assert_allclose(region_swap(a, b, []).response.level_db, aligned(a), atol=1e-9)


def test_fine_curves_change_smoothly(make_stage):
    from stimuli.response.measured import Response, power_average

    f = np.geomspace(18, 22000, 3000)
    a = StageSpec("a", "", power_average([Response(f, np.zeros(3000))]))
    b = StageSpec("b", "", power_average([Response(f, np.where(f < 141, 8.0, 0.0))]))
    level = region_swap(a, b, ["bass"]).response.level_db
    steps = np.abs(np.diff(level)) / np.diff(np.log2(f))
    assert (
        steps[f[:-1] < 130].max() < 8 * 1.6 / 0.28
    )  # no jump: a sine ramp rises by pi/2 of its mean slope


def test_partial_steps_are_straight_in_decibels(two):
    a, b = two
    steps = partial_steps(a, b)
    assert [s.id for s in steps] == [f"untouched-to-refit-{n}" for n in (0, 25, 50, 75, 100)]
    npt.assert_allclose(steps[0].response.level_db, aligned(a), atol=1e-9)
    npt.assert_allclose(steps[4].response.level_db, aligned(b), atol=1e-9)
    npt.assert_allclose(
        steps[1].response.level_db, 0.75 * aligned(a) + 0.25 * aligned(b), atol=1e-9
    )
    assert all(s.synthetic for s in steps)


def test_corrected_copy_is_on_target_in_its_region_only(two):
    a, _ = two
    target = built_in_target("house-curve")
    before = compare_with_target(a.response, target)
    copy = corrected_copy(a, target, "bass")
    after = compare_with_target(copy.response, target)
    assert abs(after.regions["bass"]) < 0.05
    for name in REGIONS:
        if name != "bass":
            assert after.regions[name] == pytest.approx(before.regions[name], abs=1e-9)


def test_unknown_region_and_share_are_refused(two):
    a, b = two
    with pytest.raises(InputError, match=r"region 'boom': there is no region.*deep bass"):
        region_swap(a, b, ["boom"])
    with pytest.raises(InputError, match=r"1\.5 is not a part of the way"):
        partial_steps(a, b, shares=(0, 1.5))
    with pytest.raises(InputError, match="region 'boom'"):
        corrected_copy(a, built_in_target("flat"), "boom")


def test_design_has_resolution_five():
    runs = resolution_v_design()
    x = np.array([list(run.levels.values()) for run in runs])
    assert x.shape == (16, 5)
    assert len({tuple(row) for row in x}) == 16
    # defining relation I = ABCDE
    npt.assert_array_equal(x.prod(axis=1), 1)
    # 5 main effects and 10 two-region interactions are all orthogonal to each other and the mean
    columns = [np.ones(16), *x.T]
    columns += [x[:, i] * x[:, j] for i, j in itertools.combinations(range(5), 2)]
    gram = np.array(columns) @ np.array(columns).T
    npt.assert_array_equal(gram, 16 * np.eye(16))


def test_design_needs_five_regions():
    with pytest.raises(InputError, match="4 different regions given, five are needed"):
        resolution_v_design(["a", "b", "c", "d", "d"])


def test_synthetic_stages_render_like_any_other(two, tmp_path):
    import soundfile

    from stimuli.programme.reading import ProgrammeSpec

    a, b = two
    noise = np.random.default_rng(3).normal(0, 0.05, (96000, 2))
    soundfile.write(tmp_path / "m.wav", noise, 48000)
    stages = [a, region_swap(a, b, ["bass"]), *partial_steps(a, b, shares=(0.5,))]
    manifest = render_set(
        stages, [ProgrammeSpec("m", tmp_path / "m.wav")], tmp_path / "out", pink_seconds=4.0
    )
    assert verify_set(tmp_path / "out").passed
    assert [bool(s.synthetic) for s in manifest.stages] == [False, True, True]
