"""A small study with known sound, written without the renderer so that tests start at once."""

from __future__ import annotations

import hashlib
from pathlib import Path

import numpy as np
import soundfile as sf

from stimuli.manifest import Manifest, ProgrammeRecord, StageRecord, StimulusRecord, write_manifest

RATE = 48_000
STAGES = ("osprey", "heron", "plover")

STUDY = """
format = 1
title = "Boathouse trial"
target = "car-cabin"

[[stages]]
id = "osprey"
label = "Osprey"
responses = ["responses/osprey.csv"]

[[stages]]
id = "heron"
label = "Heron"
responses = ["responses/heron.csv"]

[[stages]]
id = "plover"
label = "Plover"
responses = ["responses/plover.csv"]

[[programmes]]
id = "ripple"
file = "programmes/ripple.wav"

{tests}

[plan]
listeners = 4
"""

ABX = """
[[tests]]
method = "abx"
pairs = [["osprey", "heron"]]
trials = 1
practice = 1
"""

PAIRED = """
[[tests]]
method = "paired"
pairs = [["osprey", "plover"]]
trials = 2
practice = 0
"""


def stage_sound(stage: str, seconds: float = 1.5) -> np.ndarray:
    """Noise with a level and a slow swing of its own for each stage."""
    seed = STAGES.index(stage)
    rng = np.random.default_rng(seed)
    n = round(seconds * RATE)
    swing = 0.6 + 0.4 * np.sin(2 * np.pi * (2 + seed) * np.arange(n) / n)
    return 0.2 * swing[:, None] * rng.uniform(-1, 1, (n, 2))


def write_study(root: Path, *, tests: str, seconds: float = 1.5) -> Path:
    """Write study file, responses, programme, stimuli and manifest below ``root``."""
    for name in ("responses", "programmes", "stimuli"):
        (root / name).mkdir(parents=True, exist_ok=True)
    (root / "study.toml").write_text(STUDY.format(tests=tests), encoding="utf-8")
    table = "\n".join(f"{f_hz}, 0.0" for f_hz in (20, 100, 1000, 10000, 20000))
    for stage in STAGES:
        (root / "responses" / f"{stage}.csv").write_text(table, encoding="utf-8")
    sf.write(root / "programmes" / "ripple.wav", stage_sound("osprey", seconds), RATE)
    records = [_stimulus(root, stage, k, seconds) for k, stage in enumerate(STAGES)]
    write_manifest(_manifest(records), root / "stimuli")
    return root


def _stimulus(root: Path, stage: str, number: int, seconds: float) -> StimulusRecord:
    name = hashlib.sha256(f"file {number}".encode()).hexdigest()[:20] + ".flac"
    path = root / "stimuli" / name
    sound = stage_sound(stage, seconds)
    sf.write(path, sound, RATE, subtype="PCM_24")
    return StimulusRecord(
        stage=stage,
        programme="ripple",
        file_name=name,
        sample_rate=RATE,
        frames=len(sound),
        channels=2,
        gain_db=0.0,
        loudness_before_lufs=-20.0,
        loudness_after_lufs=-20.0,
        residual_lu=0.0,
        true_peak_dbtp=-10.0,
        filter_taps=1,
        valid_low_hz=20.0,
        valid_high_hz=20000.0,
        other_models_db={},
        sha256=hashlib.sha256(path.read_bytes()).hexdigest(),
    )


def _manifest(records: list[StimulusRecord]) -> Manifest:
    programme = ProgrammeRecord(
        id="ripple",
        path="../programmes/ripple.wav",
        start_s=0.0,
        length_s=1.5,
        source_rate=RATE,
        sha256="0" * 64,
        notes=(),
    )
    return Manifest(
        loudness_model="BS.1770",
        target_lufs=-20.0,
        headroom_db=0.0,
        true_peak_limit_dbtp=-1.0,
        boost_cap_db=12.0,
        other_models={},
        software={},
        playback_sources=(),
        playback_sha256=(),
        stages=tuple(_stage(stage) for stage in STAGES),
        programmes=(programme,),
        stimuli=tuple(records),
    )


def _stage(stage: str) -> StageRecord:
    return StageRecord(
        id=stage,
        label=stage.title(),
        band_hz=(1000.0,),
        band_level_db=(0.0,),
        achieved_db=(0.0,),
        capped_hz=(),
        valid_low_hz=20.0,
        valid_high_hz=20000.0,
        filter_taps=1,
        n_positions=1,
        sources=(f"responses/{stage}.csv",),
        sha256=("0" * 64,),
    )
