"""People who answer a study, played by the test: they listen to nothing and answer by dice."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from abx.session.panels import open_sessions
from abx.study.workspace import Workspace


def answer_as_people(folder: Path, n_people: int, *, database: str | None = None) -> None:
    """Take sittings of a study to their end, through the same service as the player."""
    workspace = Workspace.open(folder)
    sessions = open_sessions(workspace, workspace.live, database=database, create=True)
    rng = np.random.default_rng(7)
    try:
        for _ in range(n_people):
            token = sessions.begin(consent=True, hearing="not said", output="headphones")
            message = sessions.next_trial(token)
            while message["state"] != "done":
                if message["state"] == "break":
                    message = sessions.resume(token)
                    continue
                answered = sessions.record_answer(
                    token,
                    message["trial"],
                    _any_answer(message, rng),
                    response_s=9.0,
                    switches=4,
                    listened_s=dict.fromkeys(message["versions"], 3.0),
                )
                message = answered.next
    finally:
        sessions.store.close()


def _any_answer(message: dict[str, Any], rng: np.random.Generator) -> Any:
    if message["screen"] == "sliders":
        scale = message["scale"]
        grades = {name: float(rng.integers(40, 90)) for name in message["rate"]}
        return {name: min(value, scale["high"]) for name, value in grades.items()}
    return rng.choice([answer["value"] for answer in message["answers"]]).item()
