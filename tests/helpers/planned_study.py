"""A study on paper: stages, pairs and claims as a test wants them; no sound, no files."""

from __future__ import annotations

from collections.abc import Sequence

from abx.study.model import Study
from abx.study_file.reading import study_from_text

STAGES = ("untouched", "damped", "ceiling", "refit")


def planned_study(
    claims: Sequence[str] = (),
    *,
    listeners: int = 16,
    tests: str = 'method = "paired"\nstages = "all"\ntrials = 1',
    stages: Sequence[str] = STAGES,
    extra: str = "",
    price: float = 0.0,
) -> Study:
    """Return a checked study; ``tests`` are the [[tests]] tables without their first line.

    With a `price`, each stage costs so much more than the one before: then stages are steps, and
    the study asks by its design which of them to take first.
    """
    blocks = [
        f'[[stages]]\nid = "{name}"\nresponses = ["{name}.csv"]\ncost = {price * k}'
        for k, name in enumerate(stages)
    ]
    quoted = ", ".join(f'"{claim}"' for claim in claims)
    text = "\n".join(
        [
            'format = 1\ntitle = "On paper"\ntarget = "house-curve"',
            *blocks,
            '[[programmes]]\nid = "noise"\nfile = "noise.wav"',
            '[[programmes]]\nid = "kite"\nfile = "kite.wav"',
            *(f"[[tests]]\n{test}" for test in tests.split("---")),
            extra,
            f"[plan]\nlisteners = {listeners}\nclaims = [{quoted}]",
        ]
    )
    return study_from_text(text)
