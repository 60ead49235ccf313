"""Render the stimuli of a study, check them, and refuse those of other files or settings."""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from abx.errors import InputError
from abx.sound.stages import filter_choices, playback_response, stage_specs, stage_tables
from abx.study.workspace import Workspace, write_json
from abx.study_file.reading import load_study
from abx.text.shell import command_line
from stimuli.programme.reading import ProgrammeSpec, file_sha256
from stimuli.render.manifest import read_manifest
from stimuli.response.measured import power_average

if TYPE_CHECKING:
    from abx.study.model import Study
    from stimuli.render.check import Check, SetCheck
    from stimuli.render.manifest import Manifest
    from stimuli.response.measured import StageResponse

__all__ = [
    "check_stimuli",
    "load_manifest",
    "load_stages",
    "manifest_hash",
    "refuse_stale_sound",
    "render",
    "stimuli_check",
]

Progress = Callable[[int, int, str], None]


def manifest_hash(stimuli_dir: Path) -> str:
    """Return the SHA-256 of ``manifest.json``.

    Raises
    ------
    InputError
        If there is none.
    """
    try:
        return hashlib.sha256((stimuli_dir / "manifest.json").read_bytes()).hexdigest()
    except OSError as error:
        raise InputError(
            source=str(stimuli_dir / "manifest.json"),
            problem="the stimuli have not been rendered",
            remedy="run 'earwitness render' first",
        ) from error


def load_stages(workspace: Workspace, study: Study) -> dict[str, StageResponse]:
    """Read each stage's response tables and average them over positions.

    Returns
    -------
    dict of str to StageResponse
        By stage id, in the order of the study file.
    """
    return {name: power_average(found) for name, found in stage_tables(workspace, study).items()}


def render(workspace: Workspace, progress: Progress | None = None) -> Manifest:
    """Render the study's stimuli into ``stimuli/``; an earlier set stays on failure."""
    from stimuli.render.sets import render_set

    study = load_study(workspace)
    return render_set(
        stage_specs(workspace, study),
        [
            ProgrammeSpec(
                p.id, workspace.root / p.file, start_s=p.start_s, length_s=p.length_s, mono=p.mono
            )
            for p in study.programmes
        ],
        workspace.stimuli,
        playback=playback_response(workspace, study),
        boost_cap_db=study.rendering.boost_cap_db,
        choices=filter_choices(study),
        loudness_model=study.rendering.loudness_model,
        listening_level_db=study.rendering.listening_level_db,
        progress=progress,
    )


def check_stimuli(workspace: Workspace, progress: Progress | None = None) -> SetCheck:
    """Measure the rendered files back and keep the figures beside the set."""
    from stimuli.render.check import verify_set

    load_manifest(workspace)
    outcome = verify_set(workspace.stimuli, progress=progress)
    write_json(
        workspace.stimuli_check,
        {
            "manifest_sha256": manifest_hash(workspace.stimuli),
            "passed": bool(outcome.passed),
            "checks": [_check_record(check) for check in outcome.checks],
        },
    )
    return outcome


def stimuli_check(workspace: Workspace, progress: Progress | None = None) -> list[dict[str, Any]]:
    """Return the figures of the last check of this very set; measure if there is none."""
    if workspace.stimuli_check.is_file():
        kept = json.loads(workspace.stimuli_check.read_text(encoding="utf-8"))
        if kept.get("manifest_sha256") == manifest_hash(workspace.stimuli):
            return list(kept["checks"])
    return [_check_record(check) for check in check_stimuli(workspace, progress).checks]


def _check_record(check: Check) -> dict[str, Any]:
    return {
        "name": check.name,
        "passed": bool(check.passed),
        "figure": _finite(check.figure),
        "limit": _finite(check.limit),
        "words": check.words,
    }


def _finite(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None


def load_manifest(workspace: Workspace) -> Manifest:
    """Read the stimulus manifest.

    Raises
    ------
    InputError
        If the stimuli were never rendered.
    """
    path = workspace.stimuli / "manifest.json"
    if not path.is_file():
        raise InputError(
            source=str(path),
            problem="the stimuli of this study are not rendered yet",
            remedy=f"run '{command_line('render', workspace.root)}' first",
        )
    return read_manifest(path)


def refuse_stale_sound(workspace: Workspace) -> None:
    """Refuse stimuli that were rendered from other files or settings than the study names now.

    Raises
    ------
    InputError
        If a stage or programme was added, or a table, an excerpt, the playback response or
        ``[rendering]`` changed, after rendering.
    """
    study, manifest = load_study(workspace), load_manifest(workspace)
    changed = [
        *_changed_stages(workspace, study, manifest),
        *_changed_programmes(workspace, study, manifest),
        *_changed_settings(workspace, study, manifest),
    ]
    if changed:
        raise InputError(
            source=str(workspace.stimuli),
            problem=f"the stimuli were rendered before this was added or changed: "
            f"{', '.join(changed)}",
            remedy=f"run '{command_line('render', workspace.root)}'",
        )


def _changed_stages(workspace: Workspace, study: Study, manifest: Manifest) -> list[str]:
    rendered = {stage.id: stage.sha256 for stage in manifest.stages}
    return [
        f"stage {name}"
        for name, response in load_stages(workspace, study).items()
        if rendered.get(name) != response.sha256
    ]


def _changed_programmes(workspace: Workspace, study: Study, manifest: Manifest) -> list[str]:
    heard = {
        programme.id: (programme.sha256, programme.start_s) for programme in manifest.programmes
    }
    return [
        f"programme {programme.id}"
        for programme in study.programmes
        if heard.get(programme.id)
        != (file_sha256(workspace.root / programme.file), programme.start_s)
    ]


def _changed_settings(workspace: Workspace, study: Study, manifest: Manifest) -> list[str]:
    """Name what shaped the sound beside stages and programmes and is different now."""
    playback = playback_response(workspace, study)
    chosen, rendered = asdict(filter_choices(study)), manifest.filter_choices
    changed = [key for key in chosen if rendered and rendered.get(key) != chosen[key]]
    if manifest.matched_in != study.rendering.loudness_model:
        changed.append("loudness_model")
    if manifest.listening_level_db != study.rendering.listening_level_db:
        changed.append("listening_level_db")
    named = [f"{key} in [rendering]" for key in changed]
    if manifest.playback_sha256 != (playback.sha256 if playback else ()):
        named.append("the playback response")
    return named
