"""A small real study on disk: response tables, audio files, rendered stimuli, manifest."""

from __future__ import annotations

import atexit
import shutil
import tempfile
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
import soundfile

from abx.session.sessions import Sessions
from abx.store import Store
from abx.study.model import Study
from abx.study_file.reading import read_study
from stimuli.programme.reading import ProgrammeSpec
from stimuli.render.manifest import Manifest, read_manifest
from stimuli.render.sets import StageSpec, render_set
from stimuli.response.measured import power_average, read_response

RATE = 48_000
BANDS_HZ = tuple(float(1000 * 10 ** (n / 10)) for n in range(-14, 13))
STAGES = {"untouched": -9.0, "damped": -6.0, "ceiling": -3.0, "refit": 0.0}
PROGRAMMES = ("kite-street", "tin-roof", "low-tide")

STUDY = """\
format = 1
title = "Saloon test"
target = "house-curve"

[[stages]]
id = "untouched"
label = "As found"
responses = ["responses/untouched.csv"]
factors = { walls = "bare", ceiling = "aged" }

[[stages]]
id = "damped"
responses = ["responses/damped.csv"]
cost = 400.0

[[stages]]
id = "ceiling"
responses = ["responses/ceiling.csv"]
cost = 250.0

[[stages]]
id = "refit"
responses = ["responses/refit.csv"]
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
pairs = [["untouched", "refit"], ["damped", "ceiling"]]
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
claims = ["listeners prefer refit over untouched"]
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


def make_desk(root: Path, *, text: str = STUDY, seconds: float = 1.0) -> Desk:
    """Copy the rendered study and write its study file."""
    shutil.copytree(_rendered(seconds), root)
    (root / "study.toml").write_text(text)
    return Desk(root)


@cache
def _rendered(seconds: float) -> Path:
    """Render three short programmes through four stages, once a run of the tests."""
    root = Path(tempfile.mkdtemp(prefix="ew-desk-"))
    atexit.register(shutil.rmtree, root, ignore_errors=True)
    for folder in ("responses", "programmes"):
        (root / folder).mkdir()
    stages = []
    for stage, bass_db in STAGES.items():
        table = root / "responses" / f"{stage}.csv"
        table.write_text("".join(f"{f:.2f},{_band_level(f, bass_db):.2f}\n" for f in BANDS_HZ))
        stages.append(StageSpec(stage, stage, power_average([read_response(table)])))
    rng = np.random.default_rng(7)
    programmes = []
    for programme in PROGRAMMES:
        file = root / "programmes" / f"{programme}.wav"
        frames = int(seconds * RATE)
        soundfile.write(file, rng.normal(0, 0.05, (frames, 2)).clip(-0.9, 0.9), RATE)
        programmes.append(ProgrammeSpec(programme, file))
    render_set(stages, programmes, root / "stimuli")
    return root


def _band_level(f_hz: float, bass_db: float) -> float:
    return bass_db if f_hz < 200 else 0.0


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
