"""A small sound study of two stages and one programme."""

import numpy as np
import soundfile

BANDS = [round(1000 * 10 ** (n / 10), 1) for n in range(-16, 13)]

STUDY = """\
format = 1
title = "Two stages"
target = "house-curve"
[[stages]]
id = "before"
label = "Before"
responses = ["responses/before.csv"]
[[stages]]
id = "after"
label = "After"
responses = ["responses/after.csv"]
[[programmes]]
id = "noise"
file = "programmes/noise.wav"
[[tests]]
method = "abx"
pairs = [["before", "after"]]
trials = 4
[plan]
listeners = 4
claims = ["listeners can tell after from before"]
"""


def table(levels, separator=","):
    return "".join(f"{f}{separator}{level}\n" for f, level in zip(BANDS, levels, strict=True))


def write_noise(path, *, seconds=3.0, rate=48_000, scale=0.1, channels=2):
    rng = np.random.default_rng(11)
    noise = scale * rng.standard_normal((int(seconds * rate), channels))
    soundfile.write(path, np.clip(noise, -1, 1), rate, subtype="PCM_16")


def write_study(root):
    """Write a small sound study of two stages and one programme."""
    (root / "responses").mkdir(parents=True)
    (root / "programmes").mkdir()
    (root / "study.toml").write_text(STUDY)
    (root / "responses/before.csv").write_text(table([70.0] * len(BANDS)))
    (root / "responses/after.csv").write_text(table(np.linspace(74, 68, len(BANDS))))
    write_noise(root / "programmes/noise.wav")
    return root
