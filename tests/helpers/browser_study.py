"""A small study, rendered for real, short enough that tests start at once."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import soundfile as sf

from abx.sound.stimuli import render
from abx.study.workspace import Workspace

RATE = 48_000
STAGES = ("osprey", "heron", "plover")

STUDY = """
format = 1
title = "Boathouse trial"
target = "house-curve"

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
familiarisation = {familiarisation}
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


def programme_sound(seconds: float) -> np.ndarray:
    """Noise whose level swings slowly, so that the dial has something to show."""
    rng = np.random.default_rng(7)
    n = round(seconds * RATE)
    swing = 0.6 + 0.4 * np.sin(2 * np.pi * 3 * np.arange(n) / n)
    return 0.2 * swing[:, None] * rng.uniform(-1, 1, (n, 2))


def write_study(
    root: Path, *, tests: str, seconds: float = 1.5, familiarisation: bool = False
) -> Path:
    """Write study file, responses and programme below ``root`` and render the stimuli.

    Getting to know the sound first takes seconds that most tests have no use for.
    """
    for name in ("responses", "programmes"):
        (root / name).mkdir(parents=True, exist_ok=True)
    text = STUDY.format(tests=tests, familiarisation=str(familiarisation).lower())
    (root / "study.toml").write_text(text, encoding="utf-8")
    for number, stage in enumerate(STAGES):
        table = response_table(tilt_db_per_decade=3.0 * (number - 1))
        (root / "responses" / f"{stage}.csv").write_text(table, encoding="utf-8")
    sf.write(root / "programmes" / "ripple.wav", programme_sound(seconds), RATE)
    render(Workspace.open(root))
    return root


def response_table(*, tilt_db_per_decade: float) -> str:
    f_hz = 20.0 * 2 ** (np.arange(31) / 3)
    level_db = tilt_db_per_decade * np.log10(f_hz / 1000)
    return "\n".join(f"{f:.1f}, {level:.2f}" for f, level in zip(f_hz, level_db, strict=True))
