"""What is known about stages, and which excerpts tell them apart, by the commands."""

import json
import subprocess
import sys
import tomllib

import numpy as np


def test_figures_carry_what_they_rest_on(demo, call, tmp_path):
    study, _ = demo
    outcome = call(
        *("stages", study, "--figures", tmp_path / "f.json", "--pictures", tmp_path / "pictures")
    )
    assert outcome.code == 0, outcome
    assert "not resolved" in outcome.out  # two of the demonstration's stages differ in little
    assert "6 dB down at: " in outcome.out
    assert "10 dB down at: " in outcome.out
    assert "samples at 48 kHz" in outcome.out
    stages = json.loads((tmp_path / "f.json").read_text())["stages"]
    ids = [s["id"] for s in tomllib.loads((study / "study.toml").read_text())["stages"]]
    assert [stage["stage"] for stage in stages] == ids
    for stage in stages:
        value = stage["metrics"]["deviation_sd_db"]
        assert value["repeat_sd"] > 0
        assert value["repeat_kind"] == "jackknife over positions"
        assert value["grid"].startswith("1/3 octave")
        assert len(value["target_sha256"]) == 64
        assert value["valid_low_hz"] < 30
        low = [b["low_hz"] for b in stage["bandwidths"]]
        assert low[1] is None or low[0] > low[1]  # 10 dB down lies further out than 6 dB
    for name in ("responses.svg", "regions.svg"):
        drawing = (tmp_path / "pictures" / name).read_text()
        assert drawing.rstrip().endswith("</svg>")


def test_excerpts_are_proposed_that_the_study_file_takes(demo, call, tmp_path):
    study, _ = demo
    track = sorted((study / "programmes").glob("*.wav"))[0]
    outcome = call(
        "excerpts", study, track, "--length", "6", "--count", "2", "--picture", tmp_path / "t.png"
    )
    assert outcome.code == 0, outcome
    lines = [line.strip() for line in outcome.out.splitlines()]
    keys = [tomllib.loads(line) for line in lines if line.startswith(("start_s", "length_s"))]
    starts = [k["start_s"] for k in keys if "start_s" in k]
    lengths = [k["length_s"] for k in keys if "length_s" in k]
    assert len(starts) == len(lengths) >= 1
    assert np.all(np.array(starts) >= 0)
    assert np.all(np.abs(np.array(lengths) - 6) <= 1.3)
    assert (tmp_path / "t.png").read_bytes().startswith(b"\x89PNG")


def test_a_track_that_is_not_there_is_named(demo, call, tmp_path):
    outcome = call("excerpts", demo[0], tmp_path / "none.wav")
    assert outcome.code == 2
    assert "none.wav" in outcome.err


READ_A_STUDY = """
import sys
from pathlib import Path
from abx.study_file.reading import read_study
from analysis.listeners.screening import parse_screening
plan = read_study(Path(sys.argv[1])).plan
assert plan.claims and parse_screening("BS.1534-3")
print("\\n".join(sorted(sys.modules)))
"""


def test_a_study_is_read_without_waiting_for_the_statistics(demo):
    command = [sys.executable, "-c", READ_A_STUDY, demo[0] / "study.toml"]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    slow = {"pandas", "scipy.stats", "scipy.optimize", "scipy.signal", "soundfile", "sqlalchemy"}
    assert not set(done.stdout.split()) & slow
