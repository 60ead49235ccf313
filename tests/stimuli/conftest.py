"""Shared by the tests of stimuli: reference tables and a small rendered set."""

import csv
from pathlib import Path

import numpy as np
import pytest
import soundfile

from stimuli.programme.demo_music import demo_programmes, synthesise
from stimuli.programme.reading import ProgrammeSpec
from stimuli.render.sets import StageSpec, render_set
from stimuli.response.bands import third_octave_bands
from stimuli.response.measured import Response, power_average

REFERENCE = Path(__file__).parent / "reference"


def reference_rows(name):
    with (REFERENCE / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@pytest.fixture(scope="session")
def reference():
    return reference_rows


def stage_of(levels_db, *, low=20.0, high=20000.0, positions=1, seed=0, spread_db=0.0):
    bands = third_octave_bands(low, high)
    rng = np.random.default_rng(seed)
    levels = np.broadcast_to(np.asarray(levels_db, dtype=float), (len(bands),))
    return power_average(
        [
            Response(bands.nominal_hz, levels + rng.normal(0, spread_db, len(bands)), None, f"p{i}")
            for i in range(positions)
        ]
    )


@pytest.fixture(scope="session")
def make_stage():
    return stage_of


def octaves():
    return np.log2(third_octave_bands().mid_hz / 1000)


@pytest.fixture(scope="session")
def demo_stages():
    x = octaves()
    rng = np.random.default_rng(1)
    thin = 78 - 12 * np.clip(-(x + 3.6), 0, 9)
    bassy = 75 + 9 / (1 + np.exp(3 * (x + 3.3)))
    rough = 75 + rng.normal(0, 4, len(x))
    return [
        StageSpec("thin", "Ceiling only", stage_of(thin, positions=3, spread_db=0.7, seed=2)),
        StageSpec("bassy", "With a low unit", stage_of(bassy, positions=3, seed=3)),
        StageSpec("rough", "Untuned", stage_of(rough, positions=2, seed=4)),
    ]


@pytest.fixture(scope="session")
def demo_music(tmp_path_factory):
    folder = tmp_path_factory.mktemp("programmes")
    specs = []
    for name in demo_programmes()[:2]:
        path = folder / f"{name}.wav"
        soundfile.write(path, synthesise(name, seconds=6.0), 48000, subtype="PCM_24")
        specs.append(ProgrammeSpec(name, path))
    return specs


@pytest.fixture(scope="session")
def rendered(demo_stages, demo_music, tmp_path_factory):
    folder = tmp_path_factory.mktemp("rendered") / "stimuli"
    manifest = render_set(demo_stages, demo_music, folder, pink_seconds=8.0)
    return folder, manifest
