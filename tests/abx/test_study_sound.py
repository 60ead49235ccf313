"""What the study file can ask of the sound: made stages, sides, impulses, rendering."""

from __future__ import annotations

import numpy as np
import numpy.testing as npt
import pytest
import soundfile

from abx.errors import InputError
from abx.evidence.collect import stage_table
from abx.sound.details import stage_details
from abx.sound.stages import stage_files, stage_specs
from abx.sound.stimuli import check_stimuli, load_stages, refuse_stale_sound, render
from abx.study.workspace import Workspace
from abx.study_file.reading import load_study, study_from_text
from analysis.tables.stages import stage_table as checked_stages
from helpers.study_desk import STUDY, Desk, make_desk
from stimuli.filters.design import design_stage_filter

MADE = """
[[stages]]
id = "swap"
made = { from = "untouched", regions = ["bass", "presence and treble"], of = "refit" }

[[stages]]
id = "half"
made = { from = "untouched", share = 0.5, to = "refit" }

[[stages]]
id = "mended"
made = { from = "refit", corrected = "deep bass" }

[[stages]]
id = "sides"
responses = ["responses/untouched.csv"]
right_responses = ["responses/refit.csv"]

[[stages]]
id = "room"
responses = ["responses/refit.csv"]
impulse = "responses/room.wav"

[rendering]
phase = "linear"
smoothing = "1/6"
fill_dips = true
boost_cap_db = 9.0
loudness_model = "a_weighted"
listening_level_db = 70.0

[playback]
stage = "damped"

[[programmes]]
id = "kite-street\""""


def study_with(more: str) -> str:
    head, tail = STUDY.split('[[programmes]]\nid = "kite-street"', 1)
    return head + more.strip() + tail


def room(path):
    """Write an impulse at another rate: a direct sound and one reflection."""
    h = np.zeros(4410)
    h[100], h[500] = 1.0, 0.5
    soundfile.write(path, h, 44_100, subtype="FLOAT")


@pytest.fixture
def made_desk(tmp_path) -> Desk:
    desk = make_desk(tmp_path / "study", text=study_with(MADE))
    room(desk.root / "responses" / "room.wav")
    return desk


def test_every_choice_reaches_the_rendered_set(made_desk):
    workspace = Workspace.open(made_desk.root)
    manifest = render(workspace)
    stages = {stage.id: stage for stage in manifest.stages}
    assert stages["swap"].synthetic.startswith(
        "region swap: untouched with bass, presence and treble"
    )
    assert stages["half"].synthetic == "partial step: 50 % from untouched to refit in dB"
    assert stages["mended"].synthetic.startswith("corrected copy: refit with deep bass")
    assert stages["untouched"].synthetic == ""
    marked = {name for name, stage in stages.items() if stage.label.endswith(" (made)")}
    assert marked == {"swap", "half", "mended"}
    assert stages["sides"].right_band_level_db is not None
    assert stages["room"].phase == "measured"
    assert stages["untouched"].phase == "linear"
    assert manifest.boost_cap_db == 9.0
    assert manifest.matched_in == "a_weighted"
    assert manifest.listening_level_db == 70.0
    assert "at 70 dB SPL" in manifest.other_models["erb_sum"]
    assert manifest.playback_sources == ("damped.csv",)
    # Over what is installed now the installed stage itself is flat: nothing is added to it.
    npt.assert_allclose(stages["damped"].band_level_db, 0, atol=0.01)
    failed = [check.words for check in check_stimuli(workspace).checks if not check.passed]
    assert not failed
    refuse_stale_sound(workspace)


def test_a_made_stage_is_where_its_words_say(made_desk):
    study = load_study(Workspace.open(made_desk.root))
    stages = load_stages(Workspace.open(made_desk.root), study)

    def level(name, f_hz):
        response = stages[name]
        return response.level_at(f_hz) - response.level_at(1000.0)

    # The tables differ below 200 Hz only: -9 dB in untouched, 0 dB in refit. One of the 15 bands by
    # which the two are aligned, that of 199.5 Hz, is among those: 9 dB / 15 = 0.6 dB.
    assert level("swap", 100.0) == pytest.approx(-0.6, abs=0.01)
    assert level("swap", 45.0) == pytest.approx(-9, abs=0.01)
    assert level("half", 100.0) == pytest.approx(-4.5, abs=0.01)


def test_smoothing_and_dips_change_the_filter_that_is_rendered(tmp_path):
    f = np.geomspace(30, 20_000, 900)
    dip = -12 * np.exp(-(((np.log2(f / 1000)) / 0.05) ** 2))
    desk = make_desk(tmp_path / "study")
    for name in ("untouched", "refit"):
        (desk.root / "responses" / f"{name}.csv").write_text(
            "".join(f"{a:.3f},{b:.3f}\n" for a, b in zip(f, dip, strict=True))
        )
    depths = {}
    for words in ("", '[rendering]\nsmoothing = "1/3"\n', "[rendering]\nfill_dips = true\n"):
        (desk.root / "study.toml").write_text(STUDY.replace("[plan]", words + "\n[plan]"))
        workspace = Workspace.open(desk.root)
        from abx.sound.stages import filter_choices

        study = load_study(workspace)
        stage = stage_specs(workspace, study)[0]
        taps = design_stage_filter(stage.response, rate=48_000, choices=filter_choices(study)).taps
        gain = 20 * np.log10(np.abs(np.fft.rfft(taps, 1 << 17)))
        at = np.fft.rfftfreq(1 << 17, 1 / 48_000)
        depths[words] = np.interp(1000, at, gain) - np.interp(1600, at, gain)
    asked, smooth, filled = depths.values()
    assert asked < -9  # the dip as measured
    assert smooth > -5  # nothing finer than a third of an octave
    assert filled > -5  # no deeper than its third of an octave


def test_sixteen_runs_come_with_their_factors():
    runs = '[region_runs]\nfrom = "untouched"\nto = "refit"\n\n[[programmes]]\nid = "kite-street"'
    study = study_from_text(study_with(runs))
    made = [stage for stage in study.stages if stage.made]
    assert [stage.id for stage in made] == [f"run-{n:02d}" for n in range(1, 17)]
    names = [f"region_{n}" for n in ("deep_bass", "bass", "low_mid", "mid", "presence_and_treble")]
    signs = np.array([[1 if s.factors[n] == "refit" else -1 for n in names] for s in made])
    npt.assert_array_equal(signs.prod(axis=1), 1)  # I = ABCDE: resolution V
    assert len({tuple(row) for row in signs}) == 16
    for name, level in (("untouched", "untouched"), ("refit", "refit")):
        assert all(study.stage(name).factors[n] == level for n in names)
    assert all(stage.label.endswith(" (made)") for stage in made)
    assert study.stage("untouched").factors["walls"] == "bare"  # what was there stays
    order = [stage.id for stage in study.stages]
    assert order.index("untouched") < order.index("refit") < order.index("run-01")


def test_what_was_measured_again_gives_the_repeat_sd(tmp_path):
    text = STUDY.replace(
        'responses = ["responses/untouched.csv"]',
        'responses = ["responses/untouched.csv"]\nagain = ["responses/untouched-again.csv"]',
    )
    desk = make_desk(tmp_path / "study", text=text)
    table = (desk.root / "responses" / "untouched.csv").read_text().splitlines()
    # 1 dB more in every second band: both measurements differ in their spread.
    again = [row.split(",") for row in table]
    (desk.root / "responses" / "untouched-again.csv").write_text(
        "".join(f"{f},{float(level) + i % 2}\n" for i, (f, level) in enumerate(again))
    )
    workspace = Workspace.open(desk.root)
    untouched, damped, *_ = stage_details(workspace, load_study(workspace))
    value = untouched.metrics["deviation_sd_db"]
    assert (value.repeat_kind, value.n_repeats) == ("repeated measurements", 2)
    assert value.repeat_sd > 0
    assert damped.metrics["deviation_sd_db"].repeat_sd is None
    assert "responses/untouched-again.csv" in stage_files(load_study(workspace))
    row = stage_table(workspace, load_study(workspace)).set_index("stage").loc["untouched"]
    assert row["metric_deviation_sd_db_repeat_sd"] == pytest.approx(value.repeat_sd)


def test_the_stage_table_says_which_stages_are_made_and_what_they_do_not_cost(made_desk):
    workspace = Workspace.open(made_desk.root)
    table = stage_table(workspace, load_study(workspace))
    by = table.set_index("stage")
    made = {"swap": "region swap", "half": "partial step", "mended": "corrected copy"}
    assert {name: kind for name, kind in by["made"].items() if kind} == made
    assert by.loc[list(made), ["cost", "labour_h"]].isna().all(axis=None)
    # Only what the study file says: what it leaves out is an empty cell, not 0.
    assert by["cost"].dropna().to_dict() == {"damped": 400.0, "ceiling": 250.0, "refit": 650.0}
    # A partial step and the two stages between which it lies; nobody wrote a factor down.
    doses = by["factor_dose"].dropna().to_dict()
    assert doses == {"untouched": "0", "half": "50", "refit": "100"}
    read = checked_stages(table)
    assert read.made == made
    assert read.notes == ()
    assert "dose" not in read.step_factors


SWAP = 'made = { from = "untouched", regions = ["bass"], of = "refit" }'


@pytest.mark.parametrize(
    ("old", "new", "problem"),
    [
        (SWAP, f"{SWAP}\ncost = 0.0", "cost: 'made' and 'cost' together. Remove it: a made stage"),
        (SWAP, f"{SWAP}\nlabour_h = 2", "labour_h: 'made' and 'labour_h' together"),
        (SWAP, SWAP.replace("bass", "boss"), r"made.regions\[0\]: there is no region 'boss'"),
        (
            SWAP,
            SWAP.replace("untouched", "stack"),
            r"made.from: there is no measured stage 'stack'",
        ),
        (SWAP, SWAP.replace('of = "refit"', 'of = "one"'), r"made.of: there is no measured stage"),
        (SWAP, SWAP.replace("refit", "swap"), r"made.of: there is no measured stage 'swap'"),
        (SWAP, SWAP + '\nresponses = ["a.csv"]', r"responses: 'made' and 'responses' together"),
        (SWAP, 'made = { from = "untouched" }', r"exactly one of regions, share and corrected"),
        (
            SWAP,
            'made = { from = "untouched", share = 2, to = "refit" }',
            r"made.share: 2 is out of",
        ),
        (SWAP, 'made = { from = "untouched", share = 0.5, of = "refit" }', r"made.of: unknown key"),
        ("[plan]", '[rendering]\nphase = "zero"\n[plan]', r"rendering.phase: 'zero' is not"),
        ("[plan]", "[rendering]\nboost = 3\n[plan]", r"rendering.boost: unknown key 'boost'"),
        ("[plan]", '[playback]\nstage = "x"\n[plan]', r"playback.stage: there is no measured"),
        ("[plan]", '[region_runs]\nfrom = "refit"\nto = "refit"\n[plan]', r"to: 'refit' twice"),
        (
            "listeners prefer refit over untouched",
            "step swap before refit",
            r"plan.claims\[0\]: 'swap' is a made stage, an experiment that nobody can buy",
        ),
    ],
)
def test_what_makes_no_sense_is_refused_at_its_line(old, new, problem):
    swap = f'[[stages]]\nid = "swap"\n{SWAP}\n\n[[programmes]]\nid = "kite-street"'
    with pytest.raises(InputError, match=problem) as refused:
        study_from_text(study_with(swap).replace(old, new, 1))
    assert "line " in str(refused.value)
    assert refused.value.remedy


def test_an_impulse_that_cannot_serve_is_named(made_desk):
    path = made_desk.root / "responses" / "room.wav"
    soundfile.write(path, np.zeros((4000, 2)), 48_000)
    workspace = Workspace.open(made_desk.root)
    with pytest.raises(InputError, match=r"room\.wav: the impulse response has 2 channels"):
        stage_specs(workspace, load_study(workspace))
    path.write_text("no sound")
    with pytest.raises(InputError, match=r"room\.wav: the impulse response cannot be read"):
        stage_specs(workspace, load_study(workspace))


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('phase = "linear"', 'phase = "minimum"', r"phase in \[rendering\]"),
        ('loudness_model = "a_weighted"', "", r"loudness_model in \[rendering\]"),
        ("boost_cap_db = 9.0", "boost_cap_db = 8.0", r"boost_cap_db in \[rendering\]"),
        ('[playback]\nstage = "damped"', "", "the playback response"),
    ],
)
def test_sound_rendered_with_other_settings_is_stale(made_desk, old, new, said):
    workspace = Workspace.open(made_desk.root)
    render(workspace)
    file = made_desk.root / "study.toml"
    text = file.read_text()
    assert old in text
    file.write_text(text.replace(old, new))
    with pytest.raises(InputError, match=f"changed: {said}"):
        refuse_stale_sound(workspace)
