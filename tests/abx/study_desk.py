"""A small real study on disk: response tables, audio files, rendered stimuli, manifest."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile

from abx.session import Sessions
from abx.store import Store
from abx.study import Study, read_study
from stimuli.manifest import (
    Manifest,
    ProgrammeRecord,
    StageRecord,
    StimulusRecord,
    read_manifest,
    write_manifest,
)

RATE = 48_000
BANDS_HZ = tuple(float(1000 * 10 ** (n / 10)) for n in range(-14, 13))
STAGES = {"stock": -9.0, "source": -6.0, "speakers": -3.0, "both": 0.0}
PROGRAMMES = ("kite-street", "tin-roof", "low-tide")

STUDY = """\
format = 1
title = "Cabin test"
target = "car-cabin"

[[stages]]
id = "stock"
label = "As delivered"
responses = ["responses/stock.csv"]
factors = { source = "stock", speakers = "stock" }

[[stages]]
id = "source"
responses = ["responses/source.csv"]
cost = 400.0

[[stages]]
id = "speakers"
responses = ["responses/speakers.csv"]
cost = 250.0

[[stages]]
id = "both"
responses = ["responses/both.csv"]
cost = 650.0

[[programmes]]
id = "kite-street"
file = "programmes/kite-street.wav"

[[programmes]]
id = "tin-roof"
file = "programmes/tin-roof.wav"

[[programmes]]
id = "low-tide"
file = "programmes/low-tide.wav"

[[tests]]
method = "abx"
pairs = [["stock", "both"], ["source", "speakers"]]
trials = 4
repeats = 1
controls = { identical = 1, obvious = 1 }

[[tests]]
method = "paired"
stages = "all"
trials = 1
repeats = 2
ties = true

[plan]
listeners = 8
claims = ["listeners prefer both over stock"]
"""


@dataclass(frozen=True)
class Desk:
    """A study folder and what tests need from it."""

    root: Path

    @property
    def study(self) -> Study:
        return read_study(self.root / "study.toml")

    @property
    def manifest(self) -> Manifest:
        return read_manifest(self.root / "stimuli" / "manifest.json")

    def sessions(self, store: Store) -> Sessions:
        return Sessions(store, self.study, self.manifest, self.root / "stimuli")


def make_desk(root: Path, *, text: str = STUDY, seconds: float = 0.5) -> Desk:
    """Write a study whose stimuli are one noise a programme, shaped by a gain a stage."""
    for folder in ("responses", "programmes", "stimuli"):
        (root / folder).mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng(7)
    for stage, bass_db in STAGES.items():
        lines = [f"{f:.2f},{_band_level(f, bass_db):.2f}" for f in BANDS_HZ]
        (root / "responses" / f"{stage}.csv").write_text("\n".join(lines) + "\n")
    frames = int(seconds * RATE)
    stimuli = []
    for programme in (*PROGRAMMES, "pink-noise"):
        source = rng.normal(0, 0.05, (frames, 2)).clip(-0.9, 0.9)
        if programme != "pink-noise":
            soundfile.write(root / "programmes" / f"{programme}.wav", source, RATE)
        for stage, gain_db in STAGES.items():
            stimuli.append(_write_stimulus(root / "stimuli", stage, programme, source, gain_db))
    write_manifest(_manifest(tuple(stimuli), frames), root / "stimuli")
    (root / "study.toml").write_text(text)
    return Desk(root)


def _band_level(f_hz: float, bass_db: float) -> float:
    return bass_db if f_hz < 200 else 0.0


def _write_stimulus(
    folder: Path, stage: str, programme: str, source: np.ndarray, gain_db: float
) -> StimulusRecord:
    name = hashlib.sha256(f"{stage}/{programme}".encode()).hexdigest()[:16] + ".flac"
    soundfile.write(folder / name, source * 10 ** (gain_db / 20), RATE, subtype="PCM_24")
    return StimulusRecord(
        stage=stage,
        programme=programme,
        file_name=name,
        sample_rate=RATE,
        frames=len(source),
        channels=2,
        gain_db=gain_db,
        loudness_before_lufs=-26.0,
        loudness_after_lufs=-26.0,
        residual_lu=0.0,
        true_peak_dbtp=-6.0,
        filter_taps=1,
        valid_low_hz=40.0,
        valid_high_hz=16_000.0,
        other_models_db={},
        sha256=hashlib.sha256((folder / name).read_bytes()).hexdigest(),
    )


def _manifest(stimuli: tuple[StimulusRecord, ...], frames: int) -> Manifest:
    stages = tuple(
        StageRecord(
            id=stage,
            label=stage,
            band_hz=BANDS_HZ,
            band_level_db=tuple(_band_level(f, bass_db) for f in BANDS_HZ),
            achieved_db=tuple(_band_level(f, bass_db) for f in BANDS_HZ),
            capped_hz=(),
            valid_low_hz=40.0,
            valid_high_hz=16_000.0,
            filter_taps=1,
            n_positions=1,
            sources=(f"responses/{stage}.csv",),
            sha256=("0" * 64,),
        )
        for stage, bass_db in STAGES.items()
    )
    programmes = tuple(
        ProgrammeRecord(p, None, 0.0, frames / RATE, RATE, "", ()) for p in PROGRAMMES
    )
    return Manifest(
        loudness_model="BS.1770-5",
        target_lufs=-26.0,
        headroom_db=3.0,
        true_peak_limit_dbtp=-1.0,
        boost_cap_db=12.0,
        other_models={},
        software={},
        playback_sources=(),
        playback_sha256=(),
        stages=stages,
        programmes=programmes,
        stimuli=stimuli,
    )


def answer_open_trial(sessions: Sessions, token: str, *, pick: int = 0) -> dict[str, object]:
    """Answer whatever is open through the messages a player sees; returns the next one."""
    message = sessions.next_trial(token)
    if message["state"] == "break":
        return sessions.resume(token)
    answers = message["answers"]
    done = sessions.record_answer(
        token,
        message["trial"],
        answers[pick % len(answers)]["value"],
        response_s=3.0,
        switches=4,
        listened_s=dict.fromkeys(message["versions"], 1.5),
    )
    return done.next


def sit_through(sessions: Sessions, token: str) -> int:
    """Answer until nothing is open; returns the number of answers."""
    count = 0
    while sessions.next_trial(token)["state"] in ("trial", "break"):
        answer_open_trial(sessions, token, pick=count)
        count += 1
    return count
