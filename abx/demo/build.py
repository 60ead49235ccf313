"""Write the demonstration study to disk."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import soundfile

from abx.demo.scenario import POSITIONS, STAGES, response_name, response_table, study_text
from abx.errors import InputError
from abx.study.workspace import Workspace, replace_file
from stimuli.programme.demo_music import demo_programmes, synthesise

__all__ = ["build_demo"]

_SECONDS = 20.0
_RATE_HZ = 48_000


def build_demo(
    directory: Path,
    *,
    listeners: int,
    progress: Callable[[int, int, str], None] | None = None,
) -> Workspace:
    """Write study file, response tables and synthesised programmes.

    Parameters
    ----------
    directory : Path
        Study folder; made when missing. An existing demonstration is written again,
        any other folder with files in it is refused.
    listeners : int
        Planned number of listeners.
    progress : callable, optional
        ``progress(done, total, what)``.

    Returns
    -------
    Workspace
        The study folder.

    Raises
    ------
    InputError
        If the folder holds something that is not this demonstration.
    """
    _refuse_foreign(directory)
    workspace = Workspace(directory)
    workspace.responses.mkdir(parents=True, exist_ok=True)
    workspace.programmes.mkdir(parents=True, exist_ok=True)
    # First the file by which the folder is known: a run that was stopped can be run again.
    lengths = dict.fromkeys(demo_programmes(), _SECONDS)
    with replace_file(workspace.study_file) as path:
        path.write_text(study_text(lengths, listeners=listeners), encoding="utf-8")
    for stage in STAGES:
        for position in range(len(POSITIONS)):
            path = workspace.responses / response_name(stage, position)
            path.write_text(response_table(stage, position), encoding="utf-8")
    _write_programmes(workspace, progress)
    return workspace


def _refuse_foreign(directory: Path) -> None:
    if directory.exists() and not directory.is_dir():
        raise InputError(
            source=str(directory),
            problem="this is a file, not a folder",
            remedy="name a new folder for the demonstration",
        )
    study_file = directory / "study.toml"
    ours = study_file.is_file() and _TITLE in study_file.read_text("utf-8", errors="replace")
    if directory.is_dir() and any(directory.iterdir()) and not ours:
        raise InputError(
            source=str(directory),
            problem="this folder already holds something else",
            remedy="name a new or empty folder for the demonstration",
        )
    if ours and (directory / "earwitness.db").exists():
        raise InputError(
            source=str(directory),
            problem="people have already been served this demonstration study",
            remedy="keep it, and name a new folder for a fresh demonstration",
        )


_TITLE = "# A demonstration study. The workshop, the ferry"


def _write_programmes(
    workspace: Workspace, progress: Callable[[int, int, str], None] | None
) -> None:
    names = list(demo_programmes())
    for done, name in enumerate(names):
        if progress:
            progress(done, len(names), name)
        signal = synthesise(name, seconds=_SECONDS, rate=_RATE_HZ)
        with replace_file(workspace.programmes / f"{name}.wav") as path:
            soundfile.write(path, signal, _RATE_HZ, subtype="PCM_24")
