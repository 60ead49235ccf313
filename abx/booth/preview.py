"""Hear the stages with their names: for the owner of a study, who is no blind listener.

The same files that listeners hear, at matched level, begun very quiet.
"""

from __future__ import annotations

import string
from typing import TYPE_CHECKING

from abx.booth.player import BoothPlayer, read_blob
from abx.booth.terminal import LEAVE, set_level
from abx.session.blobs import StimulusCache, build_blob
from abx.sound.stimuli import load_manifest, refuse_stale_sound
from abx.study.workspace import Workspace
from abx.study_file.reading import load_study

if TYPE_CHECKING:
    from abx.booth.terminal import Console

__all__ = ["hear_stages", "stage_blob"]

_KEYS = string.digits[1:] + string.ascii_lowercase


def stage_blob(workspace: Workspace, programme: str, *, first_only: bool = False) -> bytes:
    """Return the stages of a programme as one block of sound data, in the study's order.

    Raises
    ------
    InputError
        If the stimuli were never rendered.
    KeyError
        If there is no stimulus of this programme.
    """
    study = load_study(workspace)
    cache = StimulusCache(workspace.stimuli, load_manifest(workspace))
    stages = study.stages[:1] if first_only else study.stages
    sounds = [cache.get(stage.id, programme) for stage in stages]
    return bytes(build_blob([samples for samples, _ in sounds], sounds[0][1]))


def hear_stages(
    workspace: Workspace,
    programme: str,
    console: Console,
    *,
    device: int | str | None = None,
    latency: str | float = "low",
) -> None:
    """Let the owner switch between the stages at the keyboard, after setting the level.

    Parameters
    ----------
    workspace : Workspace
        The study.
    programme : str
        Programme id.
    console : Console
        Screen and keyboard.
    device, latency
        As :class:`abx.booth.player.BoothPlayer`.
    """
    refuse_stale_sound(workspace)
    labels = [stage.label for stage in load_study(workspace).stages]
    versions, rate = read_blob(stage_blob(workspace, programme))
    level_db = set_level(versions[:1], rate, console, device=device, latency=latency)
    if level_db is None:
        return
    keys = ", ".join(f"{key} {label}" for key, label in zip(_KEYS, labels, strict=False))
    console.show(f"Hear: {keys}. Space pauses. Enter or Esc ends.")
    with BoothPlayer(
        versions, rate, device=device, gain=10 ** (level_db / 20), latency=latency
    ) as player:
        while (key := console.key().lower()) not in (LEAVE, "\r", "\n"):
            place = _KEYS.find(key) if len(key) == 1 else -1
            if 0 <= place < len(labels):
                player.mixer.select(place)
                player.mixer.play()
                console.show(f"{labels[place]} sounds")
            elif key == " ":
                (player.mixer.pause if player.mixer.playing else player.mixer.play)()
                console.show("Playing" if player.mixer.playing else "Paused")
